//! Exponential and logarithm of four numbers at once.
//!
//! ```text
//! e^x       = 2^k e^r,                  k = x/ln 2 rounded, r = x - k ln 2, |r| ≤ ln 2 / 2
//! ln x      = k ln 2 + 2 artanh s,      x = 2^k m, √½ ≤ m < √2, s = (m - 1)/(m + 1)
//! ln(1 + t) = 2 artanh(t/(t + 2))  or  ln 2 + 2 artanh((t - 1)/(t + 3)),  the second from √2 - 1 on
//! ```
//!
//! Symbols   k whole;  r, m, s what is left, small enough for a series
//! Source    reduction to a power of two and a small rest: Cody & Waite, Software Manual for the Elementary
//!           Functions, 1980 (from memory).  The series are Taylor's, cut where the next term is below a
//!           rounding: r^13/13! = 1.7e-16 and s^18/19 = 9e-16
//! Valid     see each
//! Care      relative error below 1e-14; a NaN stays one

use super::Lanes;

/// ln 2 in two pieces; the first has so few digits that its product with a whole number up to 2^20 is exact.
const LN_2: (f64, f64) = (0.693_147_180_369_123_8, 1.908_214_929_270_587_7e-10);
/// Added to a number below 2^51 it leaves that rounded to a whole one, in its last digits: 1.5 · 2^52.
const ROUNDS: f64 = 6_755_399_441_055_744.0;
/// Bits of a double behind its exponent.
const FRACTION: u32 = 52;
/// What is added to the exponent of a double.
const BIAS: u64 = 1023;
/// Exponents of e that leave normal numbers.
const NORMAL: (f64, f64) = (-708.0, 709.0);

/// 1/k! up to 12.
const OF_EXP: [f64; 13] = {
    let mut terms = [1.0; 13];
    let mut k = 1;
    while k < 13 {
        terms[k] = terms[k - 1] / k as f64;
        k += 1;
    }
    terms
};

/// 2/(2k + 1) up to 8: 2 artanh(s)/s in powers of s².
const OF_ARTANH: [f64; 9] = {
    let mut terms = [0.0; 9];
    let mut k = 0;
    while k < 9 {
        terms[k] = 2.0 / (2 * k + 1) as f64;
        k += 1;
    }
    terms
};

/// Σ terms_k x^k up to an even power: even and odd ones apart, so that two sums go on beside each other.
#[inline]
fn polynomial<const N: usize>(terms: &[f64; N], x: Lanes) -> Lanes {
    const { assert!(N % 2 == 1 && N >= 3) };
    let square = x * x;
    let (mut even, mut odd) = (Lanes::splat(terms[N - 1]), Lanes::splat(terms[N - 2]));
    let mut k = N - 3;
    while k >= 2 {
        even = even * square + terms[k];
        odd = odd * square + terms[k - 1];
        k -= 2;
    }
    even * square + terms[0] + x * odd
}

/// e^x; zero below the normal numbers, infinite above them.
#[inline]
pub(super) fn exp(x: Lanes) -> Lanes {
    let shifted = x * std::f64::consts::LOG2_E + ROUNDS;
    let k = shifted - ROUNDS;
    let r = (x - k * LN_2.0) - k * LN_2.1;
    let power = Lanes::from_bits((shifted.to_bits() + BIAS) << FRACTION);
    let value = polynomial(&OF_EXP, r) * power;
    let value = x.simd_lt(NORMAL.0).select(Lanes::ZERO, value);
    x.simd_gt(NORMAL.1)
        .select(Lanes::splat(f64::INFINITY), value)
}

/// ln x of normal x > 0.
#[inline]
pub(super) fn ln(x: Lanes) -> Lanes {
    /// √½, where the fraction begins.
    const LEAST: u64 = std::f64::consts::FRAC_1_SQRT_2.to_bits();
    const ONE: u64 = BIAS << FRACTION;
    /// 2^52: a whole number put into its last digits becomes a double.
    const WHOLE: f64 = 4_503_599_627_370_496.0;
    let bits = x.to_bits() + (ONE - LEAST);
    let k = Lanes::from_bits((bits >> FRACTION) | WHOLE.to_bits()) - (WHOLE + BIAS as f64);
    let m = Lanes::from_bits((bits & ((1_u64 << FRACTION) - 1)) + LEAST);
    let s = (m - 1.0) / (m + 1.0);
    // What is no number has lost that on the way
    let nothing = x - x;
    k * LN_2.0 + (k * LN_2.1 + s * polynomial(&OF_ARTANH, s * s)) + nothing
}

/// ln(1 + t) for 0 ≤ t ≤ 1.
#[inline]
pub(super) fn ln_1p(t: Lanes) -> Lanes {
    let beyond = t.simd_gt(std::f64::consts::SQRT_2 - 1.0);
    let s = (t - (beyond & Lanes::ONE)) / (t + beyond.select(Lanes::splat(3.0), Lanes::splat(2.0)));
    (beyond & Lanes::splat(std::f64::consts::LN_2)) + s * polynomial(&OF_ARTANH, s * s)
}

#[cfg(test)]
mod tests {
    use super::{Lanes, exp, ln, ln_1p};

    /// The least agreement asked for, relative: see the head.
    const ROUNDING: f64 = 1e-14;
    const POINTS: usize = 400_000;

    /// The largest relative difference over even steps from `from` to `to`.
    fn worst(
        ours: impl Fn(Lanes) -> Lanes,
        theirs: impl Fn(f64) -> f64,
        at: impl Fn(f64) -> f64,
        (from, to): (f64, f64),
    ) -> f64 {
        let mut worst = 0.0_f64;
        for k in 0..POINTS / 4 {
            let x: [f64; 4] = std::array::from_fn(|lane| {
                at(from + (to - from) * (4 * k + lane) as f64 / (POINTS - 1) as f64)
            });
            for (x, y) in x.iter().zip(ours(Lanes::new(x)).to_array()) {
                let exact = theirs(*x);
                worst = worst.max(((y - exact) / exact).abs());
            }
        }
        worst
    }

    #[test]
    fn equal_to_those_of_the_standard_library() {
        for (name, worst) in [
            ("exp", worst(exp, f64::exp, |x| x, (-707.9, 708.9))),
            ("exp near zero", worst(exp, f64::exp, |x| x, (-1.0, 1.0))),
            (
                "ln",
                worst(ln, f64::ln, |x| (x + 1e-4).exp(), (-707.0, 708.0)),
            ),
            (
                "ln of 0.5 to 2",
                worst(ln, f64::ln, |x| x + 1e-9, (0.5, 2.0)),
            ),
            (
                "ln near one",
                worst(ln, f64::ln, |x| 1.0 + x.exp(), (-36.0, -3.0)),
            ),
            ("ln(1 + t)", worst(ln_1p, f64::ln_1p, |t| t, (1e-6, 1.0))),
            (
                "ln(1 + t), t small",
                worst(ln_1p, f64::ln_1p, f64::exp, (-700.0, 0.0)),
            ),
        ] {
            assert!(worst < ROUNDING, "{name}: {worst:e}");
        }
    }

    #[test]
    fn at_the_ends_and_of_what_is_no_number() {
        let [below, above, zero, none] = exp(Lanes::new([-1e9, 1e9, 0.0, f64::NAN])).to_array();
        assert!(
            below.to_bits() == 0 && above == f64::INFINITY && zero.to_bits() == 1.0_f64.to_bits()
        );
        assert!(none.is_nan());
        assert!(ln(Lanes::splat(f64::NAN)).to_array()[0].is_nan());
        assert!(ln_1p(Lanes::splat(f64::NAN)).to_array()[0].is_nan());
        assert!(ln(Lanes::ONE).to_array()[0].to_bits() == 0);
        assert!(ln_1p(Lanes::ZERO).to_array()[0].to_bits() == 0);
    }
}
