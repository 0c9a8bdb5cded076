//! Measurements: one question per file, each with its own answer type.

pub mod changes;
pub mod check;
pub mod choose;
pub mod curves;
pub mod distortion;
pub mod feedback;
pub mod figure;
pub mod heater;
pub mod hum;
pub mod impedance;
pub mod load_condition;
pub mod loop_gain;
pub mod noise;
pub mod playback;
pub mod power;
pub mod power_balance;
mod rails;
pub mod readings;
pub mod response;
pub mod scorecard;
pub mod square_wave;
pub mod study;
pub mod supply;
pub mod switch_on;
pub mod valve;
pub mod voltages;
pub mod waveform;
