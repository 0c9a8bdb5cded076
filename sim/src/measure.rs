//! Measurements: one question per file, each with its own answer type.

pub mod impedance;
pub mod noise;
pub mod power;
pub mod power_balance;
pub mod response;
pub mod valve;
pub mod voltages;
pub mod waveform;
