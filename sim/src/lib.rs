//! Circuits of valve amplifiers and their solution.
//!
//! `sim` knows circuits and numerical analysis. It asks [`models`] for currents and slopes, solves
//!
//! ```text
//! f(x, t) + d(C·x)/dt = 0
//! ```
//!
//! for node voltages, branch currents and fluxes `x`. It knows no file and asks no question: it reads nothing,
//! prints nothing and keeps no clock.

pub mod amplifier;
pub mod circuit;
pub mod common_period;
pub mod counts;
pub mod error;
pub mod grown;
pub mod krylov;
pub mod lu;
pub mod newton;
pub mod operating_point;
pub mod parts;
pub mod periodic;
pub mod quantity;
pub mod rest;
pub mod small_signal;
pub mod spectrum;
pub mod stability;
pub mod structure;
pub mod system;
pub mod tolerances;
pub mod topology;
pub mod transient;
mod workspace;

pub use circuit::{Circuit, CircuitError, NodeId, PartId};
pub use counts::Counts;
pub use error::SimError;
pub use system::System;
pub use tolerances::Tolerances;
pub use workspace::Workspace;
