//! Which capacitors a supply has: its HT points, and pairs in series.
//!
//! A point is a node with a capacitor that a rectifier feeds, directly or through chokes, resistors and the
//! upper capacitor of a pair. What is followed ends at the chassis, at grids and cathodes of amplifying
//! valves, and at an anode without a capacitor of its own to the chassis: behind it is signal.

use sim::circuit::{Circuit, NodeId, PartId, Placed};
use sim::parts::Part;

/// A rectifying path of a part: one anode and its cathode.
#[derive(Clone, Debug)]
pub(crate) struct Junction {
    pub(crate) anode: NodeId,
    /// The cathode, or both ends of a filament.
    pub(crate) cathode: Vec<NodeId>,
}

/// The rectifying paths of a part, in the order of its devices; none when it is no rectifier.
pub(crate) fn junctions(placed: &Placed) -> Vec<Junction> {
    if !placed.part.is_rectifier() {
        return Vec::new();
    }
    let nodes = &placed.nodes;
    let junction = |anode: NodeId, cathode: &[NodeId]| Junction {
        anode,
        cathode: cathode.to_vec(),
    };
    match &placed.part {
        Part::Valve(valve) => {
            let wiring = valve.wiring(nodes);
            let anodes = wiring.anodes.iter();
            anodes
                .map(|&anode| junction(anode, wiring.cathode))
                .collect()
        }
        Part::Diodes(diodes) => diodes
            .junctions
            .iter()
            .map(|&(anode, cathode)| junction(nodes[anode], &nodes[cathode..=cathode]))
            .collect(),
        Part::Device(_) => vec![junction(nodes[0], &nodes[1..])],
        Part::Resistor(_)
        | Part::Capacitor(_)
        | Part::Inductor(_)
        | Part::Transformer(_)
        | Part::Source(_)
        | Part::Pot(_)
        | Part::Switch(_)
        | Part::Loudspeaker(_) => Vec::new(),
    }
}

/// Whether a winding or an alternating supply is joined to a node, directly or through resistors.
pub(super) fn fed(circuit: &Circuit, start: NodeId) -> bool {
    // Many a winding has an end at the chassis, and none feeds it.
    if start == NodeId::CHASSIS {
        return false;
    }
    let mut seen = vec![NodeId::CHASSIS, start];
    let mut next = vec![start];
    while let Some(node) = next.pop() {
        for (_, placed) in circuit.parts().filter(|(_, p)| p.nodes.contains(&node)) {
            let feeds = match &placed.part {
                Part::Transformer(_) => true,
                Part::Source(source) => source.waveform.alternates(),
                Part::Resistor(_) => {
                    if !smoothed(circuit, node) {
                        for &beyond in placed.nodes.iter().filter(|node| !seen.contains(node)) {
                            next.push(beyond);
                        }
                        seen.extend(&placed.nodes);
                    }
                    false
                }
                Part::Capacitor(_)
                | Part::Inductor(_)
                | Part::Valve(_)
                | Part::Device(_)
                | Part::Diodes(_)
                | Part::Pot(_)
                | Part::Switch(_)
                | Part::Loudspeaker(_) => false,
            };
            if feeds {
                return true;
            }
        }
    }
    false
}

/// Whether a capacitor leads from the node to the chassis.
fn smoothed(circuit: &Circuit, node: NodeId) -> bool {
    circuit.parts().any(|(_, placed)| {
        matches!(placed.part, Part::Capacitor(_))
            && placed.nodes.contains(&node)
            && placed.nodes.contains(&NodeId::CHASSIS)
    })
}

/// The direct side of a rectifying path.
fn direct_side(circuit: &Circuit, junction: &Junction) -> Vec<NodeId> {
    let anode = fed(circuit, junction.anode);
    let cathode = junction.cathode.iter().any(|&node| fed(circuit, node));
    match (anode, cathode) {
        (false, true) => vec![junction.anode],
        // A filament is fed too, by the winding that heats it.
        (true, _) => junction.cathode.clone(),
        (false, false) => {
            let mut both = junction.cathode.clone();
            both.push(junction.anode);
            both
        }
    }
}

/// Whether a node belongs to the signal.
fn signal(circuit: &Circuit, node: NodeId) -> bool {
    circuit.parts().any(|(_, placed)| {
        placed.wiring().is_some_and(|wiring| {
            wiring.grid.is_some_and(|grid| {
                grid == node
                    || wiring.cathode.contains(&node)
                    || (wiring.anodes.contains(&node) && !smoothed(circuit, node))
            })
        })
    })
}

/// Everything a rectifier feeds, rectifiers first.
fn reached(circuit: &Circuit) -> Vec<NodeId> {
    let mut reached: Vec<NodeId> = Vec::new();
    let visit = |node: NodeId, reached: &mut Vec<NodeId>| {
        if node != NodeId::CHASSIS && !reached.contains(&node) && !signal(circuit, node) {
            reached.push(node);
        }
    };
    for (_, placed) in circuit.parts() {
        for junction in junctions(placed) {
            for node in direct_side(circuit, &junction) {
                visit(node, &mut reached);
            }
        }
    }
    let mut at = 0;
    while at < reached.len() {
        let node = reached[at];
        for (_, placed) in circuit.parts().filter(|(_, p)| p.nodes.contains(&node)) {
            let follows = match &placed.part {
                Part::Resistor(_) | Part::Inductor(_) | Part::Pot(_) => true,
                Part::Capacitor(capacitor) => capacitor.polar,
                Part::Transformer(_)
                | Part::Valve(_)
                | Part::Device(_)
                | Part::Diodes(_)
                | Part::Source(_)
                | Part::Switch(_)
                | Part::Loudspeaker(_) => false,
            };
            if follows {
                for &beyond in &placed.nodes {
                    visit(beyond, &mut reached);
                }
            }
        }
        at += 1;
    }
    reached
}

/// The other end of a part of two nodes.
fn beyond(placed: &Placed, node: NodeId) -> NodeId {
    if placed.nodes[0] == node {
        placed.nodes[1]
    } else {
        placed.nodes[0]
    }
}

/// Capacitors at a node.
fn capacitors_at(circuit: &Circuit, node: NodeId) -> Vec<PartId> {
    let capacitors = circuit.parts().filter(|(_, placed)| {
        matches!(placed.part, Part::Capacitor(_)) && placed.nodes.contains(&node)
    });
    capacitors.map(|(id, _)| id).collect()
}

/// Two capacitors in series with nothing but sharing resistors at their middle.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Pair {
    pub(super) middle: NodeId,
    pub(super) capacitors: [PartId; 2],
    /// Resistors across either.
    pub(super) resistors: Vec<PartId>,
}

fn pair_at(circuit: &Circuit, middle: NodeId) -> Option<Pair> {
    let [first, second] = capacitors_at(circuit, middle)[..] else {
        return None;
    };
    let ends = [first, second].map(|id| beyond(circuit.part(id), middle));
    if ends[0] == ends[1] {
        return None;
    }
    let mut resistors = Vec::new();
    for (id, placed) in circuit.parts().filter(|(_, p)| p.nodes.contains(&middle)) {
        if matches!(placed.part, Part::Capacitor(_)) {
            continue;
        }
        if placed.part.ohms().is_none() || !ends.contains(&beyond(placed, middle)) {
            return None;
        }
        resistors.push(id);
    }
    Some(Pair {
        middle,
        capacitors: [first, second],
        resistors,
    })
}

/// The HT points of a circuit.
#[derive(Clone, Debug, Default)]
pub(super) struct Points {
    /// Each with its capacitors; those at rectifiers first.
    pub(super) nodes: Vec<(NodeId, Vec<PartId>)>,
    pub(super) pairs: Vec<Pair>,
}

impl Points {
    pub(super) fn of(circuit: &Circuit) -> Self {
        let reached = reached(circuit);
        let pairs: Vec<Pair> = reached
            .iter()
            .filter_map(|&node| pair_at(circuit, node))
            .collect();
        let middle = |node: NodeId| pairs.iter().any(|pair| pair.middle == node);
        let returns =
            |node: NodeId| node == NodeId::CHASSIS || reached.contains(&node) || fed(circuit, node);
        let nodes = reached
            .iter()
            .filter(|&&node| !middle(node))
            .map(|&node| {
                let mut capacitors = capacitors_at(circuit, node);
                capacitors.retain(|&id| returns(beyond(circuit.part(id), node)));
                (node, capacitors)
            })
            .filter(|(_, capacitors)| !capacitors.is_empty())
            .collect();
        Self { nodes, pairs }
    }

    /// All capacitors, each once, in the order of the parts list.
    pub(super) fn capacitors(&self) -> Vec<PartId> {
        let mut all: Vec<PartId> = self
            .nodes
            .iter()
            .flat_map(|(_, capacitors)| capacitors.clone())
            .chain(self.pairs.iter().flat_map(|pair| pair.capacitors))
            .collect();
        all.sort();
        all.dedup();
        all
    }
}
