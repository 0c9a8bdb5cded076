//! What is known of a law before any point of the type: which it is, and centres and widths of its parameters.

use super::Parameters;
use super::figures::used;
use super::traces::Traces;
use crate::data::{Point, ValveKind};
use crate::pentode::{CurrentSharing, Fall, FallingScreen};
use crate::triode::TriodeParameters;

/// Amplification factor where no point tells.
const TYPICAL_MU: f64 = 9.0;
/// Width of the published amplification factor: its rounding, and one grid that is not even.
const PUBLISHED_MU: f64 = 0.06;
/// Width of the one that the bare power law gives from traced curves: a place to start from.
const TRACED_MU: f64 = 0.5;
/// Exponent of a typical valve: that of space charge.
const TYPICAL_X: f64 = 1.5;
/// Contact potential and initial velocity of a typical oxide cathode, V.
const TYPICAL_VCT: f64 = 0.4;
/// kp of a typical valve over its mu. The width of the hinge against the cut-off volts is mu/kp, and stands for
/// the spread of mu over the cathode: a sixth of it, whatever the valve.
const HINGE: f64 = 6.0;

/// Tightness with which a parameter is held to its expectation when the points shall not move it.
const HELD: f64 = 1e-3;

/// What is expected of a valve before its points are seen. The default is what the library is fitted with;
/// others are there to be compared with it on the same rows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Expectations {
    /// Centre and width of the exponent.
    pub exponent: (f64, f64),
    /// kp is expected at this many times mu: of a triode, and of a valve with a screen.
    pub hinge: [f64; 2],
    /// Centre and width of the contact potential, V.
    pub contact: (f64, f64),
    /// Knee of a beam tetrode and of a pentode: the size kap and the sharpness n.
    pub knees: [(f64, f64); 2],
    /// Another law of the screen current, instead of the sharing law: how it falls, and the width of the
    /// knee, V.
    pub falling: Option<(Fall, f64)>,
}

impl Default for Expectations {
    fn default() -> Self {
        Self {
            exponent: (TYPICAL_X, 0.04),
            hinge: [HINGE; 2],
            contact: (TYPICAL_VCT, 0.5),
            knees: [(0.16, 3.0), (0.20, 2.5)],
            falling: None,
        }
    }
}

impl Expectations {
    /// The 3/2 law: no spread of mu over the cathode, no contact potential, exponent 3/2.
    ///
    /// Source    Child, Phys. Rev. 32 (1911) 492; Langmuir, Phys. Rev. 2 (1913) 450
    pub fn three_halves() -> Self {
        Self {
            exponent: (1.5, HELD),
            hinge: [1e3; 2],
            contact: (HELD, HELD),
            ..Self::default()
        }
    }

    /// Without contact potential.
    pub fn without_contact() -> Self {
        Self {
            contact: (HELD, HELD),
            ..Self::default()
        }
    }
}

/// Any parameters of the law of a kind of valve.
pub(super) fn shape_of(kind: ValveKind, expected: &Expectations) -> Option<Parameters> {
    let triode = TriodeParameters {
        mu: 1.0,
        x: 1.0,
        kg: 1.0,
        kp: 1.0,
        kvb: 1.0,
        vct: 1.0,
    };
    match (kind, expected.falling) {
        (ValveKind::Triode, _) => Some(Parameters::Triode(triode)),
        (ValveKind::Pentode | ValveKind::BeamTetrode, Some((fall, _))) => {
            Some(Parameters::FallingScreen(FallingScreen {
                hinge: triode,
                fall,
                share: 1.0,
                more: 1.0,
                width: 1.0,
                growth: 1.0,
            }))
        }
        (ValveKind::Pentode | ValveKind::BeamTetrode, None) => {
            Some(Parameters::Pentode(CurrentSharing {
                mu: 1.0,
                x: 1.0,
                kg: 1.0,
                kp: 1.0,
                kvb: 1.0,
                vct: 1.0,
                d: 1.0,
                f: 1.0,
                b: 1.0,
                kap: 1.0,
                q: 1.0,
                n: 1.0,
            }))
        }
        (ValveKind::Rectifier | ValveKind::Stabiliser, _) => None,
    }
}

/// Prior of one parameter: centre and width of its logarithm.
#[derive(Clone, Copy, Debug)]
pub(super) struct Prior {
    pub(super) centre: f64,
    pub(super) width: f64,
}

/// Priors of a kind of valve, in the order of the parameters.
///
/// mu: the published value. x: between 3/2 of the ideal diode and the droop of real cathodes. kp:
/// the island effect grows with mu. vct: oxide cathodes. The knee constants of pentodes (kap, q,
/// n) and the return share b are not fixed by points above the knee, so they are held close.
pub(super) fn priors(
    points: &[Point],
    traces: &Traces,
    kind: ValveKind,
    expected: &Expectations,
) -> Vec<Prior> {
    let traced = traces.power_law(TYPICAL_X, TYPICAL_VCT);
    let (mu, mu_width) = match (published_mu(points), traced) {
        (Some(mu), _) => (mu, PUBLISHED_MU),
        (None, Some((mu, _))) => (mu, TRACED_MU),
        (None, None) => (TYPICAL_MU, PUBLISHED_MU),
    };
    let kg = perveance_guess(points, mu).or(traced.map(|(_, kg)| kg));
    let prior = |centre: f64, width: f64| Prior { centre, width };
    let mut priors = vec![
        prior(mu, mu_width),
        prior(expected.exponent.0, expected.exponent.1),
        prior(kg.unwrap_or(1e3), 3.0),
        prior(expected.hinge[usize::from(kind.has_screen())] * mu, 0.35),
        prior(300.0, 0.5),
        prior(expected.contact.0, expected.contact.1),
    ];
    let ((f, b), (kap, n)) = match kind {
        ValveKind::BeamTetrode => ((0.07, 0.2), expected.knees[0]),
        ValveKind::Pentode => ((0.15, 0.35), expected.knees[1]),
        ValveKind::Triode | ValveKind::Rectifier | ValveKind::Stabiliser => return priors,
    };
    if let Some((_, width)) = expected.falling {
        priors.extend([
            prior(f, 0.5),
            // What is turned back at v_ak = 0 is lost to the screen in this law too
            prior((1.0 - b) / f - 1.0, 0.3),
            prior(width, 0.1),
            prior(3e-4, 1.0),
        ]);
        return priors;
    }
    priors.extend([
        prior(0.02, 0.7),
        prior(f, 0.5),
        prior(b, 0.05),
        prior(kap, 0.10),
        prior(0.6, 0.05),
        prior(n, 0.10),
    ]);
    priors
}

/// Mean of the published amplification factors, screen or strapped for a pentode; without any, what the
/// slope of the first point with a current and a mutual conductance says of the bare power law.
fn published_mu(points: &[Point]) -> Option<f64> {
    let all: Vec<f64> = used(points)
        .filter_map(|(_, point)| point.mu_screen.or(point.mu))
        .collect();
    if all.is_empty() {
        return used(points).find_map(|(_, point)| mu_of_slope(point));
    }
    Some(all.iter().sum::<f64>() / all.len() as f64)
}

/// i = v^x/kg with v = v_s/mu + v_gk + vct gives v = x i/gm, and mu from it.
fn mu_of_slope(point: &Point) -> Option<f64> {
    let drive = TYPICAL_X * point.i_a? / point.gm?;
    let cut_off = drive - point.v_gk? - TYPICAL_VCT;
    (cut_off > 0.0 && !point.cut_off).then_some(point.v_sk.or(point.v_ak)? / cut_off)
}

/// kg of the first point with a current, from the bare power law.
fn perveance_guess(points: &[Point], mu: f64) -> Option<f64> {
    used(points).find_map(|(_, p)| {
        let drive = p.v_sk.or(p.v_ak)? / mu + p.v_gk?;
        let current = p.i_a.filter(|_| !p.cut_off)?;
        (drive > 0.0).then(|| drive.powf(TYPICAL_X) / current)
    })
}
