//! How fine a grid the amplifier is followed on: as coarse as the wanted accuracy allows, seen on the recording
//! itself.
//!
//! ```text
//! e(h) ≈ 4/3·‖y(h) − y(h/2)‖/‖y(h/2)‖
//! ```
//!
//! Symbols   y  output at the recording's rate for its loudest and its brightest stretch;  h  step
//! Source    Richardson's extrapolation for a rule of order 2 (textbook)
//! Care      harmonics that fold back from beyond half the grid's rate differ between the two as well, so
//!           they are in e

use serde::Serialize;
use sim::measure::playback::{PlaybackOf, Ready};

use super::chain::{Chain, Path};
use super::recording::Recording;
use super::survey::{Place, Survey};
use crate::failure::Failure;
use crate::interrupt;

/// The coarsest grid tried, samples a second: below it the grid itself would show in the treble.
const COARSEST: f64 = 80e3;

/// The finest grid, samples a second.
const FINEST: f64 = 800e3;

/// Length of a stretch on both sides of its place, s: it sounds in, then it is judged.
const BEFORE: f64 = 0.12;
const AFTER: f64 = 0.05;

/// The stretch begins and ends softly, s, for a recording cut into has a step there that it has not.
const FADE: f64 = 0.02;

/// How many times the rate of the recording, and what that leaves.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub(crate) struct Grid {
    /// Samples of the grid for one of the recording.
    pub(crate) times: u32,
    /// Samples a second.
    pub(crate) rate: f64,
    /// Estimated error of the steps and of aliasing, rms against the rms of the stretch, dB.
    pub(crate) error_db: f64,
    /// Whether that is what was asked for.
    pub(crate) met: bool,
}

/// The coarsest grid for a recording.
fn coarsest(rate: u32) -> u32 {
    let mut times = 1;
    while f64::from(rate * times) < COARSEST {
        times *= 2;
    }
    times
}

impl Grid {
    /// Chooses for an accuracy, dB, at a drive, V for full scale.
    pub(crate) fn choose(
        recording: &Recording,
        ready: &Ready<'_>,
        survey: &Survey,
        drive: f64,
        accuracy_db: f64,
    ) -> Result<Self, Failure> {
        let rate = recording.rate();
        let stretches = [survey.loudest, survey.brightest]
            .map(|place| Stretch::of(recording, place))
            .into_iter()
            .collect::<Result<Vec<_>, _>>()?;
        let mut times = coarsest(rate);
        let mut here = outputs(&stretches, ready, recording, drive, times)?;
        loop {
            let finer = outputs(&stretches, ready, recording, drive, 2 * times)?;
            let error = here
                .iter()
                .zip(&finer)
                .map(|(here, finer)| difference(here, finer))
                .fold(0.0, f64::max);
            let error = 4.0 / 3.0 * error;
            // Between these two grids lies one half as fine again, whose error is known without playing it.
            let between = error / 2.25;
            let (chosen, error) = if above(error) > accuracy_db && times > 1 {
                (times + times / 2, between)
            } else {
                (times, error)
            };
            let met = above(error) <= accuracy_db;
            let last = f64::from(rate * 4 * times) > FINEST;
            if met || last {
                return Ok(Self {
                    times: chosen,
                    rate: f64::from(rate * chosen),
                    error_db: above(error),
                    met,
                });
            }
            times *= 2;
            here = finer;
        }
    }
}

/// A ratio in decibels; silence is exact, whatever the grid.
fn above(ratio: f64) -> f64 {
    20.0 * ratio.max(1e-12).log10()
}

/// Rms difference over the rms of the second, both from their second half on: what precedes is fading in.
fn difference(here: &[f64], finer: &[f64]) -> f64 {
    let half = finer.len() / 2;
    let rms = |square: &dyn Fn(usize) -> f64| (half..finer.len()).map(square).sum::<f64>().sqrt();
    let size = rms(&|k| finer[k].powi(2));
    if size > 0.0 {
        rms(&|k| (here[k] - finer[k]).powi(2)) / size
    } else {
        0.0
    }
}

fn outputs(
    stretches: &[Stretch],
    ready: &Ready<'_>,
    recording: &Recording,
    drive: f64,
    times: u32,
) -> Result<Vec<Vec<f64>>, Failure> {
    use rayon::prelude::*;
    interrupt::check()?;
    stretches
        .par_iter()
        .map(|stretch| stretch.play(ready, recording.rate(), drive, times))
        .collect()
}

/// A part of one channel around a place, faded in.
pub(super) struct Stretch {
    samples: Vec<f64>,
}

impl Stretch {
    pub(super) fn of(recording: &Recording, place: Place) -> Result<Self, Failure> {
        let rate = f64::from(recording.rate());
        let first = place.frame.saturating_sub((BEFORE * rate) as u64);
        let last = (place.frame + (AFTER * rate) as u64).min(recording.frames());
        let mut columns = vec![Vec::new(); recording.channels()];
        recording
            .read_from(first)?
            .read((last - first) as usize, &mut columns)?;
        let mut samples = columns.swap_remove(place.channel);
        let fade = ((FADE * rate) as usize).min(samples.len());
        let soft = |k: usize| 0.5 - 0.5 * (std::f64::consts::PI * k as f64 / fade as f64).cos();
        if first > 0 {
            for (k, sample) in samples.iter_mut().take(fade).enumerate() {
                *sample *= soft(k);
            }
        }
        if last < recording.frames() {
            for (k, sample) in samples.iter_mut().rev().take(fade).enumerate() {
                *sample *= soft(k);
            }
        }
        Ok(Self { samples })
    }

    /// What the amplifier makes of it, V about rest.
    pub(super) fn play(
        &self,
        ready: &Ready<'_>,
        rate: u32,
        drive: f64,
        times: u32,
    ) -> Result<Vec<f64>, Failure> {
        let player = ready.player(&PlaybackOf::at(f64::from(rate * times)));
        let mut chain = Chain::new(Path::Whole(Box::new(player)), drive, rate, times);
        let mut output = Vec::new();
        chain.play(&self.samples, &mut output)?;
        chain.finish(&mut output)?;
        let rest = ready.resting_output();
        for volts in &mut output {
            *volts -= rest;
        }
        Ok(output)
    }

    /// The greatest volts it brings.
    pub(super) fn peak(&self, ready: &Ready<'_>, rate: u32, drive: f64) -> Result<f64, Failure> {
        let output = self.play(ready, rate, drive, coarsest(rate))?;
        Ok(output.iter().map(|volts| volts.abs()).fold(0.0, f64::max))
    }
}
