//! Drawings that nobody thought of: random circuits, spoilt files, and what must hold of every one.
//!
//! Everything comes of a seed and a number: a case that fails is named by the two and can be drawn again, by
//! `cargo run --release -p checks --example random`.

pub mod balance;
pub mod case;
pub mod composed;
pub mod dice;
pub mod drawing;
pub mod program;
pub mod same;
pub mod spoilt;
pub mod stages;
