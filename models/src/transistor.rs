//! Bipolar transistor in forward-active operation.
//!
//! ```text
//! g = i_s (e^(v_be/v_t) - 1),   i_c = alpha g,   i_b = (1 - alpha) g,   i_e = -g
//! ```
//!
//! Symbols   i_s emitter saturation current, A;  v_t thermal voltage, V;  alpha collector share
//! Source    Ebers & Moll, Proc. IRE 42 (1954) 1761, forward terms only
//! Valid     collector junction reverse-biased; no saturation, no Early effect, no charge.  Meant
//!           for constant-current tails and for published test problems
//! Care      C¹; exact for |v_be| up to 60 v_t, the tangent above.  Not passive: without the
//!           collector junction the collector current flows at any collector voltage

use crate::device::{Device, Local};
use crate::diode::{junction, junction_bends, junction_flattens, junction_fraction};

/// Arguments of the exponential that are followed exactly.
const EXACT_EXPONENT: f64 = 60.0;

/// An n-p-n transistor, forward-active.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Transistor {
    /// Share of the emitter current that reaches the collector.
    pub alpha: f64,
    /// Emitter saturation current, A.
    pub i_s: f64,
    /// Thermal voltage, V.
    pub v_t: f64,
}

impl Device for Transistor {
    fn unknowns(&self) -> &'static [&'static str] {
        &["collector", "base", "emitter"]
    }

    #[rustfmt::skip]
    fn pattern(&self) -> &'static [bool] {
        &[
            false, true, true,
            false, true, true,
            false, true, true,
        ]
    }

    #[rustfmt::skip]
    fn eval(&self, x: &[f64], _memory: &[f64], out: &mut Local<'_>) {
        let g = junction(x[1] - x[2], self.i_s, self.v_t, EXACT_EXPONENT);
        let (c, b) = (self.alpha, 1.0 - self.alpha);
        out.f.copy_from_slice(&[c * g.value, b * g.value, -g.value]);
        out.df.copy_from_slice(&[
            0.0,  c * g.slope, -c * g.slope,
            0.0,  b * g.slope, -b * g.slope,
            0.0, -g.slope,      g.slope,
        ]);
    }

    fn step_fraction(&self, x: &[f64], dx: &[f64]) -> f64 {
        junction_fraction(x[1] - x[2], dx[1] - dx[2], self.i_s, self.v_t)
    }

    fn bends(&self, x: &[f64], dx: &[f64]) -> bool {
        junction_bends(x[1] - x[2], dx[1] - dx[2], self.i_s, self.v_t)
    }

    fn flattens(&self, x: &[f64], dx: &[f64]) -> bool {
        junction_flattens(x[1] - x[2], dx[1] - dx[2], self.i_s, self.v_t)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_the_exponential_exactly() {
        let transistor = Transistor {
            alpha: 0.99,
            i_s: 1e-6,
            v_t: 0.026,
        };
        for v in [-1.5, 0.2, 0.7, 1.5] {
            let (mut f, mut df) = ([0.0; 3], [0.0; 9]);
            let mut out = Local {
                f: &mut f,
                df: &mut df,
            };
            transistor.eval(&[5.0, v, 0.0], &[], &mut out);
            let g = 1e-6 * (v / 0.026).exp_m1();
            assert!((f[0] - 0.99 * g).abs() <= 1e-13 * g.abs());
            assert!((f[1] - 0.01 * g).abs() <= 1e-13 * g.abs());
            assert!((f[2] + g).abs() <= 1e-13 * g.abs());
        }
    }
}
