//! The functions of [`crate::guard`] with four arguments at once, each with its slope.
//!
//! ```text
//! s(z) = ln(1 + e^z),   c(v) = v²/(v + width) for v > 0, else 0
//! ```
//!
//! Symbols   as in `guard.rs`
//! Source    as there
//! Valid     every finite argument
//! Care      where `guard.rs` parts cases, both are worked out and one is taken

use super::Lanes;
use super::elementary::{exp, ln_1p};

/// Four values and their slopes.
#[derive(Clone, Copy)]
pub(super) struct Sloped {
    pub(super) value: Lanes,
    pub(super) slope: Lanes,
}

/// s(z) and the logistic function.
#[inline]
pub(super) fn softplus(z: Lanes) -> Sloped {
    let t = exp(-z.abs());
    let value = z.fast_max(Lanes::ZERO) + ln_1p(t);
    let slope = z.simd_ge(Lanes::ZERO).select(Lanes::ONE, t) / (t + 1.0);
    Sloped { value, slope }
}

/// c(v).
#[inline]
pub(super) fn clamp(v: Lanes, width: f64) -> Sloped {
    let nothing = v.simd_le(Lanes::ZERO);
    let share = nothing.select(Lanes::ZERO, v / (v + width));
    Sloped {
        value: nothing.select(Lanes::ZERO, v * share),
        slope: share * (2.0 - share),
    }
}
