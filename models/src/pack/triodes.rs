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

use super::elementary::{exp, ln};
use super::grids::Grids;
use super::guard::softplus;
use super::{Lanes, LocalLanes};
use crate::triode::{CUT_OFF, Triode, TriodeParameters};

/// Constants of four triodes.
#[derive(Clone, Debug)]
pub struct Triodes {
    least_share: Lanes,
    x: Lanes,
    x_less_one: Lanes,
    x_per_kg: Lanes,
    kp: Lanes,
    kvb: Lanes,
    vct: Lanes,
    grids: Grids,
}

impl Triodes {
    pub(super) fn of(triodes: [&Triode; 4]) -> Self {
        let all = |of: fn(&TriodeParameters) -> f64| {
            Lanes::new(triodes.map(|triode| of(triode.parameters())))
        };
        Self {
            least_share: all(|p| 1.0 / p.mu),
            x: all(|p| p.x),
            x_less_one: all(|p| p.x - 1.0),
            x_per_kg: all(|p| p.x / p.kg),
            kp: all(|p| p.kp),
            kvb: all(|p| p.kvb),
            vct: all(|p| p.vct),
            grids: Grids::of(triodes.map(|triode| &triode.grid)),
        }
    }

    /// Space currents, A, and their slopes with respect to v_ak and v_gk, S.
    #[inline]
    fn space_current(&self, v_ak: Lanes, v_gk: Lanes) -> (Lanes, Lanes, Lanes) {
        let inv_r = 1.0 / (self.kvb + v_ak * v_ak).sqrt();
        let w = v_gk + self.vct;
        let z = self.kp * (self.least_share + w * inv_r);
        let nothing = v_ak.simd_le(Lanes::ZERO) | z.simd_lt(CUT_OFF);
        let s = softplus(z);
        let per_v_ak = s.value / self.kp;
        let e = nothing.select(Lanes::ONE, v_ak * per_v_ak);
        let e_g = v_ak * inv_r * s.slope;
        let e_a = per_v_ak - e_g * (v_ak * inv_r) * (w * inv_r);
        let slope = self.x_per_kg * exp(self.x_less_one * ln(e));
        let given = |of: Lanes| nothing.select(Lanes::ZERO, of);
        (
            given(slope * e / self.x),
            given(slope * e_a),
            given(slope * e_g),
        )
    }

    /// As [`crate::Device::eval`] of each.
    #[rustfmt::skip]
    pub(super) fn eval(&self, x: &[Lanes], out: &mut LocalLanes<'_>) {
        let (v_ak, v_gk) = (x[0] - x[2], x[1] - x[2]);
        let (i_k, k_a, k_g) = self.space_current(v_ak, v_gk);
        let grid = self.grids.current(v_gk, v_ak);
        // What the grid leaves of the space current
        let alone = grid.value.simd_le(Lanes::ZERO);
        let rho = alone.select(Lanes::ONE, i_k / (i_k + grid.value));
        let by_k = rho * (2.0 - rho);
        let by_g = alone.select(Lanes::ZERO, -rho * rho);
        let i_a = i_k * rho;
        let (a_a, a_g) = (by_k * k_a + by_g * grid.by_next, by_k * k_g + by_g * grid.by_grid);
        let (g_a, g_g) = (grid.by_next, grid.by_grid);
        out.f.copy_from_slice(&[i_a, grid.value, -(i_a + grid.value)]);
        out.df.copy_from_slice(&[
            a_a,          a_g,          -(a_a + a_g),
            g_a,          g_g,          -(g_a + g_g),
            -(a_a + g_a), -(a_g + g_g), a_a + a_g + g_a + g_g,
        ]);
    }
}
