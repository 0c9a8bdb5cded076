//! Four anodes of vacuum rectifiers at once.
//!
//! ```text
//! the law of `rectifier.rs`
//! ```
//!
//! Symbols   as there
//! Source    as there
//! Valid     as there
//! Care      as there

use fearless_simd::{Simd, prelude::*};

use super::guard::softplus;
use super::{Four, LocalFours, flow, lanes, splat};
use crate::rectifier::{NOTHING, Rectifier};

/// Constants of four anodes.
#[derive(Clone, Debug)]
pub(super) struct Rectifiers {
    k: Four,
    c: Four,
}

impl Rectifiers {
    pub(super) fn of(rectifiers: [&Rectifier; 4]) -> Self {
        Self {
            k: rectifiers.map(|rectifier| rectifier.k),
            c: rectifiers.map(|rectifier| rectifier.c),
        }
    }

    /// As [`crate::Device::eval`] of each.
    #[inline(always)]
    pub(super) fn eval<S: Simd>(&self, simd: S, volts: &[Four], out: &mut LocalFours<'_>) {
        let (k, c) = (lanes(simd, self.k), lanes(simd, self.c));
        let z = c * (lanes(simd, volts[0]) - lanes(simd, volts[1]));
        let nothing = z.simd_lt(NOTHING);
        let s = softplus(simd, z);
        let drive = s.value / c;
        let per_root = nothing.select(splat(simd, 0.0), k * drive.sqrt());
        flow(drive * per_root, 1.5 * per_root * s.slope, out);
    }
}
