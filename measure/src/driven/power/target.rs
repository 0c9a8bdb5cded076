//! The levels of a sweep that give a wanted output or distortion.

use serde::Serialize;

use super::Passage;
use super::drive::{At, CLOSE, close_in};
use super::interpolation::zero;
use super::level::Level;
use sim::error::SimError;

/// An output that is asked for.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Output {
    /// Into the rated load, W.
    Watts(f64),
    /// Across the rated load, V rms.
    Volts(f64),
}

/// A figure to be met.
#[derive(Clone, Copy, Debug)]
pub(super) enum Target {
    /// Watts or volts.
    Output(Output),
    /// THD, a ratio.
    Distortion(f64),
}

/// Where a figure is met.
#[derive(Clone, Debug)]
pub(super) struct Found {
    /// Every passage, in rising drive.
    pub(super) passages: Vec<Passage>,
    /// The level of the last on the way up.
    pub(super) last: Option<Level>,
}

impl Target {
    /// ln(figure / wanted): zero at the target.
    fn miss(self, level: &Level) -> f64 {
        match self {
            Self::Output(Output::Watts(wanted)) => (level.power / wanted).ln(),
            Self::Output(Output::Volts(wanted)) => (level.output_rms / wanted).ln(),
            Self::Distortion(wanted) => (level.thd / wanted).ln(),
        }
    }

    /// Every level of the sweep that meets the target.
    pub(super) fn find(
        self,
        levels: &[Level],
        solve: &impl Fn(f64) -> Result<Level, SimError>,
    ) -> Found {
        let mut found = Found {
            passages: Vec::new(),
            last: None,
        };
        for k in 1..levels.len() {
            if let Some((level, rising)) = self.between(levels, k, solve) {
                found.passages.push(Passage {
                    drive: level.drive,
                    power: level.power,
                    output_rms: level.output_rms,
                    rising,
                });
                if rising {
                    found.last = Some(level);
                }
            }
        }
        found
    }

    /// The last level of the sweep that meets the target on the way up, alone.
    pub(super) fn last(
        self,
        levels: &[Level],
        solve: &impl Fn(f64) -> Result<Level, SimError>,
    ) -> Option<Level> {
        let rises = |&k: &usize| self.miss(&levels[k - 1]) < 0.0 && self.miss(&levels[k]) >= 0.0;
        let k = (1..levels.len()).rfind(rises)?;
        self.between(levels, k, solve).map(|(level, _)| level)
    }

    /// The level that meets the target between `k` and the one before it in the sweep, and whether the figure rises
    /// there.
    fn between(
        self,
        levels: &[Level],
        k: usize,
        solve: &impl Fn(f64) -> Result<Level, SimError>,
    ) -> Option<(Level, bool)> {
        let [first, second] = [&levels[k - 1], &levels[k]].map(|level| At {
            drive: level.drive,
            miss: self.miss(level),
            answer: level.clone(),
        });
        let rising = first.miss < 0.0 && second.miss >= 0.0;
        let falling = first.miss >= 0.0 && second.miss < 0.0;
        let (low, high) = match (rising, falling) {
            (true, _) => (first, second),
            (_, true) => (second, first),
            (false, false) => return None,
        };
        let around: Vec<(f64, f64)> = levels[k.saturating_sub(2)..levels.len().min(k + 2)]
            .iter()
            .map(|level| (level.drive.ln(), self.miss(level)))
            .collect();
        let place = |at: &At<Level>| (at.drive.ln(), at.miss);
        let expected = zero(&around, place(&low), place(&high)).map(f64::exp);
        let met = close_in(low, high, expected, CLOSE, &|level| self.miss(level), solve).ok()?;
        Some((met.answer, rising))
    }
}

/// Passages worth telling: one alone is the level itself.
pub(super) fn several(passages: Vec<Passage>) -> Vec<Passage> {
    if passages.len() > 1 {
        passages
    } else {
        Vec::new()
    }
}
