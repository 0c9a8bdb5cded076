//! Semiconductor junction.
//!
//! ```text
//! i = i_s (e^(v/v_t) - 1)  up to i_max,  its tangent above
//! ```
//!
//! Symbols   i_s saturation current, A;  v_t emission coefficient times kT/q, V;  i_max where the
//!           exponential ends, A
//! Source    Shockley, Bell Syst. Tech. J. 28 (1949) 435; the tangent is ours
//! Valid     forward to i_max; reverse leakage is i_s; no breakdown, no stored charge
//! Care      C¹ everywhere; the step of Newton's method is shortened where the exponential is steep

use crate::device::{Device, Local};
use crate::guard;
use crate::two_terminal;

/// Arguments of the exponential that `Diode::exponential` follows exactly: 60 v_t.
const EXACT_EXPONENT: f64 = 60.0;

/// A junction with the exponential law.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Diode {
    /// Saturation current, A.
    pub i_s: f64,
    /// Voltage of an e-fold, V.
    pub v_t: f64,
    /// Current above which the law goes on along its tangent, A.
    pub i_max: f64,
}

impl Diode {
    /// A pure exponential, exact for |v| up to 60 v_t.
    pub fn exponential(i_s: f64, v_t: f64) -> Self {
        Self {
            i_s,
            v_t,
            i_max: i_s * EXACT_EXPONENT.exp(),
        }
    }

    /// A silicon rectifier of the 1 A, 1000 V class.
    ///
    /// From common practice, not from a sheet: 0.60 V at 1 mA and 0.93 V at 1 A give
    /// v_t = 0.33 V / ln 1000 and i_s = 1 mA e^(-0.60 V / v_t). Above 100 A the tangent.
    pub fn silicon() -> Self {
        let v_t = 0.33 / 1000.0_f64.ln();
        Self {
            i_s: 1e-3 * (-0.60 / v_t).exp(),
            v_t,
            i_max: 100.0,
        }
    }

    /// Current, A, and slope, S, at forward voltage `v`, V.
    #[inline]
    pub fn current(&self, v: f64) -> guard::Sloped {
        junction(v, self.i_s, self.v_t, (self.i_max / self.i_s).ln())
    }
}

/// i_s (e^(v/v_t) - 1) with the exponential followed up to e^`limit`.
#[inline]
pub(crate) fn junction(v: f64, i_s: f64, v_t: f64, limit: f64) -> guard::Sloped {
    let z = v / v_t;
    // expm1 keeps the digits of a small forward voltage, exp those of the slope far in reverse
    if z < 1.0 {
        return guard::Sloped {
            value: i_s * z.exp_m1(),
            slope: i_s * z.exp() / v_t,
        };
    }
    let e = guard::exponential(z, limit);
    guard::Sloped {
        value: i_s * (e.value - 1.0),
        slope: i_s * e.slope / v_t,
    }
}

/// Fraction of a junction step from `v` by `dv` that Newton's method can follow.
///
/// Above the voltage of largest curvature, v_t ln(v_t / (sqrt 2 i_s · 1 ohm)), a step up is cut to
/// the logarithm that an exponential would answer; other steps pass whole.
#[inline]
pub(crate) fn junction_fraction(v: f64, dv: f64, i_s: f64, v_t: f64) -> f64 {
    let critical = v_t * (v_t / (std::f64::consts::SQRT_2 * i_s)).ln();
    let from = v.max(critical);
    let over = v + dv - from;
    if over <= v_t {
        return 1.0;
    }
    ((from - v) + v_t * (1.0 + (over / v_t).ln())) / dv
}

/// Whether a junction bends in the step of `dv` to `v`: it conducts at one end of it, and the other is farther off than an
/// exponential is straight.
#[inline]
pub(crate) fn junction_bends(v: f64, dv: f64, i_s: f64, v_t: f64) -> bool {
    /// Of its volts per e-fold: the square of half of it is left out, a part in a thousand of the current.
    const STRAIGHT: f64 = 0.05;
    dv.abs() > STRAIGHT * v_t && v.max(v - dv) > conducts_from(i_s, v_t)
}

/// Whether a junction conducts where a step of `dv` to `v` came from, and less than half as well at `v`.
#[inline]
pub(crate) fn junction_flattens(v: f64, dv: f64, i_s: f64, v_t: f64) -> bool {
    dv < -std::f64::consts::LN_2 * v_t && v - dv > conducts_from(i_s, v_t)
}

/// Volts from which a junction conducts: less counts as nothing.
#[inline]
fn conducts_from(i_s: f64, v_t: f64) -> f64 {
    /// A
    const NOTHING: f64 = 1e-9;
    v_t * (NOTHING / i_s).ln_1p()
}

impl Device for Diode {
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

    fn step_fraction(&self, x: &[f64], dx: &[f64]) -> f64 {
        junction_fraction(x[0] - x[1], dx[0] - dx[1], self.i_s, self.v_t)
    }

    fn bends(&self, x: &[f64], dx: &[f64]) -> bool {
        junction_bends(x[0] - x[1], dx[0] - dx[1], self.i_s, self.v_t)
    }

    fn flattens(&self, x: &[f64], dx: &[f64]) -> bool {
        junction_flattens(x[0] - x[1], dx[0] - dx[1], self.i_s, self.v_t)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn exact_exponential_where_promised() {
        let (i_s, v_t) = (40.672_864_02e-9, 1.0 / 17.749_333_2);
        let diode = Diode::exponential(i_s, v_t);
        for v in [-2.0, -0.3, 0.0, 0.01, 0.4, 1.1, 2.0] {
            let expected = i_s * (v / v_t).exp_m1();
            assert!((diode.current(v).value - expected).abs() <= 1e-14 * expected.abs());
        }
    }

    #[test]
    fn silicon_passes_through_its_two_points() {
        let diode = Diode::silicon();
        assert!((diode.current(0.60).value / 1e-3 - 1.0).abs() < 1e-4);
        assert!((diode.current(0.93).value - 1.0).abs() < 1e-4);
    }

    #[test]
    fn a_wild_step_is_shortened_and_a_tame_one_is_not() {
        let diode = Diode::silicon();
        let wild = diode.step_fraction(&[0.0, 0.0], &[100.0, 0.0]);
        assert!(wild > 0.0 && wild < 0.02);
        for tame in [-100.0, 0.01, 0.3] {
            assert!((diode.step_fraction(&[0.0, 0.0], &[tame, 0.0]) - 1.0).abs() < 1e-15);
        }
    }
}
