//! Gated loudness of programme, LUFS.
//!
//! Source   ITU-R BS.1770 by the library `ebur128`; its test signals are those of EBU Tech 3341

use ebur128::{EbuR128, Mode};

use crate::diagnostic::Id;
use crate::failure::Failure;

/// A loudness meter under way; constant memory.
pub(crate) struct Meter(EbuR128);

impl Meter {
    /// For so many channels at a rate, Hz.
    pub(crate) fn new(channels: u32, rate: u32) -> Result<Self, Failure> {
        EbuR128::new(channels, rate, Mode::I | Mode::HISTOGRAM)
            .map(Self)
            .map_err(|error| unmetered(&error))
    }

    /// Takes frames, interleaved, full scale 1.
    pub(crate) fn add(&mut self, frames: &[f64]) -> Result<(), Failure> {
        self.0
            .add_frames_f64(frames)
            .map_err(|error| unmetered(&error))
    }

    /// Integrated loudness, LUFS; none of what is silent or shorter than a gating block.
    pub(crate) fn integrated(&self) -> Option<f64> {
        self.0
            .loudness_global()
            .ok()
            .filter(|loudness| loudness.is_finite())
    }
}

fn unmetered(error: &ebur128::Error) -> Failure {
    Failure::plain(
        Id::Recording,
        format!("its loudness cannot be measured: {error}"),
        "give a recording of one channel or two at a usual rate",
    )
}
