//! Anode, screen and grid currents of a pentode or beam tetrode by homogeneous current sharing.
//!
//! ```text
//! U   = c(v_sk) + D c(v_ak),   c(v) = v²/(v + 0.2 V) for v > 0, else 0
//! E   = (U / kp) s(kp (1/mu + (v_gk + vct) / sqrt(kvb + U²))),   i_0 = E^x / kg
//! v_k = kap U^(1-q) (mu E)^q + 0.2 V,   u = c(v_ak)/v_k,   h = u (1 + u^n)^(-1/n)
//! i_a = (1 - f) h i_0,   i_s = p (i_0 (1 - b (1 - h)) - i_a),   p = c²/(c² + (1 V)²), c = c(v_sk)
//! ```
//!
//! Symbols   U accelerating voltage, V;  D penetration of the anode through the screen;  E, mu, x,
//!           kg, kp, kvb, vct as in `triode.rs`;  v_k knee voltage, V;  kap, q, n its size, its
//!           growth with current and its sharpness;  f screen's share above the knee;  b share
//!           turned back to the cathode at v_ak = 0;  p closes the screen at the cathode potential
//! Source    control voltage: Koren, Glass Audio 8(5), 1996, with vct as in `triode.rs`.  That sharing
//!           may depend only on voltage ratios: Spangenberg, Proc. IRE 28 (1940) 226; Jonker & Tellegen,
//!           Philips Res. Rep. 1 (1945) 13.  Return to the cathode: Schade, Proc. IRE 26 (1938) 137.  The
//!           formulas for v_k, h and p are ours
//! Valid     positive screen and anode; a strapped valve needs no other parameters; no secondary
//!           emission kink (tetrodes without beam plates)
//! Care      C¹ everywhere, also at v_ak = 0 and v_sk = 0, where the clamp c has zero slope; an
//!           electrode at or below the cathode takes exactly nothing

use super::{CLAMP_WIDTH, Shares, screen_closes};
use crate::guard;

/// Below this argument of the cut-off the current is under 1e-60 A.
pub(crate) const CUT_OFF: f64 = -110.0;
/// Knee of a valve without current, V: initial velocities again. Without it the knee shrinks to
/// nothing beyond cut-off and the anode current becomes a step.
pub(crate) const LEAST_KNEE: f64 = 0.2;

/// Parameters of homogeneous current sharing, SI, each with its key in a valve file.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CurrentSharing {
    /// Amplification factor of the control grid against the screen; `amplification_factor`.
    pub mu: f64,
    /// Exponent of the equivalent voltage; `exponent`.
    pub x: f64,
    /// Reciprocal perveance, V^x/A; `reciprocal_perveance`.
    pub kg: f64,
    /// Sharpness of cut-off relative to the accelerating voltage; `cut_off_sharpness`.
    pub kp: f64,
    /// Corner of the accelerating voltage, V²; `corner_volts_squared`.
    pub kvb: f64,
    /// Contact potential plus mean initial velocity, V; `contact_volts`.
    pub vct: f64,
    /// Penetration D of the anode through the screen; `anode_penetration`.
    pub d: f64,
    /// Share of the screen above the knee; `screen_share`.
    pub f: f64,
    /// Share of the space current turned back to the cathode at v_ak = 0; `returned_share`.
    pub b: f64,
    /// Size of the knee; `knee_size`.
    pub kap: f64,
    /// Growth of the knee with current; `knee_growth`.
    pub q: f64,
    /// Sharpness of the knee; `knee_sharpness`.
    pub n: f64,
}

/// The hinge: everything that depends on U and v_gk alone.
struct Space {
    /// U, V.
    u: f64,
    /// E per U, and the logarithm of mu E / U.
    log_ratio: f64,
    /// i_0, A, and its slopes with respect to U and v_gk.
    i: f64,
    i_u: f64,
    i_g: f64,
    /// Relative slopes E'/E with respect to U and v_gk, 1/V.
    e_u: f64,
    e_g: f64,
}

impl CurrentSharing {
    #[inline]
    fn space(&self, u: f64, v_gk: f64) -> Option<Space> {
        if u <= 0.0 {
            return None;
        }
        let inv_r = (self.kvb + u * u).sqrt().recip();
        let w = v_gk + self.vct;
        let z = self.kp * (1.0 / self.mu + w * inv_r);
        if z < CUT_OFF {
            return None;
        }
        // E and its relative slopes
        let s = guard::softplus(z);
        let pull = self.kp * s.slope / s.value * inv_r;
        let e_g = pull;
        let e_u = 1.0 / u - pull * (u * inv_r) * (w * inv_r);
        let log_s = s.value.ln();
        let log_e = log_s + (u / self.kp).ln();
        let i = (self.x * log_e).exp() / self.kg;
        Some(Space {
            u,
            log_ratio: log_s + (self.mu / self.kp).ln(),
            i,
            i_u: self.x * i * e_u,
            i_g: self.x * i * e_g,
            e_u,
            e_g,
        })
    }

    /// U, V: what accelerates the electrons.
    pub fn accelerating(&self, v_ak: f64, v_sk: f64) -> f64 {
        guard::clamp(v_sk, CLAMP_WIDTH).value + self.d * guard::clamp(v_ak, CLAMP_WIDTH).value
    }

    /// Knee voltage, V, and the share of it that moves with U and E.
    #[inline]
    fn knee(&self, space: &Space) -> (f64, f64) {
        let moving = self.kap * space.u * (self.q * space.log_ratio).exp();
        let knee = moving + LEAST_KNEE;
        (knee, moving / knee)
    }

    /// Currents without grid current: i_0 with slopes, anode and screen with slopes.
    pub(super) fn shares(&self, v_ak: f64, v_sk: f64, v_gk: f64) -> Option<Shares> {
        let a = guard::clamp(v_ak, CLAMP_WIDTH);
        let c = guard::clamp(v_sk, CLAMP_WIDTH);
        let space = self.space(c.value + self.d * a.value, v_gk)?;
        let by = |of_u: f64, of_g: f64| [of_u * self.d * a.slope, of_u * c.slope, of_g];
        let i_slopes = by(space.i_u, space.i_g);

        // h(u) and its slopes; u' = u (c'/c - v_k'/v_k)
        let (h, h_slopes) = if a.value > 0.0 {
            let (v_k, moving) = self.knee(&space);
            let (h, h_per_log_u) = self.knee_curve((a.value / v_k).ln());
            let knee_u = moving * ((1.0 - self.q) / space.u + self.q * space.e_u);
            let knee = by(knee_u, moving * self.q * space.e_g);
            let own = h_per_log_u * a.slope / a.value;
            (
                h,
                [
                    own - h_per_log_u * knee[0],
                    -h_per_log_u * knee[1],
                    -h_per_log_u * knee[2],
                ],
            )
        } else {
            (0.0, [0.0; 3])
        };

        // Anode and screen
        let above = 1.0 - self.f;
        let back = self.b - above;
        let screen_share = 1.0 - self.b + back * h;
        let close = screen_closes(v_sk);
        let mut anode_slopes = [0.0; 3];
        let mut screen_slopes = [0.0; 3];
        for k in 0..3 {
            anode_slopes[k] = above * (i_slopes[k] * h + space.i * h_slopes[k]);
            screen_slopes[k] =
                close.value * (i_slopes[k] * screen_share + space.i * back * h_slopes[k]);
        }
        screen_slopes[1] += close.slope * space.i * screen_share;
        Some(Shares {
            space: space.i,
            space_slopes: i_slopes,
            anode: above * h * space.i,
            anode_slopes,
            screen: close.value * screen_share * space.i,
            screen_slopes,
        })
    }

    /// h(u) and dh/d(ln u), given ln u.
    #[inline]
    fn knee_curve(&self, log_u: f64) -> (f64, f64) {
        let t = (-self.n * log_u.abs()).exp();
        let log_h = log_u.min(0.0) - t.ln_1p() / self.n;
        let h = log_h.exp();
        let rest = if log_u > 0.0 { t } else { 1.0 } / (1.0 + t);
        (h, h * rest)
    }

    /// Voltage of the anode at the knee, V.
    ///
    /// The anode is taken at the knee itself, which moves U by D of a small voltage; that is left
    /// out.
    pub(super) fn knee_voltage(&self, v_sk: f64, v_gk: f64) -> f64 {
        let u = guard::clamp(v_sk, CLAMP_WIDTH).value;
        self.space(u, v_gk)
            .map_or(LEAST_KNEE, |space| self.knee(&space).0)
    }
}
