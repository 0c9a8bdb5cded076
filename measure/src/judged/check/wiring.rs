//! What is odd in the wiring itself: parts that carry nothing, capacitors in series that share nothing.

use super::{Code, Drawing, Finding, Weight};
use sim::amplifier::Amplifier;
use sim::circuit::{Circuit, NodeId, PartId};
use sim::parts::Part;
use sim::quantity::{Unit, engineering};
use sim::structure::live;

/// Volts across a pair of capacitors below which nothing can happen to either, V: the lowest rating
/// electrolytics of high tension come in (common practice, no source).
const HARMLESS: f64 = 100.0;

fn carries_nothing(parts: Vec<String>, what: String, look: String) -> Finding {
    Finding {
        parts,
        ..Finding::new(
            Code::CarriesNothing,
            Weight::ProbableMisprint,
            what,
            "A part that carries no current does nothing; a line to or from it was lost, or a node has the wrong name.",
            look,
        )
    }
}

/// Passive parts that hang at one node only and end nowhere. Cost: nodes × parts.
pub(super) fn dead_ends(amplifier: &Amplifier) -> Vec<Finding> {
    let circuit = &amplifier.circuit;
    let mut dead: Vec<(Vec<PartId>, NodeId)> = Vec::new();
    for (hinge, _) in circuit.nodes() {
        let mut seen = vec![false; circuit.node_count()];
        seen[hinge.index()] = true;
        for (start, _) in circuit.nodes() {
            if seen[start.index()] {
                continue;
            }
            let (mut parts, mut next) = (Vec::new(), vec![start]);
            let mut alive = false;
            seen[start.index()] = true;
            while let Some(node) = next.pop() {
                alive |= node == NodeId::CHASSIS;
                for (part, placed) in circuit.parts().filter(|(_, p)| p.nodes.contains(&node)) {
                    alive |= !placed.part.is_passive();
                    if !parts.contains(&part) {
                        parts.push(part);
                    }
                    for &other in &placed.nodes {
                        if !std::mem::replace(&mut seen[other.index()], true) {
                            next.push(other);
                        }
                    }
                }
            }
            if !alive {
                parts.sort_unstable();
                dead.push((parts, hinge));
            }
        }
    }
    // The largest group of each place stands for those within it.
    dead.sort_by_key(|(parts, _)| std::cmp::Reverse(parts.len()));
    let mut told: Vec<PartId> = Vec::new();
    let mut found = Vec::new();
    for (parts, hinge) in dead {
        if parts.iter().any(|part| told.contains(part)) {
            continue;
        }
        told.extend(&parts);
        let names: Vec<String> = parts
            .iter()
            .map(|&part| circuit.part(part).name.clone())
            .collect();
        let node = circuit.node_name(hinge);
        let mut finding = carries_nothing(
            names.clone(),
            format!(
                "{} hang at `{node}` and lead nowhere else.",
                names.join(", ")
            ),
            format!(
                "what {} should be joined to besides `{node}`",
                names.join(", ")
            ),
        );
        if let Some(valve) = fed_back_to(circuit, &parts, hinge) {
            finding.why = format!(
                "Where {valve} takes feedback a link was lost, or a node has the wrong name: without it there is none."
            );
        } else if hinge != NodeId::CHASSIS && on_the_load(amplifier, hinge) {
            "A link from the load was lost, or a node has the wrong name: of the feedback, if there is none else.".clone_into(&mut finding.why);
        }
        found.push(finding);
    }
    found
}

/// A capacitor and the wire drawn as a resistor that joins its ends.
pub(super) struct Bridged {
    pub(super) wire: PartId,
    pub(super) finding: Finding,
}

/// Capacitors whose ends a wire joins.
pub(super) fn bridged(circuit: &Circuit) -> Vec<Bridged> {
    /// Ω, below which a resistor is a wire: the least that is made to measure a current by is as large (common practice, no
    /// source).
    const WIRE: f64 = 0.1;
    let is_wire = |part: &Part| matches!(part, Part::Resistor(resistor) if resistor.r < WIRE);
    let wires = circuit.parts().filter(|(_, placed)| is_wire(&placed.part));
    let mut found = Vec::new();
    for (wire, by) in wires {
        let across = circuit.parts().filter(|(_, placed)| {
            let capacitor = matches!(placed.part, Part::Capacitor(_));
            capacitor && placed.nodes.iter().all(|node| by.nodes.contains(node))
        });
        for (_, placed) in across {
            let ohms = by.part.ohms().unwrap_or_default();
            let (name, wire_name) = (placed.name.clone(), by.name.clone());
            let [a, b] = [0, 1].map(|end| circuit.node_name(placed.nodes[end]));
            let mut finding = carries_nothing(
                vec![name.clone(), wire_name.clone()],
                format!(
                    "{wire_name}, {}, joins `{a}` and `{b}`, the ends of {name}: the capacitor is shorted.",
                    engineering(ohms, Unit::Ohm)
                ),
                format!("where {wire_name} ends, and whether {name} has broken down"),
            );
            finding.weight = Weight::DoesNotWork;
            "What it should keep from direct current is joined, and the volts on either side go where they should not.".clone_into(&mut finding.why);
            found.push(Bridged { wire, finding });
        }
    }
    found
}

/// The valve to whose cathode resistor a resistor among these parts goes: what joins there from afar is feedback, where a
/// capacitor alone may be a bypass whose chassis was lost.
fn fed_back_to(circuit: &Circuit, parts: &[PartId], hinge: NodeId) -> Option<String> {
    let resistor = |part: &PartId| matches!(circuit.part(*part).part, Part::Resistor(_));
    if hinge == NodeId::CHASSIS || !parts.iter().any(resistor) {
        return None;
    }
    // From the hinge through resistors, but not through the chassis.
    let mut at = vec![hinge];
    let mut k = 0;
    while let Some(&node) = at.get(k) {
        k += 1;
        for (part, placed) in circuit.parts().filter(|(_, of)| of.nodes.contains(&node)) {
            if let Some(wiring) = placed.wiring()
                && wiring.grid.is_some()
                && wiring.cathode.contains(&node)
            {
                return Some(placed.name.clone());
            }
            if resistor(&part) && !parts.contains(&part) {
                let next = placed.nodes.iter().filter(|of| **of != NodeId::CHASSIS);
                let next: Vec<NodeId> = next.filter(|of| !at.contains(of)).copied().collect();
                at.extend(next);
            }
        }
    }
    None
}

fn on_the_load(amplifier: &Amplifier, node: NodeId) -> bool {
    let (a, b) = amplifier.bench.load_nodes;
    node == a || node == b
}

/// The mains at the chassis.
pub(super) fn live_chassis(amplifier: &Amplifier) -> Option<Finding> {
    let through = live::through(amplifier)?;
    let mains = amplifier.mains.map(|mains| mains.part);
    let name = |part: PartId| amplifier.circuit.part(part).name.clone();
    let way: Vec<String> = through.iter().map(|part| name(*part)).collect();
    let how = if way.is_empty() {
        String::new()
    } else {
        format!(" through {}", way.join(", "))
    };
    Some(Finding {
        parts: mains.into_iter().map(name).chain(way).collect(),
        ..Finding::new(
            Code::LiveChassis,
            Weight::Danger,
            format!("The chassis is live: the mains touches it{how}."),
            "Every metal part may be at the full mains, whichever way the plug is; an earthed hand, meter or oscilloscope closes the circuit.",
            "an isolating transformer before anything is touched, and what insulates knobs, screws and sockets",
        )
    })
}

/// Two electrolytics in series with nothing else at their middle that carries direct current.
pub(super) fn unshared(drawing: &Drawing<'_>) -> Vec<Finding> {
    let circuit = &drawing.of.amplifier.circuit;
    let polar = |part: PartId| circuit.part(part).part.is_polar();
    let volts = |node: NodeId| {
        let place = drawing.of.system.voltage_of(node) as usize;
        drawing.of.rest.mean(|x| x[place])
    };
    let mut found = Vec::new();
    for (middle, name) in circuit.nodes().skip(1) {
        let joined = drawing.graph.at(middle);
        let capacitors: Vec<PartId> = joined
            .iter()
            .map(|terminal| terminal.part)
            .filter(|&part| matches!(circuit.part(part).part, Part::Capacitor(_)))
            .collect();
        let [first, second] = capacitors[..] else {
            continue;
        };
        if joined.len() > 2 || !polar(first) || !polar(second) {
            continue;
        }
        let ends = |part: PartId| (circuit.part(part).nodes[0], circuit.part(part).nodes[1]);
        // In series the positive end of one meets the negative of the other.
        let (upper, lower) = if ends(first).1 == middle && ends(second).0 == middle {
            (first, second)
        } else if ends(second).1 == middle && ends(first).0 == middle {
            (second, first)
        } else {
            continue;
        };
        let across = (volts(ends(upper).0) - volts(ends(lower).1)).abs();
        if across < HARMLESS {
            continue;
        }
        let [a, b] = [upper, lower].map(|part| circuit.part(part).name.clone());
        found.push(Finding {
            parts: vec![a.clone(), b.clone()],
            quantity: "volts across both",
            unit: "V",
            value: Some(across),
            ..Finding::new(
                Code::NoSharing,
                Weight::Danger,
                format!(
                    "{a} and {b} stand in series across {} with no resistors to share it.",
                    engineering(across, Unit::Volt)
                ),
                "Their leakages divide the volts, and the one that leaks less may take nearly all of it and burst.",
                format!("two equal resistors across them, joined at `{name}`"),
            )
        });
    }
    found
}
