//! An amplifying valve at rest: the grid volts for a current, and what the valve is there.
//!
//! ```text
//! solve  i_a(v_ak, v_sk, v_gk) = i   for v_gk ≤ 0
//! ```
//!
//! Symbols   i_a anode current, A, with the screen's when strapped;  v_ak, v_sk, v_gk volts to the
//!           cathode;  i the current asked for, A
//! Source    bisection: i_a rises with v_gk throughout
//! Valid     v_ak, v_sk > 0; one section
//! Care      halving stops at the rounding of v_gk (60 evaluations of the law), so that the current
//!           is met to 1e-12 of itself; a valve in its cut-off has no bias for a current of zero

use std::cmp::Ordering;

use crate::currents::ValveCurrents;
use crate::data::{Connection, Point, ValveKind, ValveModel, ValveType};

/// Anode watts above which a valve is taken to be built to drive a loudspeaker: between the double
/// triodes (5 W at most) and the smallest output valves (6 W). Common practice, no source.
pub const OUTPUT_WATTS: f64 = 5.0;

/// Anode volts at which the sheets of most receiving valves compare them, V. Common practice, no source.
pub const USUAL_VOLTS: f64 = 250.0;

/// Halvings of the bracket of the bias: 2^-60 of some kilovolts is less than a femtovolt.
const HALVINGS: usize = 60;

/// What a type is used for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Class {
    /// A triode, pentode or beam tetrode whose anode may dissipate more than [`OUTPUT_WATTS`].
    Output,
    /// Any other triode, pentode or beam tetrode.
    Voltage,
    /// A rectifier.
    Rectifier,
    /// A stabiliser.
    Stabiliser,
}

impl Class {
    /// The class of a type, by its kind and the dissipation of its anode.
    pub fn of(valve: &ValveType) -> Self {
        match valve.class {
            ValveKind::Rectifier => Self::Rectifier,
            ValveKind::Stabiliser => Self::Stabiliser,
            ValveKind::Triode | ValveKind::Pentode | ValveKind::BeamTetrode => {
                if valve.limits.anode_watts.unwrap_or(0.0) > OUTPUT_WATTS {
                    Self::Output
                } else {
                    Self::Voltage
                }
            }
        }
    }

    /// True of the classes that amplify.
    pub fn amplifies(self) -> bool {
        match self {
            Self::Output | Self::Voltage => true,
            Self::Rectifier | Self::Stabiliser => false,
        }
    }
}

/// A triode, pentode or beam tetrode and how its electrodes are joined.
#[derive(Clone, Copy, Debug)]
pub struct Joined<'a> {
    /// The type.
    pub valve: &'a ValveType,
    /// Normal, or the screen tied to the anode.
    pub connection: Connection,
}

/// One section at rest, SI.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WorkingPoint {
    /// Anode to cathode, V.
    pub v_ak: f64,
    /// Screen to cathode, V; None in a triode and when strapped.
    pub v_sk: Option<f64>,
    /// Grid to cathode, V.
    pub v_gk: f64,
    /// Anode current, A; with the screen's when strapped.
    pub i_a: f64,
    /// Screen current, A; zero in a triode and when strapped.
    pub i_s: f64,
    /// Mutual conductance, S.
    pub gm: f64,
    /// Anode resistance, ohm.
    pub ra: f64,
    /// Amplification factor: of the control grid against the anode; against the screen in a pentode,
    /// where the other says nothing.
    pub mu: f64,
    /// Anode volts of the knee at zero grid volts, V; None in a triode and when strapped.
    pub knee: Option<f64>,
}

impl<'a> Joined<'a> {
    /// A type as its kind says.
    pub fn normal(valve: &'a ValveType) -> Self {
        Self {
            valve,
            connection: Connection::Normal,
        }
    }

    /// A pentode or beam tetrode with its screen tied to its anode; None of other kinds.
    pub fn strapped(valve: &'a ValveType) -> Option<Self> {
        valve.class.has_screen().then_some(Self {
            valve,
            connection: Connection::Strapped,
        })
    }

    /// True where a screen stands apart from the anode.
    pub fn has_screen(&self) -> bool {
        self.valve.class.has_screen() && self.connection == Connection::Normal
    }

    /// Currents and slopes at the given volts to the cathode; None of a valve that does not amplify.
    pub fn currents(&self, v_ak: f64, v_sk: f64, v_gk: f64) -> Option<ValveCurrents> {
        match (&self.valve.model, self.connection) {
            (ValveModel::Triode(law), _) => Some(law.currents(v_ak, v_gk)),
            (ValveModel::Pentode(law), Connection::Normal) => Some(law.currents(v_ak, v_sk, v_gk)),
            (ValveModel::Pentode(law), Connection::Strapped) => {
                Some(law.currents(v_ak, v_ak, v_gk).strapped())
            }
            (ValveModel::Rectifier(_) | ValveModel::Stabiliser(_), _) => None,
        }
    }

    /// Anode volts that are permitted, V: those of the strapped valve where they are published, else
    /// the anode's.
    pub fn volts_limit(&self) -> Option<f64> {
        let limits = &self.valve.limits;
        let own = (self.connection == Connection::Strapped)
            .then_some(limits.strapped_volts)
            .flatten();
        own.or(limits.anode_volts)
    }

    /// Dissipation that is permitted, W.
    pub fn watts_limit(&self) -> Option<f64> {
        let strapped = self.connection == Connection::Strapped;
        self.valve.limits.watts_of_anode(strapped)
    }

    /// The valve at the given volts; `v_sk` is of no matter without a screen. None of a valve that
    /// does not amplify.
    pub fn at(&self, v_ak: f64, v_sk: f64, v_gk: f64) -> Option<WorkingPoint> {
        let at = self.currents(v_ak, v_sk, v_gk)?;
        let screen = self.has_screen();
        let against_screen = |k: usize| at.anode_slopes[k] + at.screen_slopes[k];
        Some(WorkingPoint {
            v_ak,
            v_sk: screen.then_some(v_sk),
            v_gk,
            i_a: at.anode,
            i_s: at.screen,
            gm: at.gm(),
            ra: at.ra(),
            mu: if screen {
                against_screen(crate::currents::GRID) / against_screen(crate::currents::SCREEN)
            } else {
                at.mu()
            },
            knee: match &self.valve.model {
                ValveModel::Pentode(law) => screen.then(|| law.knee_voltage(v_sk, 0.0)),
                ValveModel::Triode(_) | ValveModel::Rectifier(_) | ValveModel::Stabiliser(_) => {
                    None
                }
            },
        })
    }

    /// The valve biased for `current`, A, at the given volts; None where even `v_least`, the bias
    /// nearest to zero that is allowed (V, not above zero), passes less.
    pub fn biased(&self, v_ak: f64, v_sk: f64, current: f64, v_least: f64) -> Option<WorkingPoint> {
        let anode = |v_gk: f64| Some(self.currents(v_ak, v_sk, v_gk)?.anode);
        if current <= 0.0 || anode(v_least)? < current {
            return None;
        }
        let mut open = v_least;
        // Beyond twice the anode volts every valve is shut, whatever its amplification factor.
        let mut shut = v_least - 2.0 * v_ak.max(v_sk);
        for _ in 0..HALVINGS {
            let middle = 0.5 * (open + shut);
            if anode(middle)? > current {
                open = middle;
            } else {
                shut = middle;
            }
        }
        self.at(v_ak, v_sk, 0.5 * (open + shut))
    }

    /// Where the type usually works: the volts of its published point in this connection that is
    /// in use, below zero grid volts if there is one, and nearest to [`USUAL_VOLTS`]; biased by the law for the point's current (at its grid volts where no bias below
    /// zero brings that current). A strapped valve without such a point is taken at the anode volts
    /// of the normal one, passing what anode and screen pass there together. None of a valve that
    /// does not amplify or has no point.
    pub fn typical(&self) -> Option<WorkingPoint> {
        let usable = |p: &&Point| p.unused.is_none() && !p.cut_off && p.i_a.is_some();
        let of = |connection: Connection| {
            let points = self.valve.points.iter().filter(usable);
            let far = |p: &&Point| {
                (p.v_ak.unwrap_or(f64::MIN_POSITIVE) / USUAL_VOLTS)
                    .ln()
                    .abs()
            };
            let zero_bias = |p: &&Point| p.v_gk.is_none_or(|v| v >= 0.0);
            points
                .filter(|p| p.connection == connection)
                .min_by(|a, b| {
                    (zero_bias(a), far(a))
                        .partial_cmp(&(zero_bias(b), far(b)))
                        .unwrap_or(Ordering::Equal)
                })
        };
        if let Some(point) = of(self.connection) {
            let (v_ak, v_gk) = (point.v_ak?, point.v_gk?);
            let v_sk = point.v_sk.unwrap_or(v_ak);
            let biased = self.biased(v_ak, v_sk, point.i_a?, 0.0);
            return biased.or_else(|| self.at(v_ak, v_sk, v_gk));
        }
        let normal = of(Connection::Normal)?;
        let together = normal.i_a? + normal.i_s.unwrap_or(0.0);
        self.biased(normal.v_ak?, normal.v_ak?, together, 0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::library;

    fn joined(name: &str) -> Joined<'static> {
        Joined::normal(library::find(name).unwrap())
    }

    /// The bias found gives the current back: the definition. 1e-9: the rounding of the currents.
    #[test]
    fn the_bias_gives_the_current_asked_for() {
        for valve in library::valves() {
            let both = [Some(Joined::normal(valve)), Joined::strapped(valve)];
            for joined in both.into_iter().flatten() {
                let Some(typical) = joined.typical() else {
                    continue;
                };
                let v_sk = typical.v_sk.unwrap_or(typical.v_ak);
                for share in [0.1, 0.5, 1.0] {
                    let current = share * typical.i_a;
                    let found = joined.biased(typical.v_ak, v_sk, current, 0.0).unwrap();
                    let error = (found.i_a / current - 1.0).abs();
                    assert!(error < 1e-9, "{} {share}: {error:e}", valve.name);
                    assert!(found.v_gk <= typical.v_gk + 1e-9);
                }
            }
        }
    }

    /// Biased for the current of a published point, a triode comes to the published grid volts: 2A3
    /// 250 V, -45 V, 60 mA; 300B 300 V, -61 V, 60 mA; 6SN7GT 250 V, -8 V, 9 mA (tube manuals, from
    /// memory; the valve files name them). 3 %: what the fit leaves of a current, 5 %, over the
    /// relative slope of a current with grid volts, about 2 per unit or more.
    #[test]
    fn the_bias_is_the_published_one_at_published_points() {
        for (name, v_ak, v_gk, current) in [
            ("2A3", 250.0, -45.0, 0.060),
            ("300B", 300.0, -61.0, 0.060),
            ("6SN7GT", 250.0, -8.0, 0.009),
        ] {
            let found = joined(name).biased(v_ak, v_ak, current, 0.0).unwrap();
            let error = (found.v_gk / v_gk - 1.0).abs();
            assert!(error < 0.03, "{name}: {}", found.v_gk);
        }
    }

    #[test]
    fn a_current_no_grid_volts_can_bring_has_no_bias() {
        assert!(joined("12AX7").biased(100.0, 100.0, 0.1, 0.0).is_none());
        assert!(joined("GZ34").typical().is_none());
    }

    /// Classes the trade would give: common practice, no source.
    #[test]
    fn classes_are_those_of_the_trade() {
        for (name, class) in [
            ("2A3", Class::Output),
            ("EL84", Class::Output),
            ("6V6GT", Class::Output),
            ("12AX7", Class::Voltage),
            ("6SN7GT", Class::Voltage),
            ("EF86", Class::Voltage),
            ("GZ34", Class::Rectifier),
            ("0A2", Class::Stabiliser),
        ] {
            assert_eq!(Class::of(library::find(name).unwrap()), class, "{name}");
        }
    }
}
