//! Four pentodes or beam tetrodes of homogeneous current sharing at once.
//!
//! ```text
//! the law of `pentode/current_sharing.rs`, less what the grid takes as in `pentode.rs`
//! ```
//!
//! Symbols   as there
//! Source    as there
//! Valid     as there
//! Care      in a lane without current, or without any to the anode, logarithms are taken of one

use fearless_simd::{Simd, SimdBase, prelude::*};

use super::elementary::{exp, ln, ln_1p};
use super::grids::Grids;
use super::guard::{Sloped, clamp, softplus};
use super::{Four, Lanes, LocalFours, lanes, put, splat};
use crate::grid_current::GridCurrent;
use crate::pentode::{CLAMP_WIDTH, CUT_OFF, CurrentSharing, LEAST_KNEE, SCREEN_CLOSES};

/// Constants of four pentodes.
#[derive(Clone, Debug)]
pub(super) struct Pentodes {
    per_mu: Four,
    x: Four,
    per_kg: Four,
    kp: Four,
    per_kp: Four,
    log_mu_per_kp: Four,
    kvb: Four,
    vct: Four,
    d: Four,
    above: Four,
    b: Four,
    kap: Four,
    q: Four,
    n: Four,
    per_n: Four,
    grids: Grids,
}

/// i_0 and what hangs on it.
struct Space<S: Simd> {
    /// Where there is none.
    nothing: <Lanes<S> as SimdBase<S>>::Mask,
    /// Logarithm of mu E / U.
    log_ratio: Lanes<S>,
    i: Lanes<S>,
    /// Relative slopes E'/E with respect to U and v_gk, 1/V.
    e_u: Lanes<S>,
    e_g: Lanes<S>,
}

impl Pentodes {
    pub(super) fn of(pentodes: [(&CurrentSharing, &GridCurrent); 4]) -> Self {
        let all = |of: fn(&CurrentSharing) -> f64| pentodes.map(|(law, _)| of(law));
        Self {
            per_mu: all(|p| 1.0 / p.mu),
            x: all(|p| p.x),
            per_kg: all(|p| 1.0 / p.kg),
            kp: all(|p| p.kp),
            per_kp: all(|p| 1.0 / p.kp),
            log_mu_per_kp: all(|p| (p.mu / p.kp).ln()),
            kvb: all(|p| p.kvb),
            vct: all(|p| p.vct),
            d: all(|p| p.d),
            above: all(|p| 1.0 - p.f),
            b: all(|p| p.b),
            kap: all(|p| p.kap),
            q: all(|p| p.q),
            n: all(|p| p.n),
            per_n: all(|p| 1.0 / p.n),
            grids: Grids::of(pentodes.map(|(_, grid)| grid)),
        }
    }

    #[inline(always)]
    fn space<S: Simd>(&self, simd: S, u: Lanes<S>, v_gk: Lanes<S>) -> Space<S> {
        let (one, kp) = (splat(simd, 1.0), lanes(simd, self.kp));
        let inv_r = 1.0 / (lanes(simd, self.kvb) + u * u).sqrt();
        let w = v_gk + lanes(simd, self.vct);
        let z = kp * (lanes(simd, self.per_mu) + w * inv_r);
        let nothing = u.simd_le(0.0) | z.simd_lt(CUT_OFF);
        let s = softplus(simd, z);
        let pull = kp * s.slope / s.value * inv_r;
        let log_s = ln(simd, nothing.select(one, s.value));
        let log_e = log_s + ln(simd, nothing.select(one, u * lanes(simd, self.per_kp)));
        Space {
            nothing,
            log_ratio: log_s + lanes(simd, self.log_mu_per_kp),
            i: exp(simd, lanes(simd, self.x) * log_e) * lanes(simd, self.per_kg),
            e_u: 1.0 / u - pull * (u * inv_r) * (w * inv_r),
            e_g: pull,
        }
    }

    /// h(u) and dh/d(ln u), given ln u.
    #[inline(always)]
    fn knee_curve<S: Simd>(&self, simd: S, log_u: Lanes<S>) -> (Lanes<S>, Lanes<S>) {
        let t = exp(simd, -lanes(simd, self.n) * log_u.abs());
        let h = exp(
            simd,
            log_u.min(0.0) - ln_1p(simd, t) * lanes(simd, self.per_n),
        );
        let rest = log_u.simd_gt(0.0).select(t, splat(simd, 1.0)) / (t + 1.0);
        (h, h * rest)
    }

    /// As [`crate::Device::eval`] of each.
    #[inline(always)]
    pub(super) fn eval<S: Simd>(&self, simd: S, volts: &[Four], out: &mut LocalFours<'_>) {
        let (zero, one) = (splat(simd, 0.0), splat(simd, 1.0));
        let (x, d, above, b, q) = (
            lanes(simd, self.x),
            lanes(simd, self.d),
            lanes(simd, self.above),
            lanes(simd, self.b),
            lanes(simd, self.q),
        );
        let v_k = lanes(simd, volts[3]);
        let v_ak = lanes(simd, volts[0]) - v_k;
        let v_sk = lanes(simd, volts[1]) - v_k;
        let v_gk = lanes(simd, volts[2]) - v_k;
        let grid = self.grids.current(simd, v_gk, v_sk);
        let grid_slopes = [zero, grid.by_next, grid.by_grid];
        let a = clamp(simd, v_ak, CLAMP_WIDTH);
        let c = clamp(simd, v_sk, CLAMP_WIDTH);
        let u = c.value + d * a.value;
        let space = self.space(simd, u, v_gk);
        let (by_u, by_g) = (x * space.i * space.e_u, x * space.i * space.e_g);
        let space_slopes = [by_u * d * a.slope, by_u * c.slope, by_g];

        // h(u) and its slopes; u' = u (c'/c - v_k'/v_k)
        let below = a.value.simd_le(0.0);
        let moving = lanes(simd, self.kap) * u * exp(simd, q * space.log_ratio);
        let knee = moving + LEAST_KNEE;
        let moving = moving / knee;
        let over_knee = (below | space.nothing).select(one, a.value / knee);
        let (h, per_log_u) = self.knee_curve(simd, ln(simd, over_knee));
        let knee_u = per_log_u * moving * ((1.0 - q) / u + q * space.e_u);
        let knee_g = per_log_u * moving * q * space.e_g;
        let own = per_log_u * a.slope / a.value;
        let h = below.select(zero, h);
        let h_slopes = [
            below.select(zero, own - knee_u * d * a.slope),
            below.select(zero, -knee_u * c.slope),
            below.select(zero, -knee_g),
        ];

        // Anode and screen
        let back = b - above;
        let screen_share = 1.0 - b + back * h;
        let close = screen_closes(c);
        let (of_anode, of_screen) = (above * h, close.value * screen_share);
        let (mut anode_slopes, mut screen_slopes) = ([zero; 3], [zero; 3]);
        for k in 0..3 {
            let (own, moved) = (space_slopes[k], space.i * h_slopes[k]);
            anode_slopes[k] = above * (own * h + moved);
            screen_slopes[k] = close.value * (own * screen_share + back * moved);
        }
        screen_slopes[1] += close.slope * space.i * screen_share;

        // What the grid leaves
        let shared = grid.value.simd_gt(0.0) & space.i.simd_gt(0.0);
        let rho = shared.select(space.i / (space.i + grid.value), one);
        for k in 0..3 {
            let rho_slope = rho * ((1.0 - rho) * space_slopes[k] - rho * grid_slopes[k]);
            let rho_slope = shared.select(rho_slope, zero);
            anode_slopes[k] = rho * anode_slopes[k] + of_anode * rho_slope;
            screen_slopes[k] = rho * screen_slopes[k] + of_screen * rho_slope;
        }
        let (nothing, i_g) = (space.nothing, grid.value);
        let i_a = nothing.select(zero, of_anode * space.i * rho);
        let i_s = nothing.select(zero, of_screen * space.i * rho);
        put(&[i_a, i_s, i_g, -(i_a + i_s + i_g)], out.f);
        // The cathode's row and column make every row and column sum to zero
        let mut cathode = [zero; 4];
        for (row, slopes) in [anode_slopes, screen_slopes, grid_slopes]
            .iter()
            .enumerate()
        {
            let [mut a, mut s, mut g] = *slopes;
            if row < 2 {
                a = nothing.select(zero, a);
                s = nothing.select(zero, s);
                g = nothing.select(zero, g);
            }
            let slopes = [a, s, g, -(a + s + g)];
            put(&slopes, &mut out.df[4 * row..4 * row + 4]);
            for k in 0..4 {
                cathode[k] -= slopes[k];
            }
        }
        put(&cathode, &mut out.df[12..16]);
    }
}

/// p of the screens and its slope by their volts.
#[inline(always)]
fn screen_closes<S: Simd>(c: Sloped<S>) -> Sloped<S> {
    const HALF: f64 = SCREEN_CLOSES * SCREEN_CLOSES;
    let square = c.value * c.value;
    let whole = square + HALF;
    Sloped {
        value: square / whole,
        slope: 2.0 * c.value * HALF / (whole * whole) * c.slope,
    }
}
