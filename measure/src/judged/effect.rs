//! What each part does: the amplifier measured with the part and without it.
//!
//! A part is opened or shorted, see `taken_out`, and everything is measured again in the same way; what moves
//! by a step or more, see `moves`, is a change. Nothing is concluded beyond that: a part that moves none of the
//! figures may still be there for something that was not measured.
//!
//! Each case sets out from the amplifier as drawn, where that stays at rest, and one whose mains cycles do not close soon is
//! told as not measured.
//!
//! Cost: rest, a response, an impedance and a loop gain for each part, some ten milliseconds on direct supplies
//! and some tenths of a second on the mains; in full a power sweep and the hum besides, which take a hundred times as long.

use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;
use serde::Serialize;

use crate::judged::check::pairs;
use crate::small_signal::loop_gain::{FeedbackPath, LoopPoint};
use crate::{Measurement, Progress, Reached, UnderTest};
use sim::System;
use sim::circuit::{Circuit, CircuitError, NodeId, PartId, Placed};
use sim::error::{Question, SimError};
use sim::parts::Part;
use sim::periodic::Settling;
use sim::stability::Growing;
use sim::structure::graph::Graph;

mod case;
mod figures;
mod moves;
mod taken_out;
#[cfg(test)]
mod tests;

pub use case::{CaseError, Named, cases};
pub use figures::{GAIN, Group, RESPONSE, Reading, Scale};
pub use moves::{Shift, shares};
pub use taken_out::{How, Removal};

use figures::{Asked, Measured};

/// The question.
#[derive(Clone, Debug)]
pub struct EffectOf {
    /// Parts taken out together, case by case.
    pub cases: Vec<Vec<Removal>>,
    /// The loop whose margins are told; none where there is none.
    pub path: Option<FeedbackPath>,
    /// Power, distortion and hum as well.
    pub full: bool,
}

/// The answer. SI units, levels in dB, angles in degrees.
#[derive(Clone, Debug, Serialize)]
pub struct Effects {
    /// Everything in its place.
    pub as_drawn: AmplifierFigures,
    /// Each case, the most telling first.
    pub cases: Vec<Effect>,
}

/// The amplifier with every part.
#[derive(Clone, Debug, Serialize)]
pub struct AmplifierFigures {
    /// Every figure.
    pub figures: Vec<Reading>,
    /// What grows at rest; none when it is stable.
    pub growing: Option<Growing>,
    /// What could not be measured, and why.
    pub not_measured: Vec<String>,
    /// `[grid]` gain, dB, at [`grid`]; empty when there is no response.
    #[serde(skip)]
    pub gains_db: Vec<f64>,
    /// Loop gain; empty without a loop.
    #[serde(skip)]
    pub loop_gain: Vec<LoopPoint>,
}

/// The amplifier without some part.
#[derive(Clone, Debug, Serialize)]
pub struct Effect {
    /// What was taken out.
    pub parts: Vec<TakenOut>,
    /// What became of it.
    pub outcome: Outcome,
    /// What became of it in words, where there is more to say than the figures.
    pub words: Option<String>,
    /// The figures that move, those that move most first.
    pub changes: Vec<Shift>,
    /// The amplifier so.
    pub without: AmplifierFigures,
}

/// A part that was taken out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct TakenOut {
    /// Designator.
    pub part: String,
    /// Its value or type as printed.
    pub value: String,
    /// How.
    pub how: How,
}

/// What becomes of the amplifier without a part, in the order of telling.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// It rests, and with the part it oscillates.
    Rests,
    /// An electrode is cut off from direct current: there is nothing to measure.
    Unfed,
    /// No rest was found, or none that could be measured.
    NotMeasured,
    /// It oscillates by itself.
    Oscillates,
    /// No signal arrives: the gain falls by more than [`CUT`].
    Cut,
    /// It works; the changes tell how.
    Works,
}

/// Gain that is lost where the trade says that a signal is cut, dB: what is left came through stray capacitances
/// (ours).
pub const CUT: f64 = 60.0;

/// Cycles of the mains after which a case is given up: those that close do so in a dozen or two, and there are many cases.
const PATIENCE: u32 = 80;

/// Frequencies of [`AmplifierFigures::gains_db`], Hz.
pub fn grid() -> Vec<f64> {
    use crate::small_signal::response::POINTS_A_DECADE;
    let (from, to) = crate::judged::study::BAND;
    crate::instruments::logarithmic::spaced(from, to, POINTS_A_DECADE)
}

impl Measurement for EffectOf {
    type Answer = Effects;

    /// Answers; `progress` is told the number of cases done and of all, the amplifier as drawn being one.
    ///
    /// # Errors
    /// Those of the amplifier as drawn. What a case has no answer to is told in it.
    fn ask(&self, of: &UnderTest<'_>, progress: &Progress<'_>) -> Result<Effects, SimError> {
        let (amplifier, circuit) = (of.amplifier, of.circuit);
        let measured = AtomicUsize::new(0);
        let done = || {
            let done = measured.fetch_add(1, Ordering::Relaxed) + 1;
            progress(Reached::of(done, 1 + self.cases.len()));
        };
        let graph = Graph::of(circuit, amplifier.bench.generator);
        let outputs = pairs(&graph)
            .into_iter()
            .map(|(output, _)| output)
            .collect();
        let asked = Asked {
            amplifier,
            path: self.path.clone(),
            outputs,
            full: self.full,
        };
        let drawn = asked.measure(of, None)?;
        done();
        let mut cases: Vec<Effect> = self
            .cases
            .par_iter()
            .map(|removals| {
                let effect = without(&asked, of, &drawn, removals);
                done();
                effect
            })
            .collect();
        cases.sort_by(|a, b| {
            let key = |effect: &Effect| effect.changes.first().map_or(0.0, |change| change.steps);
            let by_outcome = a.outcome.cmp(&b.outcome);
            by_outcome.then(key(b).total_cmp(&key(a)))
        });
        Ok(Effects {
            as_drawn: drawn.whole,
            cases,
        })
    }
}

/// One case.
fn without(
    asked: &Asked<'_>,
    of: &UnderTest<'_>,
    drawn: &Measured,
    removals: &[Removal],
) -> Effect {
    let circuit = taken_out::without(&asked.amplifier.circuit, removals);
    let mut effect = Effect {
        parts: removals
            .iter()
            .map(|removal| TakenOut::of(&asked.amplifier.circuit, *removal))
            .collect(),
        outcome: Outcome::Works,
        words: None,
        changes: Vec::new(),
        without: AmplifierFigures::nothing(),
    };
    let faults = taken_out::faults_without(&circuit, removals);
    if !faults.is_empty() {
        effect.outcome = Outcome::Unfed;
        effect.words = Some(unfed(&circuit, &faults));
        return effect;
    }
    let system = System::of(&circuit).expect("faults were looked for before");
    let settling = Settling {
        most_cycles: PATIENCE,
        ..Settling::default()
    };
    let at_rest = if drawn.whole.growing.is_none() {
        of.near_by(&circuit, &system, &settling)
    } else {
        // What it has fallen into is no place to set out from.
        of.afresh_by(&circuit, &system, &settling)
    };
    let measured = at_rest.and_then(|of| asked.measure(&of, Some(drawn)));
    let measured = match measured {
        Ok(measured) => measured,
        Err(error) => {
            effect.outcome = if matches!(error, SimError::Oscillates { .. }) {
                Outcome::Oscillates
            } else {
                Outcome::NotMeasured
            };
            effect.words = Some(error.to_string());
            return effect;
        }
    };
    effect.changes = moves::changes(&drawn.whole.figures, &measured.whole.figures);
    if let Some(growing) = measured.whole.growing {
        effect.outcome = Outcome::Oscillates;
        effect.words = Some(SimError::from(growing).to_string());
    } else if drawn.whole.growing.is_some() {
        effect.outcome = Outcome::Rests;
        effect.words = Some("it does not oscillate any more".to_owned());
    } else if measured.is_cut(drawn) {
        effect.outcome = Outcome::Cut;
        effect.words = Some("no signal arrives at the load".to_owned());
    } else if let Some(error) = &measured.no_response {
        effect.outcome = if matches!(error, SimError::Question(Question::NoSignal)) {
            Outcome::Cut
        } else {
            Outcome::NotMeasured
        };
        effect.words = Some(error.to_string());
    }
    effect.without = measured.whole;
    effect
}

/// What the electrodes lack, in the words of the trade.
fn unfed(circuit: &Circuit, faults: &[CircuitError]) -> String {
    let mut electrodes: Vec<(&str, Vec<&str>)> = Vec::new();
    let mut words: Vec<String> = Vec::new();
    for fault in faults {
        let CircuitError::NoDcPath {
            node,
            electrode: Some((_, electrode)),
            ..
        } = fault
        else {
            words.push(fault.to_string());
            continue;
        };
        let found = at(circuit, *node, electrode);
        match electrodes.iter_mut().find(|(known, _)| known == electrode) {
            Some((_, valves)) => valves.extend(found),
            None => electrodes.push((*electrode, found)),
        }
    }
    words.extend(electrodes.into_iter().map(|(electrode, valves)| {
        let (s, floats) = if valves.len() == 1 {
            ("", "floats")
        } else {
            ("s", "float")
        };
        let of = valves.join(" and ");
        match electrode {
            "grid" => format!("the grid{s} of {of} {floats}, held by nothing"),
            "cathode" | "filament" => {
                format!("no direct current leaves the {electrode}{s} of {of}")
            }
            other => format!("no direct current reaches the {other}{s} of {of}"),
        }
    }));
    words.join("; ")
}

/// Valves with this electrode at the node.
fn at<'a>(circuit: &'a Circuit, node: NodeId, electrode: &str) -> Vec<&'a str> {
    let here = |placed: &Placed| {
        let Part::Valve(valve) = &placed.part else {
            return false;
        };
        let wiring = valve.wiring(&placed.nodes);
        match electrode {
            "grid" => wiring.grid == Some(node),
            "screen" => wiring.screen == Some(node),
            "anode" => wiring.anodes.contains(&node),
            _ => wiring.cathode.contains(&node),
        }
    };
    let parts = circuit.parts().map(|(_, placed)| placed);
    let valves = parts.filter(|placed| here(placed));
    valves.map(|placed| placed.name.as_str()).collect()
}

impl AmplifierFigures {
    fn nothing() -> Self {
        Self {
            figures: Vec::new(),
            growing: None,
            not_measured: Vec::new(),
            gains_db: Vec::new(),
            loop_gain: Vec::new(),
        }
    }
}

impl TakenOut {
    fn of(circuit: &Circuit, removal: Removal) -> Self {
        let placed = circuit.part(removal.part);
        Self {
            part: placed.name.clone(),
            value: sim::structure::difference::words(&placed.part),
            how: removal.how,
        }
    }
}

/// Partner of each part in the other half of a balanced amplifier.
fn partner(pairs: &[[PartId; 2]], part: PartId) -> Option<PartId> {
    pairs.iter().find_map(|&[p, q]| match part {
        _ if part == p => Some(q),
        _ if part == q => Some(p),
        _ => None,
    })
}
