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

use super::elementary::{exp, ln, ln_1p};
use super::grids::Grids;
use super::guard::{Sloped, clamp, softplus};
use super::{Lanes, LocalLanes};
use crate::grid_current::GridCurrent;
use crate::pentode::{CLAMP_WIDTH, CUT_OFF, CurrentSharing, LEAST_KNEE, SCREEN_CLOSES};

/// Constants of four pentodes.
#[derive(Clone, Debug)]
pub struct Pentodes {
    least_share: Lanes,
    x: Lanes,
    per_kg: Lanes,
    kp: Lanes,
    per_kp: Lanes,
    log_mu_per_kp: Lanes,
    kvb: Lanes,
    vct: Lanes,
    d: Lanes,
    above: Lanes,
    b: Lanes,
    kap: Lanes,
    q: Lanes,
    n: Lanes,
    grids: Grids,
}

/// Slopes with respect to v_ak, v_sk and v_gk, S.
type Slopes = [Lanes; 3];

/// i_0 and what hangs on it, in lanes.
struct Space {
    /// Where there is none.
    nothing: Lanes,
    /// Logarithm of mu E / U.
    log_ratio: Lanes,
    i: Lanes,
    /// Relative slopes E'/E with respect to U and v_gk, 1/V.
    e_u: Lanes,
    e_g: Lanes,
}

impl Pentodes {
    pub(super) fn of(pentodes: [(&CurrentSharing, &GridCurrent); 4]) -> Self {
        let all = |of: fn(&CurrentSharing) -> f64| Lanes::new(pentodes.map(|(law, _)| of(law)));
        Self {
            least_share: all(|p| 1.0 / p.mu),
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
            grids: Grids::of(pentodes.map(|(_, grid)| grid)),
        }
    }

    #[inline]
    fn space(&self, u: Lanes, v_gk: Lanes) -> Space {
        let inv_r = 1.0 / (self.kvb + u * u).sqrt();
        let w = v_gk + self.vct;
        let z = self.kp * (self.least_share + w * inv_r);
        let nothing = u.simd_le(Lanes::ZERO) | z.simd_lt(CUT_OFF);
        let s = softplus(z);
        let pull = self.kp * s.slope / s.value * inv_r;
        let log_s = ln(nothing.select(Lanes::ONE, s.value));
        let log_e = log_s + ln(nothing.select(Lanes::ONE, u * self.per_kp));
        Space {
            nothing,
            log_ratio: log_s + self.log_mu_per_kp,
            i: exp(self.x * log_e) * self.per_kg,
            e_u: 1.0 / u - pull * (u * inv_r) * (w * inv_r),
            e_g: pull,
        }
    }

    /// h(u) and dh/d(ln u), given ln u.
    #[inline]
    fn knee_curve(&self, log_u: Lanes) -> (Lanes, Lanes) {
        let t = exp(-self.n * log_u.abs());
        let log_h = log_u.fast_min(Lanes::ZERO) - ln_1p(t) / self.n;
        let h = exp(log_h);
        let rest = log_u.simd_gt(Lanes::ZERO).select(t, Lanes::ONE) / (t + 1.0);
        (h, h * rest)
    }

    /// As [`crate::Device::eval`] of each.
    pub(super) fn eval(&self, x: &[Lanes], out: &mut LocalLanes<'_>) {
        let [v_ak, v_sk, v_gk] = [x[0] - x[3], x[1] - x[3], x[2] - x[3]];
        let grid = self.grids.current(v_gk, v_sk);
        let grid_slopes = [Lanes::ZERO, grid.by_next, grid.by_grid];
        let a = clamp(v_ak, CLAMP_WIDTH);
        let c = clamp(v_sk, CLAMP_WIDTH);
        let u = c.value + self.d * a.value;
        let space = self.space(u, v_gk);
        let by = |of_u: Lanes, of_g: Lanes| [of_u * self.d * a.slope, of_u * c.slope, of_g];
        let space_slopes = by(self.x * space.i * space.e_u, self.x * space.i * space.e_g);

        // h(u) and its slopes; u' = u (c'/c - v_k'/v_k)
        let below = a.value.simd_le(Lanes::ZERO);
        let moving = self.kap * u * exp(self.q * space.log_ratio);
        let v_k = moving + LEAST_KNEE;
        let moving = moving / v_k;
        let (h, per_log_u) =
            self.knee_curve(ln((below | space.nothing).select(Lanes::ONE, a.value / v_k)));
        let knee = by(
            moving * ((1.0 - self.q) / u + self.q * space.e_u),
            moving * self.q * space.e_g,
        );
        let own = per_log_u * a.slope / a.value;
        let h_slopes = [
            own - per_log_u * knee[0],
            -per_log_u * knee[1],
            -per_log_u * knee[2],
        ];
        let h = below.select(Lanes::ZERO, h);
        let h_slopes = h_slopes.map(|slope| below.select(Lanes::ZERO, slope));

        // Anode and screen
        let back = self.b - self.above;
        let screen_share = 1.0 - self.b + back * h;
        let close = screen_closes(c);
        let of_anode = self.above * h;
        let of_screen = close.value * screen_share;
        let mut anode_slopes: Slopes =
            std::array::from_fn(|k| self.above * (space_slopes[k] * h + space.i * h_slopes[k]));
        let mut screen_slopes: Slopes = std::array::from_fn(|k| {
            close.value * (space_slopes[k] * screen_share + space.i * back * h_slopes[k])
        });
        screen_slopes[1] += close.slope * space.i * screen_share;

        // What the grid leaves
        let shared = grid.value.simd_gt(Lanes::ZERO) & space.i.simd_gt(Lanes::ZERO);
        let rho = shared.select(space.i / (space.i + grid.value), Lanes::ONE);
        for k in 0..3 {
            let rho_slope = rho * ((1.0 - rho) * space_slopes[k] - rho * grid_slopes[k]);
            let rho_slope = shared & rho_slope;
            anode_slopes[k] = rho * anode_slopes[k] + of_anode * rho_slope;
            screen_slopes[k] = rho * screen_slopes[k] + of_screen * rho_slope;
        }
        let given = |of: Lanes| space.nothing.select(Lanes::ZERO, of);
        let anode = given(of_anode * space.i * rho);
        let screen = given(of_screen * space.i * rho);
        out.f
            .copy_from_slice(&[anode, screen, grid.value, -(anode + screen + grid.value)]);
        // The cathode's row and column make every row and column sum to zero
        let rows = [
            anode_slopes.map(given),
            screen_slopes.map(given),
            grid_slopes,
        ];
        let mut below = [Lanes::ZERO; 4];
        for (row, [a, s, g]) in rows.into_iter().enumerate() {
            let all = [a, s, g, -(a + s + g)];
            out.df[4 * row..4 * row + 4].copy_from_slice(&all);
            for (sum, slope) in below.iter_mut().zip(all) {
                *sum -= slope;
            }
        }
        out.df[12..16].copy_from_slice(&below);
    }
}

/// p of the screens and its slope by their volts.
#[inline]
fn screen_closes(c: Sloped) -> Sloped {
    const HALF: f64 = SCREEN_CLOSES * SCREEN_CLOSES;
    let square = c.value * c.value;
    let whole = square + HALF;
    Sloped {
        value: square / whole,
        slope: 2.0 * c.value * HALF / (whole * whole) * c.slope,
    }
}
