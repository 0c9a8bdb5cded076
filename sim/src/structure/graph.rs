//! The drawing as a graph: which terminals meet at a node, and what each is called.
//!
//! Labels are kind of part and role of the terminal, never values: what is compared afterwards must not have
//! steered the comparison.

use crate::circuit::{Circuit, NodeId, PartId, Placed};
use crate::parts::{Part, Waveform};
use models::data::ValveModel;

/// Capacitance to the chassis from which a node counts as quiet, F: what smooths a supply and couples no
/// stage (common practice, no source).
const SMOOTHING: f64 = 2e-6;

/// What a terminal is: the part in the trade's words and the role.
pub type Label = (&'static str, &'static str);

/// One end of a part.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Terminal {
    /// The part.
    pub part: PartId,
    /// Which of the part's nodes.
    pub at: usize,
    /// What it is called.
    pub label: Label,
}

impl Terminal {
    /// True for an end of a resistor, capacitor or choke.
    pub fn is_passive(&self) -> bool {
        self.label.1 == END && ["resistor", "capacitor", "choke"].contains(&self.label.0)
    }
}

/// Role of an end that is like the other.
pub const END: &str = "end";

/// Terminals by node, and which nodes carry no signal.
#[derive(Clone, Debug)]
pub struct Graph<'a> {
    /// The drawing.
    pub circuit: &'a Circuit,
    terminals: Vec<Vec<Terminal>>,
    rails: Vec<bool>,
}

impl<'a> Graph<'a> {
    /// The graph of a circuit driven by that generator. Cost: linear in the terminals.
    pub fn of(circuit: &'a Circuit, generator: PartId) -> Self {
        let mut terminals = vec![Vec::new(); circuit.node_count()];
        for (part, placed) in circuit.parts() {
            for (at, label) in labels(placed, part == generator).into_iter().enumerate() {
                if let Some(label) = label {
                    terminals[placed.nodes[at].index()].push(Terminal { part, at, label });
                }
            }
        }
        let mut graph = Self {
            circuit,
            rails: vec![false; circuit.node_count()],
            terminals,
        };
        graph.rails = circuit
            .nodes()
            .map(|(node, _)| node == NodeId::CHASSIS || graph.is_quiet(node, generator))
            .collect();
        // Reservoirs in series: the upper stands on the lower.
        while let Some(node) = graph.on_a_quiet_node() {
            graph.rails[node.index()] = true;
        }
        graph
    }

    /// A node that what smooths a supply joins to one that is quiet, and that is not yet known to be so.
    fn on_a_quiet_node(&self) -> Option<NodeId> {
        let stands = |terminal: &Terminal| {
            let far = self.far(*terminal);
            self.smooths(*terminal)
                && far.is_some_and(|far| far != NodeId::CHASSIS && self.is_rail(far))
        };
        let mut nodes = self.circuit.nodes().map(|(node, _)| node);
        nodes.find(|&node| {
            !self.is_rail(node) && !self.takes_a_signal(node) && self.at(node).iter().any(stands)
        })
    }

    /// Whether it is a capacitor as large as those of supplies.
    fn smooths(&self, terminal: Terminal) -> bool {
        let part = &self.circuit.part(terminal.part).part;
        matches!(part, Part::Capacitor(capacitor) if capacitor.polar || capacitor.c >= SMOOTHING)
    }

    fn takes_a_signal(&self, node: NodeId) -> bool {
        let mut at = self.at(node).iter();
        at.any(|t| [("valve", "grid"), ("valve", "cathode")].contains(&t.label))
    }

    /// Terminals at a node, heaters left out.
    pub fn at(&self, node: NodeId) -> &[Terminal] {
        &self.terminals[node.index()]
    }

    /// True where no signal is: the chassis, supplies, and what is smoothed to the chassis.
    pub fn is_rail(&self, node: NodeId) -> bool {
        self.rails[node.index()]
    }

    /// The node of a terminal.
    pub fn node(&self, terminal: Terminal) -> NodeId {
        self.circuit.part(terminal.part).nodes[terminal.at]
    }

    /// The node at the other end of a part, or of a winding, with two ends; of a pot between its ends.
    pub fn far(&self, terminal: Terminal) -> Option<NodeId> {
        let placed = self.circuit.part(terminal.part);
        let other = match &placed.part {
            Part::Transformer(_) => Some(terminal.at ^ 1),
            Part::Pot(_) => (terminal.label.1 == END).then(|| 2 - terminal.at),
            Part::Resistor(_)
            | Part::Capacitor(_)
            | Part::Inductor(_)
            | Part::Valve(_)
            | Part::Device(_)
            | Part::Diodes(_)
            | Part::Source(_)
            | Part::Switch(_)
            | Part::Loudspeaker(_) => (placed.nodes.len() == 2).then(|| 1 - terminal.at),
        };
        Some(placed.nodes[other?])
    }

    /// Labels at a node, sorted.
    pub fn census(&self, node: NodeId) -> Vec<Label> {
        let mut labels: Vec<Label> = self.at(node).iter().map(|t| t.label).collect();
        labels.sort_unstable();
        labels
    }

    /// Whether a supply or a smoothing capacitor holds the node, and no grid or bypassed cathode hangs there.
    fn is_quiet(&self, node: NodeId, generator: PartId) -> bool {
        if self.takes_a_signal(node) {
            return false;
        }
        self.at(node).iter().any(|&terminal| {
            let placed = self.circuit.part(terminal.part);
            match &placed.part {
                Part::Source(source) => {
                    terminal.part != generator
                        && (matches!(source.waveform, Waveform::Dc(_))
                            || source.waveform.alternates())
                }
                Part::Capacitor(_) => {
                    self.smooths(terminal) && self.far(terminal) == Some(NodeId::CHASSIS)
                }
                Part::Valve(valve) => {
                    let holds = matches!(valve.kind.model, ValveModel::Stabiliser(_));
                    (valve.kind.model.is_rectifier() && terminal.label.1 == "cathode")
                        || (holds && terminal.label.1 == "anode")
                }
                Part::Resistor(_)
                | Part::Inductor(_)
                | Part::Transformer(_)
                | Part::Device(_)
                | Part::Diodes(_)
                | Part::Pot(_)
                | Part::Switch(_)
                | Part::Loudspeaker(_) => false,
            }
        })
    }
}

/// The label of each node of a part; none of a heater's.
fn labels(placed: &Placed, generator: bool) -> Vec<Option<Label>> {
    let count = placed.nodes.len();
    let words = placed.part.words();
    let all = |role| vec![Some((words, role)); count];
    match &placed.part {
        Part::Resistor(_) | Part::Capacitor(_) | Part::Inductor(_) => all(END),
        Part::Transformer(_) => vec![Some(("winding", END)); count],
        Part::Pot(_) => vec![
            Some((words, END)),
            Some((words, "wiper")),
            Some((words, END)),
        ],
        Part::Valve(valve) => {
            let places: Vec<usize> = (0..count).collect();
            let wiring = valve.wiring(&places);
            let kind = if wiring.grid.is_some() {
                "valve"
            } else {
                "rectifier"
            };
            let mut labels = vec![None; count];
            let mut name = |places: &[usize], role| {
                for &at in places {
                    labels[at] = Some((kind, role));
                }
            };
            name(wiring.anodes, "anode");
            name(wiring.screen.as_slice(), "screen");
            name(wiring.grid.as_slice(), "grid");
            name(wiring.cathode, "cathode");
            labels
        }
        Part::Source(_) if generator => vec![Some(("generator", END)); count],
        Part::Source(_) => vec![Some((words, "positive")), Some((words, "negative"))],
        Part::Switch(_) | Part::Device(_) | Part::Diodes(_) | Part::Loudspeaker(_) => {
            const ROLES: [&str; 8] = ["1", "2", "3", "4", "5", "6", "7", "8"];
            (0..count)
                .map(|at| Some((words, ROLES[at.min(ROLES.len() - 1)])))
                .collect()
        }
    }
}
