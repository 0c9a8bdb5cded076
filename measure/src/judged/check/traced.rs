//! Which single resistor a decade off, which end of a choke or which diode explains most of what is found: each is put
//! right in a copy and the copy solved.
//!
//! On the mains the copies are still (`at_rest/still.rs`), so a copy costs an operating point, and not a settled period.
//! What does best there is judged again on the mains as every other slip is (`slips.rs`).
//!
//! Cost: two operating points for each resistor, and a rest for the best few.

use super::judging::{
    ASKS_A_LITTLE_MUCH, Key, Slip, cold, excess, is_grave, judged, key, strangeness,
};
use super::{Code, Drawing, Finding, Weight};
use crate::UnderTest;
use crate::at_rest::still::still;
use crate::at_rest::voltages::unjudged;
use sim::System;
use sim::circuit::{Circuit, NodeId, PartId};
use sim::parts::{Part, Waveform};
use sim::quantity::{Unit, engineering};
use sim::structure::graph::Graph;

/// How many of the best are judged on the mains.
const JUDGED_AGAIN: usize = 4;

/// Parts beyond which nothing is tried: the work grows with the square of their number.
const MOST_PARTS: usize = 250;

/// A decade is the commonest misprint.
const DECADE: f64 = 10.0;

/// One change that may put the drawing right.
#[derive(Clone, Copy, Debug)]
enum Change {
    /// Ohms of a resistor, times this.
    Times(PartId, f64),
    /// An end of a choke at another node.
    Moved(PartId, usize, NodeId),
    /// A diode, a bridge or a supply turned round: the nodes that are exchanged.
    Turned(PartId, [usize; 2]),
}

impl Change {
    fn in_circuit(self, circuit: &Circuit) -> Circuit {
        let mut changed = circuit.clone();
        match self {
            Self::Times(part, times) => {
                if let Part::Resistor(resistor) = &mut changed.part_mut(part).part {
                    resistor.r *= times;
                }
            }
            Self::Moved(part, end, node) => changed.part_mut(part).nodes[end] = node,
            Self::Turned(part, [a, b]) => changed.part_mut(part).nodes.swap(a, b),
        }
        changed
    }
}

/// What may have been slipped, the best few. Cathode resistors already suggested are left out.
pub(super) fn slips(
    drawing: &Drawing<'_>,
    findings: &[Finding],
    known: &[(PartId, f64)],
) -> Vec<Slip> {
    let circuit = drawing.of.circuit;
    let grave = findings.iter().filter(|of| is_grave(of)).count();
    if grave == 0 || circuit.parts().count() > MOST_PARTS {
        return Vec::new();
    }
    let mut changes: Vec<Change> = Vec::new();
    // What a still copy cannot tell: a diode that is turned makes another supply.
    let reversed = findings.iter().any(|of| of.code == Code::Reversed);
    let rectified = drawing.of.rest.mains.is_some() && (reversed || grave > 2);
    let generator = drawing.of.amplifier.bench.generator;
    changes.extend(circuit.parts().filter_map(|(part, placed)| {
        let ends = turned(&placed.part)?;
        let supply = placed.part.source().is_some();
        (part != generator && (supply || rectified)).then_some(Change::Turned(part, ends))
    }));
    changes.extend(best(drawing, known).unwrap_or_default());
    changes
        .into_iter()
        .map(|change| slip(drawing, change))
        .collect()
}

/// The nodes to be exchanged for what rectifies, or gives direct volts, to do it the other way round.
fn turned(part: &Part) -> Option<[usize; 2]> {
    match part {
        Part::Device(_) => part.is_rectifier().then_some([0, 1]),
        // Of a bridge the positive and the negative node.
        Part::Diodes(diodes) => (diodes.terminals == 4).then_some([2, 3]),
        Part::Source(source) => matches!(source.waveform, Waveform::Dc(_)).then_some([0, 1]),
        Part::Resistor(_)
        | Part::Capacitor(_)
        | Part::Inductor(_)
        | Part::Transformer(_)
        | Part::Valve(_)
        | Part::Pot(_)
        | Part::Switch(_)
        | Part::Loudspeaker(_) => None,
    }
}

/// Findings of a still copy that count, and how strange it is.
struct Judged {
    grave: Vec<Key>,
    /// Valves next to cut off.
    cold: Vec<Key>,
    all: Vec<(Key, f64)>,
    strange: f64,
}

fn judge(of: &UnderTest<'_>) -> Option<Judged> {
    let drawing = Drawing {
        of,
        graph: Graph::of(of.circuit, of.amplifier.bench.generator),
        chart: unjudged(of).ok()?,
    };
    let findings = judged(&drawing);
    let grave = findings.iter().filter(|of| is_grave(of)).map(key);
    let grave: Vec<Key> = grave.collect();
    let all = findings.iter().map(|of| {
        let by = excess(of).unwrap_or(f64::INFINITY);
        (key(of), by)
    });
    Some(Judged {
        grave,
        cold: cold(&drawing),
        all: all.collect(),
        strange: strangeness(&drawing.chart),
    })
}

/// The best changes of resistors and chokes, by what a still copy shows.
fn best(drawing: &Drawing<'_>, known: &[(PartId, f64)]) -> Option<Vec<Change>> {
    let of = drawing.of;
    let circuit = still(of);
    let system = System::of(&circuit).ok()?;
    let base = UnderTest::of_circuit(of.amplifier, &circuit, &system, of.tolerances).ok()?;
    let before = judge(&base)?;
    if before.grave.is_empty() {
        return None;
    }
    let mut changes: Vec<Change> = Vec::new();
    let rails: Vec<NodeId> = circuit
        .nodes()
        .map(|(node, _)| node)
        .filter(|node| *node != NodeId::CHASSIS && drawing.graph.is_rail(*node))
        .collect();
    for (part, placed) in of.circuit.parts() {
        if part == of.amplifier.bench.load {
            continue;
        }
        match &placed.part {
            Part::Resistor(_) => {
                let both = [DECADE, 1.0 / DECADE].map(|times| (part, times));
                let new = both.into_iter().filter(|change| !known.contains(change));
                changes.extend(new.map(|(part, times)| Change::Times(part, times)));
            }
            Part::Inductor(_) => {
                for (end, node) in placed.nodes.iter().enumerate() {
                    let others = rails.iter().filter(|other| !placed.nodes.contains(other));
                    let moved = others.map(|other| Change::Moved(part, end, *other));
                    changes.extend(moved.filter(|_| *node != NodeId::CHASSIS));
                }
            }
            Part::Capacitor(_)
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
    changes.extend(grid_leaks(drawing));
    let mut scored: Vec<(usize, f64, Change)> = Vec::new();
    for change in changes {
        let changed = change.in_circuit(&circuit);
        let Ok(system) = System::of(&changed) else {
            continue;
        };
        let Some(after) = base.near(&changed, &system).ok().and_then(|of| judge(&of)) else {
            continue;
        };
        let known = |of: &Key| before.all.iter().any(|(other, _)| other == of);
        let brings = |(of, by): &&(Key, f64)| !known(of) && *by >= ASKS_A_LITTLE_MUCH;
        if after.all.iter().any(|of| brings(&of)) {
            continue;
        }
        let gone = before.grave.iter().filter(|of| !after.grave.contains(of));
        let gone = gone.count();
        let warm = before.cold.iter().filter(|of| !after.cold.contains(of));
        if 2 * gone >= before.grave.len() {
            scored.push((gone + warm.count(), after.strange, change));
        }
    }
    scored.sort_by(|a, b| b.0.cmp(&a.0).then(a.1.total_cmp(&b.1)));
    scored.truncate(JUDGED_AGAIN);
    Some(scored.into_iter().map(|(.., change)| change).collect())
}

/// Grid leaks of valves that share a cathode, moved to where the leak of the other ends.
fn grid_leaks(drawing: &Drawing<'_>) -> Vec<Change> {
    let (circuit, graph) = (drawing.of.circuit, &drawing.graph);
    let stages: Vec<(NodeId, NodeId)> = circuit
        .parts()
        .filter_map(|(_, placed)| {
            let wiring = placed.wiring()?;
            Some((wiring.grid?, wiring.cathode[0]))
        })
        .collect();
    let leaks = |grid: NodeId| {
        let resistors = graph.at(grid).iter().filter(|t| t.label.0 == "resistor");
        resistors.filter_map(|t| Some((*t, graph.far(*t)?)))
    };
    let mut changes = Vec::new();
    for (grid, cathode) in &stages {
        let others = stages.iter();
        // On the chassis every cathode stands.
        let own = |at: &NodeId| at == cathode && !graph.is_rail(*at);
        let others = others.filter(|(other, at)| own(at) && other != grid);
        for to in others.flat_map(|(other, _)| leaks(*other).map(|(_, far)| far)) {
            let moved = leaks(*grid).filter(|(_, far)| *far != to && to != *grid);
            changes.extend(moved.map(|(leak, _)| Change::Moved(leak.part, 1 - leak.at, to)));
        }
    }
    changes
}

/// A change as a slip.
fn slip(drawing: &Drawing<'_>, change: Change) -> Slip {
    let circuit = drawing.of.circuit;
    let finding = match change {
        Change::Times(part, times) => {
            let name = &circuit.part(part).name;
            let ohms = circuit.part(part).part.ohms().unwrap_or(0.0);
            let size = if times > 1.0 { "small" } else { "large" };
            Finding {
                parts: vec![name.clone()],
                quantity: "resistance",
                unit: "Ω",
                value: Some(ohms),
                limit: Some(ohms * times),
                ..Finding::new(
                    Code::ResistorValue,
                    Weight::Doubtful,
                    format!(
                        "{name}, {}, is probably ten times too {size}: with {} most of what is found is gone, and nothing new.",
                        engineering(ohms, Unit::Ohm),
                        engineering(ohms * times, Unit::Ohm)
                    ),
                    "A decade is the commonest misprint.",
                    format!("the value of {name} in another print, or on the chassis"),
                )
            }
        }
        Change::Moved(part, end, node) => {
            let placed = circuit.part(part);
            let (from, to) = (
                circuit.node_name(placed.nodes[end]),
                circuit.node_name(node),
            );
            let name = &placed.name;
            Finding {
                parts: vec![name.clone()],
                ..Finding::new(
                    Code::WrongNode,
                    Weight::Doubtful,
                    format!(
                        "{name} ends at `{from}`, and should probably end at `{to}`: moved there it explains what is found."
                    ),
                    "One wrong node makes all the rest.",
                    format!("where {name} leads"),
                )
            }
        }
        Change::Turned(part, _) => {
            let name = &circuit.part(part).name;
            let way = if circuit.part(part).part.source().is_some() {
                "stands the wrong way round"
            } else {
                "points the wrong way"
            };
            Finding {
                parts: vec![name.clone()],
                ..Finding::new(
                    Code::WrongNode,
                    Weight::Doubtful,
                    format!("{name} probably {way}: turned round it gives what the valves need."),
                    "A supply that is turned starves or bursts what hangs on it.",
                    format!("which way round {name} is"),
                )
            }
        }
    };
    Slip {
        finding,
        instead_of: Vec::new(),
        mended: change.in_circuit(circuit),
        valves: Vec::new(),
    }
}
