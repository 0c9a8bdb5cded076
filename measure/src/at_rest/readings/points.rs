//! Where a meter is put: electrodes of the valves, and rails.

use models::nearest::nearest;
use sim::circuit::{Circuit, NodeId};
use sim::parts::{Part, Waveform};

/// Least capacitance that makes a node a rail, F: coupling capacitors are less (common practice, no source).
const SMOOTHS: f64 = 1e-6;

/// A place for the meter; the other lead is on the chassis.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Point {
    /// What it is called: "V5 anode", "ht1".
    pub name: String,
    /// The node; of a filament, its first end.
    pub node: NodeId,
    /// The valve line and the electrode, if it is one.
    pub electrode: Option<(String, &'static str)>,
}

/// Every electrode that is not on the chassis, valve by valve, then every rail. The anodes of rectifiers
/// are left out: they alternate.
pub fn points(circuit: &Circuit) -> Vec<Point> {
    let mut found = Vec::new();
    let mut signal = vec![false; circuit.node_count()];
    for (_, placed) in circuit.parts() {
        let Part::Valve(valve) = &placed.part else {
            continue;
        };
        let wiring = valve.wiring(&placed.nodes);
        let rectifier = valve.kind.model.is_rectifier();
        let anode = wiring.anodes.first().filter(|_| !rectifier).copied();
        let cathode = wiring
            .cathode
            .iter()
            .find(|node| **node != NodeId::CHASSIS)
            .copied();
        let electrodes = [
            ("anode", anode),
            ("screen", wiring.screen),
            ("grid", wiring.grid),
            ("cathode", cathode),
        ];
        for (electrode, node) in electrodes {
            let Some(node) = node.filter(|node| *node != NodeId::CHASSIS) else {
                continue;
            };
            if wiring.grid.is_some() && electrode != "screen" {
                signal[node.index()] = true;
            }
            found.push(Point {
                name: format!("{} {electrode}", placed.name),
                node,
                electrode: Some((placed.name.clone(), electrode)),
            });
        }
    }
    for (node, name) in circuit.nodes().skip(1) {
        let rail = circuit.parts().any(|(_, placed)| {
            placed.nodes.contains(&node)
                && match &placed.part {
                    Part::Capacitor(capacitor) => {
                        capacitor.c >= SMOOTHS && placed.nodes.contains(&NodeId::CHASSIS)
                    }
                    Part::Source(source) => {
                        matches!(source.waveform, Waveform::Dc(volts) if volts.abs() > 0.0)
                    }
                    Part::Resistor(_)
                    | Part::Inductor(_)
                    | Part::Transformer(_)
                    | Part::Valve(_)
                    | Part::Device(_)
                    | Part::Diodes(_)
                    | Part::Pot(_)
                    | Part::Switch(_)
                    | Part::Loudspeaker(_) => false,
                }
        });
        if rail && !signal[node.index()] {
            found.push(at_node(node, name));
        }
    }
    found
}

fn at_node(node: NodeId, name: &str) -> Point {
    Point {
        name: name.to_owned(),
        node,
        electrode: None,
    }
}

/// The point of that name: an electrode, "V5 anode", or any node.
///
/// # Errors
/// The name most like it, if any is.
pub(super) fn named(name: &str, circuit: &Circuit) -> Result<Point, Option<String>> {
    let tidy = name.split_whitespace().collect::<Vec<_>>().join(" ");
    let all = points(circuit);
    let plain = tidy.to_lowercase().replace("plate", "anode");
    if let Some(point) = all.iter().find(|point| point.name.to_lowercase() == plain) {
        return Ok(point.clone());
    }
    match circuit.find_node(&tidy) {
        Some(node) if node != NodeId::CHASSIS => Ok(at_node(node, &tidy)),
        _ => {
            let names = all.iter().map(|point| point.name.as_str());
            let nodes = circuit.nodes().skip(1).map(|(_, name)| name);
            Err(nearest(&tidy, names.chain(nodes)).map(str::to_owned))
        }
    }
}
