//! The level of a sweep that gives a wanted power or distortion.

use super::drive::{At, CLOSE, close_in};
use super::level::Level;
use sim::error::SimError;

/// A figure to be met.
#[derive(Clone, Copy, Debug)]
pub(super) enum Target {
    /// W.
    Power(f64),
    /// THD, a ratio.
    Distortion(f64),
}

impl Target {
    /// ln(figure / wanted): rises through zero at the target.
    fn miss(self, level: &Level) -> f64 {
        match self {
            Self::Power(wanted) => (level.power / wanted).ln(),
            Self::Distortion(wanted) => (level.thd / wanted).ln(),
        }
    }

    /// The level that meets the target where the sweep first crosses it upwards.
    pub(super) fn find(
        self,
        levels: &[Level],
        solve: &impl Fn(f64) -> Result<Level, SimError>,
    ) -> Option<Level> {
        let pair = levels
            .windows(2)
            .find(|pair| self.miss(&pair[0]) < 0.0 && self.miss(&pair[1]) >= 0.0)?;
        let [low, high] = [&pair[0], &pair[1]].map(|level| At {
            drive: level.drive,
            miss: self.miss(level),
            answer: level.clone(),
        });
        close_in(low, high, CLOSE, &|level| self.miss(level), solve).map(|found| found.answer)
    }
}
