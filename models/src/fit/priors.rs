//! What is known of a law before any point of the type: centres and widths of its parameters.

use super::figures::used;
use super::traces::Traces;
use crate::data::{Point, ValveKind};

/// Amplification factor where no point tells.
const TYPICAL_MU: f64 = 9.0;
/// Width of the published amplification factor: its rounding, and one grid that is not even.
const PUBLISHED_MU: f64 = 0.06;
/// Width of the one that the bare power law gives from traced curves: a place to start from.
const TRACED_MU: f64 = 0.5;
/// Exponent of a typical valve: between 3/2 of the ideal diode and the droop of real cathodes.
const TYPICAL_X: f64 = 1.4;
/// Contact potential and initial velocity of a typical oxide cathode, V.
const TYPICAL_VCT: f64 = 0.4;
/// kp of a typical valve is HINGE_FACTOR · mu^HINGE_POWER. The width of the hinge against the cut-off volts
/// is mu/kp: a third for mu 4, a sixth for mu 100. It stands for the spread of mu over the cathode, which
/// grows as the grid becomes open and its wires coarse.
///
/// Chosen by comparing a few laws of growth on published operations, see VALIDATION.md.
const HINGE_FACTOR: f64 = 1.5;
const HINGE_POWER: f64 = 1.3;

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
pub(super) fn priors(points: &[Point], traces: &Traces, kind: ValveKind) -> Vec<Prior> {
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
        prior(TYPICAL_X, 0.04),
        prior(kg.unwrap_or(1e3), 3.0),
        prior(HINGE_FACTOR * mu.powf(HINGE_POWER), 0.35),
        prior(300.0, 0.5),
        prior(TYPICAL_VCT, 0.5),
    ];
    let sharing = match kind {
        ValveKind::BeamTetrode => [0.07, 0.2, 0.16, 3.0],
        ValveKind::Pentode => [0.15, 0.35, 0.20, 2.5],
        ValveKind::Triode | ValveKind::Rectifier | ValveKind::Stabiliser => return priors,
    };
    let [f, b, kap, n] = sharing;
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
