//! Four semiconductor junctions at once.
//!
//! ```text
//! the law of `diode.rs`
//! ```
//!
//! Symbols   as there
//! Source    as there
//! Valid     as there
//! Care      as there

use fearless_simd::{Simd, prelude::*};

use super::elementary::exp_and_less_one;
use super::{Four, LocalFours, flow, lanes};
use crate::diode::Diode;

/// Constants of four junctions.
#[derive(Clone, Debug)]
pub(super) struct Junctions {
    i_s: Four,
    v_t: Four,
    limit: Four,
}

impl Junctions {
    pub(super) fn of(diodes: [&Diode; 4]) -> Self {
        Self {
            i_s: diodes.map(|diode| diode.i_s),
            v_t: diodes.map(|diode| diode.v_t),
            limit: diodes.map(|diode| (diode.i_max / diode.i_s).ln()),
        }
    }

    /// As [`crate::Device::eval`] of each.
    #[inline(always)]
    pub(super) fn eval<S: Simd>(&self, simd: S, volts: &[Four], out: &mut LocalFours<'_>) {
        let (i_s, v_t) = (lanes(simd, self.i_s), lanes(simd, self.v_t));
        let z = (lanes(simd, volts[0]) - lanes(simd, volts[1])) / v_t;
        let small = z.simd_lt(1.0);
        let followed = small.select(z, z.min(lanes(simd, self.limit)));
        let (e, less_one) = exp_and_less_one(simd, followed);
        let tangent = e * ((z - followed) + 1.0) - 1.0;
        flow(i_s * small.select(less_one, tangent), i_s * e / v_t, out);
    }
}
