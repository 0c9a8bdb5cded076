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

use fearless_simd::{Simd, prelude::*};

use super::elementary::{exp, ln_1p};
use super::{Lanes, splat};

/// Four values and their slopes.
#[derive(Clone, Copy)]
pub(super) struct Sloped<S: Simd> {
    pub(super) value: Lanes<S>,
    pub(super) slope: Lanes<S>,
}

/// s(z) and the logistic function.
#[inline(always)]
pub(super) fn softplus<S: Simd>(simd: S, z: Lanes<S>) -> Sloped<S> {
    let t = exp(simd, -z.abs());
    let value = z.max(0.0) + ln_1p(simd, t);
    let slope = z.simd_ge(0.0).select(splat(simd, 1.0), t) / (t + 1.0);
    Sloped { value, slope }
}

/// c(v).
#[inline(always)]
pub(super) fn clamp<S: Simd>(simd: S, v: Lanes<S>, width: f64) -> Sloped<S> {
    let nothing = v.simd_le(0.0);
    let share = nothing.select(splat(simd, 0.0), v / (v + width));
    Sloped {
        value: nothing.select(splat(simd, 0.0), v * share),
        slope: share * (2.0 - share),
    }
}
