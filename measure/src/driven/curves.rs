//! Characteristics of a valve: anode and screen current against anode, grid and screen volts.
//!
//! ```text
//! v_s = level + share · v_a          how the screen's volts follow the anode's
//! i_w = i_a + share · i_s            what anode and screen together do in a winding tapped there
//! ```
//!
//! One line covers every connection: a fixed screen has the share 0, a strapped pentode level 0 and
//! share 1, an ultra-linear tap at the share t on a supply of V volts the level (1 - t) V.
//!
//! Symbols   v_a, v_s, v_g volts to the cathode;  i_a, i_s, i_w currents, A
//! Source    definitions; the ampere-turns of a tapped winding are Hafler & Keroes, Audio Engineering 35
//!           (Nov. 1951) 15 (from memory)
//! Valid     where the law of the valve is; volts at the electrodes, drops in windings left out
//! Care      strapped, anode and screen are one electrode: i_a is the current of both and i_s is zero

use models::ValveCurrents;
use models::data::{ValveModel, ValveType};
use serde::Serialize;

mod frame;
mod load_line;
mod pair;
mod stage;

pub use frame::{Frame, round_step};
pub use load_line::{Bias, Coupling, LoadLine, LoadLineOf, Swing};
pub use pair::{Pair, PairOf, PairPoint};
pub use stage::{Asked, Stage, StageOf};

/// How the volts of the screen follow those of the anode.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct ScreenVolts {
    /// Screen volts at zero anode volts, V.
    pub level: f64,
    /// Change of the screen volts with the anode's, a ratio.
    pub share: f64,
}

impl ScreenVolts {
    /// Tied to the anode.
    pub const STRAPPED: Self = Self {
        level: 0.0,
        share: 1.0,
    };

    /// Kept at those volts.
    pub fn fixed(volts: f64) -> Self {
        Self {
            level: volts,
            share: 0.0,
        }
    }

    /// On a tap of the anode's winding, `share` of its turns from a supply of so many volts.
    pub fn tapped(share: f64, supply: f64) -> Self {
        Self {
            level: (1.0 - share) * supply,
            share,
        }
    }

    /// Screen volts at these anode volts, V.
    pub fn at(self, v_a: f64) -> f64 {
        self.level + self.share * v_a
    }
}

/// A triode, pentode or beam tetrode and what its screen does.
#[derive(Clone, Copy, Debug)]
pub struct Section<'a> {
    /// The type.
    pub valve: &'a ValveType,
    /// Its screen; none in a triode.
    pub screen: Option<ScreenVolts>,
}

/// One point of a characteristic, SI.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Point {
    /// Grid to cathode, V.
    pub v_g: f64,
    /// Anode to cathode, V.
    pub v_a: f64,
    /// Screen to cathode, V; none in a triode.
    pub v_s: Option<f64>,
    /// Anode current, A; of a strapped pentode with the screen's.
    pub i_a: f64,
    /// Screen current, A; zero in a triode and when strapped.
    pub i_s: f64,
}

/// One curve of a family.
#[derive(Clone, Debug, Serialize)]
pub struct Curve {
    /// What is held along it, V: of anode characteristics the grid, of mutual characteristics the screen
    /// where it is fixed, else the anode.
    pub held: f64,
    /// `[points]`.
    pub points: Vec<Point>,
}

/// Current of the winding with its slopes against the anode's and the grid's volts, A and S.
#[derive(Clone, Copy, Debug)]
struct Winding {
    current: f64,
    by_anode: f64,
    by_grid: f64,
}

/// Points of a curve: straight pieces between them leave the curve by less than a line's width.
const POINTS: usize = 160;

impl<'a> Section<'a> {
    /// None of a valve that does not amplify. A triode has no screen, whatever is given.
    pub fn new(valve: &'a ValveType, screen: ScreenVolts) -> Option<Self> {
        let screen = match valve.model {
            ValveModel::Triode(_) => None,
            ValveModel::Pentode(_) => Some(screen),
            ValveModel::Rectifier(_) | ValveModel::Stabiliser(_) => return None,
        };
        Some(Self { valve, screen })
    }

    /// True for a pentode whose screen is tied to its anode.
    pub fn is_strapped(&self) -> bool {
        self.screen == Some(ScreenVolts::STRAPPED)
    }

    /// True for a pentode whose screen stays where it is while the anode swings.
    pub fn has_fixed_screen(&self) -> bool {
        self.screen.is_some_and(|screen| screen.share == 0.0)
    }

    /// Anode dissipation permitted, W.
    pub fn watts_limit(&self) -> Option<f64> {
        self.valve.limits.watts_of_anode(self.is_strapped())
    }

    /// Anode volts permitted, V.
    pub fn volts_limit(&self) -> Option<f64> {
        self.valve.limits.volts_of_anode(self.is_strapped())
    }

    /// The law, anode and screen apart.
    fn currents(&self, v_a: f64, v_g: f64) -> ValveCurrents {
        match &self.valve.model {
            ValveModel::Triode(law) => law.currents(v_a, v_g),
            ValveModel::Pentode(law) => {
                law.currents(v_a, self.screen.map_or(v_a, |screen| screen.at(v_a)), v_g)
            }
            ValveModel::Rectifier(_) | ValveModel::Stabiliser(_) => {
                unreachable!("refused when the section was made")
            }
        }
    }

    /// The section at these volts.
    pub fn at(&self, v_a: f64, v_g: f64) -> Point {
        let at = self.currents(v_a, v_g);
        let (i_a, i_s) = if self.is_strapped() {
            (at.anode + at.screen, 0.0)
        } else {
            (at.anode, at.screen)
        };
        let v_s = self.screen.map(|screen| screen.at(v_a));
        Point {
            v_g,
            v_a,
            v_s,
            i_a,
            i_s,
        }
    }

    /// Cathode current, A.
    fn cathode(&self, v_a: f64, v_g: f64) -> f64 {
        self.currents(v_a, v_g).cathode()
    }

    fn winding(&self, v_a: f64, v_g: f64) -> Winding {
        let at = self.currents(v_a, v_g);
        let share = self.screen.map_or(0.0, |screen| screen.share);
        let both = |k: usize| at.anode_slopes[k] + share * at.screen_slopes[k];
        Winding {
            current: at.anode + share * at.screen,
            by_anode: both(0) + share * both(1),
            by_grid: both(2),
        }
    }

    /// Anode characteristics: a curve for each of these grid volts, from zero to `anode_to` volts.
    pub fn anode_characteristics(&self, grid: &[f64], anode_to: f64) -> Vec<Curve> {
        let curve = |&v_g: &f64| Curve {
            held: v_g,
            points: (0..=POINTS)
                .map(|k| {
                    // Closer together below the knee, where they bend.
                    let share = k as f64 / POINTS as f64;
                    self.at(anode_to * share * share, v_g)
                })
                .collect(),
        };
        grid.iter().map(curve).collect()
    }

    /// Mutual characteristics: from `grid` volts low to high, a curve for each of these screen volts at
    /// `v_a` where the screen is fixed, else for each of these anode volts.
    pub fn mutual_characteristics(&self, grid: (f64, f64), held: &[f64], v_a: f64) -> Vec<Curve> {
        let curve = |&held: &f64| {
            let (section, v_a) = if self.has_fixed_screen() {
                let screen = Some(ScreenVolts::fixed(held));
                (Self { screen, ..*self }, v_a)
            } else {
                (*self, held)
            };
            let at = |k: usize| {
                let share = k as f64 / POINTS as f64;
                section.at(v_a, grid.0 + share * (grid.1 - grid.0))
            };
            Curve {
                held,
                points: (0..=POINTS).map(at).collect(),
            }
        };
        held.iter().map(curve).collect()
    }
}

/// Where a function that rises through zero between two places does so; the nearer end where it does not.
/// Halves until the place is known to its rounding: 60 evaluations at most.
fn rises_through_zero((mut low, mut high): (f64, f64), function: impl Fn(f64) -> f64) -> f64 {
    const HALVINGS: usize = 60;
    for _ in 0..HALVINGS {
        let middle = 0.5 * (low + high);
        if function(middle) < 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests;
