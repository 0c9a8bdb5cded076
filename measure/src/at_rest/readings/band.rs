//! How far a voltage may lie from the drawing's while nothing is wrong.
//!
//! ```text
//! likely = √(Σ (∂V/∂p_k · Δp_k)²),    worst = Σ |∂V/∂p_k · Δp_k|
//! ```
//!
//! First-order: each part is moved by a fiftieth of its value, one at a time, and the change is scaled to its
//! tolerance; on the mains the circuit linearised along its period tells the slope itself. The mains, or the supplies
//! where they are ideal, are taken to both ends in full.
//!
//! Symbols   Δp  tolerance of a resistor, pot or winding;  valve spread: current at the same volts
//! Source    the law of propagation of independent errors (textbook)
//! Care      capacitors and their leakage are not varied; nor are the laws of rectifiers and stabilisers

use rayon::prelude::*;
use serde::Serialize;

use super::change::Departure;
use super::points::Point;
use super::solved::{first_order, solved, with};
use crate::UnderTest;
use crate::instruments::varied::{self, Allowed, Quantity};
use sim::error::SimError;

/// By how much a part is moved to see its effect: far above what the solver leaves open, far below where the
/// effect bends.
const STEP: f64 = 0.02;

/// By how much on the mains, where the linearised circuit answers and nothing bends.
const SLOPE: f64 = 1e-4;

/// Changes answered together on the mains.
const TOGETHER: usize = 8;

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

/// What one solution is for.
#[derive(Clone, Copy, Debug)]
enum Of {
    Part,
    Valve,
    Low,
    High,
}

/// A change, and by how much its effect is to be multiplied.
#[derive(Clone, Copy, Debug)]
struct Job {
    of: Of,
    change: Departure,
    scale: f64,
}

/// The bands of all points.
pub(super) fn bands(
    of: &UnderTest<'_>,
    points: &[Point],
    nominal: &[f64],
    allowed: &Allowed,
    done: &(impl Fn(usize) + Sync),
) -> Result<Vec<Band>, SimError> {
    let (small, full): (Vec<Job>, Vec<Job>) = jobs(of, allowed)
        .into_iter()
        .partition(|job| matches!(job.of, Of::Part | Of::Valve));
    let solve = |job: &Job| {
        let solved = with(of, job.change, |changed| solved(changed, points))?;
        done(1);
        let shift = solved.volts.iter().zip(nominal);
        let shift = shift.map(|(v, v0)| job.scale * (v - v0));
        Ok((job.of, shift.collect()))
    };
    let of_small: Result<Vec<Vec<Shift>>, SimError> = small
        .par_chunks(TOGETHER)
        .map(|jobs| match slopes(of, jobs, points) {
            Some(shifts) => {
                done(jobs.len());
                Ok(shifts)
            }
            None => jobs.iter().map(solve).collect(),
        })
        .collect();
    let of_full: Result<Vec<Shift>, SimError> = full.par_iter().map(solve).collect();
    let shifts: Vec<Shift> = of_small?.into_iter().flatten().chain(of_full?).collect();
    Ok((0..points.len())
        .map(|k| {
            let mut band = Band::default();
            let (mut parts, mut valves, mut worst) = (0.0, 0.0, 0.0);
            for (of, shift) in &shifts {
                let shift = shift[k];
                match of {
                    Of::Part => parts += shift * shift,
                    Of::Valve => valves += shift * shift,
                    // Supplies from one mains go together.
                    Of::Low => band.mains_low += shift,
                    Of::High => band.mains_high += shift,
                }
                if matches!(of, Of::Part | Of::Valve) {
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

/// What a change moves, V at each point.
type Shift = (Of, Vec<f64>);

/// The shifts of small changes on the mains, by the circuit linearised along its period.
fn slopes(of: &UnderTest<'_>, jobs: &[Job], points: &[Point]) -> Option<Vec<Shift>> {
    let slight = |job: &Job| match job.change {
        Departure::Scale(part, _) => Departure::Scale(part, 1.0 + SLOPE),
        change => change,
    };
    let changes: Vec<Departure> = jobs.iter().map(slight).collect();
    let moved = first_order(of, &changes, points)?;
    let scaled = jobs.iter().zip(moved).map(|(job, moved)| {
        let scale = job.scale * STEP / SLOPE;
        (job.of, moved.iter().map(|v| scale * v).collect())
    });
    Some(scaled.collect())
}

/// How many circuits [`bands`] solves.
pub(super) fn count(of: &UnderTest<'_>, allowed: &Allowed) -> usize {
    jobs(of, allowed).len()
}

fn jobs(of: &UnderTest<'_>, allowed: &Allowed) -> Vec<Job> {
    let varied = varied::of_parts(of.circuit, allowed, |_| None).into_iter();
    let mut jobs: Vec<Job> = varied
        .filter_map(|varied| {
            let part = varied.parts[0];
            // What sets volts at rest, and no capacitor.
            let quantity = Quantity::at_rest(&of.circuit.part(part).part)?;
            (varied.quantity == quantity).then_some(Job {
                of: match quantity {
                    Quantity::Current => Of::Valve,
                    _ => Of::Part,
                },
                change: Departure::Scale(part, 1.0 + STEP),
                scale: (varied.high - 1.0) / STEP,
            })
        })
        .collect();
    let moves = |ratio: f64| (ratio - 1.0).abs() > f64::EPSILON;
    for supply in varied::supplies(of.circuit) {
        for (of, ratio) in [(Of::Low, allowed.mains.0), (Of::High, allowed.mains.1)] {
            jobs.extend(moves(ratio).then_some(Job {
                of,
                change: Departure::Scale(supply, ratio),
                scale: 1.0,
            }));
        }
    }
    jobs
}
