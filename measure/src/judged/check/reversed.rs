//! Stabilisers, and electrolytics the wrong way round: turned themselves, or fed by a rectifier that is.

use std::collections::BTreeSet;

use super::{Code, Finding, Weight};
use crate::at_rest::voltages::CapacitorAtRest;
use sim::circuit::{Circuit, NodeId, PartId, Placed};
use sim::parts::Part;
use sim::quantity::{Unit, engineering};

/// What is said of a reversed electrolytic.
pub(super) fn reversed(circuit: &Circuit, capacitor: &CapacitorAtRest) -> Finding {
    let part = &capacitor.part;
    let fed_by = circuit
        .find_part(part)
        .map_or_else(Vec::new, |part| rectifiers_before(circuit, part));
    let at_winding = circuit
        .find_part(part)
        .and_then(|part| before_the_rectifier(circuit, part));
    let look = if let Some((winding, node)) = at_winding {
        format!(
            "where {part} leads: `{}` is an end of a winding of {winding}, before the rectifier, and alternates; a reservoir belongs behind it",
            circuit.node_name(node)
        )
    } else if fed_by.is_empty() {
        format!("the polarity of {part}")
    } else {
        format!(
            "which way {} points, then the polarity of {part}",
            fed_by.join(", ")
        )
    };
    Finding {
        parts: vec![part.clone()],
        quantity: "volts the wrong way round",
        unit: "V",
        value: Some(capacitor.volts.value),
        ..Finding::new(
            Code::Reversed,
            Weight::Danger,
            format!(
                "{part} stands the wrong way round, with {} across it.",
                engineering(capacitor.volts.value, Unit::Volt)
            ),
            "An electrolytic that is reversed heats up and bursts.",
            look,
        )
    }
}

/// Volts from cathode to anode from which a stabiliser stands the wrong way round, V: where it is only without a supply there
/// are none (common practice, no source).
pub(super) const TURNED: f64 = 5.0;

/// A stabiliser with its cathode above its anode.
pub(super) fn turned_stabiliser(part: &str, volts: f64) -> Finding {
    Finding {
        parts: vec![part.to_owned()],
        quantity: "volts the wrong way round",
        unit: "V",
        value: Some(volts),
        ..Finding::new(
            Code::Reversed,
            Weight::DoesNotWork,
            format!(
                "{part} stands the wrong way round: its cathode is {} above its anode.",
                engineering(volts, Unit::Volt)
            ),
            "It does not burn, or burns on the wrong electrode, and stabilises nothing.",
            format!("which way round {part} is: the anode belongs to the more positive side"),
        )
    }
}

/// The transformer and the node, where a capacitor leads from the end of a winding, before the rectifier, to the chassis.
fn before_the_rectifier(circuit: &Circuit, capacitor: PartId) -> Option<(String, NodeId)> {
    let nodes = &circuit.part(capacitor).nodes;
    let live = nodes.iter().find(|node| **node != NodeId::CHASSIS)?;
    let at = |placed: &Placed| placed.nodes.contains(live);
    let anode = |placed: &Placed| {
        let anodes = placed.wiring().map(|wiring| wiring.anodes.contains(live));
        rectifies(&placed.part) || (placed.part.is_rectifier() && anodes.unwrap_or(false))
    };
    let mut parts = circuit.parts();
    let wound = parts.find(|(_, placed)| placed.part.transformer().is_some() && at(placed))?;
    let mut parts = circuit.parts();
    let rectified = parts.any(|(_, placed)| at(placed) && anode(placed));
    (nodes.contains(&NodeId::CHASSIS) && rectified).then(|| (wound.1.name.clone(), *live))
}

/// The rectifiers that feed a capacitor through resistors and chokes.
fn rectifiers_before(circuit: &Circuit, capacitor: PartId) -> Vec<String> {
    let live = |nodes: &[NodeId]| -> Vec<NodeId> {
        let live = nodes.iter().filter(|node| **node != NodeId::CHASSIS);
        live.copied().collect()
    };
    let mut waiting = live(&circuit.part(capacitor).nodes);
    let mut reached: BTreeSet<NodeId> = waiting.iter().copied().collect();
    while let Some(node) = waiting.pop() {
        let joined = circuit
            .parts()
            .filter(|(_, placed)| passes(&placed.part) && placed.nodes.contains(&node));
        for next in joined.flat_map(|(_, placed)| live(&placed.nodes)) {
            if reached.insert(next) {
                waiting.push(next);
            }
        }
    }
    let feeds = |placed: &Placed| {
        rectifies(&placed.part) && placed.nodes.iter().any(|node| reached.contains(node))
    };
    let parts = circuit.parts().filter(|(_, placed)| feeds(placed));
    parts.map(|(_, placed)| placed.name.clone()).collect()
}

/// Whether direct current goes through it.
fn passes(part: &Part) -> bool {
    match part {
        Part::Resistor(_) | Part::Inductor(_) | Part::Pot(_) | Part::Switch(_) => true,
        Part::Capacitor(_)
        | Part::Transformer(_)
        | Part::Valve(_)
        | Part::Device(_)
        | Part::Diodes(_)
        | Part::Source(_)
        | Part::Loudspeaker(_) => false,
    }
}

fn rectifies(part: &Part) -> bool {
    match part {
        Part::Diodes(_) => true,
        Part::Device(device) => device.is_rectifier(),
        Part::Resistor(_)
        | Part::Inductor(_)
        | Part::Pot(_)
        | Part::Switch(_)
        | Part::Capacitor(_)
        | Part::Transformer(_)
        | Part::Valve(_)
        | Part::Source(_)
        | Part::Loudspeaker(_) => false,
    }
}
