//! The drive that gives a wanted power or distortion, by solving again until it does.
//!
//! Between the two levels of the sweep that bracket it the logarithm of the figure is nearly a straight
//! line in the logarithm of the drive; the Illinois form of regula falsi closes in.
//!
//! Source   Dowell & Jarratt, BIT 11 (1971) 168 (from memory)

use super::level::Level;
use crate::error::SimError;

/// A figure to be met.
#[derive(Clone, Copy, Debug)]
pub(super) enum Target {
    /// W.
    Power(f64),
    /// THD, a ratio.
    Distortion(f64),
}

/// How closely the figure is met, relative: finer than any of it can be read.
const CLOSE: f64 = 1e-4;

/// Solves after which the best so far is taken.
const MOST_SOLVES: u32 = 12;

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
        let (mut low, mut high) = (pair[0].drive.ln(), pair[1].drive.ln());
        let (mut miss_low, mut miss_high) = (self.miss(&pair[0]), self.miss(&pair[1]));
        let mut best = if miss_high < -miss_low {
            pair[1].clone()
        } else {
            pair[0].clone()
        };
        let mut last_side = 0;
        for _ in 0..MOST_SOLVES {
            if self.miss(&best).abs() < CLOSE {
                break;
            }
            let drive = (low * miss_high - high * miss_low) / (miss_high - miss_low);
            let level = solve(drive.exp()).ok()?;
            let miss = self.miss(&level);
            if miss.abs() < self.miss(&best).abs() {
                best = level;
            }
            // Illinois: an end that stays twice running counts half.
            if miss < 0.0 {
                (low, miss_low) = (drive, miss);
                if last_side < 0 {
                    miss_high *= 0.5;
                }
                last_side = -1;
            } else {
                (high, miss_high) = (drive, miss);
                if last_side > 0 {
                    miss_low *= 0.5;
                }
                last_side = 1;
            }
        }
        Some(best)
    }
}
