//! Current into a control grid near and above zero bias.
//!
//! ```text
//! i_g = g (s(c (v_gk + v_o)) / c)^xi · (1 + b / (1 + (v/v_b)²)),   v = max(v_n, 0)
//! rho = i_k / (i_k + i_g)          what the grid leaves of the space current i_k
//! ```
//!
//! Symbols   g grid perveance, A·V^-xi;  c sharpness of onset, 1/V;  v_o contact potential and
//!           initial velocity, V;  xi exponent;  b, v_b rise at low anode voltage, 1 and V;
//!           v_n voltage of the next electrode (anode of a triode, screen of a pentode), V
//! Source    onset: Dempwolf & Zoelzer, DAFx-11, Paris 2011.  Rise at low anode voltage: the effect
//!           is in Spangenberg, Proc. IRE 28 (1940) 226; its rational form is ours, chosen because
//!           it joins v < 0 without a step of slope.  Sharing rho: ours, i_k − i_g for small i_g,
//!           never negative for large
//! Valid     the constants are an ASSUMPTION: no published grid-current curve was available
//! Care      C¹; a grid slightly negative still collects electrons that the heater gave their
//!           speed, so v_gk · i_g can be negative by microwatts and that is physics

use crate::guard::{self, Sloped};
use crate::kind::ValveKind;

/// Below this argument of the onset the current is under 1e-19 of the perveance: skipped.
pub(crate) const NOTHING: f64 = -30.0;
/// Below this argument s(z) = e^z to 4e-7 of itself: two functions instead of four.
pub(crate) const TAIL: f64 = -14.0;

/// Constants of the grid current. See the head of the module.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GridCurrent {
    /// Grid perveance g, A·V^-xi.
    pub perveance: f64,
    /// Exponent xi.
    pub exponent: f64,
    /// Sharpness of the onset c, 1/V.
    pub sharpness: f64,
    /// Offset v_o, V: contact potential plus mean initial velocity.
    pub offset: f64,
    /// Rise b of the current when the next electrode is at the cathode's potential.
    pub rise: f64,
    /// Voltage v_b of the next electrode at which half of the rise is gone, V.
    pub rise_voltage: f64,
}

/// Classes of valve that share default constants.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum GridClass {
    /// Small triodes of high mu: close-wound grids that take a large share.
    HighMu,
    /// Small triodes of medium mu.
    MediumMu,
    /// Power triodes: open grids.
    PowerTriode,
    /// Pentodes and beam tetrodes.
    Pentode,
}

/// From this amplification factor on a triode counts as one of high mu.
/// Source    common practice, no source: 12AU7 17, 6SN7 20; 12AT7 60, 12AX7 100
const HIGH_MU: f64 = 50.0;
/// From this anode dissipation on a triode counts as a power triode, W.
/// Source    common practice, no source: 6CG7 4 W; 45 10 W
const POWER_WATTS: f64 = 7.0;

impl GridClass {
    /// The class of a valve by its kind, amplification factor and anode dissipation limit, W.
    pub fn of(kind: ValveKind, mu: f64, anode_watts: Option<f64>) -> Self {
        if kind.has_screen() {
            Self::Pentode
        } else if mu >= HIGH_MU {
            Self::HighMu
        } else if anode_watts.is_some_and(|watts| watts >= POWER_WATTS) {
            Self::PowerTriode
        } else {
            Self::MediumMu
        }
    }

    /// In the trade's words, e.g. "medium-mu triode".
    pub fn words(self) -> &'static str {
        match self {
            Self::HighMu => "high-mu triode",
            Self::MediumMu => "medium-mu triode",
            Self::PowerTriode => "power triode",
            Self::Pentode => "pentode",
        }
    }
}

impl GridCurrent {
    /// Default constants for a class, given the perveance 1/kg of the valve, A·V^-x.
    ///
    /// ASSUMPTION, not a fit. The grid's share of the perveance for high mu is the ratio of the
    /// constants measured on three valves by Dempwolf & Zoelzer (0.24 to 0.28); the lower shares of
    /// opener grids are engineering judgement. Sharpness times exponent is 10 per volt, the start
    /// e^(v_gk / 0.1 V) of an oxide cathode at 1050 K; the offset makes a small high-mu valve draw
    /// 0.3 uA near -0.6 V, where the European resistance-coupling tables put the onset.
    pub fn assumed(class: GridClass, valve_perveance: f64) -> Self {
        let share = match class {
            GridClass::HighMu => 0.27,
            GridClass::MediumMu => 0.20,
            GridClass::Pentode => 0.15,
            GridClass::PowerTriode => 0.12,
        };
        Self {
            perveance: share * valve_perveance,
            exponent: 1.4,
            sharpness: 7.15,
            offset: 0.1,
            rise: 1.0,
            rise_voltage: 10.0,
        }
    }

    /// A grid that never draws current, for closed-form checks.
    pub fn none() -> Self {
        Self {
            perveance: 0.0,
            ..Self::assumed(GridClass::MediumMu, 1.0)
        }
    }

    /// Grid current, A, and its slopes with respect to v_gk and to the next electrode's v_n, S.
    #[inline]
    pub fn current(&self, v_gk: f64, v_n: f64) -> (f64, f64, f64) {
        let z = self.sharpness * (v_gk + self.offset);
        if z < NOTHING || self.perveance <= 0.0 {
            return (0.0, 0.0, 0.0);
        }
        let onset = self.onset(z);
        let rise = self.rise(v_n);
        (
            onset.value * rise.value,
            onset.slope * rise.value,
            onset.value * rise.slope,
        )
    }

    /// g (s(z)/c)^xi and its slope with respect to v_gk.
    #[inline]
    fn onset(&self, z: f64) -> Sloped {
        let (log_drive, slope_of_log) = if z < TAIL {
            (z - self.sharpness.ln(), 1.0)
        } else {
            let s = guard::softplus(z);
            ((s.value / self.sharpness).ln(), s.slope / s.value)
        };
        let value = self.perveance * (self.exponent * log_drive).exp();
        Sloped {
            value,
            slope: value * self.exponent * slope_of_log * self.sharpness,
        }
    }

    /// 1 + b / (1 + (v/v_b)²) and its slope.
    #[inline]
    fn rise(&self, v_n: f64) -> Sloped {
        let ratio = v_n.max(0.0) / self.rise_voltage;
        let fall = 1.0 / (1.0 + ratio * ratio);
        Sloped {
            value: 1.0 + self.rise * fall,
            slope: -2.0 * self.rise * ratio * fall * fall / self.rise_voltage,
        }
    }
}

/// What a grid current leaves of a space current: i_k · rho and its slopes with respect to both.
#[inline]
pub fn remainder(i_k: f64, i_g: f64) -> (f64, f64, f64) {
    if i_g <= 0.0 {
        return (i_k, 1.0, 0.0);
    }
    let rho = i_k / (i_k + i_g);
    (i_k * rho, rho * (2.0 - rho), -rho * rho)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn invisible_at_normal_bias_and_present_at_zero() {
        let grid = GridCurrent::assumed(GridClass::HighMu, 2e-3);
        assert!(grid.current(-2.0, 250.0).0 < 1e-12);
        let onset = grid.current(-0.6, 250.0).0;
        assert!((1e-7..1e-6).contains(&onset), "{onset}");
        assert!(grid.current(0.0, 250.0).0 > 1e-5);
    }

    #[test]
    fn high_mu_grids_take_the_share_that_was_measured() {
        // Ratios of the constants measured on three valves, 0.24 to 0.28 (the source of `GridCurrent::assumed`).
        let share = GridCurrent::assumed(GridClass::HighMu, 1.0).perveance;
        assert!((0.24..=0.28).contains(&share), "{share}");
    }

    #[test]
    fn classes_part_the_types_that_bound_them() {
        // The types and figures of the limits' own sources: 12AU7 17, 6SN7 20, 12AT7 60; 6CG7 4 W, 45 10 W.
        let class = |mu, watts| GridClass::of(ValveKind::Triode, mu, Some(watts));
        assert_eq!(class(17.0, 2.75), GridClass::MediumMu);
        assert_eq!(class(20.0, 4.0), GridClass::MediumMu);
        assert_eq!(class(60.0, 2.5), GridClass::HighMu);
        assert_eq!(class(3.5, 10.0), GridClass::PowerTriode);
        let beam = GridClass::of(ValveKind::BeamTetrode, 8.0, Some(20.0));
        assert_eq!(beam, GridClass::Pentode);
    }

    #[test]
    fn the_tail_joins_the_curve() {
        let grid = GridCurrent::assumed(GridClass::Pentode, 1e-3);
        let below = grid.onset(TAIL - 1e-12);
        let above = grid.onset(TAIL + 1e-12);
        assert!((below.value / above.value - 1.0).abs() < 1e-6);
        assert!((below.slope / above.slope - 1.0).abs() < 1e-6);
    }

    #[test]
    fn remainder_is_a_difference_when_the_grid_takes_little() {
        let (left, by_k, by_g) = remainder(1.0, 1e-4);
        assert!((left - 0.9999).abs() < 2e-8);
        assert!((by_k - 1.0).abs() < 1e-7 && (by_g + 1.0).abs() < 1e-3);
        assert!(remainder(1.0, 1e6).0 >= 0.0);
    }
}
