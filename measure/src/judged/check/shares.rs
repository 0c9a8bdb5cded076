//! Valves at one winding that share its current unequally with no signal.

use super::{Code, Drawing, Finding, Weight};
use crate::at_rest::voltages::ValveAtRest;
use sim::circuit::{NodeId, PartId};
use sim::quantity::{Unit, engineering};
use sim::structure::push_pull::push_pulls;

/// Current over that of its like below which a valve does not take its share: specimens and trimmed bias come closer (common
/// practice, no source).
const SHARE: f64 = 1.0 / 3.0;

/// A valve that carries far less than its likes at the same winding, where nothing else was found of it.
pub(super) fn findings(drawing: &Drawing<'_>, known: &[Finding]) -> Vec<Finding> {
    let graph = &drawing.graph;
    let circuit = drawing.of.circuit;
    let told = |name: &String| {
        let differs = |of: &Finding| [Code::HalvesDiffer, Code::OneHalfOnly].contains(&of.code);
        known.iter().any(|of| {
            let names = of.parts.contains(name) || of.explained.contains(name);
            differs(of) || (of.weight < Weight::Doubtful && names)
        })
    };
    let mut found = Vec::new();
    for winding in push_pulls(graph) {
        let valves = winding.halves.iter().flat_map(|half| &half.valves);
        let at_rest = |part: &PartId| -> Option<(PartId, &ValveAtRest)> {
            let name = &circuit.part(*part).name;
            let valve = drawing.chart.valves.iter().find(|of| of.part == *name)?;
            Some((*part, valve))
        };
        let valves: Vec<(PartId, &ValveAtRest)> = valves.filter_map(at_rest).collect();
        for (part, valve) in &valves {
            // Less than the least of all others: of one that carries too much nothing is said of the others.
            let likes = valves
                .iter()
                .filter(|(other, of)| other != part && of.kind == valve.kind);
            let next = likes.min_by(|a, b| a.1.i_a.total_cmp(&b.1.i_a));
            let Some((_, next)) = next.filter(|(_, next)| valve.i_a < SHARE * next.i_a) else {
                continue;
            };
            if told(&valve.part) || told(&next.part) {
                continue;
            }
            let pots = pots_of_bias(drawing, *part);
            let mut look = format!("the bias of {}", valve.part);
            if !pots.is_empty() {
                let list = pots.join(", ");
                look = format!("{look}: the setting of {list}, and which way round its ends are");
            }
            let volts = |volts| engineering(volts, Unit::Volt);
            let amps = |amps| engineering(amps, Unit::Ampere);
            found.push(Finding {
                parts: [valve.part.clone(), next.part.clone()]
                    .into_iter()
                    .chain(pots)
                    .collect(),
                quantity: "current over that of its like",
                value: Some(valve.i_a / next.i_a),
                limit: Some(SHARE),
                ..Finding::new(
                    Code::HalvesDiffer,
                    Weight::ProbableMisprint,
                    format!(
                        "{} carries {} with no signal, and {}, at the winding of {} too, {}: {} on the one grid, {} on the other.",
                        valve.part,
                        amps(valve.i_a),
                        next.part,
                        circuit.part(winding.transformer).name,
                        amps(next.i_a),
                        volts(valve.v_gk),
                        volts(next.v_gk)
                    ),
                    "One does the work of both, and the difference magnetises the core.",
                    look,
                )
            });
        }
    }
    found
}

/// Pots from whose wipers a grid is biased.
fn pots_of_bias(drawing: &Drawing<'_>, valve: PartId) -> Vec<String> {
    let (circuit, graph) = (drawing.of.circuit, &drawing.graph);
    let grid = circuit.part(valve).wiring().and_then(|wiring| wiring.grid);
    let mut nodes: Vec<NodeId> = grid.into_iter().collect();
    let mut pots = Vec::new();
    let mut k = 0;
    while let Some(&node) = nodes.get(k) {
        k += 1;
        for terminal in graph.at(node) {
            if terminal.label == ("pot", "wiper") {
                pots.push(circuit.part(terminal.part).name.clone());
            } else if terminal.label.0 == "resistor"
                && let Some(far) = graph.far(*terminal)
                && far != NodeId::CHASSIS
                && !nodes.contains(&far)
            {
                nodes.push(far);
            }
        }
    }
    pots.dedup();
    pots
}
