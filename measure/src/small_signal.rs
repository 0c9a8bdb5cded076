//! What an amplifier does with small signals about its rest: response, impedances, noise, feedback.

pub(crate) mod drives;
pub mod feedback;
pub mod impedance;
pub mod loop_gain;
pub mod noise;
pub mod response;
pub mod square_wave;
