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

use fearless_simd::{Simd, prelude::*, u64x4};

use super::{Lanes, splat};

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

/// That series less one, divided by its argument.
const OF_EXP_LESS_ONE: [f64; 12] = {
    let mut terms = [0.0; 12];
    let mut k = 0;
    while k < 12 {
        terms[k] = OF_EXP[k + 1];
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

/// Σ terms_k x^k, by halves: Estrin's scheme, whose sums do not wait for each other.
#[inline(always)]
fn polynomial<S: Simd, const N: usize>(simd: S, terms: &[f64; N], x: Lanes<S>) -> Lanes<S> {
    let mut sums = [splat(simd, 0.0); N];
    for k in 0..N {
        sums[k] = splat(simd, terms[k]);
    }
    let (mut left, mut power) = (N, x);
    while left > 1 {
        for k in 0..left / 2 {
            sums[k] = sums[2 * k + 1].mul_add(power, sums[2 * k]);
        }
        if left % 2 == 1 {
            sums[left / 2] = sums[left - 1];
        }
        left = left.div_ceil(2);
        power = power * power;
    }
    sums[0]
}

/// 2^k, and what is left of x beside k ln 2.
#[inline(always)]
fn reduced<S: Simd>(x: Lanes<S>) -> (Lanes<S>, Lanes<S>) {
    let shifted = x.mul_add(std::f64::consts::LOG2_E, ROUNDS);
    let k = shifted - ROUNDS;
    let r = k.mul_add(-LN_2.1, k.mul_add(-LN_2.0, x));
    let bits: u64x4<S> = shifted.bitcast();
    (((bits + BIAS) << FRACTION).bitcast(), r)
}

/// e^x; zero below the normal numbers, infinite above them.
#[inline(always)]
pub(super) fn exp<S: Simd>(simd: S, x: Lanes<S>) -> Lanes<S> {
    let (power, r) = reduced(x);
    let value = polynomial(simd, &OF_EXP, r) * power;
    let value = x.simd_lt(NORMAL.0).select(splat(simd, 0.0), value);
    x.simd_gt(NORMAL.1)
        .select(splat(simd, f64::INFINITY), value)
}

/// e^x and e^x - 1 of x up to the end of the normal numbers, each with all its digits.
#[inline(always)]
pub(super) fn exp_and_less_one<S: Simd>(simd: S, x: Lanes<S>) -> (Lanes<S>, Lanes<S>) {
    let (power, r) = reduced(x);
    let rest = r * polynomial(simd, &OF_EXP_LESS_ONE, r);
    let below = x.simd_lt(NORMAL.0);
    let power = below.select(splat(simd, 0.0), power);
    (
        below.select(power, power.mul_add(rest, power)),
        below.select(splat(simd, -1.0), power.mul_add(rest, power - 1.0)),
    )
}

/// 2 artanh(s).
#[inline(always)]
fn twice_artanh<S: Simd>(simd: S, s: Lanes<S>) -> Lanes<S> {
    s * polynomial(simd, &OF_ARTANH, s * s)
}

/// ln x of normal x > 0; not a number of any below that.
#[inline(always)]
pub(super) fn ln<S: Simd>(simd: S, x: Lanes<S>) -> Lanes<S> {
    /// √½, where the fraction begins.
    const LEAST: u64 = std::f64::consts::FRAC_1_SQRT_2.to_bits();
    const ONE: u64 = BIAS << FRACTION;
    /// 2^52: a whole number put into its last digits becomes a double.
    const WHOLE: f64 = 4_503_599_627_370_496.0;
    let bits: u64x4<S> = x.bitcast();
    let bits = bits + (ONE - LEAST);
    let k: Lanes<S> = ((bits >> FRACTION) | WHOLE.to_bits()).bitcast();
    let k = k - (WHOLE + BIAS as f64);
    let m: Lanes<S> = ((bits & ((1_u64 << FRACTION) - 1)) + LEAST).bitcast();
    let fraction = twice_artanh(simd, (m - 1.0) / (m + 1.0));
    let value = k.mul_add(LN_2.0, k.mul_add(LN_2.1, fraction));
    // What is no number has lost that on the way
    x.simd_gt(0.0).select(value, splat(simd, f64::NAN))
}

/// ln(1 + t) for 0 ≤ t ≤ 1.
#[inline(always)]
pub(super) fn ln_1p<S: Simd>(simd: S, t: Lanes<S>) -> Lanes<S> {
    let beyond = t.simd_gt(std::f64::consts::SQRT_2 - 1.0);
    let either = |is: f64, is_not: f64| beyond.select(splat(simd, is), splat(simd, is_not));
    let s = (t - either(1.0, 0.0)) / (t + either(3.0, 2.0));
    either(std::f64::consts::LN_2, 0.0) + twice_artanh(simd, s)
}

#[cfg(test)]
mod tests {
    use fearless_simd::{Level, Simd, dispatch, prelude::*};

    use super::{Lanes, exp, exp_and_less_one, ln, ln_1p};

    /// The least agreement asked for, relative: see the head.
    const ROUNDING: f64 = 1e-14;
    const POINTS: usize = 400_000;

    /// The vectors of this machine, and those that every machine has.
    fn levels() -> [Level; 2] {
        [Level::new(), Level::baseline()]
    }

    #[derive(Clone, Copy)]
    enum Function {
        Exp,
        ExpBeside,
        LessOne,
        Ln,
        Ln1p,
    }

    impl Function {
        #[inline(always)]
        fn ours<S: Simd>(self, simd: S, x: [f64; 4]) -> [f64; 4] {
            let x: Lanes<S> = x.simd_into(simd);
            match self {
                Self::Exp => exp(simd, x).into(),
                Self::ExpBeside => exp_and_less_one(simd, x).0.into(),
                Self::LessOne => exp_and_less_one(simd, x).1.into(),
                Self::Ln => ln(simd, x).into(),
                Self::Ln1p => ln_1p(simd, x).into(),
            }
        }

        fn at(self, level: Level, x: [f64; 4]) -> [f64; 4] {
            dispatch!(level, simd => self.ours(simd, x))
        }

        fn exact(self, x: f64) -> f64 {
            match self {
                Self::Exp | Self::ExpBeside => x.exp(),
                Self::LessOne => x.exp_m1(),
                Self::Ln => x.ln(),
                Self::Ln1p => x.ln_1p(),
            }
        }
    }

    /// The largest relative difference over even steps from `from` to `to`.
    fn worst(level: Level, of: Function, at: fn(f64) -> f64, (from, to): (f64, f64)) -> f64 {
        let mut worst = 0.0_f64;
        for k in 0..POINTS / 4 {
            let x: [f64; 4] = std::array::from_fn(|lane| {
                at(from + (to - from) * (4 * k + lane) as f64 / (POINTS - 1) as f64)
            });
            for (x, y) in x.iter().zip(of.at(level, x)) {
                let exact = of.exact(*x);
                worst = worst.max(((y - exact) / exact).abs());
            }
        }
        worst
    }

    #[test]
    fn equal_to_those_of_the_standard_library() {
        for level in levels() {
            for (name, of, at, range) in [
                (
                    "exp",
                    Function::Exp,
                    (|x| x) as fn(f64) -> f64,
                    (-707.9, 708.9),
                ),
                ("exp near zero", Function::Exp, |x| x, (-1.0, 1.0)),
                ("exp beside", Function::ExpBeside, |x| x, (-707.9, 708.9)),
                ("exp - 1", Function::LessOne, |x| x, (-800.0, 708.9)),
                ("exp - 1 near zero", Function::LessOne, |x| x, (-1.0, 1.0)),
                (
                    "exp - 1, small",
                    Function::LessOne,
                    |x| -x.exp(),
                    (-80.0, 0.0),
                ),
                ("ln", Function::Ln, |x| (x + 1e-4).exp(), (-707.0, 708.0)),
                ("ln of 0.5 to 2", Function::Ln, |x| x + 1e-9, (0.5, 2.0)),
                (
                    "ln near one",
                    Function::Ln,
                    |x| 1.0 + x.exp(),
                    (-36.0, -3.0),
                ),
                ("ln(1 + t)", Function::Ln1p, |t| t, (1e-6, 1.0)),
                (
                    "ln(1 + t), t small",
                    Function::Ln1p,
                    f64::exp,
                    (-700.0, 0.0),
                ),
            ] {
                let worst = worst(level, of, at, range);
                assert!(worst < ROUNDING, "{name}: {worst:e}");
            }
        }
    }

    #[test]
    fn at_the_ends_and_of_what_is_no_number() {
        for level in levels() {
            let exp = |x| Function::Exp.at(level, x);
            let [below, above, zero, none] = exp([-1e9, 1e9, 0.0, f64::NAN]);
            assert!(below.to_bits() == 0 && above == f64::INFINITY && none.is_nan());
            assert_eq!(zero.to_bits(), 1.0_f64.to_bits());
            let ln = |x| Function::Ln.at(level, [x; 4])[0];
            assert!(ln(f64::NAN).is_nan() && ln(1.0).to_bits() == 0);
            let ln_1p = |t| Function::Ln1p.at(level, [t; 4])[0];
            assert!(ln_1p(f64::NAN).is_nan() && ln_1p(0.0).to_bits() == 0);
        }
    }
}
