//! What is asked of an amplifier, and the answers: one question a file, in rooms that say what is asked.
//!
//! | Room | What is asked |
//! |---|---|
//! | [`at_rest`] | volts, currents and ratings without a signal; readings of a meter; supply; switching on |
//! | [`small_signal`] | response, impedance, noise, loop gain, feedback, square wave |
//! | [`driven`] | power, distortion, hum, waveform, recordings played, cycles of a valve |
//! | [`judged`] | figures by name, how far they spread, a drawing checked, values chosen, parts taken out |
//! | [`instruments`] | what these share |
//!
//! A question is a [`Measurement`]: it asks an amplifier under test, [`UnderTest`], which knows its rest; it solves
//! by [`sim`], and knows no file.

pub mod at_rest;
#[cfg(test)]
mod drawn;
pub mod driven;
pub mod instruments;
pub mod judged;
mod measurement;
pub mod small_signal;
mod under_test;

pub use measurement::{Measurement, Progress, Reached};
pub use under_test::UnderTest;
