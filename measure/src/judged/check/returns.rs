//! Capacitors that smooth a supply and return elsewhere than to the chassis, where those of the other supplies go.
//!
//! What is there on purpose is not told: reservoirs in series, a screen smoothed to its cathode, the supply of a stage
//! returned to the cathode of that stage, a capacitor across a choke.

use super::{Code, Drawing, Finding, Weight};
use sim::circuit::{NodeId, PartId};
use sim::parts::Part;
use sim::structure::graph::Terminal;

/// Volts from which a supply is one of anodes, V: heaters and bias lie below (common practice, no source).
const HIGH_TENSION: f64 = 50.0;

/// Capacitors that return to the chassis from other supplies, at least: fewer tell nothing of what is usual here.
const LIKES: usize = 2;

/// Capacitance that smooths a supply, F, as `sim::structure::graph` has it.
const SMOOTHING: f64 = 2e-6;

/// Those that lie across the resistor that feeds their supply, or return to the cathode of a stage that is fed from elsewhere.
pub(super) fn findings(drawing: &Drawing<'_>) -> Vec<Finding> {
    let circuit = drawing.of.circuit;
    let volts = |node: NodeId| {
        let place = drawing.of.system.voltage_of(node) as usize;
        drawing.of.rest.mean(|x| x[place])
    };
    let smooths =
        |part: &Part| matches!(part, Part::Capacitor(of) if of.polar || of.c >= SMOOTHING);
    let smoothing = circuit.parts().filter(|(_, placed)| smooths(&placed.part));
    let mut likes: Vec<String> = Vec::new();
    let mut apart: Vec<(PartId, NodeId, NodeId)> = Vec::new();
    for (part, placed) in smoothing {
        let (mut upper, mut lower) = (placed.nodes[0], placed.nodes[1]);
        if volts(lower) > volts(upper) {
            (upper, lower) = (lower, upper);
        }
        if volts(upper) < HIGH_TENSION {
            continue;
        }
        if lower == NodeId::CHASSIS {
            likes.push(placed.name.clone());
        } else {
            apart.push((part, upper, lower));
        }
    }
    if likes.len() < LIKES {
        return Vec::new();
    }
    let mut found = Vec::new();
    for (part, upper, lower) in apart {
        let alone = |node: NodeId| {
            let at = drawing.graph.at(node).iter();
            let mut others = at.filter(|t| t.part != part && smooths(&circuit.part(t.part).part));
            others.next().is_none()
        };
        let name = circuit.part(part).name.clone();
        let [a, b] = [upper, lower].map(|node| circuit.node_name(node));
        let what = if let Some(resistor) =
            fed_by(drawing, part, upper, lower).filter(|_| alone(lower))
        {
            let resistor = &circuit.part(resistor).name;
            format!(
                "{name} lies across {resistor}, between `{a}` and `{b}`, and nothing smooths `{b}` to the chassis"
            )
        } else if let Some(valve) =
            cathode_of_another(drawing, upper, lower).filter(|_| alone(upper))
        {
            let valve = &circuit.part(valve).name;
            format!(
                "{name} returns from `{a}` to `{b}`, the cathode of {valve}, which is not fed from `{a}`"
            )
        } else {
            continue;
        };
        found.push(Finding {
            parts: vec![name.clone()],
            ..Finding::new(
                Code::WrongNode,
                Weight::Doubtful,
                format!("{what}: {} return to the chassis.", likes.join(", ")),
                "What a supply is smoothed to comes back on it: ripple and signal of one stage reach another.",
                format!("where {name} ends in another print, or on the chassis"),
            )
        });
    }
    found
}

/// The resistor between two nodes through which the lower is fed, where what stands at the lower besides takes current from
/// it through loads.
fn fed_by(drawing: &Drawing<'_>, part: PartId, upper: NodeId, lower: NodeId) -> Option<PartId> {
    let graph = &drawing.graph;
    let at = graph.at(lower).iter();
    let others = at.filter(|t| t.part != part && t.label.0 == "resistor");
    let (feeds, loads): (Vec<&Terminal>, Vec<&Terminal>) =
        others.partition(|t| graph.far(**t) == Some(upper));
    let is_load = |t: &&Terminal| graph.far(**t).is_some_and(|far| far != NodeId::CHASSIS);
    let fed = loads.iter().any(is_load);
    feeds.first().filter(|_| fed).map(|t| t.part)
}

/// A valve with its cathode at the lower node that takes nothing from the upper one.
fn cathode_of_another(drawing: &Drawing<'_>, upper: NodeId, lower: NodeId) -> Option<PartId> {
    let graph = &drawing.graph;
    let cathodes = graph.at(lower).iter();
    let cathodes = cathodes.filter(|t| t.label == ("valve", "cathode"));
    let valves: Vec<PartId> = cathodes.map(|t| t.part).collect();
    let fed = |valve: &PartId| {
        let Some(wiring) = graph.circuit.part(*valve).wiring() else {
            return true;
        };
        let ends = wiring.anodes.iter().chain(&wiring.screen);
        let mut at: Vec<NodeId> = ends.copied().collect();
        let mut k = 0;
        while let Some(&node) = at.get(k) {
            k += 1;
            if node == upper {
                return true;
            }
            if graph.is_rail(node) {
                continue;
            }
            for (_, placed) in graph.circuit.parts() {
                for (a, b) in placed.part.dc_paths(&placed.nodes) {
                    for (from, to) in [(a, b), (b, a)] {
                        if from == node && to != NodeId::CHASSIS && !at.contains(&to) {
                            at.push(to);
                        }
                    }
                }
            }
        }
        false
    };
    valves.first().copied().filter(|_| !valves.iter().any(fed))
}
