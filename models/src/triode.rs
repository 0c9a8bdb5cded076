//! Anode and grid current of a triode.
//!
//! ```text
//! E   = (v_ak / kp) s(kp (1/mu + (v_gk + vct) / sqrt(kvb + v_ak²)))
//! i_k = E^x / kg  for v_ak > 0,  else 0
//! i_a = i_k · i_k / (i_k + i_g)
//! ```
//!
//! Symbols   E equivalent grid voltage, V;  mu amplification factor;  x exponent;  kg reciprocal
//!           perveance, V^x/A;  kp sharpness of cut-off relative to v_ak;  kvb, V², where the anode
//!           voltage stops to matter;  vct contact potential and initial velocity, V;  i_g of
//!           `grid_current.rs`
//! Source    control voltage: Koren, Glass Audio 8(5), 1996; the term vct: a later form of the same
//!           law has one (from memory).  The sharing with the grid is ours
//! Valid     v_ak to some kilovolts, v_gk from beyond cut-off to some volts positive; the region
//!           of grid current rests on assumed constants; no emission limit
//! Care      C¹ everywhere, smooth for v_ak > 0; at v_ak = 0 the second derivative is unbounded

use crate::currents::ValveCurrents;
use crate::device::{Device, Local};
use crate::grid_current::{GridCurrent, remainder};

/// Below this argument of the cut-off the current is under 1e-60 A.
pub(crate) const CUT_OFF: f64 = -110.0;

/// Parameters of the control-voltage law, SI, each with its key in a valve file.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TriodeParameters {
    /// Amplification factor; `amplification_factor`.
    pub mu: f64,
    /// Exponent of the equivalent voltage; `exponent`.
    pub x: f64,
    /// Reciprocal perveance, V^x/A; `reciprocal_perveance`.
    pub kg: f64,
    /// Sharpness of cut-off relative to the anode voltage; `cut_off_sharpness`.
    pub kp: f64,
    /// Corner of the anode voltage, V²; `corner_volts_squared`.
    pub kvb: f64,
    /// Contact potential plus mean initial velocity, V; `contact_volts`.
    pub vct: f64,
}

impl TriodeParameters {
    /// Space current, A, and its slopes with respect to v_ak and v_gk, S.
    #[inline]
    pub fn space_current(&self, v_ak: f64, v_gk: f64) -> (f64, f64, f64) {
        if v_ak <= 0.0 {
            return (0.0, 0.0, 0.0);
        }
        // Argument of the hinge
        let inv_r = (self.kvb + v_ak * v_ak).sqrt().recip();
        let w = v_gk + self.vct;
        let z = self.kp * (1.0 / self.mu + w * inv_r);
        if z < CUT_OFF {
            return (0.0, 0.0, 0.0);
        }
        // Equivalent voltage and its slopes
        let s = crate::guard::softplus(z);
        let per_v_ak = s.value / self.kp;
        let e = v_ak * per_v_ak;
        let e_g = v_ak * inv_r * s.slope;
        let e_a = per_v_ak - e_g * (v_ak * inv_r) * (w * inv_r);
        // One logarithm and one exponential serve the power and its slope
        let slope = self.x / self.kg * ((self.x - 1.0) * e.ln()).exp();
        (slope * e / self.x, slope * e_a, slope * e_g)
    }
}

/// The law of the space current.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum TriodeLaw {
    /// Control voltage with contact potential; "control voltage" in a valve file.
    ControlVoltage(TriodeParameters),
}

/// One triode section.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Triode {
    /// Law of the space current.
    pub law: TriodeLaw,
    /// Law of the grid current.
    pub grid: GridCurrent,
}

impl Triode {
    /// A triode of the control-voltage law.
    pub fn new(parameters: TriodeParameters, grid: GridCurrent) -> Self {
        Self {
            law: TriodeLaw::ControlVoltage(parameters),
            grid,
        }
    }

    /// The parameters of the law.
    pub fn parameters(&self) -> &TriodeParameters {
        let TriodeLaw::ControlVoltage(parameters) = &self.law;
        parameters
    }

    /// Currents and slopes at the given voltages to the cathode, V.
    #[inline]
    pub fn currents(&self, v_ak: f64, v_gk: f64) -> ValveCurrents {
        let (i_k, k_a, k_g) = self.parameters().space_current(v_ak, v_gk);
        let (i_g, g_g, g_a) = self.grid.current(v_gk, v_ak);
        let (i_a, by_k, by_g) = remainder(i_k, i_g);
        ValveCurrents {
            anode: i_a,
            screen: 0.0,
            grid: i_g,
            anode_slopes: [by_k * k_a + by_g * g_a, 0.0, by_k * k_g + by_g * g_g],
            screen_slopes: [0.0; 3],
            grid_slopes: [g_a, 0.0, g_g],
        }
    }
}

impl Device for Triode {
    fn unknowns(&self) -> &'static [&'static str] {
        &["anode", "grid", "cathode"]
    }

    fn pattern(&self) -> &'static [bool] {
        &[true; 9]
    }

    #[inline]
    #[rustfmt::skip]
    fn eval(&self, x: &[f64], _memory: &[f64], out: &mut Local<'_>) {
        let at = self.currents(x[0] - x[2], x[1] - x[2]);
        let ([a_a, _, a_g], [g_a, _, g_g]) = (at.anode_slopes, at.grid_slopes);
        out.f.copy_from_slice(&[at.anode, at.grid, -(at.anode + at.grid)]);
        out.df.copy_from_slice(&[
            a_a,          a_g,          -(a_a + a_g),
            g_a,          g_g,          -(g_a + g_g),
            -(a_a + g_a), -(a_g + g_g), a_a + a_g + g_a + g_g,
        ]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grid_current::GridClass;

    fn sample() -> Triode {
        let p = TriodeParameters {
            mu: 20.0,
            x: 1.4,
            kg: 700.0,
            kp: 120.0,
            kvb: 300.0,
            vct: 0.4,
        };
        Triode::new(p, GridCurrent::assumed(GridClass::MediumMu, 1.0 / p.kg))
    }

    #[test]
    fn well_above_cut_off_it_is_a_power_of_the_equivalent_voltage() {
        let (i, _, _) = sample().parameters().space_current(250.0, 0.0);
        let e: f64 = 250.0 / 20.0 + 0.4 * 250.0 / (300.0_f64 + 62500.0).sqrt();
        assert!((i / (e.powf(1.4) / 700.0) - 1.0).abs() < 1e-3);
    }

    #[test]
    fn no_current_to_a_negative_anode() {
        let at = sample().currents(-10.0, 1.0);
        assert!(at.anode.abs() < 1e-300 && at.grid > 0.0);
    }

    #[test]
    fn mu_far_above_cut_off_is_the_parameter() {
        let at = sample().currents(300.0, -2.0);
        assert!((at.mu() / 20.0 - 1.0).abs() < 0.02, "{}", at.mu());
    }
}
