//! Feedback that comes back the wrong way round.
//!
//! The sign is that of the loop gain at mid band, where neither end of the band turns it: see `loop_gain.rs`.

use super::{Code, Finding, Weight};
use crate::UnderTest;
use crate::instruments::logarithmic::decibels;
use crate::small_signal::loop_gain::{FeedbackPath, LoopGainOf};
use sim::circuit::{Circuit, NodeId, PartId};
use sim::error::SimError;
use sim::quantity::{Unit, engineering};

/// Loop gain the wrong way round from which it is told: half a decibel. Less of it is what parts that were meant for
/// something else bring (common practice, no source).
const LEAST: f64 = 0.05;

/// Every loop from the output that adds to the signal at mid band.
pub(super) fn findings(of: &UnderTest<'_>) -> Result<Vec<Finding>, SimError> {
    let bench = &of.amplifier.bench;
    let mut linear = of.linearised();
    linear.tune(bench.frequency)?;
    let mut found = Vec::new();
    for path in FeedbackPath::all(of.circuit, &mut linear, bench.load)? {
        let question = LoopGainOf::bench(bench, path);
        let at = question.at(of.circuit, &mut linear, bench.frequency)?;
        if at.loop_gain.re > -LEAST {
            continue;
        }
        let path = &question.path;
        let names = path.names(of.circuit);
        let amount = decibels((1.0 + at.loop_gain).norm());
        let times = at.loop_gain.norm();
        let how_much = if amount < 0.0 {
            format!("raises the gain by {:.1} dB", -amount)
        } else {
            format!("brings back {times:.1} times the signal")
        };
        found.push(Finding {
            parts: names.clone(),
            quantity: "loop gain",
            value: Some(-times),
            ..Finding::new(
                Code::PositiveFeedback,
                Weight::Danger,
                format!(
                    "The feedback through {} from `{}` is POSITIVE: at {} it {how_much}.",
                    names.join(", "),
                    of.circuit.node_name(path.from),
                    engineering(bench.frequency, Unit::Hertz)
                ),
                "It comes back the wrong way round: distortion, noise and output impedance rise with the gain, and with another load, or more of it, the amplifier oscillates.",
                look(of.circuit, path, bench.load),
            )
        });
    }
    Ok(found)
}

/// Puts feedback of the wrong sign in the place of the oscillation that follows from it.
pub(super) fn explain(findings: &mut Vec<Finding>) {
    let is = |of: &Finding, code| of.code == code;
    // Where another loop grows the sign round this one says nothing.
    let elsewhere: Vec<String> = findings
        .iter()
        .filter(|of| is(of, Code::Oscillates))
        .flat_map(|of| of.parts.clone())
        .collect();
    if !elsewhere.is_empty() {
        let through = |of: &Finding| of.parts.iter().any(|part| elsewhere.contains(part));
        findings.retain(|of| !is(of, Code::PositiveFeedback) || through(of));
    }
    if !findings.iter().any(|of| is(of, Code::PositiveFeedback)) {
        return;
    }
    let grown = findings.iter().filter(|of| is(of, Code::Oscillates));
    let grown: Vec<String> = grown.map(|of| of.what.clone()).collect();
    findings.retain(|of| !is(of, Code::Oscillates));
    if let Some(first) = findings
        .iter_mut()
        .find(|of| is(of, Code::PositiveFeedback))
    {
        first.explains.extend(grown);
    }
}

/// The winding whose ends are to be exchanged, or the other ways to turn it round.
pub fn look(circuit: &Circuit, path: &FeedbackPath, load: PartId) -> String {
    let far = circuit.node_name(path.to[0]);
    let mut starts = vec![path.from];
    starts.extend(
        circuit
            .part(load)
            .nodes
            .iter()
            .filter(|node| **node != NodeId::CHASSIS),
    );
    let winding = starts
        .into_iter()
        .find_map(|start| wound_with(circuit, start));
    match winding {
        Some((transformer, ends)) => format!(
            "the winding of {transformer} at {}: swap its ends, or those of its primary; or whether `{far}` is where the feedback belongs",
            ends.join(" and ")
        ),
        None => format!(
            "whether `{far}` is where the feedback belongs: a stage more or less turns it round"
        ),
    }
}

/// The transformer with a winding at a node, and both ends of that winding, taps left out.
fn wound_with(circuit: &Circuit, node: NodeId) -> Option<(String, Vec<String>)> {
    circuit.parts().find_map(|(_, placed)| {
        placed.part.transformer()?;
        let mut nodes = vec![node];
        let mut k = 0;
        while let Some(&at) = nodes.get(k) {
            k += 1;
            for ends in placed
                .nodes
                .chunks_exact(2)
                .filter(|ends| ends.contains(&at))
            {
                let new: Vec<NodeId> = ends
                    .iter()
                    .filter(|end| !nodes.contains(end))
                    .copied()
                    .collect();
                nodes.extend(new);
            }
        }
        // A tap stands in two sections of the winding.
        let times = |node: &NodeId| placed.nodes.iter().filter(|at| *at == node).count();
        nodes.retain(|node| times(node) == 1);
        let name = |node: &NodeId| format!("`{}`", circuit.node_name(*node));
        (nodes.len() > 1).then(|| (placed.name.clone(), nodes.iter().map(name).collect()))
    })
}
