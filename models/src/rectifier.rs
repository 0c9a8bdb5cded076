//! One anode of a vacuum rectifier.
//!
//! ```text
//! i = k (s(c v) / c)^(3/2)
//! ```
//!
//! Symbols   k perveance, A·V^(-3/2);  c sharpness of the start, 1/V;  s softplus
//! Source    Child, Phys. Rev. 32 (1911) 492; Langmuir, Phys. Rev. 2 (1913) 450; the smooth start
//!           is ours and stands for the initial velocities
//! Valid     below the emission limit; hot cathode
//! Care      C¹; a few microamperes flow at v slightly below zero, as in a real valve, so that
//!           v · i is negative there by less than a milliwatt

use crate::device::{Device, Local};
use crate::guard;
use crate::two_terminal;

/// Sharpness of the start of an oxide cathode, 1/V.
const SHARPNESS: f64 = 5.0;
/// Sharpness at which the start is lost beside any voltage of interest, 1/V.
const SHARP: f64 = 1e4;
/// Arguments of the start below which no current is left: e^-80.
pub(crate) const NOTHING: f64 = -80.0;

/// One anode and its cathode.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rectifier {
    /// Perveance, A·V^(-3/2).
    pub k: f64,
    /// Sharpness of the start, 1/V.
    pub c: f64,
}

impl Rectifier {
    /// Perveance `k`, A·V^(-3/2), with the smooth start of an oxide cathode.
    pub fn new(k: f64) -> Self {
        Self { k, c: SHARPNESS }
    }

    /// The 3/2-power law itself, but for a start of 0.1 mV: for closed-form checks.
    pub fn child(k: f64) -> Self {
        Self { k, c: SHARP }
    }

    /// From a published drop: `v`, V, across one anode at `i`, A.
    pub fn from_drop(v: f64, i: f64) -> Self {
        Self::new(i / (guard::softplus(SHARPNESS * v).value / SHARPNESS).powf(1.5))
    }

    /// Current, A, and slope, S, at the forward voltage `v`, V.
    #[inline]
    pub fn current(&self, v: f64) -> guard::Sloped {
        let z = self.c * v;
        if z < NOTHING {
            return guard::Sloped {
                value: 0.0,
                slope: 0.0,
            };
        }
        let s = guard::softplus(z);
        let drive = s.value / self.c;
        let root = drive.sqrt();
        guard::Sloped {
            value: self.k * drive * root,
            slope: 1.5 * self.k * root * s.slope,
        }
    }

    /// Drop, V, at the current `i`, A.
    pub fn drop(&self, i: f64) -> f64 {
        let z = self.c * (i / self.k).cbrt().powi(2);
        // inverse of softplus: ln(e^z - 1)
        (z + (-(-z).exp()).ln_1p()) / self.c
    }
}

impl Device for Rectifier {
    fn unknowns(&self) -> &'static [&'static str] {
        two_terminal::TERMINALS
    }

    fn pattern(&self) -> &'static [bool] {
        two_terminal::PATTERN
    }

    #[inline]
    fn eval(&self, x: &[f64], _memory: &[f64], out: &mut Local<'_>) {
        two_terminal::flow(self.current(x[0] - x[1]), out);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn passes_through_its_drop() {
        let valve = Rectifier::from_drop(17.0, 0.225);
        assert!((valve.current(17.0).value - 0.225).abs() < 1e-12);
        assert!((valve.drop(0.225) - 17.0).abs() < 1e-9);
        assert!((valve.k / 3.2e-3 - 1.0).abs() < 0.01);
    }

    #[test]
    fn child_is_the_power_law() {
        let valve = Rectifier::child(1e-3);
        assert!((valve.current(9.0).value / 27e-3 - 1.0).abs() < 1e-12);
        assert!(valve.current(-1.0).value.abs() < 1e-300);
    }
}
