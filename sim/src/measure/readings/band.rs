//! How far a voltage may lie from the drawing's while nothing is wrong.
//!
//! ```text
//! likely = √(Σ (∂V/∂p_k · Δp_k)²),    worst = Σ |∂V/∂p_k · Δp_k|
//! ```
//!
//! First-order: each part is moved by a fiftieth of its value, one at a time, and the change is scaled to its
//! tolerance. The mains, or the supplies where they are ideal, are taken to both ends in full.
//!
//! Symbols   Δp  tolerance of a resistor, pot or winding;  valve spread: current at the same volts
//! Source    the law of propagation of independent errors (textbook)
//! Care      capacitors and their leakage are not varied; nor are the laws of rectifiers and stabilisers

use rayon::prelude::*;
use serde::Serialize;

use super::change::{Change, matters};
use super::points::Point;
use super::whole::Whole;
use crate::circuit::PartId;
use crate::error::SimError;
use crate::parts::Part;
use crate::rest::alternates;

/// Spread of a valve's current at the same volts (common practice, no source).
pub const VALVES: f64 = 0.1;

/// By how much a part is moved to see its effect: far above what the solver leaves open, far below where the
/// effect bends.
const STEP: f64 = 0.02;

/// What is allowed for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Allowed {
    /// Tolerance of resistances for which the file states none.
    pub parts: f64,
    /// Spread of the current of valves.
    pub valves: f64,
    /// Mains or supplies, low and high, as ratios of what the file has.
    pub mains: (f64, f64),
}

/// The band of one point, V.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Band {
    /// Root of the sum of the squares of everything below.
    pub likely: f64,
    /// All of it one way.
    pub worst: f64,
    /// Resistances alone, root of the sum of squares.
    pub parts: f64,
    /// Valves alone, root of the sum of squares.
    pub valves: f64,
    /// What the mains at its low end changes.
    pub mains_low: f64,
    /// What the mains at its high end changes.
    pub mains_high: f64,
}

impl Band {
    /// The band times a share of the volts, as a meter shows it.
    pub(super) fn times(self, share: f64) -> Self {
        Self {
            likely: self.likely * share.abs(),
            worst: self.worst * share.abs(),
            parts: self.parts * share.abs(),
            valves: self.valves * share.abs(),
            mains_low: self.mains_low * share,
            mains_high: self.mains_high * share,
        }
    }
}

/// What is varied.
#[derive(Clone, Copy, Debug)]
enum Varied {
    Part(PartId, f64),
    Valve(PartId),
    Low(PartId),
    High(PartId),
}

/// The sources that go with the mains: every one that alternates, or every direct supply.
pub(super) fn supplies(whole: &Whole<'_>) -> Vec<PartId> {
    let driven = whole.rest.mains.is_some();
    let parts = whole.circuit.parts();
    parts
        .filter(|(_, placed)| match &placed.part {
            Part::Source(source) if driven => alternates(&source.waveform),
            Part::Source(source) => source.waveform.at_rest().abs() > 0.0,
            _ => false,
        })
        .map(|(id, _)| id)
        .collect()
}

/// The bands of all points.
pub(super) fn bands(
    whole: &Whole<'_>,
    points: &[Point],
    nominal: &[f64],
    allowed: &Allowed,
    done: &(impl Fn(usize) + Sync),
) -> Result<Vec<Band>, SimError> {
    let jobs = jobs(whole, allowed);
    let shifts: Result<Vec<(Varied, Vec<f64>)>, SimError> = jobs
        .into_par_iter()
        .map(|job| {
            let (change, scale) = match job {
                Varied::Part(part, tolerance) => {
                    (Change::Scale(part, 1.0 + STEP), tolerance / STEP)
                }
                Varied::Valve(part) => (Change::Scale(part, 1.0 + STEP), allowed.valves / STEP),
                Varied::Low(part) => (Change::Scale(part, allowed.mains.0), 1.0),
                Varied::High(part) => (Change::Scale(part, allowed.mains.1), 1.0),
            };
            let solved = whole.with(change, |whole| whole.at(points))?;
            done(1);
            let shift = solved.volts.iter().zip(nominal);
            Ok((job, shift.map(|(v, v0)| scale * (v - v0)).collect()))
        })
        .collect();
    let shifts = shifts?;
    Ok((0..points.len())
        .map(|k| {
            let mut band = Band::default();
            let (mut parts, mut valves, mut worst) = (0.0, 0.0, 0.0);
            for (varied, shift) in &shifts {
                let shift = shift[k];
                match varied {
                    Varied::Part(..) => parts += shift * shift,
                    Varied::Valve(_) => valves += shift * shift,
                    // Supplies from one mains go together.
                    Varied::Low(_) => band.mains_low += shift,
                    Varied::High(_) => band.mains_high += shift,
                }
                if matches!(varied, Varied::Part(..) | Varied::Valve(_)) {
                    worst += shift.abs();
                }
            }
            let mains = f64::max(band.mains_low.abs(), band.mains_high.abs());
            Band {
                likely: (parts + valves + mains * mains).sqrt(),
                worst: worst + mains,
                parts: f64::sqrt(parts),
                valves: f64::sqrt(valves),
                ..band
            }
        })
        .collect())
}

/// How many circuits [`bands`] solves.
pub(super) fn count(whole: &Whole<'_>, allowed: &Allowed) -> usize {
    jobs(whole, allowed).len()
}

fn jobs(whole: &Whole<'_>, allowed: &Allowed) -> Vec<Varied> {
    let parts = whole.circuit.parts();
    let mut jobs: Vec<Varied> = parts
        .filter(|(_, placed)| matters(&placed.part))
        .filter_map(|(id, placed)| {
            if matches!(placed.part, Part::Valve(_)) {
                return (allowed.valves > 0.0).then_some(Varied::Valve(id));
            }
            let tolerance = placed.ratings.tolerance.unwrap_or(allowed.parts);
            (tolerance > 0.0).then_some(Varied::Part(id, tolerance))
        })
        .collect();
    let moves = |ratio: f64| (ratio - 1.0).abs() > f64::EPSILON;
    for supply in supplies(whole) {
        jobs.extend(moves(allowed.mains.0).then_some(Varied::Low(supply)));
        jobs.extend(moves(allowed.mains.1).then_some(Varied::High(supply)));
    }
    jobs
}
