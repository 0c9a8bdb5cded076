//! Four triodes at once.
//!
//! ```text
//! the law of `triode.rs`
//! ```
//!
//! Symbols   as there
//! Source    as there
//! Valid     as there
//! Care      in a lane without current the logarithm is taken of one

use fearless_simd::{Simd, prelude::*};

use super::elementary::{exp, ln};
use super::grids::Grids;
use super::guard::softplus;
use super::{Four, Lanes, LocalFours, lanes, put, splat};
use crate::triode::{CUT_OFF, Triode, TriodeParameters};

/// Constants of four triodes.
#[derive(Clone, Debug)]
pub(super) struct Triodes {
    per_mu: Four,
    x: Four,
    per_kg: Four,
    kp: Four,
    per_kp: Four,
    kvb: Four,
    vct: Four,
    grids: Grids,
}

impl Triodes {
    pub(super) fn of(triodes: [&Triode; 4]) -> Self {
        let all = |of: fn(&TriodeParameters) -> f64| triodes.map(|triode| of(triode.parameters()));
        Self {
            per_mu: all(|p| 1.0 / p.mu),
            x: all(|p| p.x),
            per_kg: all(|p| 1.0 / p.kg),
            kp: all(|p| p.kp),
            per_kp: all(|p| 1.0 / p.kp),
            kvb: all(|p| p.kvb),
            vct: all(|p| p.vct),
            grids: Grids::of(triodes.map(|triode| &triode.grid)),
        }
    }

    /// Space currents, A, and their slopes with respect to v_ak and v_gk, S.
    #[inline(always)]
    fn space_current<S: Simd>(&self, simd: S, v_ak: Lanes<S>, v_gk: Lanes<S>) -> [Lanes<S>; 3] {
        let (x, kp, per_kp) = (
            lanes(simd, self.x),
            lanes(simd, self.kp),
            lanes(simd, self.per_kp),
        );
        let inv_r = 1.0 / (lanes(simd, self.kvb) + v_ak * v_ak).sqrt();
        let w = v_gk + lanes(simd, self.vct);
        let z = kp * (lanes(simd, self.per_mu) + w * inv_r);
        let nothing = v_ak.simd_le(0.0) | z.simd_lt(CUT_OFF);
        let s = softplus(simd, z);
        let per_v_ak = s.value * per_kp;
        let e = nothing.select(splat(simd, 1.0), v_ak * per_v_ak);
        let e_g = v_ak * inv_r * s.slope;
        let e_a = per_v_ak - e_g * (v_ak * inv_r) * (w * inv_r);
        let slope = lanes(simd, self.per_kg) * exp(simd, (x - 1.0) * ln(simd, e));
        let slope = nothing.select(splat(simd, 0.0), slope);
        let by_e = x * slope;
        [slope * e, by_e * e_a, by_e * e_g]
    }

    /// As [`crate::Device::eval`] of each.
    #[inline(always)]
    #[rustfmt::skip]
    pub(super) fn eval<S: Simd>(&self, simd: S, volts: &[Four], out: &mut LocalFours<'_>) {
        let v_k = lanes(simd, volts[2]);
        let (v_ak, v_gk) = (lanes(simd, volts[0]) - v_k, lanes(simd, volts[1]) - v_k);
        let [i_k, k_a, k_g] = self.space_current(simd, v_ak, v_gk);
        let grid = self.grids.current(simd, v_gk, v_ak);
        let (i_g, g_a, g_g) = (grid.value, grid.by_next, grid.by_grid);
        // What the grid leaves of the space current
        let alone = i_g.simd_le(0.0);
        let rho = alone.select(splat(simd, 1.0), i_k / (i_k + i_g));
        let by_k = rho * (2.0 - rho);
        let by_g = alone.select(splat(simd, 0.0), rho * rho);
        let i_a = i_k * rho;
        let (a_a, a_g) = (by_k * k_a - by_g * g_a, by_k * k_g - by_g * g_g);
        put(&[i_a, i_g, -(i_a + i_g)], out.f);
        put(&[
            a_a,          a_g,          -(a_a + a_g),
            g_a,          g_g,          -(g_a + g_g),
            -(a_a + g_a), -(a_g + g_g), a_a + a_g + g_a + g_g,
        ], out.df);
    }
}
