//! Anode, screen and grid currents of a pentode or beam tetrode.
//!
//! ```text
//! i_a = rho i_a0,   i_s = rho i_s0,   rho = i_0 / (i_0 + i_g)
//! ```
//!
//! Symbols   i_0 space current and i_a0, i_s0 its shares before the grid takes its part, A, by one of the
//!           laws below;  i_g of `grid_current.rs`
//! Source    the laws name theirs; that the grid takes from both in equal parts is ours
//! Valid     positive screen and anode; a strapped valve needs no other parameters; no secondary
//!           emission kink (tetrodes without beam plates)
//! Care      C¹ everywhere; an electrode at or below the cathode takes exactly nothing

mod current_sharing;
mod falling_screen;

pub use current_sharing::CurrentSharing;
pub(crate) use current_sharing::{CUT_OFF, LEAST_KNEE};
pub use falling_screen::{Fall, FallingScreen};

use crate::currents::ValveCurrents;
use crate::device::{Device, Local};
use crate::grid_current::GridCurrent;
use crate::guard::{self, Sloped};

/// Width of the clamp at the cathode potential, V: about twice the mean initial velocity of
/// electrons leaving an oxide cathode, small beside any knee.
pub(crate) const CLAMP_WIDTH: f64 = 0.2;
/// Clamped screen voltage at which the screen takes half of its share, V.
pub(crate) const SCREEN_CLOSES: f64 = 1.0;

/// How the space current is shared between anode and screen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum PentodeLaw {
    /// By ratios of volts alone; "current sharing" in a valve file, and what the library uses.
    CurrentSharing(CurrentSharing),
    /// By anode volts; kept to be compared, no valve file can ask for it.
    FallingScreen(FallingScreen),
}

impl From<CurrentSharing> for PentodeLaw {
    fn from(law: CurrentSharing) -> Self {
        Self::CurrentSharing(law)
    }
}

impl From<FallingScreen> for PentodeLaw {
    fn from(law: FallingScreen) -> Self {
        Self::FallingScreen(law)
    }
}

impl PentodeLaw {
    /// Reciprocal perveance, V^x/A, to be changed: one valve that passes more than another.
    pub fn kg_mut(&mut self) -> &mut f64 {
        match self {
            Self::CurrentSharing(law) => &mut law.kg,
            Self::FallingScreen(law) => &mut law.hinge.kg,
        }
    }

    #[inline]
    fn shares(&self, v_ak: f64, v_sk: f64, v_gk: f64) -> Option<Shares> {
        match self {
            Self::CurrentSharing(law) => law.shares(v_ak, v_sk, v_gk),
            Self::FallingScreen(law) => law.shares(v_ak, v_sk, v_gk),
        }
    }
}

/// p of the screen at `v_sk`, and its slope: zero at the cathode potential, one from a few volts on.
#[inline]
fn screen_closes(v_sk: f64) -> Sloped {
    let c = guard::clamp(v_sk, CLAMP_WIDTH);
    let square = c.value * c.value;
    let half = SCREEN_CLOSES * SCREEN_CLOSES;
    let whole = square + half;
    Sloped {
        value: square / whole,
        slope: 2.0 * c.value * half / (whole * whole) * c.slope,
    }
}

/// Currents before the grid takes its part, A, with slopes ordered anode, screen, grid.
struct Shares {
    space: f64,
    space_slopes: [f64; 3],
    anode: f64,
    anode_slopes: [f64; 3],
    screen: f64,
    screen_slopes: [f64; 3],
}

/// One pentode or beam tetrode.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pentode {
    /// How the space current is shared.
    pub law: PentodeLaw,
    /// Law of the grid current.
    pub grid: GridCurrent,
}

impl Pentode {
    /// A pentode of that law.
    pub fn new(law: impl Into<PentodeLaw>, grid: GridCurrent) -> Self {
        Self {
            law: law.into(),
            grid,
        }
    }

    /// Currents and slopes at the given voltages to the cathode, V.
    pub fn currents(&self, v_ak: f64, v_sk: f64, v_gk: f64) -> ValveCurrents {
        let (i_g, g_g, g_s) = self.grid.current(v_gk, v_sk);
        let grid_slopes = [0.0, g_s, g_g];
        let Some(shares) = self.law.shares(v_ak, v_sk, v_gk) else {
            return ValveCurrents {
                grid: i_g,
                grid_slopes,
                ..ValveCurrents::default()
            };
        };
        let mut at = ValveCurrents {
            anode: shares.anode,
            screen: shares.screen,
            grid: i_g,
            anode_slopes: shares.anode_slopes,
            screen_slopes: shares.screen_slopes,
            grid_slopes,
        };
        if i_g > 0.0 && shares.space > 0.0 {
            leave(&mut at, &shares);
        }
        at
    }

    /// Voltage of the anode at the knee, V: below it the anode loses current to the screen.
    pub fn knee_voltage(&self, v_sk: f64, v_gk: f64) -> f64 {
        match &self.law {
            PentodeLaw::CurrentSharing(law) => law.knee_voltage(v_sk, v_gk),
            PentodeLaw::FallingScreen(law) => law.knee_voltage(),
        }
    }
}

/// Scales anode and screen by rho, the part of the space current that passes the grid.
fn leave(at: &mut ValveCurrents, shares: &Shares) {
    let rho = shares.space / (shares.space + at.grid);
    let (of_anode, of_screen) = (shares.anode / shares.space, shares.screen / shares.space);
    for k in 0..3 {
        // i_0 rho', without the cancellation of 1 - rho beside a large grid current
        let rho_slope = rho * ((1.0 - rho) * shares.space_slopes[k] - rho * at.grid_slopes[k]);
        at.anode_slopes[k] = rho * at.anode_slopes[k] + of_anode * rho_slope;
        at.screen_slopes[k] = rho * at.screen_slopes[k] + of_screen * rho_slope;
    }
    at.anode *= rho;
    at.screen *= rho;
}

impl Device for Pentode {
    fn unknowns(&self) -> &'static [&'static str] {
        &["anode", "screen", "grid", "cathode"]
    }

    fn pattern(&self) -> &'static [bool] {
        &[true; 16]
    }

    #[inline]
    fn eval(&self, x: &[f64], _memory: &[f64], out: &mut Local<'_>) {
        let k = x[3];
        let at = self.currents(x[0] - k, x[1] - k, x[2] - k);
        let rows = [at.anode_slopes, at.screen_slopes, at.grid_slopes];
        out.f.copy_from_slice(&[
            at.anode,
            at.screen,
            at.grid,
            -(at.anode + at.screen + at.grid),
        ]);
        // The cathode's row and column make every row and column sum to zero
        let mut below = [0.0; 4];
        for (row, slopes) in rows.iter().enumerate() {
            let all = [
                slopes[0],
                slopes[1],
                slopes[2],
                -(slopes[0] + slopes[1] + slopes[2]),
            ];
            out.df[4 * row..4 * row + 4].copy_from_slice(&all);
            for (sum, slope) in below.iter_mut().zip(all) {
                *sum -= slope;
            }
        }
        out.df[12..16].copy_from_slice(&below);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn law() -> CurrentSharing {
        CurrentSharing {
            mu: 9.0,
            x: 1.4,
            kg: 900.0,
            kp: 55.0,
            kvb: 300.0,
            vct: 0.4,
            d: 0.03,
            f: 0.08,
            b: 0.35,
            kap: 0.16,
            q: 0.6,
            n: 3.0,
        }
    }

    fn sample() -> Pentode {
        Pentode::new(law(), GridCurrent::none())
    }

    #[test]
    fn far_above_the_knee_the_screen_takes_its_share() {
        let at = sample().currents(2000.0, 250.0, -12.0);
        assert!((at.screen / (at.screen + at.anode) - 0.08).abs() < 1e-3);
    }

    #[test]
    fn current_division_depends_on_ratios_only() {
        // With vct and kvb out of the way the law is homogeneous: every volt doubled
        let ideal = CurrentSharing {
            vct: 0.0,
            kvb: 1e-6,
            ..law()
        };
        let valve = Pentode::new(ideal, GridCurrent::none());
        let one = valve.currents(400.0, 2000.0, -60.0);
        let two = valve.currents(800.0, 4000.0, -120.0);
        assert!((one.anode / one.screen / (two.anode / two.screen) - 1.0).abs() < 2e-3);
        assert!((two.anode / one.anode / 2.0_f64.powf(1.4) - 1.0).abs() < 2e-3);
    }

    #[test]
    fn the_knee_lies_at_its_voltage() {
        let valve = sample();
        let v_k = valve.knee_voltage(250.0, -5.0);
        let (low, high) = (
            valve.currents(0.5 * v_k, 250.0, -5.0).anode,
            valve.currents(3.0 * v_k, 250.0, -5.0).anode,
        );
        assert!(v_k > 10.0 && v_k < 80.0, "{v_k}");
        assert!(low < 0.55 * high && low > 0.4 * high);
    }

    #[test]
    fn the_grid_takes_from_anode_and_screen_in_equal_parts() {
        // The head of the module: the shares stay, and both together are i_0²/(i_0 + i_g).
        let grid = GridCurrent::assumed(crate::grid_current::GridClass::Pentode, 1.0 / law().kg);
        let (alone, with) = (sample(), Pentode::new(law(), grid));
        for v_gk in [5.0, 10.0, 20.0] {
            let (before, after) = (
                alone.currents(150.0, 250.0, v_gk),
                with.currents(150.0, 250.0, v_gk),
            );
            let ratio = (after.anode / after.screen) / (before.anode / before.screen);
            let space = law().shares(150.0, 250.0, v_gk).expect("it conducts").space;
            let left = (after.anode + after.screen) / (before.anode + before.screen);
            // Rounding of a few products.
            assert!((ratio - 1.0).abs() < 1e-13, "{ratio}");
            assert!(
                (left - space / (space + after.grid)).abs() < 1e-13,
                "{left}"
            );
            assert!(after.grid > 1e-3 * space);
        }
    }

    #[test]
    fn electrodes_below_the_cathode_take_nothing() {
        let at = sample().currents(-5.0, 250.0, 0.0);
        assert!(at.anode.abs() < 1e-300 && at.screen > 0.0);
        let at = sample().currents(250.0, -5.0, 0.0);
        assert!(at.screen.abs() < 1e-300 && at.anode > 0.0);
    }
}
