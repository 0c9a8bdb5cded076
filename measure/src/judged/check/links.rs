//! Links that are missing: a supply that feeds nothing, and a valve whose anode nothing feeds.
//!
//! Nodes hang together where direct current can flow between them without passing through the chassis, or could in
//! another position of a switch. Found from the wiring; that an anode stands without volts is read from the chart.

use super::{Code, Drawing, Finding, Weight};
use sim::amplifier::Amplifier;
use sim::circuit::{Circuit, NodeId, PartId, Placed};
use sim::parts::{Part, Waveform, Wiring};
use sim::topology::opened;

/// Volts between anode and cathode below which an anode counts as not fed, V: less than any valve is run at
/// (common practice, no source).
const NOTHING: f64 = 1.0;

/// Nodes that direct current joins, the chassis standing for itself alone.
pub(super) struct Groups {
    /// Each node with the number of its group.
    group: Vec<(NodeId, usize)>,
}

impl Groups {
    /// Cost: linear in the parts.
    pub(super) fn of(circuit: &Circuit) -> Self {
        let mut group: Vec<usize> = (0..circuit.node_count()).collect();
        let root = |group: &[usize], node: NodeId| {
            let mut k = node.index();
            while group[k] != k {
                k = group[k];
            }
            k
        };
        for (_, placed) in circuit.parts() {
            for (a, b) in ways(placed) {
                if a != NodeId::CHASSIS && b != NodeId::CHASSIS {
                    let (a, b) = (root(&group, a), root(&group, b));
                    group[a.max(b)] = a.min(b);
                }
            }
        }
        let nodes = circuit.nodes().map(|(node, _)| (node, root(&group, node)));
        Self {
            group: nodes.collect(),
        }
    }

    fn at(&self, node: NodeId) -> Option<usize> {
        (node != NodeId::CHASSIS).then(|| self.group[node.index()].1)
    }

    /// The nodes of a group.
    fn nodes(&self, group: usize) -> Vec<NodeId> {
        let of = self
            .group
            .iter()
            .filter(|(node, of)| *of == group && *node != NodeId::CHASSIS);
        of.map(|(node, _)| *node).collect()
    }
}

/// Pairs of nodes between which direct current can flow through a part; through a switch, in any position.
fn ways(placed: &Placed) -> Vec<(NodeId, NodeId)> {
    if let (Part::Switch(_), [common, contacts @ ..]) = (&placed.part, &placed.nodes[..]) {
        return contacts.iter().map(|contact| (*common, *contact)).collect();
    }
    placed.part.dc_paths(&placed.nodes)
}

/// Valves that an open contact leaves without a path for direct current, as a switch in standby does: they do not work,
/// and are not meant to.
pub(super) struct SwitchedOff {
    switch: String,
    pub(super) valves: Vec<String>,
}

impl SwitchedOff {
    /// Why nothing is told of them in use.
    pub(super) fn words(&self) -> String {
        format!(
            "the open contact of {} leaves {} without direct current",
            self.switch,
            self.valves.join(", ")
        )
    }
}

/// By switch.
pub(super) fn switched_off(circuit: &Circuit) -> Vec<SwitchedOff> {
    let name = |part: PartId| circuit.part(part).name.clone();
    let found = opened(circuit).into_iter().map(|opened| SwitchedOff {
        switch: name(opened.switch),
        valves: opened.valves.into_iter().map(name).collect(),
    });
    found.collect()
}

/// Whether a part brings direct current.
fn supplies(placed: &Placed) -> bool {
    if let Part::Source(source) = &placed.part {
        matches!(source.waveform, Waveform::Dc(volts) if volts != 0.0)
    } else {
        placed.part.is_rectifier()
    }
}

/// Nodes of a part that brings direct current between which it flows: none of a heater's, which takes a winding of its
/// own and gives nothing.
fn supplied_by(placed: &Placed) -> impl Iterator<Item = NodeId> {
    let wiring = placed.wiring();
    let own = |wiring: Wiring<'_, NodeId>| [wiring.anodes, wiring.cathode].concat();
    wiring.map_or_else(|| placed.nodes.clone(), own).into_iter()
}

/// A supply that feeds nothing: its parts, and the nodes it holds.
pub(super) struct Loose {
    pub(super) parts: Vec<PartId>,
    pub(super) nodes: Vec<NodeId>,
}

/// Supplies from which no valve, load or generator draws anything.
pub(super) fn loose(amplifier: &Amplifier) -> Vec<Loose> {
    let circuit = &amplifier.circuit;
    let groups = Groups::of(circuit);
    let bench = &amplifier.bench;
    let mut fed: Vec<usize> = Vec::new();
    let mut supplied: Vec<usize> = Vec::new();
    for (part, placed) in circuit.parts() {
        let at = placed.nodes.iter().filter_map(|node| groups.at(*node));
        if part == bench.generator || part == bench.load || draws(&placed.part) {
            fed.extend(at);
        } else if supplies(placed) {
            supplied.extend(supplied_by(placed).filter_map(|node| groups.at(node)));
        }
    }
    supplied.sort_unstable();
    supplied.dedup();
    supplied.retain(|group| !fed.contains(group));
    supplied
        .into_iter()
        .map(|group| {
            let nodes = groups.nodes(group);
            let held = |placed: &Placed| placed.nodes.iter().any(|node| nodes.contains(node));
            let parts = circuit.parts().filter(|(_, placed)| held(placed));
            Loose {
                parts: parts.map(|(part, _)| part).collect(),
                nodes,
            }
        })
        .collect()
}

/// Whether a part is what a supply is there for.
fn draws(part: &Part) -> bool {
    match part {
        Part::Valve(_) => !part.is_rectifier(),
        Part::Loudspeaker(_) => true,
        Part::Device(device) => !device.is_rectifier(),
        Part::Resistor(_)
        | Part::Capacitor(_)
        | Part::Inductor(_)
        | Part::Transformer(_)
        | Part::Diodes(_)
        | Part::Source(_)
        | Part::Pot(_)
        | Part::Switch(_) => false,
    }
}

/// Supplies that feed nothing, as findings.
pub(super) fn findings(amplifier: &Amplifier) -> Vec<Finding> {
    let circuit = &amplifier.circuit;
    loose(amplifier)
        .into_iter()
        .map(|loose| {
            let names: Vec<String> = loose
                .parts
                .iter()
                .map(|part| circuit.part(*part).name.clone())
                .collect();
            let list = names.join(", ");
            Finding {
                parts: names,
                ..Finding::new(
                    Code::MissingLink,
                    Weight::Doubtful,
                    format!("{list} make a supply from which no valve takes anything."),
                    "A link from it was lost, or a node has the wrong name; what it was for does without.",
                    "what this supply should feed",
                )
            }
        })
        .collect()
}

/// Windings from which nothing is taken, since neither the chassis nor any part but passive ones stands where direct
/// current from them can flow: the transformer, the winding, and those parts.
fn idle_windings(amplifier: &Amplifier) -> Vec<(String, String, Vec<String>)> {
    let circuit = &amplifier.circuit;
    let mut found = Vec::new();
    for (part, placed) in circuit.parts() {
        let Part::Transformer(transformer) = &placed.part else {
            continue;
        };
        let ends = placed.nodes.chunks_exact(2);
        for (winding, ends) in transformer.windings.iter().zip(ends) {
            let mut nodes: Vec<NodeId> = ends.to_vec();
            let mut beside: Vec<PartId> = Vec::new();
            let mut k = 0;
            while let Some(&node) = nodes.get(k) {
                k += 1;
                let joined = circuit.parts().filter(|(_, at)| at.nodes.contains(&node));
                for (other, at) in joined.filter(|(other, _)| *other != part) {
                    beside.push(other);
                    nodes.extend(
                        at.nodes
                            .iter()
                            .filter(|next| !nodes.contains(next))
                            .collect::<Vec<_>>(),
                    );
                }
            }
            beside.sort_unstable();
            beside.dedup();
            let shared = |node: &NodeId| placed.nodes.iter().filter(|of| *of == node).count() > 1;
            let used = nodes.contains(&NodeId::CHASSIS)
                || nodes.iter().any(shared)
                || beside.iter().any(|&other| {
                    !circuit.part(other).part.is_passive() || other == amplifier.bench.load
                });
            if !used {
                let name = |other: &PartId| circuit.part(*other).name.clone();
                let beside = beside.iter().map(name).collect();
                found.push((placed.name.clone(), winding.name.clone(), beside));
            }
        }
    }
    found
}

/// Windings from which nothing is taken, as findings.
pub(super) fn idle(amplifier: &Amplifier) -> Vec<Finding> {
    let finding = |(part, winding, beside): (String, String, Vec<String>)| {
        let list = beside.join(", ");
        let but = if list.is_empty() {
            String::new()
        } else {
            format!(" but {list}, which nothing else joins")
        };
        Finding {
            parts: std::iter::once(part.clone()).chain(beside).collect(),
            ..Finding::new(
                Code::MissingLink,
                Weight::Doubtful,
                format!("The {winding} of {part} feeds nothing{but}."),
                "A link was lost, or a node has the wrong name: a winding for feedback then does nothing.",
                format!("what the {winding} of {part} should be joined to"),
            )
        }
    };
    idle_windings(amplifier).into_iter().map(finding).collect()
}

/// Puts anodes that nothing feeds in the place of what is found of their valves.
pub(super) fn unfed(drawing: &Drawing<'_>, findings: &mut Vec<Finding>) {
    for (mut finding, valves) in unfed_rails(drawing) {
        let of_valve = |of: &Finding| {
            let code = [Code::CutOff, Code::AnodeLoad].contains(&of.code);
            code && of.parts.iter().any(|part| valves.contains(part))
        };
        let explained = findings.iter().filter(|of| of_valve(of));
        finding.explains = explained.map(|of| of.what.clone()).collect();
        findings.retain(|of| !of_valve(of));
        findings.push(finding);
    }
}

/// Each group of nodes with anodes that nothing feeds, and the valves.
fn unfed_rails(drawing: &Drawing<'_>) -> Vec<(Finding, Vec<String>)> {
    let (circuit, graph) = (drawing.of.circuit, &drawing.graph);
    let groups = Groups::of(circuit);
    let mut fed: Vec<usize> = Vec::new();
    for (_, placed) in circuit.parts() {
        if placed.part.source().is_some() || placed.part.is_rectifier() {
            fed.extend(supplied_by(placed).filter_map(|node| groups.at(node)));
        }
    }
    let mut rails: Vec<(usize, NodeId, Vec<String>)> = Vec::new();
    for valve in &drawing.chart.valves {
        let part = circuit.find_part(&valve.part);
        let wiring = part.and_then(|part| circuit.part(part).wiring());
        let anode = wiring.map(|wiring| wiring.anodes[0]);
        let Some((anode, group)) = anode.and_then(|node| Some((node, groups.at(node)?))) else {
            continue;
        };
        if valve.v_ak.value.abs() > NOTHING || fed.contains(&group) {
            continue;
        }
        match rails.iter_mut().find(|(of, ..)| *of == group) {
            Some((.., valves)) => valves.push(valve.part.clone()),
            None => rails.push((group, anode, vec![valve.part.clone()])),
        }
    }
    let mut found = Vec::new();
    for (group, anode, valves) in rails {
        let nodes = groups.nodes(group);
        // A valve above feeds the one below it.
        let mut terminals = nodes.iter().flat_map(|node| graph.at(*node));
        if terminals.any(|terminal| terminal.label == ("valve", "cathode")) {
            continue;
        }
        let hangs = |placed: &Placed| {
            placed.part.is_passive() && placed.nodes.iter().any(|node| nodes.contains(node))
        };
        let passive = circuit.parts().filter(|(_, placed)| hangs(placed));
        let passive = passive.map(|(_, placed)| placed.name.clone());
        // The rail that should be fed is where the load of the anode ends.
        let mut far = graph.at(anode).iter().filter_map(|at| graph.far(*at));
        let rail = far.find(|far| nodes.contains(far)).unwrap_or(anode);
        let node = circuit.node_name(rail);
        let list = valves.join(", ");
        let finding = Finding {
            parts: valves.iter().cloned().chain(passive).collect(),
            ..Finding::new(
                Code::MissingLink,
                Weight::ProbableMisprint,
                format!("Nothing feeds `{node}`, and the anode of {list} with it."),
                "A link to the high tension was lost, or a node has the wrong name; the valve does nothing.",
                format!("what should join `{node}` to the high tension"),
            )
        };
        found.push((finding, valves));
    }
    found
}
