//! Device physics of valve amplifiers: volts in, currents and slopes out.
//!
//! The contract: a [`Device`] is a memoryless law between the voltages of its terminals and the
//! currents into them, with its exact slopes, finite for every finite input and smooth enough for
//! Newton's method; [`contract`] says precisely what that means and every device is held to it.
//! This crate knows no nodes, matrices, time steps, files or clocks. Numbers are unprefixed SI
//! (V, A, ohm, F, H, Wb) everywhere except in the text of the valve files, which [`valve_file`] converts.

pub mod alike;
pub mod any_device;
#[cfg(feature = "files")]
pub mod contract;
pub mod core;
pub mod currents;
pub mod data;
pub mod device;
pub mod diode;
pub mod emission;
pub mod filament;
pub mod fit;
pub mod grid_current;
pub mod guard;
pub mod kind;
#[cfg(feature = "files")]
pub mod library;
pub mod nearest;
pub mod noise;
pub mod pack;
pub mod pentode;
pub mod rectifier;
pub mod specimen;
pub mod stabiliser;
pub mod transistor;
pub mod triode;
mod two_terminal;
#[cfg(feature = "files")]
pub mod valve_file;
pub mod working_point;

pub use any_device::AnyDevice;
pub use currents::ValveCurrents;
pub use device::{Device, Local};
