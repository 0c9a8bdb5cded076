//! How fine a grid the amplifier is followed on: as coarse as the wanted accuracy allows, seen on the recording
//! itself.
//!
//! ```text
//! e(h) ≈ ‖y(h) − y(r·h)‖/‖y(r·h)‖/(1 − r²)
//! ```
//!
//! Symbols   y  output at the recording's rate for its loudest and its brightest stretch;  h  step;  r  1/2 or 3/4
//! Source    Richardson's extrapolation for a rule of order 2 (textbook)
//! Care      harmonics that fold back from beyond half the grid's rate differ between the two as well, so
//!           they are in e

use measure::UnderTest;
use measure::driven::playback::{PlaybackOf, resting_output};
use serde::Serialize;
use sim::stability::Bursts;
use sim::transient::Method;

use super::chain::{Chain, Path};
use super::recording::Recording;
use super::survey::{Moment, Survey};
use crate::failure::Failure;

/// The coarsest grid tried, samples a second: below it the grid itself would show in the treble.
const COARSEST: f64 = 80e3;

/// The finest grid, samples a second.
const FINEST: f64 = 800e3;

/// Length of a stretch on both sides of its place, s.
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
        of: &UnderTest<'_>,
        survey: &Survey,
        drive: f64,
        accuracy_db: f64,
    ) -> Result<Self, Failure> {
        let rate = recording.rate();
        let stretches = [survey.loudest, survey.brightest]
            .map(|place| Stretch::of(recording, place))
            .into_iter()
            .collect::<Result<Vec<_>, _>>()?;
        let play = |times: u32| outputs(&stretches, of, recording, drive, times);
        let finest = |times: u32| f64::from(rate * times) > FINEST;
        let chosen = |times: u32, error: f64| Self {
            times,
            rate: f64::from(rate * times),
            error_db: above(error),
            met: above(error) <= accuracy_db,
        };
        let mut times = coarsest(rate);
        let mut here = play(times)?;
        loop {
            let finer = play(2 * times)?;
            let grid = chosen(
                times,
                error(&stretches, (times, &here), (2 * times, &finer)),
            );
            if grid.met {
                return Ok(grid);
            }
            // Half as fine again may do.
            if times > 1 {
                let between = times + times / 2;
                let there = play(between)?;
                let error = error(&stretches, (between, &there), (2 * times, &finer));
                let grid = chosen(between, error);
                if grid.met {
                    return Ok(grid);
                }
            }
            if finest(4 * times) {
                // What has been played last is the finest there is; it was never held against a finer one.
                let coarser = error(&stretches, (times, &here), (2 * times, &finer));
                return Ok(chosen(2 * times, coarser / 4.0));
            }
            times *= 2;
            here = finer;
        }
    }
}

/// The greatest error of any stretch on one grid, seen against another that is finer.
fn error(
    stretches: &[Stretch],
    (times, here): (u32, &[Vec<f64>]),
    (finer, reference): (u32, &[Vec<f64>]),
) -> f64 {
    let ratio = f64::from(times) / f64::from(finer);
    let apart = stretches
        .iter()
        .zip(here.iter().zip(reference))
        .map(|(stretch, (here, finer))| difference(&here[stretch.fade..], &finer[stretch.fade..]))
        .fold(0.0, f64::max);
    apart / (1.0 - ratio * ratio)
}

/// A ratio in decibels; silence is exact, whatever the grid.
fn above(ratio: f64) -> f64 {
    20.0 * ratio.max(1e-12).log10()
}

/// Rms difference over the rms of the second.
fn difference(here: &[f64], finer: &[f64]) -> f64 {
    let square = |x: f64| x * x;
    let size: f64 = finer.iter().map(|&y| square(y)).sum();
    let apart: f64 = here.iter().zip(finer).map(|(x, y)| square(x - y)).sum();
    if size > 0.0 {
        (apart / size).sqrt()
    } else {
        0.0
    }
}

fn outputs(
    stretches: &[Stretch],
    of: &UnderTest<'_>,
    recording: &Recording,
    drive: f64,
    times: u32,
) -> Result<Vec<Vec<f64>>, Failure> {
    use rayon::prelude::*;
    stretches
        .par_iter()
        .map(|stretch| stretch.play(of, recording.rate(), drive, times))
        .collect()
}

/// A part of one channel around a place, faded in.
pub(super) struct Stretch {
    samples: Vec<f64>,
    /// Samples that are fading in and are not judged.
    fade: usize,
}

impl Stretch {
    pub(super) fn of(recording: &Recording, place: Moment) -> Result<Self, Failure> {
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
        let fade = if first > 0 { fade } else { 0 };
        Ok(Self { samples, fade })
    }

    /// What the amplifier makes of it, V about rest.
    pub(super) fn play(
        &self,
        of: &UnderTest<'_>,
        rate: u32,
        drive: f64,
        times: u32,
    ) -> Result<Vec<f64>, Failure> {
        let player = PlaybackOf::at(f64::from(rate * times)).player(of)?;
        let mut chain = Chain::new(Path::Whole(Box::new(player)), drive, rate, times);
        let mut output = Vec::new();
        chain.play(&self.samples, &mut output)?;
        chain.finish(&mut output)?;
        let rest = resting_output(of);
        for volts in &mut output {
            *volts -= rest;
        }
        Ok(output)
    }

    /// Whether the amplifier bursts into oscillation where it is loudest.
    pub(super) fn bursts(
        &self,
        of: &UnderTest<'_>,
        rate: u32,
        drive: f64,
    ) -> Result<Option<Bursts>, Failure> {
        let times = coarsest(rate);
        let damping = PlaybackOf {
            method: Method::TrBdf2,
            ..PlaybackOf::at(f64::from(rate * times))
        };
        let mut player = damping.player(of)?;
        player.watch();
        let mut chain = Chain::new(Path::Whole(Box::new(player)), drive, rate, times);
        chain.play(&self.samples, &mut Vec::new())?;
        chain.finish(&mut Vec::new())?;
        Ok(match chain.path() {
            Path::Whole(player) => player.bursts()?,
            Path::Linear(_) => None,
        })
    }

    /// The greatest volts it brings.
    pub(super) fn peak(&self, of: &UnderTest<'_>, rate: u32, drive: f64) -> Result<f64, Failure> {
        let output = self.play(of, rate, drive, coarsest(rate))?;
        Ok(output.iter().map(|volts| volts.abs()).fold(0.0, f64::max))
    }
}

#[cfg(test)]
mod tests {
    use super::{Stretch, error};

    #[test]
    fn an_error_that_falls_as_the_square_of_the_step_is_told_as_it_is() {
        // y(h) = y + e·h²: against a grid that is finer by 4/3 the difference is e·h²(1 − 9/16).
        let stretch = Stretch {
            samples: Vec::new(),
            fade: 0,
        };
        let on = |times: f64| {
            let sound = (0..1000).map(|k| f64::sin(0.1 * f64::from(k)));
            vec![sound.map(|y| y * (1.0 + 1e-4 / (times * times))).collect()]
        };
        let told = error(&[stretch], (3, &on(3.0)), (4, &on(4.0)));
        // The rms it is referred to is itself a hundred-thousandth off.
        assert!((told / (1e-4 / 9.0) - 1.0).abs() < 1e-4, "{told}");
    }
}
