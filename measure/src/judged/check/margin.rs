//! Overall feedback that leaves little to an oscillation, with the rated load and without it.

use super::{Code, Finding, Weight};
use crate::instruments::load_condition::LoadCondition;
use crate::small_signal::loop_gain::{FeedbackPath, LoopGain, LoopGainOf};
use crate::{Measurement, UnderTest};
use sim::System;
use sim::error::SimError;
use sim::quantity::{Unit, engineering};

/// Phase margin that an amplifier is given at least, degrees (common practice, no source).
const PHASE: f64 = 30.0;

/// Gain margin that it is given at least, dB (common practice, no source).
const GAIN: f64 = 6.0;

/// Each loop from the output with less than the usual margins; nothing of one that oscillates, which is told as that.
pub(super) fn findings(of: &UnderTest<'_>) -> Result<Vec<Finding>, SimError> {
    let bench = &of.amplifier.bench;
    let mut linear = of.linearised();
    linear.tune(bench.frequency)?;
    let mut found = Vec::new();
    for path in FeedbackPath::all(of.circuit, &mut linear, bench.load)? {
        let question = LoopGainOf::bench(bench, path);
        let answer = question.ask(of, &|_| ())?;
        let alone = answer.growing.is_none() && answer.growing_without.is_none();
        if !alone || answer.is_positive() {
            continue;
        }
        let names = question.path.names(of.circuit);
        let little = little(&answer);
        let Some((_, least)) = little.first() else {
            continue;
        };
        let open = if grows_open(of)? {
            " With the load taken off it oscillates."
        } else {
            ""
        };
        let list: Vec<&str> = little.iter().map(|(words, _)| words.as_str()).collect();
        found.push(Finding {
            parts: names.clone(),
            quantity: least.0,
            unit: least.1,
            value: Some(least.2),
            limit: Some(least.3),
            ..Finding::new(
                Code::LittleMargin,
                Weight::Doubtful,
                format!(
                    "The feedback through {} leaves {}.{open}",
                    names.join(", "),
                    list.join(", and ")
                ),
                format!(
                    "At least {PHASE:.0}° and {GAIN:.0} dB are usual (common practice): with less it rings, and another load, specimen or supply lets it oscillate."
                ),
                "the amount of feedback, what turns the phase there, and other loads: `gridleak feedback`",
            )
        });
    }
    Ok(found)
}

/// A figure: what it is, its unit, its value, what is usual.
type Figure = (&'static str, &'static str, f64, f64);

/// The margins below the usual, in words.
fn little(answer: &LoopGain) -> Vec<(String, Figure)> {
    let at = |hertz| engineering(hertz, Unit::Hertz);
    let mut found = Vec::new();
    for crossing in [answer.margin_below(), answer.margin_above()]
        .into_iter()
        .flatten()
    {
        let degrees = crossing.margin_degrees;
        if degrees < PHASE {
            let words = format!(
                "a phase margin of {degrees:.0}° at {}",
                at(crossing.frequency)
            );
            found.push((words, ("phase margin", "°", degrees, PHASE)));
        }
    }
    for crossing in [answer.gain_margin_below(), answer.gain_margin_above()]
        .into_iter()
        .flatten()
    {
        let decibels = crossing.margin_db.abs();
        if decibels < GAIN {
            let words = format!(
                "a gain margin of {decibels:.1} dB at {}",
                at(crossing.frequency)
            );
            found.push((words, ("gain margin", "dB", decibels, GAIN)));
        }
    }
    found
}

/// Whether it oscillates with its output open.
fn grows_open(of: &UnderTest<'_>) -> Result<bool, SimError> {
    let open = LoadCondition {
        rated: false,
        capacitance: 0.0,
    };
    let circuit = open.of_circuit(of.circuit, of.amplifier.bench.load);
    let system =
        System::of(&circuit).expect("another load makes no fault in a circuit without one");
    of.taken_for(&circuit, &system).grows()
}
