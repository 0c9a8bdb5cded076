//! The way up: levels of rising drive, a batch at a time, until there is enough distortion and the output has stopped
//! rising. Much distortion alone is no end: that of a pair biased too cold falls again.

use rayon::prelude::*;

use super::level::Level;
use super::neighbours::{Neighbour, Start};
use super::stand::Stand;
use crate::{Progress, Reached};
use sim::error::SimError;
use sim::periodic::Period;
use sim::quantity::{Unit, engineering};

/// Step of the sweep, a ratio of drive: 1.25 dB.
pub(super) const STEP: f64 = 1.154_781_984_689_458;

/// Step of the way to the distortion limit alone: 3.75 dB.
pub(super) const STRIDE: f64 = STEP * STEP * STEP;

/// Change of d ln THD / d ln U from one step to the next, below which a curve hardly bends: every second step is then left out.
const STRAIGHT: f64 = 0.1;

/// The way ends here whatever happens: this far above the drive of 10 mW, a ratio (80 dB).
const MOST_DRIVE: f64 = 1e4;

/// Distortion at which a sweep has seen enough, a ratio.
const ENOUGH: f64 = 0.12;

/// Of the distortion without which it does not end, a share: with so much the end may be next.
const NEAR_THE_END: f64 = 0.3;

/// Rise of the output with the drive, d ln U / d ln drive, below which a curve has seen the output stop rising: half of
/// what it rises unclipped.
const STOPPED: f64 = 0.5;

/// Rise below which it ends where only the distortion limit is sought: what exceeds it and rises less than the drive clips.
const CLIPS: f64 = 0.97;

/// And where nothing more comes, whatever the distortion: a square wave has 48 %.
const FLAT: f64 = 0.02;

/// How to climb.
#[derive(Clone, Copy, Debug)]
pub(super) struct Climb {
    /// Drive of the first level, V peak.
    start: f64,
    /// Each level to the one before, a ratio of drive.
    stride: f64,
    /// Whether every second level is left out where the curve hardly bends.
    sparse: bool,
    /// Levels solved together.
    together: i32,
    /// Distortion without which it does not end, a ratio.
    enough: f64,
    /// Rise of the output at which it then ends.
    stopped: f64,
}

/// What was met on the way.
#[derive(Debug)]
pub(super) struct Climbed {
    /// In rising drive; the last is the first where the way ends.
    pub(super) levels: Vec<Level>,
    /// Starts for levels near by.
    pub(super) neighbours: Vec<Neighbour>,
    /// Why the next level could not be solved, where that ended the way.
    pub(super) ended: Option<SimError>,
}

/// Which level could not be solved after these, and why.
pub(super) fn ended_at(levels: &[Level], error: &SimError) -> String {
    let last = levels.last().map_or(0.0, |level| level.drive);
    let drive = engineering(last * STEP, Unit::Volt);
    format!("at {drive} peak of drive {error}")
}

impl Climb {
    /// As densely as the curve bends, to well beyond the distortion limit.
    pub(super) fn beyond_limit(start: f64, limit: f64) -> Self {
        Self {
            start,
            stride: STEP,
            sparse: true,
            together: 2,
            enough: f64::max(ENOUGH, 1.2 * limit),
            stopped: STOPPED,
        }
    }

    /// In strides of 3.75 dB, to the distortion limit.
    pub(super) fn to_limit(start: f64, limit: f64) -> Self {
        Self {
            start,
            stride: STRIDE,
            sparse: false,
            together: 2,
            enough: limit,
            stopped: CLIPS,
        }
    }

    /// The first level alone.
    pub(super) fn stay(self, first: &Period, stand: &Stand<'_>) -> Climbed {
        Climbed {
            levels: vec![stand.read(self.start, first)],
            neighbours: vec![Neighbour::of(self.start, first)],
            ended: None,
        }
    }

    /// Goes up. Each batch of levels starts at those settled before; which these are does not depend
    /// on threads, because only whole batches join them. `first` is the period settled where it starts.
    pub(super) fn run(self, first: &Period, stand: &Stand<'_>, progress: &Progress<'_>) -> Climbed {
        let mut way = self.stay(first, stand);
        let mut k = 0;
        loop {
            let together = self.together_after(&way.levels);
            let step = self.step_after(&way.levels);
            let solved: Vec<Result<(Level, Neighbour), SimError>> = (1..=together)
                .into_par_iter()
                .map(|ahead| {
                    let k = k + ahead * step;
                    let drive = self.start * self.stride.powi(k);
                    let start = Start::Nearest(drive, &way.neighbours);
                    let period = stand.settled(&stand.tone(drive), start)?;
                    Ok((stand.read(drive, &period), Neighbour::of(drive, &period)))
                })
                .collect();
            k += together * step;
            for level in solved {
                match level {
                    // What a batch solved beyond the end says nothing anyone asked.
                    Ok((level, neighbour)) => {
                        if !self.is_over(&way.levels) {
                            way.levels.push(level);
                        }
                        way.neighbours.push(neighbour);
                    }
                    Err(error) => {
                        if !self.is_over(&way.levels) {
                            way.ended = Some(error);
                        }
                        break;
                    }
                }
            }
            progress(Reached::count(way.levels.len()));
            let far = |level: &Level| level.drive > MOST_DRIVE * self.start;
            let end = self.is_over(&way.levels) || way.ended.is_some();
            if end || way.levels.last().is_none_or(far) {
                return way;
            }
        }
    }
}

impl Climb {
    /// Levels of the next batch: one by one where the end may be near, and a level beyond it is the dearest of all.
    fn together_after(&self, levels: &[Level]) -> i32 {
        if levels.last().is_some_and(|level| self.is_near(level)) {
            1
        } else {
            self.together
        }
    }

    /// Whether the end may be next.
    fn is_near(&self, level: &Level) -> bool {
        level.thd >= NEAR_THE_END * self.enough
    }

    /// Steps from each level of the next batch to the next.
    fn step_after(&self, levels: &[Level]) -> i32 {
        let [.., a, b, c] = levels else {
            return 1;
        };
        let slope =
            |a: &Level, b: &Level| (b.thd / a.thd).ln() / (b.output_rms / a.output_rms).ln();
        let bend = (slope(b, c) - slope(a, b)).abs();
        if self.sparse && !self.is_near(c) && bend < STRAIGHT {
            2
        } else {
            1
        }
    }

    fn is_over(&self, levels: &[Level]) -> bool {
        let Some((last, before)) = levels.split_last() else {
            return false;
        };
        let rise = before.last().map_or(1.0, |before| {
            (last.output_rms / before.output_rms).ln() / (last.drive / before.drive).ln()
        });
        rise < FLAT || (last.thd >= self.enough && rise < self.stopped)
    }
}
