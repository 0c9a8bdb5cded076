//! Voltage regulator tube: a gas discharge that keeps its volts.
//!
//! ```text
//! i = (w / r) (s((v - v_0) / w) - s(-v_0 / w)) + v / r_l,   v_0 = v_m - r i_m
//! ```
//!
//! Symbols   v_m maintaining volts, V, at the current i_m, A;  r slope resistance, ohm;  v_0 volts at
//!           which the straight part of the characteristic meets the axis, V;  w width of the bend
//!           there, V;  s softplus;  r_l  leakage of a dark tube, ohm
//! Source    the straight line between the currents a sheet states is the sheet's own; the bend is ours
//! Valid     burning, between the least and the greatest current. Striking is not modelled: a tube
//!           needs more than v_m to light and goes out below its least current, so that a current under
//!           it in a solution means a dark tube, or one that oscillates with a capacitor across it
//! Care      C¹; strictly passive; nothing flows at v = 0, practically the leakage alone below v_0 - 10 w

use crate::device::{Device, Local};
use crate::guard;
use crate::two_terminal;

/// Width of the bend, V: small beside the volt or more by which a tube regulates, wide enough for
/// Newton's method. ASSUMPTION without a physical meaning.
const BEND: f64 = 0.1;

/// Leakage of the envelope and the base, ohm, lit or dark: common practice, no source. Without it a dark tube would be no
/// path at all, and nothing would divide the volts of two in series.
const LEAKAGE: f64 = 1e9;

/// A burning gas discharge.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stabiliser {
    /// Volts where the straight characteristic meets the axis, V.
    pub v_0: f64,
    /// Slope resistance, ohm.
    pub r: f64,
}

impl Stabiliser {
    /// From a sheet: `v`, V, kept at `i`, A, with slope resistance `r`, ohm.
    pub fn new(v: f64, i: f64, r: f64) -> Self {
        Self { v_0: v - r * i, r }
    }

    /// Current, A, and slope, S, at `v`, V, from cathode to anode.
    #[inline]
    pub fn current(&self, v: f64) -> guard::Sloped {
        let s = guard::softplus((v - self.v_0) / BEND);
        let nothing = guard::softplus(-self.v_0 / BEND).value;
        guard::Sloped {
            value: (s.value - nothing) * BEND / self.r + v / LEAKAGE,
            slope: s.slope / self.r + 1.0 / LEAKAGE,
        }
    }
}

impl Device for Stabiliser {
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
    fn keeps_its_volts_with_its_slope() {
        let tube = Stabiliser::new(150.0, 20e-3, 80.0);
        let burning = |v: f64| tube.current(v).value - v / LEAKAGE;
        // The bend is fifteen of its widths away: e^-15 of it is left.
        assert!((burning(150.0) / 20e-3 - 1.0).abs() < 1e-6);
        assert!((burning(151.0) - 32.5e-3).abs() < 1e-8);
        assert!(burning(147.0) < 1e-8);
        assert!(tube.current(0.0).value.abs() < f64::MIN_POSITIVE);
    }

    #[test]
    fn a_dark_tube_leaks() {
        let tube = Stabiliser::new(150.0, 20e-3, 80.0);
        // 100 nA at 100 V, of either sign, and never without a slope.
        for v in [100.0, -100.0] {
            let dark = tube.current(v);
            assert!(
                (dark.value / (v * 1e-9) - 1.0).abs() < 1e-9,
                "{}",
                dark.value
            );
            assert!((dark.slope / 1e-9 - 1.0).abs() < 1e-9, "{}", dark.slope);
        }
    }
}
