//! The way up: levels of rising drive, a batch at a time, until enough distortion is seen.

use rayon::prelude::*;

use super::level::Level;
use super::stand::{Neighbour, Stand, Start};
use crate::{Progress, Reached};
use sim::error::SimError;

/// Step of the sweep, a ratio of drive: 1.25 dB.
const STEP: f64 = 1.154_781_984_689_458;

/// The way ends here whatever happens: this far above the drive of 10 mW, a ratio (80 dB).
const MOST_DRIVE: f64 = 1e4;

/// Distortion at which a sweep has seen enough, a ratio.
const ENOUGH: f64 = 0.12;

/// How to climb.
#[derive(Clone, Copy, Debug)]
pub(super) struct Climb {
    /// Drive of the first level, V peak.
    start: f64,
    /// Each level to the one before, a ratio of drive.
    stride: f64,
    /// Levels solved together.
    together: i32,
    /// Distortion at which it ends, a ratio.
    enough: f64,
}

/// What was met on the way.
#[derive(Debug)]
pub(super) struct Climbed {
    /// In rising drive; the last is the first with enough distortion, if any is.
    pub(super) levels: Vec<Level>,
    /// Starts for levels near by, where they were asked for.
    pub(super) neighbours: Vec<Neighbour>,
    /// Why the next level could not be solved, where that ended the way.
    pub(super) ended: Option<SimError>,
}

impl Climb {
    /// Densely, to well beyond the distortion limit: for a curve.
    pub(super) fn beyond_limit(start: f64, limit: f64) -> Self {
        Self {
            start,
            stride: STEP,
            together: 8,
            enough: f64::max(ENOUGH, 1.2 * limit),
        }
    }

    /// In strides of 3.75 dB, to the distortion limit.
    pub(super) fn to_limit(start: f64, limit: f64) -> Self {
        Self {
            start,
            stride: STEP * STEP * STEP,
            together: 4,
            enough: limit,
        }
    }

    /// Goes up. With `near`, each batch of levels starts at those settled before; which these are does not depend
    /// on threads, because only whole batches join them.
    pub(super) fn run(self, stand: &Stand<'_>, near: bool, progress: &Progress<'_>) -> Climbed {
        let mut way = Climbed {
            levels: Vec::new(),
            neighbours: Vec::new(),
            ended: None,
        };
        let mut k = 0;
        loop {
            let solved: Vec<Result<(Level, Neighbour), SimError>> = (k..k + self.together)
                .into_par_iter()
                .map(|k| {
                    let drive = self.start * self.stride.powi(k);
                    let start = Start::Nearest(drive, &way.neighbours);
                    let period = stand.settled(&stand.tone(drive), start)?;
                    Ok((stand.read(drive, &period), Neighbour::of(drive, &period)))
                })
                .collect();
            k += self.together;
            for level in solved {
                match level {
                    // What a batch solved beyond the end says nothing anyone asked.
                    Ok((level, neighbour)) => {
                        if !way.is_over(self.enough) {
                            way.levels.push(level);
                        }
                        if near {
                            way.neighbours.push(neighbour);
                        }
                    }
                    Err(error) => {
                        if !way.is_over(self.enough) {
                            way.ended = Some(error);
                        }
                        break;
                    }
                }
            }
            progress(Reached::count(way.levels.len()));
            let far = |level: &Level| level.drive > MOST_DRIVE * self.start;
            let end = way.is_over(self.enough) || way.ended.is_some();
            if end || way.levels.last().is_none_or(far) {
                return way;
            }
        }
    }
}

impl Climbed {
    fn is_over(&self, enough: f64) -> bool {
        self.levels.last().is_some_and(|level| level.thd >= enough)
    }
}
