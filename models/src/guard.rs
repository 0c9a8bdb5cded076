//! Smooth and safe elementary functions, each with its slope.
//!
//! ```text
//! s(z) = ln(1 + e^z),   s'(z) = 1 / (1 + e^-z)
//! ```
//!
//! Symbols   z dimensionless argument;  s softplus;  s' logistic
//! Source    the algebra is elementary; the branch on the sign of z keeps every exponential ≤ 1
//! Valid     every finite z
//! Care      nothing here overflows; an underflow to zero is meant

/// Beyond this argument e^z is followed by its tangent: e^80 = 5.5e34 still leaves room for the
/// products a Jacobian makes of it.
pub const EXPONENT_LIMIT: f64 = 80.0;

/// A value and its slope with respect to the one argument of the function that made it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sloped {
    /// The value of the function.
    pub value: f64,
    /// Its slope.
    pub slope: f64,
}

/// s(z) = ln(1 + e^z) and its slope, the logistic function. One exponential and one logarithm.
#[inline]
pub fn softplus(z: f64) -> Sloped {
    let t = (-z.abs()).exp();
    let value = z.max(0.0) + t.ln_1p();
    let slope = if z >= 0.0 { 1.0 } else { t } / (1.0 + t);
    Sloped { value, slope }
}

/// 1 / (1 + e^-z) and its slope.
#[inline]
pub fn logistic(z: f64) -> Sloped {
    let t = (-z.abs()).exp();
    let value = if z >= 0.0 { 1.0 } else { t } / (1.0 + t);
    Sloped {
        value,
        slope: t / ((1.0 + t) * (1.0 + t)),
    }
}

/// e^z below `limit`, its tangent above: C¹ and finite for every finite z.
#[inline]
pub fn exponential(z: f64, limit: f64) -> Sloped {
    if z <= limit {
        let value = z.exp();
        Sloped {
            value,
            slope: value,
        }
    } else {
        let slope = limit.exp();
        Sloped {
            value: slope * (1.0 + (z - limit)),
            slope,
        }
    }
}

/// base^exponent for base ≥ 0 and exponent ≥ 1; a base below zero counts as zero.
#[inline]
pub fn power(base: f64, exponent: f64) -> Sloped {
    if base <= 0.0 {
        return Sloped {
            value: 0.0,
            slope: 0.0,
        };
    }
    let below = base.powf(exponent - 1.0);
    Sloped {
        value: below * base,
        slope: exponent * below,
    }
}

/// v²/(v + width) for v > 0, zero below: a clamp at zero whose slope has no step.
///
/// Exactly zero for v ≤ 0, so that an electrode below the cathode takes nothing; v − width above.
#[inline]
pub fn clamp(v: f64, width: f64) -> Sloped {
    if v <= 0.0 {
        return Sloped {
            value: 0.0,
            slope: 0.0,
        };
    }
    let share = v / (v + width);
    Sloped {
        value: v * share,
        slope: share * (2.0 - share),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn slope_of(f: impl Fn(f64) -> f64, z: f64) -> f64 {
        let h = 1e-5;
        (f(z + h) - f(z - h)) / (2.0 * h)
    }

    #[test]
    fn slopes_equal_differences() {
        for z in [-30.0, -3.0, -0.1, 0.2, 2.0, 9.0, 30.0] {
            let near =
                |a: f64, b: f64| (a - b).abs() <= 1e-8 * (1e-6 + a.abs().max(b.abs())) + 1e-9;
            assert!(near(softplus(z).slope, slope_of(|z| softplus(z).value, z)));
            assert!(near(logistic(z).slope, slope_of(|z| logistic(z).value, z)));
            assert!(near(
                clamp(z, 0.3).slope,
                slope_of(|z| clamp(z, 0.3).value, z)
            ));
            assert!(near(
                power(z, 1.5).slope,
                slope_of(|z| power(z, 1.5).value, z)
            ));
        }
    }

    #[test]
    fn finite_at_absurd_arguments() {
        for z in [-1e9, -1e6, -1e4, 0.0, 1e4, 1e6, 1e9] {
            for sloped in [
                softplus(z),
                logistic(z),
                clamp(z, 0.1),
                power(z, 1.5),
                exponential(z, EXPONENT_LIMIT),
            ] {
                assert!(sloped.value.is_finite() && sloped.slope.is_finite());
            }
        }
    }

    #[test]
    fn softplus_keeps_its_digits_far_below_zero() {
        assert!((softplus(-40.0).value / (-40.0_f64).exp() - 1.0).abs() < 1e-14);
    }

    #[test]
    fn the_tangent_joins_the_exponential() {
        let below = exponential(10.0 - 1e-9, 10.0);
        let above = exponential(10.0 + 1e-9, 10.0);
        assert!((below.value / above.value - 1.0).abs() < 1e-8);
        assert!((below.slope / above.slope - 1.0).abs() < 1e-8);
    }
}
