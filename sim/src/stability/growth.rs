//! A natural frequency that grows, and the fastest of several.

use nalgebra::Complex;
use serde::Serialize;

use crate::error::SimError;
use crate::grown::{Grown, comes_back, swings};

/// A natural frequency that grows.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Growing {
    /// Oscillation, Hz; of a state that runs away without swinging, how often it then does so again; zero when it
    /// tips over once, does so unevenly, or when that is not known.
    pub frequency: f64,
    /// Growth, 1/s: e-fold in its reciprocal.
    pub rate: f64,
    /// What an oscillation comes to once it has grown; none where it settles at [`Growing::frequency`], to a
    /// fiftieth, or where that is not known.
    pub grown: Option<Grown>,
}

impl Growing {
    /// Whether it turns before it is as large as it gets; else it runs away, tips over, and its frequency tells how often it
    /// comes back to do so again.
    pub fn swings(&self) -> bool {
        swings(self.frequency, self.rate)
    }

    /// Whether what runs away comes back to do so again.
    pub fn comes_back(&self) -> bool {
        comes_back(self.frequency, self.grown)
    }

    /// Whether a faster oscillation bursts on part of every turn once it has grown.
    pub(crate) fn bursts(&self) -> bool {
        self.grown.is_some_and(|grown| grown.bursts.is_some())
    }
}

impl From<Growing> for SimError {
    fn from(growing: Growing) -> Self {
        Self::Oscillates {
            frequency: Some(growing.frequency),
            rate: growing.rate,
            grown: growing.grown,
        }
    }
}

/// The fastest growing of some natural frequencies s, 1/s: without a frequency where it is large before it has turned.
pub fn fastest(modes: &[Complex<f64>]) -> Option<Growing> {
    let growing = modes.iter().filter(|s| s.re > 0.0);
    let fastest = growing.max_by(|a, b| a.re.total_cmp(&b.re))?;
    let found = Growing {
        frequency: fastest.im.abs() / std::f64::consts::TAU,
        rate: fastest.re,
        grown: None,
    };
    Some(Growing {
        frequency: if found.swings() { found.frequency } else { 0.0 },
        ..found
    })
}

#[cfg(test)]
mod tests {
    use super::fastest;
    use nalgebra::Complex;

    #[test]
    fn what_is_large_before_it_has_turned_runs_away() {
        // 2.7-fold every 860 ns is a thousand volts in twelve microseconds, of which 26.7 Hz make a three-thousandth of a turn.
        let turns = |hertz: f64, time: f64| Complex::new(1.0 / time, std::f64::consts::TAU * hertz);
        let found = fastest(&[turns(26.7, 860e-9)]).expect("it grows");
        assert!(
            found.frequency.abs() < f64::EPSILON && !found.swings(),
            "{found:?}"
        );
        // Half a turn while it grows 2.7-fold is seven until it is large.
        let found = fastest(&[turns(156e3, 3.2e-6)]).expect("it grows");
        assert!(
            (found.frequency / 156e3 - 1.0).abs() < 1e-12 && found.swings(),
            "{found:?}"
        );
    }
}
