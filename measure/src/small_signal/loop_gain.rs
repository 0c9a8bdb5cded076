//! Loop gain of the feedback round an amplifier, with all loading kept and the bias untouched.
//!
//! ```text
//! 1 + T = Δ/Δ°,   gain without = (1 + T)·gain with
//! ```
//!
//! Symbols   T loop gain, 1: positive and real is negative feedback;  Δ determinant of the circuit;  Δ° the
//!           same with the wire cut by which the feedback leaves the output, either end of the cut loaded
//!           with what it saw before
//! Source    return difference: Bode, Network Analysis and Feedback Amplifier Design, 1945, ch. IV;
//!           stability: Nyquist, Bell Syst. Tech. J. 11 (1932) 126 (both from memory); T at a wire: `cut.rs`
//! Valid     signals so small that every valve and core keeps its slopes
//! Care      the wire is cut in the algebra of the closed circuit, so no bias moves. Gain without feedback is
//!           that of the amplifier so loaded, what the feedback parts pass forward included: with it the
//!           last equation is exact at the node they leave. Δ° is taken to have no growing zero, which is
//!           looked into apart (`growing_without`); stability itself is judged by natural frequencies
//!
//! Over 400 lines because the question stands beside its curve.

use std::f64::consts::TAU;

use nalgebra::Complex;
use serde::Serialize;

use crate::instruments::golden_section::greatest;
use crate::instruments::logarithmic::decibels;
use crate::{Measurement, Progress, UnderTest};
use sim::amplifier::{Amplifier, Bench};
use sim::circuit::{Circuit, NodeId, PartId};
use sim::error::{Question, SimError};
use sim::parts::Part;
use sim::small_signal::{Excitation, SmallSignal};
use sim::stability::{Changes, Growing, fastest, natural_frequencies_over};
use sim::system::System;

mod crossings;
mod cut;
mod path;

use cut::Cut;

pub use crossings::{PhaseCrossing, UnityCrossing};
pub use path::{FeedbackPath, PathError};

/// The question.
#[derive(Clone, Debug)]
pub struct LoopGainOf {
    /// What closes the loop.
    pub path: FeedbackPath,
    /// The generator, a source.
    pub generator: PartId,
    /// The ends of the load.
    pub load: (NodeId, NodeId),
    /// Mid band, Hz: where the amount of feedback is stated.
    pub frequency: f64,
    /// Least and greatest frequency, Hz.
    pub range: (f64, f64),
}

/// The circuit at one frequency.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LoopPoint {
    /// Hz.
    pub frequency: f64,
    /// Loop gain T.
    pub loop_gain: Complex<f64>,
    /// Its phase followed from mid band without jumps, rad.
    pub phase: f64,
    /// Volts across the load for each volt of the generator, open circuit.
    pub with: Complex<f64>,
    /// Volts across the load for each volt without feedback, loading kept.
    pub without: Complex<f64>,
}

/// The greatest gain at one side of mid band.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Peak {
    /// Hz.
    pub frequency: f64,
    /// Above the gain at mid band, dB.
    pub height_db: f64,
    /// The gain without feedback there, above its own at mid band, dB.
    pub without_db: f64,
    /// By how much the feedback raises the gain there, −20 log |1 + T| dB; negative where it lowers it. What rises by itself,
    /// before the loop or in it, is no peak of the feedback.
    pub raised_db: f64,
}

/// The answer. Gains are ratios of volts.
#[derive(Clone, Debug)]
pub struct LoopGain {
    /// Mid band.
    pub mid: LoopPoint,
    /// The whole range, in rising frequency.
    pub curve: Vec<LoopPoint>,
    /// Where the loop gain is one, in rising frequency.
    pub unity: Vec<UnityCrossing>,
    /// Where the loop gain is negative and real, in rising frequency.
    pub phase: Vec<PhaseCrossing>,
    /// Peak of the gain with feedback below mid band; none when it falls.
    pub peak_below: Option<Peak>,
    /// Peak of the gain with feedback above mid band; none when it falls.
    pub peak_above: Option<Peak>,
    /// The natural frequency that grows, when the amplifier is not stable.
    pub growing: Option<Growing>,
    /// The natural frequency that grows without feedback: a local oscillation, of which margins say nothing.
    pub growing_without: Option<Growing>,
    /// Natural frequencies with feedback, 1/s.
    pub modes: Vec<Complex<f64>>,
    /// Natural frequencies without feedback, 1/s.
    pub modes_without: Vec<Complex<f64>>,
}

/// Points of the first grid in a decade; it is refined where the phase turns.
const POINTS_A_DECADE: f64 = 40.0;

/// The phase turns by less than this from point to point, rad: it can then be followed, and no crossing
/// hides between two points.
const TURN: f64 = 0.5;

/// Rounds of halving that may be needed for it: resonances of a Q of some thousands.
const MOST_HALVINGS: u32 = 16;

/// dB; a peak less high than this is the rounding of a flat response.
const FLAT_DB: f64 = 0.005;

/// The usual range of the loop gain, Hz: from below any coupling to above any winding.
pub const RANGE: (f64, f64) = (1.0, 10e6);

impl LoopGainOf {
    /// The question the bench of an amplifier asks of the loop that a path closes.
    pub fn bench(bench: &Bench, path: FeedbackPath) -> Self {
        Self {
            path,
            generator: bench.generator,
            load: bench.load_nodes,
            frequency: bench.frequency,
            range: RANGE,
        }
    }
}

impl Measurement for LoopGainOf {
    type Answer = LoopGain;

    /// Answers; on the mains, for the circuit linearised along the period. Some thousand factorisations and two dense
    /// eigenvalue problems.
    ///
    /// # Errors
    /// [`SimError::Undetermined`] at an ideal resonance, [`Question::NoSignal`] when nothing reaches
    /// the load.
    fn ask(&self, of: &UnderTest<'_>, _: &Progress<'_>) -> Result<LoopGain, SimError> {
        let (circuit, system, ws) = (of.circuit, of.system, &mut of.workspace());
        let mut linear = of.linearised();
        let mut at = |frequency: f64| self.at(circuit, &mut linear, frequency);
        let mut natural =
            |changes: &Changes| natural_frequencies_over(system, changes, of.rest.samples(), ws);
        let modes = natural(&Changes::none(system))?;
        let open = natural(&self.opening(circuit, system))?;

        let mut frequencies = self.grid();
        let inside = |f: &f64| {
            *f > self.range.0 && *f < self.range.1 && (f / self.frequency - 1.0).abs() > 1e-6
        };
        // Resonances may be sharper than any grid.
        frequencies.extend(
            modes
                .iter()
                .chain(&open)
                .map(|s| s.im.abs() / TAU)
                .filter(inside),
        );
        frequencies.sort_by(f64::total_cmp);
        frequencies.dedup_by(|a, b| *a / *b - 1.0 < 1e-9);
        let mut curve = frequencies
            .iter()
            .map(|&f| at(f))
            .collect::<Result<Vec<_>, _>>()?;
        for _ in 0..MOST_HALVINGS {
            if !halve(&mut curve, &mut at)? {
                break;
            }
        }
        let middle = curve.partition_point(|point| point.frequency < self.frequency);
        follow_phase(&mut curve, middle);
        let mid = curve[middle];
        if mid.with.norm() < 1e-9 {
            return Err(SimError::Question(Question::NoSignal));
        }
        let unity = crossings::unity(&curve, middle, &mut at)?;
        let phase = crossings::phase(&curve, &mut at)?;
        let growing = fastest(&modes);
        let (mut peak_below, mut peak_above) = (None, None);
        // What oscillates has no response.
        if growing.is_none() {
            peak_below = peak(&curve[..=middle], mid, &mut at)?;
            peak_above = peak(&curve[middle..], mid, &mut at)?;
        }
        Ok(LoopGain {
            mid,
            curve,
            unity,
            phase,
            peak_below,
            peak_above,
            growing,
            growing_without: fastest(&open),
            modes,
            modes_without: open,
        })
    }
}

/// An amplifier that oscillates, at the rest it would have if nothing came back from its output: there its loop gain can
/// be told, and its natural frequencies say what grows.
///
/// # Errors
/// Those of finding that rest: where it oscillates without its feedback too, say.
pub fn held<'a>(amplifier: &'a Amplifier, system: &'a System) -> Result<UnderTest<'a>, SimError> {
    let opened = path::opened(&amplifier.circuit, amplifier.bench.load);
    let of_opened = System::of(&opened).map_err(|_| SimError::Question(Question::NoSignal))?;
    UnderTest::at_rest_of(amplifier, system, (&opened, &of_opened))
}

impl LoopGainOf {
    /// The first grid, mid band included, Hz.
    fn grid(&self) -> Vec<f64> {
        let (low, high) = self.range;
        let steps = ((high / low).log10() * POINTS_A_DECADE).ceil().max(1.0);
        let mut grid: Vec<f64> = (0..=steps as u32)
            .map(|k| low * (high / low).powf(f64::from(k) / steps))
            .filter(|f| (f / self.frequency - 1.0).abs() > 1e-6)
            .collect();
        grid.push(self.frequency);
        grid
    }

    /// Loop gain and gains at one frequency.
    ///
    /// # Errors
    /// [`SimError::Undetermined`].
    pub fn at(
        &self,
        circuit: &Circuit,
        linear: &mut SmallSignal<'_>,
        frequency: f64,
    ) -> Result<LoopPoint, SimError> {
        linear.tune(frequency)?;
        let loop_gain = Cut::of((self.path.from, &self.path.branches), circuit, linear)?
            .map_or_else(Complex::default, |cut| cut.loop_gain());
        let x = linear.response(Excitation::Source(self.generator))?;
        let with = linear.voltage(&x, self.load.0, self.load.1);
        Ok(LoopPoint {
            frequency,
            loop_gain,
            phase: loop_gain.arg(),
            with,
            without: (1.0 + loop_gain) * with,
        })
    }

    /// What keeps the parts from passing anything on from the output, while they load both their ends as
    /// before.
    fn opening(&self, circuit: &Circuit, system: &System) -> Changes {
        let column = system.voltage_of(self.path.from);
        let mut changes = Changes::none(system);
        for &(part, far) in &self.path.branches {
            let row = system.voltage_of(far);
            match &circuit.part(part).part {
                Part::Resistor(resistor) => changes.add(row, column, 1.0 / resistor.r, 0.0),
                Part::Capacitor(c) if c.esr > 0.0 => {
                    // The current of a branch with a node of its own: (g + sC)·u = g·v, i = g·(v − u).
                    let (inner, g) = (changes.unknown(), 1.0 / c.esr);
                    changes.add(row, column, g + c.leakage, 0.0);
                    changes.add(row, inner, -g, 0.0);
                    changes.add(inner, inner, g, c.c);
                    changes.add(inner, column, -g, 0.0);
                }
                Part::Capacitor(c) => changes.add(row, column, c.leakage, c.c),
                // None of them carries feedback, see `cut::admittance`.
                Part::Inductor(_)
                | Part::Transformer(_)
                | Part::Valve(_)
                | Part::Device(_)
                | Part::Diodes(_)
                | Part::Source(_)
                | Part::Pot(_)
                | Part::Switch(_)
                | Part::Loudspeaker(_) => {}
            }
        }
        changes
    }
}

impl LoopGain {
    /// Amount of feedback at mid band, dB: |1 + T|.
    pub fn feedback_db(&self) -> f64 {
        decibels((1.0 + self.mid.loop_gain).norm())
    }

    /// Whether what comes back at mid band adds to the signal, whatever its size: of more than twice the signal the gain
    /// with feedback would come out smaller too, and nothing is lowered by it, for the amplifier is not stable.
    pub fn is_positive(&self) -> bool {
        /// A twentieth of a decibel, which prints as none, has no sign to speak of.
        const NONE: f64 = 0.0058;
        self.mid.loop_gain.re < -NONE
    }

    /// The least phase margin of the crossings above mid band.
    pub fn margin_above(&self) -> Option<UnityCrossing> {
        self.least_margin(|f| f > self.mid.frequency)
    }

    /// The least phase margin of the crossings below mid band.
    pub fn margin_below(&self) -> Option<UnityCrossing> {
        self.least_margin(|f| f < self.mid.frequency)
    }

    fn least_margin(&self, side: impl Fn(f64) -> bool) -> Option<UnityCrossing> {
        self.unity
            .iter()
            .filter(|crossing| side(crossing.frequency))
            .copied()
            .min_by(|a, b| a.margin_degrees.total_cmp(&b.margin_degrees))
    }

    /// The phase crossing above mid band at which the loop gain is nearest to one.
    pub fn gain_margin_above(&self) -> Option<PhaseCrossing> {
        self.nearest_to_one(|f| f > self.mid.frequency)
    }

    /// The phase crossing below mid band at which the loop gain is nearest to one.
    pub fn gain_margin_below(&self) -> Option<PhaseCrossing> {
        self.nearest_to_one(|f| f < self.mid.frequency)
    }

    fn nearest_to_one(&self, side: impl Fn(f64) -> bool) -> Option<PhaseCrossing> {
        self.phase
            .iter()
            .filter(|crossing| side(crossing.frequency))
            .copied()
            .min_by(|a, b| a.margin_db.abs().total_cmp(&b.margin_db.abs()))
    }

    /// The highest frequency at which the gain with feedback is above this share of that at mid band, Hz.
    pub fn reach(&self, share: f64) -> f64 {
        let least = share * self.mid.with.norm();
        self.curve
            .iter()
            .rev()
            .find(|point| point.with.norm() > least)
            .map_or(self.mid.frequency, |point| point.frequency)
    }
}

/// Evaluates the circuit at a frequency.
trait Evaluate: FnMut(f64) -> Result<LoopPoint, SimError> {}
impl<F: FnMut(f64) -> Result<LoopPoint, SimError>> Evaluate for F {}

/// Puts a point between any two from one of which to the next the phase turns too far; false when none
/// was needed.
fn halve(curve: &mut Vec<LoopPoint>, at: &mut impl Evaluate) -> Result<bool, SimError> {
    let mut finer = Vec::with_capacity(curve.len());
    for pair in curve.windows(2) {
        finer.push(pair[0]);
        if (pair[1].loop_gain / pair[0].loop_gain).arg().abs() > TURN {
            finer.push(at((pair[0].frequency * pair[1].frequency).sqrt())?);
        }
    }
    finer.extend(curve.last());
    let grown = finer.len() > curve.len();
    *curve = finer;
    Ok(grown)
}

/// Makes the phase continuous, both ways from mid band.
fn follow_phase(curve: &mut [LoopPoint], middle: usize) {
    let turn = |to: &LoopPoint, from: &LoopPoint| (to.loop_gain / from.loop_gain).arg();
    for k in middle + 1..curve.len() {
        curve[k].phase = curve[k - 1].phase + turn(&curve[k], &curve[k - 1]);
    }
    for k in (0..middle).rev() {
        curve[k].phase = curve[k + 1].phase + turn(&curve[k], &curve[k + 1]);
    }
}

/// The greatest gain with feedback of one side, searched for about the highest point.
fn peak(
    side: &[LoopPoint],
    mid: LoopPoint,
    at: &mut impl Evaluate,
) -> Result<Option<Peak>, SimError> {
    let Some((k, highest)) = side
        .iter()
        .enumerate()
        .max_by(|(_, a), (_, b)| a.with.norm().total_cmp(&b.with.norm()))
    else {
        return Ok(None);
    };
    let (before, behind) = (k.saturating_sub(1), (k + 1).min(side.len() - 1));
    let around = (side[before].frequency, side[behind].frequency);
    let found = greatest(around, |frequency| Ok(at(frequency)?.with.norm()))?;
    // A side may be highest at its end.
    let here = (highest.frequency, highest.with.norm());
    let (frequency, height) = if found.1 > here.1 { found } else { here };
    let height_db = decibels(height / mid.with.norm());
    let there = at(frequency)?;
    Ok((height_db > FLAT_DB).then_some(Peak {
        frequency,
        height_db,
        without_db: decibels(there.without.norm() / mid.without.norm()),
        raised_db: -decibels((1.0 + there.loop_gain).norm()),
    }))
}
