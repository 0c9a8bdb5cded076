//! How a part is taken out: opened, as when one of its wires is unsoldered, or shorted, as when one is laid
//! across it.
//!
//! What the trade would do to learn what a part is for (common practice, no source):
//!
//! | part | taken out |
//! |---|---|
//! | capacitor | opened |
//! | choke | shorted |
//! | stopper of a grid, screen or anode; surge resistor of a rectifier | shorted |
//! | cathode resistor that alone carries the current, but no tail to a supply of its own | shorted |
//! | resistor between two smoothed rails | shorted |
//! | every other resistor: leak, load of an anode, feedback, bleeder, divider | opened |
//! | valve (its whole envelope), pot, semiconductor, loudspeaker | opened |
//!
//! The part gives way to an open contact of a switch, or to a resistance as of a closed one, so that every other
//! part keeps its place and its number.

use serde::Serialize;

use sim::circuit::{Circuit, CircuitError, NodeId, PartId};
use sim::parts::{Part, Switch};
use sim::structure::graph::{Graph, Terminal};

/// A wire across a part with both its joints, Ω; as a closed contact (common practice, no source).
const WIRE: f64 = 0.01;

/// Capacitance at a grid that couples nothing to it from before, F: neutralising and stray capacitors are of tens
/// of picofarads, coupling capacitors of nanofarads (common practice, no source).
const COUPLES: f64 = 1e-9;

/// A resistor so many times another leaves nearly all direct current to that one (ours).
const SEVERAL: f64 = 3.0;

/// How a part is taken out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum How {
    /// Nothing passes any more.
    Opened,
    /// A wire lies across it.
    Shorted,
}

impl How {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Opened => "opened",
            Self::Shorted => "shorted",
        }
    }
}

/// A part to be taken out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Removal {
    /// Which.
    pub part: PartId,
    /// How.
    pub how: How,
}

/// The circuit without these parts.
pub(super) fn without(circuit: &Circuit, removals: &[Removal]) -> Circuit {
    let mut circuit = circuit.clone();
    for removal in removals {
        circuit.part_mut(removal.part).part = match removal.how {
            How::Opened => Part::Switch(Switch { closed: None }),
            How::Shorted => Part::resistor(WIRE),
        };
    }
    circuit
}

/// What is wrong with the circuit without these parts.
pub(super) fn faults_without(circuit: &Circuit, removals: &[Removal]) -> Vec<CircuitError> {
    let gone: Vec<PartId> = removals.iter().map(|removal| removal.part).collect();
    circuit.faults_without(&gone)
}

/// How a part is usually taken out; none of what no amplifier is without: transformers, switches, supplies.
pub(super) fn usual(graph: &Graph<'_>, part: PartId) -> Option<How> {
    match &graph.circuit.part(part).part {
        Part::Inductor(_) => Some(How::Shorted),
        Part::Resistor(_) => Some(of_resistor(graph, part)),
        Part::Transformer(_) | Part::Switch(_) | Part::Source(_) => None,
        Part::Capacitor(_)
        | Part::Valve(_)
        | Part::Device(_)
        | Part::Diodes(_)
        | Part::Pot(_)
        | Part::Loudspeaker(_) => Some(How::Opened),
    }
}

/// Whether a wire can be laid across it: it has two ends and is no valve.
pub(super) fn can_be_shorted(part: &Part, nodes: usize) -> bool {
    match part {
        Part::Valve(_) | Part::Transformer(_) | Part::Switch(_) | Part::Source(_) => false,
        Part::Resistor(_)
        | Part::Capacitor(_)
        | Part::Inductor(_)
        | Part::Device(_)
        | Part::Diodes(_)
        | Part::Pot(_)
        | Part::Loudspeaker(_) => nodes == 2,
    }
}

fn of_resistor(graph: &Graph<'_>, part: PartId) -> How {
    let nodes = &graph.circuit.part(part).nodes;
    let (a, b) = (nodes[0], nodes[1]);
    let to_chassis = a == NodeId::CHASSIS || b == NodeId::CHASSIS;
    if graph.is_rail(a) && graph.is_rail(b) {
        return if to_chassis {
            How::Opened
        } else {
            How::Shorted
        };
    }
    let ends = [(a, b), (b, a)].into_iter();
    let mut own = ends.filter(|(here, _)| *here != NodeId::CHASSIS);
    let shorted = own.any(|(here, far)| {
        let has = |label| graph.at(here).iter().any(|t| t.label == label);
        let alone = || carries_alone(graph, part, here);
        let stops_grid =
            has(("valve", "grid")) && !graph.is_rail(far) && is_lone(graph, here, part);
        stops_grid
            || has(("rectifier", "anode"))
            || (has(("valve", "screen")) && far != NodeId::CHASSIS && alone())
            || (has(("valve", "cathode"))
                && (!graph.is_rail(far) || far == NodeId::CHASSIS)
                && alone())
            || (has(("valve", "anode")) && !graph.is_rail(far) && alone())
    });
    if shorted { How::Shorted } else { How::Opened }
}

/// Nothing brings a signal to the node but the part.
fn is_lone(graph: &Graph<'_>, node: NodeId, part: PartId) -> bool {
    let couples = |terminal: &Terminal| match &graph.circuit.part(terminal.part).part {
        Part::Valve(_) => false,
        Part::Capacitor(capacitor) => capacitor.c >= COUPLES,
        Part::Resistor(_)
        | Part::Inductor(_)
        | Part::Transformer(_)
        | Part::Device(_)
        | Part::Diodes(_)
        | Part::Source(_)
        | Part::Pot(_)
        | Part::Switch(_)
        | Part::Loudspeaker(_) => true,
    };
    graph
        .at(node)
        .iter()
        .all(|terminal| terminal.part == part || !couples(terminal))
}

/// Without the part an electrode at the node would have no direct current to speak of: what else leads there are
/// resistors of several times its value, such as a feedback resistor beside that of a cathode.
fn carries_alone(graph: &Graph<'_>, part: PartId, node: NodeId) -> bool {
    let ohms = |part: PartId| graph.circuit.part(part).part.ohms();
    let own = ohms(part).unwrap_or_default();
    let larger = |other: &PartId| ohms(*other).is_some_and(|r| r > SEVERAL * own);
    let others = graph.at(node).iter().map(|terminal| terminal.part);
    let opened: Vec<Removal> = others
        .filter(larger)
        .chain([part])
        .map(|part| Removal {
            part,
            how: How::Opened,
        })
        .collect();
    let faults = faults_without(&without(graph.circuit, &opened), &opened);
    faults
        .iter()
        .any(|fault| matches!(fault, CircuitError::NoDcPath { node: at, .. } if *at == node))
}
