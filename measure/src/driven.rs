//! What an amplifier does driven: power, distortion, hum, waveforms, recordings, the cycle of a valve.

pub mod curves;
pub mod distortion;
pub mod hum;
pub mod playback;
pub mod power;
pub mod waveform;
