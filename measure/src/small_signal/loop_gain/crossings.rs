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

use super::{Evaluate, LoopPoint};
use crate::instruments::crossing::crossing;
use crate::instruments::logarithmic::decibels;
use sim::error::SimError;

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
            let crossing = between(pair, at, |point| decibels(point.loop_gain.norm()))?;
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
            let crossing = between(pair, at, |point| {
                point.loop_gain.im / point.loop_gain.norm()
            })?;
            found.push(PhaseCrossing {
                frequency: crossing.frequency,
                margin_db: -decibels(crossing.loop_gain.norm()),
            });
        }
    }
    Ok(found)
}

/// The point between two where a figure changes its sign.
fn between(
    pair: &[LoopPoint],
    at: &mut impl Evaluate,
    figure: impl Fn(&LoopPoint) -> f64,
) -> Result<LoopPoint, SimError> {
    let (low, high) = (pair[0], pair[1]);
    let end = |point: &LoopPoint| (point.frequency, figure(point));
    let met = crossing(end(&low), end(&high), |frequency| {
        Ok(figure(&at(frequency)?))
    })?;
    let mut met = at(met)?;
    met.phase = low.phase + (met.loop_gain / low.loop_gain).arg();
    Ok(met)
}

#[cfg(test)]
mod tests {
    use super::{phase, unity};
    use crate::small_signal::loop_gain::{LoopPoint, follow_phase};
    use nalgebra::Complex;
    use sim::error::SimError;

    fn point(frequency: f64, loop_gain: Complex<f64>) -> LoopPoint {
        LoopPoint {
            frequency,
            loop_gain,
            phase: loop_gain.arg(),
            with: Complex::new(1.0, 0.0),
            without: Complex::new(1.0, 0.0),
        }
    }

    /// The curve of a loop gain, 50 points a decade, mid band first.
    fn curve(of: impl Fn(f64) -> Complex<f64>, decades: f64) -> Vec<LoopPoint> {
        let steps = (50.0 * decades) as u32;
        let mut curve: Vec<LoopPoint> = (0..=steps)
            .map(|k| 10f64.powf(f64::from(k) / 50.0))
            .map(|f| point(f, of(f)))
            .collect();
        follow_phase(&mut curve, 0);
        curve
    }

    #[test]
    fn a_loop_of_conditional_stability_has_both_its_phase_crossings() {
        // T = K(1 + jf/f₁)²/(1 + jf/f₀)³: half a turn where 3·atan(f/f₀) − 2·atan(f/f₁) = π, twice, with
        // more than one left; unity beyond both, at f ≈ K·f₀³/f₁² where the phase is back near −90°.
        let (k, f_0, f_1): (f64, f64, f64) = (1e6, 100.0, 3000.0);
        let of = |f: f64| {
            let one = |corner: f64| Complex::new(1.0, f / corner);
            k * one(f_1).powi(2) / one(f_0).powi(3)
        };
        let curve = curve(of, 7.0);
        let mut at = |f: f64| -> Result<LoopPoint, SimError> { Ok(point(f, of(f))) };
        let phases = phase(&curve, &mut at).expect("no circuit can fail");
        assert_eq!(phases.len(), 2);
        for crossing in &phases {
            let turn =
                3.0 * (crossing.frequency / f_0).atan() - 2.0 * (crossing.frequency / f_1).atan();
            assert!(
                (turn / std::f64::consts::PI - 1.0).abs() < 1e-9,
                "{crossing:?}"
            );
            let height = 20.0 * of(crossing.frequency).norm().log10();
            assert!((crossing.margin_db + height).abs() < 1e-6 && height > 0.0);
        }
        let unities = unity(&curve, 0, &mut at).expect("no circuit can fail");
        assert_eq!(unities.len(), 1);
        let f = unities[0].frequency;
        assert!((of(f).norm() - 1.0).abs() < 1e-9);
        let margin = 180.0 - (3.0 * (f / f_0).atan() - 2.0 * (f / f_1).atan()).to_degrees();
        assert!(
            (unities[0].margin_degrees - margin).abs() < 1e-6,
            "{margin}"
        );
        assert!(margin > 80.0, "it is stable: {margin}");
    }

    #[test]
    fn a_region_above_one_further_out_counts_from_its_own_turn() {
        // Two up to 1.5, a tenth, two again from 10 to `end`, with 40° of lag for each hertz: that region is
        // entered at −400°. Left at −480°, there is no half turn in it; left at −800°, there is one at −540°.
        for (end, margin) in [(12.0, 60.0), (20.0, -260.0)] {
            let of = |f: f64| {
                let size = if f < 1.5 || (f > 10.0 && f < end) {
                    2.0
                } else {
                    0.1
                };
                Complex::from_polar(size, -(40.0 * f).to_radians())
            };
            let curve = curve(of, 1.5);
            let mut at = |f: f64| -> Result<LoopPoint, SimError> { Ok(point(f, of(f))) };
            let found = unity(&curve, 0, &mut at).expect("no circuit can fail");
            let margins: Vec<f64> = found
                .iter()
                .map(|crossing| crossing.margin_degrees)
                .collect();
            let wanted = [120.0, 140.0, margin];
            assert_eq!(margins.len(), 3, "{margins:?}");
            for (found, wanted) in margins.iter().zip(wanted) {
                assert!((found - wanted).abs() < 1e-6, "{margins:?}");
            }
        }
    }
}
