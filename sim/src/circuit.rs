//! A circuit as a parts list: named nodes, named parts, still editable.
//!
//! The node [`NodeId::CHASSIS`] is always there; every voltage is measured against it.

use std::collections::BTreeMap;

use crate::parts::{Part, Waveform, Wiring};

/// A node of a circuit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct NodeId(u32);

/// A part of a circuit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct PartId(u32);

impl NodeId {
    /// The chassis: the node against which every voltage is measured.
    pub const CHASSIS: Self = Self(0);

    /// Position in the list of nodes, the chassis being 0.
    pub fn index(self) -> usize {
        self.0 as usize
    }
}

impl PartId {
    /// Position in the parts list.
    pub fn index(self) -> usize {
        self.0 as usize
    }
}

/// What a part may stand, as far as the parts list says. SI units.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Ratings {
    /// Dissipation, W.
    pub watts: Option<f64>,
    /// Working voltage, V.
    pub volts: Option<f64>,
    /// Direct current, A.
    pub amps: Option<f64>,
    /// Manufacturing tolerance as a ratio, e.g. 0.1.
    pub tolerance: Option<f64>,
}

/// A part in its place.
#[derive(Clone, Debug)]
pub struct Placed {
    /// Reference designator.
    pub name: String,
    /// What it is.
    pub part: Part,
    /// Where it is; the order is the part's own, see [`Part`].
    pub nodes: Vec<NodeId>,
    /// What it may stand.
    pub ratings: Ratings,
}

impl Placed {
    /// The electrodes of a valve and the nodes they stand at; none of any other part.
    pub fn wiring(&self) -> Option<Wiring<'_, NodeId>> {
        self.part.valve().map(|valve| valve.wiring(&self.nodes))
    }
}

/// Why a circuit cannot be solved as drawn. Carries no text of the file: whoever read it knows the places.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum CircuitError {
    /// Two parts carry one designator.
    #[error("part {name} is listed twice")]
    Duplicate {
        /// The designator.
        name: String,
    },
    /// A part joins the wrong number of nodes.
    #[error("part {name} joins {found} nodes where it has {wanted} terminals")]
    Terminals {
        /// The designator.
        name: String,
        /// Terminals of the part.
        wanted: usize,
        /// Nodes given.
        found: usize,
    },
    /// A value that no real part has: not finite, or negative, or zero where zero is impossible.
    #[error("part {part_name}: {quantity} must be {wanted}")]
    Value {
        /// The part.
        part: PartId,
        /// Its designator.
        part_name: String,
        /// Which value.
        quantity: &'static str,
        /// What it must be.
        wanted: &'static str,
    },
    /// Only one terminal is joined to the node.
    #[error("node {name} is used once")]
    UsedOnce {
        /// The node.
        node: NodeId,
        /// Its name.
        name: String,
        /// The part there.
        part: PartId,
    },
    /// No direct current can flow between the electrode's node and the chassis.
    #[error("node {name} has no path to the chassis at DC")]
    NoDcPath {
        /// The node.
        node: NodeId,
        /// Its name.
        name: String,
        /// The valve whose electrode hangs there, and the electrode.
        electrode: Option<(PartId, &'static str)>,
    },
    /// Sources and windings without resistance close a loop: the current in it is undefined.
    #[error("parts {names:?} close a loop without resistance")]
    Loop {
        /// The parts of the loop.
        parts: Vec<PartId>,
        /// Their designators.
        names: Vec<String>,
    },
}

/// A circuit that can still be changed.
#[derive(Clone, Debug)]
pub struct Circuit {
    nodes: Vec<String>,
    node_of: BTreeMap<String, NodeId>,
    parts: Vec<Placed>,
    part_of: BTreeMap<String, PartId>,
}

impl Default for Circuit {
    fn default() -> Self {
        Self::new()
    }
}

impl Circuit {
    /// An empty chassis.
    pub fn new() -> Self {
        let mut circuit = Self {
            nodes: Vec::new(),
            node_of: BTreeMap::new(),
            parts: Vec::new(),
            part_of: BTreeMap::new(),
        };
        circuit.node("chassis");
        circuit
    }

    /// The node of that name, made when new. Names are case sensitive.
    pub fn node(&mut self, name: &str) -> NodeId {
        if let Some(&id) = self.node_of.get(name) {
            return id;
        }
        let id = NodeId(self.nodes.len() as u32);
        self.nodes.push(name.to_owned());
        self.node_of.insert(name.to_owned(), id);
        id
    }

    /// The node of that name, if there is one.
    pub fn find_node(&self, name: &str) -> Option<NodeId> {
        self.node_of.get(name).copied()
    }

    /// The part of that designator, if there is one.
    pub fn find_part(&self, name: &str) -> Option<PartId> {
        self.part_of.get(name).copied()
    }

    /// Adds a part at its nodes.
    ///
    /// # Errors
    /// [`CircuitError::Duplicate`] and [`CircuitError::Terminals`].
    pub fn add(&mut self, name: &str, part: Part, at: &[NodeId]) -> Result<PartId, CircuitError> {
        if self.part_of.contains_key(name) {
            return Err(CircuitError::Duplicate {
                name: name.to_owned(),
            });
        }
        let (least, most) = part.terminals();
        if at.len() < least || at.len() > most {
            return Err(CircuitError::Terminals {
                name: name.to_owned(),
                wanted: least,
                found: at.len(),
            });
        }
        let id = PartId(self.parts.len() as u32);
        self.parts.push(Placed {
            name: name.to_owned(),
            part,
            nodes: at.to_vec(),
            ratings: Ratings::default(),
        });
        self.part_of.insert(name.to_owned(), id);
        Ok(id)
    }

    /// States what a part may stand.
    pub fn rate(&mut self, part: PartId, ratings: Ratings) {
        self.parts[part.index()].ratings = ratings;
    }

    /// The part in its place.
    pub fn part(&self, id: PartId) -> &Placed {
        &self.parts[id.index()]
    }

    /// The part in its place, to be changed.
    pub fn part_mut(&mut self, id: PartId) -> &mut Placed {
        &mut self.parts[id.index()]
    }

    /// All parts, in the order they were added.
    pub fn parts(&self) -> impl Iterator<Item = (PartId, &Placed)> {
        self.parts
            .iter()
            .enumerate()
            .map(|(k, placed)| (PartId(k as u32), placed))
    }

    /// Number of nodes, the chassis included.
    pub fn node_count(&self) -> usize {
        self.nodes.len()
    }

    /// All nodes, the chassis first.
    pub fn nodes(&self) -> impl Iterator<Item = (NodeId, &str)> {
        self.nodes
            .iter()
            .enumerate()
            .map(|(k, name)| (NodeId(k as u32), name.as_str()))
    }

    /// The name of a node.
    pub fn node_name(&self, node: NodeId) -> &str {
        &self.nodes[node.index()]
    }

    /// Sets the waveform of a source part; does nothing to other parts.
    pub fn set_waveform(&mut self, part: PartId, waveform: Waveform) {
        if let Part::Source(source) = &mut self.parts[part.index()].part {
            source.waveform = waveform;
        }
    }

    /// The valve line that states the heater which warms this valve: its own, or that of another section
    /// of its envelope.
    pub fn heater_of(&self, part: PartId) -> Option<PartId> {
        let valve = self.part(part).part.valve()?;
        if valve.heater.is_some() {
            return Some(part);
        }
        let envelope = valve.envelope.as_ref()?;
        self.parts()
            .find(|(_, placed)| {
                placed.part.valve().is_some_and(|other| {
                    other.envelope.as_ref() == Some(envelope) && other.heater.is_some()
                })
            })
            .map(|(id, _)| id)
    }
}
