//! The parameters of a law as a list of numbers, which is how a fit sees them.

use crate::currents::ValveCurrents;
use crate::data::{Connection, Point, ValveModel};
use crate::grid_current::GridCurrent;
use crate::pentode::{CurrentSharing, FallingScreen, Pentode, PentodeLaw};
use crate::triode::{Triode, TriodeParameters};

/// Parameters that were fitted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Parameters {
    /// Of the control-voltage law.
    Triode(TriodeParameters),
    /// Of the sharing law.
    Pentode(CurrentSharing),
    /// Of the law of the falling screen current.
    FallingScreen(FallingScreen),
}

impl Parameters {
    /// Names of the parameters, as a valve file has them, in the order of [`Parameters::values`].
    pub fn names(&self) -> &'static [&'static str] {
        match self {
            Self::Triode(_) => &[
                "amplification_factor",
                "exponent",
                "reciprocal_perveance",
                "cut_off_sharpness",
                "corner_volts_squared",
                "contact_volts",
            ],
            Self::Pentode(_) => &[
                "amplification_factor",
                "exponent",
                "reciprocal_perveance",
                "cut_off_sharpness",
                "corner_volts_squared",
                "contact_volts",
                "anode_penetration",
                "screen_share",
                "returned_share",
                "knee_size",
                "knee_growth",
                "knee_sharpness",
            ],
            Self::FallingScreen(_) => &[
                "amplification_factor",
                "exponent",
                "reciprocal_perveance",
                "cut_off_sharpness",
                "corner_volts_squared",
                "contact_volts",
                "screen_share",
                "screen_rise",
                "knee_volts",
                "anode_growth_per_volt",
            ],
        }
    }

    /// True of the law of a valve with a screen grid.
    pub fn has_screen(&self) -> bool {
        match self {
            Self::Triode(_) => false,
            Self::Pentode(_) | Self::FallingScreen(_) => true,
        }
    }

    /// Values of the parameters, SI.
    pub fn values(&self) -> Vec<f64> {
        match self {
            Self::Triode(p) => vec![p.mu, p.x, p.kg, p.kp, p.kvb, p.vct],
            Self::Pentode(p) => vec![
                p.mu, p.x, p.kg, p.kp, p.kvb, p.vct, p.d, p.f, p.b, p.kap, p.q, p.n,
            ],
            Self::FallingScreen(p) => {
                let h = p.hinge;
                vec![
                    h.mu, h.x, h.kg, h.kp, h.kvb, h.vct, p.share, p.more, p.width, p.growth,
                ]
            }
        }
    }

    /// A law of the same kind with these values, in the order of [`Parameters::values`].
    #[must_use]
    pub fn with(&self, v: &[f64]) -> Self {
        match self {
            Self::Triode(_) => Self::Triode(TriodeParameters {
                mu: v[0],
                x: v[1],
                kg: v[2],
                kp: v[3],
                kvb: v[4],
                vct: v[5],
            }),
            Self::Pentode(_) => Self::Pentode(CurrentSharing {
                mu: v[0],
                x: v[1],
                kg: v[2],
                kp: v[3],
                kvb: v[4],
                vct: v[5],
                d: v[6],
                f: v[7],
                b: v[8],
                kap: v[9],
                q: v[10],
                n: v[11],
            }),
            Self::FallingScreen(p) => Self::FallingScreen(FallingScreen {
                hinge: TriodeParameters {
                    mu: v[0],
                    x: v[1],
                    kg: v[2],
                    kp: v[3],
                    kvb: v[4],
                    vct: v[5],
                },
                fall: p.fall,
                share: v[6],
                more: v[7],
                width: v[8],
                growth: v[9],
            }),
        }
    }

    /// Currents at a point, without grid current; None where it lacks volts.
    pub(super) fn currents(&self, point: &Point) -> Option<ValveCurrents> {
        let strapped = point.connection == Connection::Strapped;
        if self.has_screen() && !strapped && point.v_sk.is_none() {
            return None;
        }
        let v_sk = point.v_sk.unwrap_or_default();
        Some(self.at(point.v_ak?, v_sk, point.v_gk?, strapped))
    }

    /// Currents at volts to the cathode, without grid current; a strapped pentode has its screen on the
    /// anode and one current, and a triode has no screen volts.
    pub fn at(&self, v_ak: f64, v_sk: f64, v_gk: f64, strapped: bool) -> ValveCurrents {
        let law: PentodeLaw = match self {
            Self::Triode(p) => return Triode::new(*p, GridCurrent::none()).currents(v_ak, v_gk),
            Self::Pentode(p) => (*p).into(),
            Self::FallingScreen(p) => (*p).into(),
        };
        let pentode = Pentode::new(law, GridCurrent::none());
        if strapped {
            pentode.currents(v_ak, v_ak, v_gk).strapped()
        } else {
            pentode.currents(v_ak, v_sk, v_gk)
        }
    }

    /// Reciprocal perveance, V^x/A.
    fn kg(&self) -> f64 {
        match self {
            Self::Triode(p) => p.kg,
            Self::Pentode(p) => p.kg,
            Self::FallingScreen(p) => p.hinge.kg,
        }
    }

    /// A valve of these parameters whose grid takes the same share of the perveance as that of `like`.
    /// `like` itself when it has no grid.
    #[must_use]
    pub fn model(&self, like: &ValveModel) -> ValveModel {
        let (Some(old), grid) = (
            Self::of(like),
            match like {
                ValveModel::Triode(triode) => triode.grid,
                ValveModel::Pentode(pentode) => pentode.grid,
                ValveModel::Rectifier(_) | ValveModel::Stabiliser(_) => return like.clone(),
            },
        ) else {
            return like.clone();
        };
        let grid = GridCurrent {
            perveance: grid.perveance * old.kg() / self.kg(),
            ..grid
        };
        match self {
            Self::Triode(p) => ValveModel::Triode(Triode::new(*p, grid)),
            Self::Pentode(p) => ValveModel::Pentode(Pentode::new(*p, grid)),
            Self::FallingScreen(p) => ValveModel::Pentode(Pentode::new(*p, grid)),
        }
    }

    /// Those of a stored law; None for a rectifier or stabiliser.
    pub fn of(model: &ValveModel) -> Option<Self> {
        match model {
            ValveModel::Triode(triode) => Some(Self::Triode(*triode.parameters())),
            ValveModel::Pentode(pentode) => Some(match pentode.law {
                PentodeLaw::CurrentSharing(law) => Self::Pentode(law),
                PentodeLaw::FallingScreen(law) => Self::FallingScreen(law),
            }),
            ValveModel::Rectifier(_) | ValveModel::Stabiliser(_) => None,
        }
    }
}
