//! Parts joined where the wiring shows that they take the signal away, or are left out of what all others have.
//!
//! Nothing is solved. The rules of the trade beside each are common practice, no source.

use super::{Code, Finding, Weight};
use models::data::Heating;
use sim::amplifier::Amplifier;
use sim::circuit::{NodeId, PartId, Placed};
use sim::parts::{Part, Valve};
use sim::quantity::{Unit, engineering};
use sim::structure::graph::{Graph, Terminal};

/// Resistance beyond which a resistor holds no heater, Ω: insulation is no more.
const HOLDS: f64 = 1e6;

/// Capacitance below which an electrolytic is none, F: they are made from a few tenths of a microfarad on.
const LEAST_ELECTROLYTIC: f64 = 0.1e-6;

fn found(weight: Weight, parts: Vec<String>, what: String, why: &str, look: String) -> Finding {
    Finding {
        parts,
        ..Finding::new(Code::WrongNode, weight, what, why, look)
    }
}

/// All of them.
pub(super) fn findings(amplifier: &Amplifier, graph: &Graph<'_>) -> Vec<Finding> {
    let mut all = at_anodes(graph);
    all.extend(screens(graph));
    all.extend(pots(graph));
    all.extend(small_electrolytics(graph));
    all.extend(without_heater(graph));
    all.extend(floating_heaters(amplifier));
    all
}

fn name(graph: &Graph<'_>, part: PartId) -> String {
    graph.circuit.part(part).name.clone()
}

/// Valves with a grid.
fn amplifying<'g>(graph: &'g Graph<'_>) -> impl Iterator<Item = (PartId, &'g Placed, &'g Valve)> {
    graph.circuit.parts().filter_map(|(part, placed)| {
        let valve = placed.part.valve()?;
        valve.wiring(&placed.nodes).grid?;
        Some((part, placed, valve))
    })
}

fn others<'g>(
    graph: &'g Graph<'_>,
    node: NodeId,
    kind: &'static str,
) -> impl Iterator<Item = &'g Terminal> {
    let at = graph.at(node).iter();
    at.filter(move |terminal| terminal.label.0 == kind)
}

/// Whether a signal at a node comes to a grid through passive parts, and past no other electrode.
fn leads_to_grid(graph: &Graph<'_>, start: NodeId) -> bool {
    let mut nodes = vec![start];
    let mut k = 0;
    while let Some(&node) = nodes.get(k) {
        k += 1;
        let at = graph.at(node);
        if at.iter().any(|t| t.label == ("valve", "grid")) {
            return true;
        }
        if at
            .iter()
            .any(|t| ["valve", "winding", "generator"].contains(&t.label.0))
        {
            continue;
        }
        for terminal in at {
            let placed = graph.circuit.part(terminal.part);
            let passes = ["resistor", "capacitor", "pot"].contains(&terminal.label.0);
            let far = placed
                .nodes
                .iter()
                .filter(|far| passes && !graph.is_rail(**far));
            nodes.extend(far.filter(|far| !nodes.contains(far)).collect::<Vec<_>>());
        }
    }
    false
}

/// An electrolytic from a loaded anode to the chassis, where a coupling capacitor should take a signal.
fn at_anodes(graph: &Graph<'_>) -> Vec<Finding> {
    let circuit = graph.circuit;
    let mut all = Vec::new();
    for (_, placed, valve) in amplifying(graph) {
        let wiring = valve.wiring(&placed.nodes);
        let anode = wiring.anodes[0];
        let polar = |part: PartId| circuit.part(part).part.is_polar();
        let loaded = others(graph, anode, "resistor")
            .filter_map(|terminal| graph.far(*terminal))
            .any(|far| far != NodeId::CHASSIS && graph.is_rail(far));
        let shorting = others(graph, anode, "capacitor")
            .find(|t| polar(t.part) && graph.far(**t) == Some(NodeId::CHASSIS));
        let coupling = others(graph, anode, "capacitor").find(|t| {
            let far = graph.far(**t).filter(|far| !graph.is_rail(*far));
            !polar(t.part) && far.is_some_and(|far| leads_to_grid(graph, far))
        });
        let (true, Some(shorting), Some(coupling)) = (loaded, shorting, coupling) else {
            continue;
        };
        let [capacitor, next] = [shorting, coupling].map(|t| name(graph, t.part));
        let cathode = wiring.cathode[0];
        let bare =
            cathode != NodeId::CHASSIS && others(graph, cathode, "capacitor").next().is_none();
        let belongs = if bare {
            format!(
                ": the cathode of {}, at `{}`, has none",
                placed.name,
                circuit.node_name(cathode)
            )
        } else {
            String::new()
        };
        all.push(found(
            Weight::DoesNotWork,
            vec![capacitor.clone(), placed.name.clone()],
            format!(
                "{capacitor} leads from the anode of {}, at `{}`, to the chassis: the signal that {next} should pass on goes there.",
                placed.name,
                circuit.node_name(anode)
            ),
            "As large a capacitor at a loaded anode leaves no signal there.",
            format!("where {capacitor} belongs{belongs}"),
        ));
    }
    all
}

/// The capacitor of a screen at the anode of its own valve.
fn screens(graph: &Graph<'_>) -> Vec<Finding> {
    let mut all = Vec::new();
    for (_, placed, valve) in amplifying(graph) {
        let wiring = valve.wiring(&placed.nodes);
        let anode = wiring.anodes[0];
        let Some(screen) = wiring.screen.filter(|screen| *screen != anode) else {
            continue;
        };
        let fars = |of: &&Terminal| graph.far(**of);
        let capacitors: Vec<&Terminal> = others(graph, screen, "capacitor").collect();
        let held = capacitors.iter().filter_map(fars).any(|far| far != anode);
        let to_anode = capacitors.iter().find(|t| graph.far(***t) == Some(anode));
        if let (Some(capacitor), false) = (to_anode, held || graph.is_rail(screen)) {
            let capacitor = name(graph, capacitor.part);
            all.push(found(
                Weight::ProbableMisprint,
                vec![capacitor.clone(), placed.name.clone()],
                format!(
                    "{capacitor} joins the screen of {} to its own anode, and nothing holds the screen.",
                    placed.name
                ),
                "The screen follows the anode: for the signal the valve is a triode, with a tenth of the gain.",
                format!("where {capacitor} belongs: a screen is held to the chassis or to the cathode"),
            ));
        }
    }
    all
}

/// Pots with both ends at one node, and those whose wiper and end are exchanged: the wiper at the chassis, and the one way of a
/// signal to a grid from end to end.
fn pots(graph: &Graph<'_>) -> Vec<Finding> {
    let circuit = graph.circuit;
    let mut all = Vec::new();
    for (part, placed) in circuit.parts() {
        if !matches!(placed.part, Part::Pot(_)) {
            continue;
        }
        let &[top, wiper, bottom] = &placed.nodes[..] else {
            continue;
        };
        let pot = &placed.name;
        if top == bottom {
            all.push(found(
                Weight::ProbableMisprint,
                vec![pot.clone()],
                format!("Both ends of {pot} are at `{}`.", circuit.node_name(top)),
                "It divides nothing: what is at its wiper hardly changes as it is turned.",
                format!("where the ends of {pot} belong"),
            ));
            continue;
        }
        if wiper != NodeId::CHASSIS || top == wiper || bottom == wiper {
            continue;
        }
        for [end, other] in [[bottom, top], [top, bottom]] {
            let Some(valve) = only_a_grid(graph, part, end, other) else {
                continue;
            };
            let valve = name(graph, valve);
            all.push(found(
                Weight::DoesNotWork,
                vec![pot.clone(), valve.clone()],
                format!(
                    "The wiper of {pot} is on the chassis, and its end `{}` goes to the grid of {valve}: no signal comes through.",
                    circuit.node_name(end)
                ),
                "Wiper and end are exchanged: as it is turned it shorts the one side or the other.",
                format!("which of its nodes is the wiper of {pot}: that to the grid as a rule"),
            ));
            break;
        }
    }
    all
}

/// The valve whose grid gets what a node has, where nothing else than the pot brings a signal there: what leads on to the
/// other end of the pot is left out.
fn only_a_grid(graph: &Graph<'_>, pot: PartId, end: NodeId, other: NodeId) -> Option<PartId> {
    let mut nodes = vec![end];
    let mut grid = None;
    let mut k = 0;
    while let Some(&node) = nodes.get(k) {
        k += 1;
        for terminal in graph.at(node).iter().filter(|t| t.part != pot) {
            if terminal.label == ("valve", "grid") {
                grid.get_or_insert(terminal.part);
            } else if ["resistor", "capacitor"].contains(&terminal.label.0) {
                let far = graph.far(*terminal)?;
                if far != other && !graph.is_rail(far) && !nodes.contains(&far) {
                    nodes.push(far);
                }
            } else {
                return None;
            }
        }
    }
    grid
}

/// Electrolytics of nanofarads.
fn small_electrolytics(graph: &Graph<'_>) -> Vec<Finding> {
    let parts = graph.circuit.parts();
    let small = parts.filter_map(|(_, placed)| {
        let farads = placed.part.farads().filter(|_| placed.part.is_polar())?;
        (farads < LEAST_ELECTROLYTIC).then_some((&placed.name, farads))
    });
    small
        .map(|(name, farads)| Finding {
            parts: vec![name.clone()],
            quantity: "capacitance",
            unit: "F",
            value: Some(farads),
            limit: Some(LEAST_ELECTROLYTIC),
            ..Finding::new(
                Code::CapacitorValue,
                Weight::ProbableMisprint,
                format!(
                    "{name} is an electrolytic of {}: none is made so small.",
                    engineering(farads, Unit::Farad)
                ),
                "The unit was slipped: nano for micro takes away what it smooths or bypasses.",
                format!("the value of {name} in another print, or on the chassis"),
            )
        })
        .collect()
}

/// The one valve whose heater is not drawn, where those of all others are.
fn without_heater(graph: &Graph<'_>) -> Vec<Finding> {
    /// Envelopes with a heater from which one without was forgotten.
    const DRAWN: usize = 2;
    let mut envelopes: Vec<(String, bool)> = Vec::new();
    for (_, placed) in graph.circuit.parts() {
        let Some(valve) = placed.part.valve() else {
            continue;
        };
        let heater = valve.kind.heater.as_ref();
        if heater.is_none_or(|heater| heater.heating != Heating::Indirect) {
            continue;
        }
        let own = valve
            .envelope
            .clone()
            .unwrap_or_else(|| placed.name.clone());
        let drawn = !valve.wiring(&placed.nodes).heater.is_empty();
        match envelopes.iter_mut().find(|(name, _)| *name == own) {
            Some((_, of_it)) => *of_it |= drawn,
            None => envelopes.push((own, drawn)),
        }
    }
    let (with, without): (Vec<_>, Vec<_>) = envelopes.into_iter().partition(|(_, drawn)| *drawn);
    let [(name, _)] = &without[..] else {
        return Vec::new();
    };
    if with.len() < DRAWN {
        return Vec::new();
    }
    let of_it = |placed: &Placed| {
        let envelope = placed
            .part
            .valve()
            .and_then(|valve| valve.envelope.as_ref());
        placed.name == *name || envelope == Some(name)
    };
    let sections = graph.circuit.parts().filter(|(_, placed)| of_it(placed));
    vec![Finding {
        parts: sections.map(|(_, placed)| placed.name.clone()).collect(),
        ..Finding::new(
            Code::HeaterWiring,
            Weight::Doubtful,
            format!("{name} has no heater drawn, and every other valve has."),
            "It does not load its winding, which then gives more volts to the others, and its insulation is judged as if its heater were at the chassis.",
            format!("the heater of {name}"),
        )
    }]
}

/// Heaters of amplifying valves that nothing ties to the chassis or to any other potential.
fn floating_heaters(amplifier: &Amplifier) -> Vec<Finding> {
    let circuit = &amplifier.circuit;
    let mut seen: Vec<NodeId> = Vec::new();
    let mut all = Vec::new();
    for (_, placed) in circuit.parts() {
        let Some(wiring) = placed.wiring().filter(|wiring| wiring.grid.is_some()) else {
            continue;
        };
        let Some(&start) = wiring.heater.first().filter(|node| !seen.contains(node)) else {
            continue;
        };
        let mut nodes = vec![start];
        let (mut valves, mut windings): (Vec<String>, Vec<String>) = (Vec::new(), Vec::new());
        let mut k = 0;
        while let Some(&node) = nodes.get(k) {
            k += 1;
            for (_, other) in circuit.parts().filter(|(_, of)| of.nodes.contains(&node)) {
                let holds = other.part.ohms().is_none_or(|ohms| ohms < HOLDS);
                let paths: Vec<(NodeId, NodeId)> = match other.wiring() {
                    Some(wiring) => {
                        let ends = wiring.heater.windows(2);
                        if wiring.heater.contains(&node) && !valves.contains(&other.name) {
                            valves.push(other.name.clone());
                        }
                        let own = wiring.cathode.contains(&node);
                        let cathode = own.then_some((node, NodeId::CHASSIS));
                        ends.map(|pair| (pair[0], pair[1])).chain(cathode).collect()
                    }
                    None if holds => other.part.dc_paths(&other.nodes),
                    None => Vec::new(),
                };
                if other.part.transformer().is_some() && !windings.contains(&other.name) {
                    windings.push(other.name.clone());
                }
                for (a, b) in paths {
                    let far = if a == node { b } else { a };
                    if (a == node || b == node) && !nodes.contains(&far) {
                        nodes.push(far);
                    }
                }
            }
        }
        seen.extend(&nodes);
        if nodes.contains(&NodeId::CHASSIS) || windings.is_empty() {
            continue;
        }
        let list = valves.join(", ");
        let winding = windings.join(", ");
        all.push(Finding {
            parts: windings.into_iter().chain(valves).collect(),
            ..Finding::new(
                Code::HeaterWiring,
                Weight::Doubtful,
                format!(
                    "The winding of {winding} for the heaters of {list} floats: nothing ties it to the chassis."
                ),
                "Leakage sets its volts against the cathodes, and hum comes with it.",
                "its centre tap, two resistors of a hundred ohms or a hum pot across it, to the chassis or to a positive voltage".to_owned(),
            )
        });
    }
    all
}
