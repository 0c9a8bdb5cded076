//! Where the loop gain is one and where its phase is half a turn: the margins.
//!
//! ```text
//! phase margin = 180° − |arg T| where |T| = 1,   gain margin = −20·log₁₀|T| where arg T = ±180°
//! ```
//!
//! The phase is reckoned from mid band. Where the loop gain rises above one again further out, it is
//! reckoned from the whole turn nearest to the phase at which that region is entered: a region is harmless
//! when it is left within the same half turns either way, however many turns lie between (Nyquist).
//!
//! Source   Bode, Network Analysis and Feedback Amplifier Design, 1945, ch. XVIII (from memory)
//! Care     a gain margin below zero is no instability by itself: a loop of conditional stability has one
//!          where the loop gain must not be lowered

use std::f64::consts::{PI, TAU};

use serde::Serialize;

use super::{BISECTIONS, Evaluate, LoopPoint, decibels};
use crate::error::SimError;

/// Where the loop gain is one.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct UnityCrossing {
    /// Hz.
    pub frequency: f64,
    /// Phase margin, degrees; below zero the loop oscillates unless another crossing mends it.
    pub margin_degrees: f64,
}

/// Where the loop gain is real and negative.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct PhaseCrossing {
    /// Hz.
    pub frequency: f64,
    /// Gain margin, dB: what the loop gain may rise by, or when negative must not fall by.
    pub margin_db: f64,
}

/// Loop gain below which a phase crossing says nothing: 60 dB of margin.
const REMOTE: f64 = 1e-3;

/// Every crossing of unity with its phase margin.
pub(super) fn unity(
    curve: &[LoopPoint],
    middle: usize,
    at: &mut impl Evaluate,
) -> Result<Vec<UnityCrossing>, SimError> {
    let above = |point: &LoopPoint| point.loop_gain.norm() > 1.0;
    let mut found: Vec<(usize, LoopPoint)> = Vec::new();
    for (k, pair) in curve.windows(2).enumerate() {
        if above(&pair[0]) != above(&pair[1]) {
            let crossing = between(pair, at, |point| point.loop_gain.norm() - 1.0)?;
            found.push((k, crossing));
        }
    }
    let crossings = found
        .iter()
        .map(|&(k, crossing)| {
            // The inner end of the region above one that this crossing bounds.
            let (inside, outside) = (&curve[k], &curve[k + 1]);
            let leaves_outward = if k >= middle {
                above(inside)
            } else {
                above(outside)
            };
            let inner = if !leaves_outward {
                Some(crossing.phase)
            } else if k >= middle {
                found
                    .iter()
                    .rev()
                    .find(|(other, _)| *other < k && *other >= middle)
                    .map(|(_, point)| point.phase)
            } else {
                found
                    .iter()
                    .find(|(other, _)| *other > k && *other < middle)
                    .map(|(_, point)| point.phase)
            };
            let whole = inner.map_or(0.0, |phase| (phase / TAU).round());
            let phase = crossing.phase - TAU * whole;
            UnityCrossing {
                frequency: crossing.frequency,
                margin_degrees: 180.0 - phase.abs().to_degrees(),
            }
        })
        .collect();
    Ok(crossings)
}

/// Every crossing of half a turn with its gain margin.
pub(super) fn phase(
    curve: &[LoopPoint],
    at: &mut impl Evaluate,
) -> Result<Vec<PhaseCrossing>, SimError> {
    let mut found = Vec::new();
    let half_turns = |point: &LoopPoint| ((point.phase / PI - 1.0) / 2.0).floor();
    for pair in curve.windows(2) {
        let strong = pair.iter().any(|point| point.loop_gain.norm() > REMOTE);
        if strong && (half_turns(&pair[0]) - half_turns(&pair[1])).abs() > 0.5 {
            let crossing = between(pair, at, |point| point.loop_gain.im)?;
            found.push(PhaseCrossing {
                frequency: crossing.frequency,
                margin_db: -decibels(crossing.loop_gain.norm()),
            });
        }
    }
    Ok(found)
}

/// The point between two where a figure changes its sign, by halving.
fn between(
    pair: &[LoopPoint],
    at: &mut impl Evaluate,
    figure: impl Fn(&LoopPoint) -> f64,
) -> Result<LoopPoint, SimError> {
    let (mut low, mut high) = (pair[0], pair[1]);
    for _ in 0..BISECTIONS {
        let mut middle = at((low.frequency * high.frequency).sqrt())?;
        middle.phase = low.phase + (middle.loop_gain / low.loop_gain).arg();
        if (figure(&middle) > 0.0) == (figure(&low) > 0.0) {
            low = middle;
        } else {
            high = middle;
        }
    }
    Ok(low)
}
