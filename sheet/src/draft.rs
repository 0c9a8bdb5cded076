//! What the reader gathers while it goes through the file: the circuit, places, faults and notes.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use std::rc::Rc;

use models::library::Library;

use super::error::{FileError, FileErrorKind};
use super::place::{Place, Text};
use super::{PartSpans, Spans};
use sim::amplifier::{MadeFor, Mains, Note, NoteKind};
use sim::circuit::{Circuit, NodeId, PartId, Ratings};
use sim::parts::Part;
use sim::quantity::Unit;
use sim::topology::opened;

/// Names of the chassis that are accepted; only the first is printed.
const CHASSIS: [&str; 5] = ["chassis", "earth", "ground", "gnd", "0v"];

/// A node and where it was named.
#[derive(Clone, Debug)]
pub(super) struct NodeRef {
    pub(super) id: NodeId,
    pub(super) span: Range<usize>,
}

/// The mains before the part has its place.
#[derive(Clone, Debug)]
pub(super) struct StatedMains {
    pub(super) owner: String,
    pub(super) nominal: f64,
    pub(super) low: f64,
    pub(super) high: f64,
    pub(super) frequency: f64,
}

impl StatedMains {
    /// With the part that was placed.
    pub(super) fn placed(&self, circuit: &Circuit) -> Option<Mains> {
        Some(Mains {
            part: circuit.find_part(&self.owner)?,
            nominal: self.nominal,
            low: self.low,
            high: self.high,
            frequency: self.frequency,
        })
    }
}

/// The load a winding is made for, before the part has its place.
#[derive(Clone, Debug)]
pub(super) struct StatedLoad {
    pub(super) owner: String,
    pub(super) nodes: Vec<NodeId>,
    pub(super) places: Vec<f64>,
    pub(super) ohms: f64,
}

impl StatedLoad {
    /// With the part that was placed.
    pub(super) fn placed(self, circuit: &Circuit) -> Option<MadeFor> {
        Some(MadeFor {
            part: circuit.find_part(&self.owner)?,
            nodes: self.nodes,
            places: self.places,
            ohms: self.ohms,
        })
    }
}

/// What the reader gathers.
#[derive(Debug, Default)]
pub(super) struct Draft {
    /// Where the types of valves are looked up.
    pub(super) library: Rc<Library>,
    pub(super) circuit: Circuit,
    pub(super) spans: Spans,
    pub(super) faults: Vec<FileError>,
    pub(super) notes: Vec<Note>,
    /// Parts that could not be placed: what they would have joined is unknown.
    pub(super) unplaced: bool,
    /// The types of the file are faulty: one that is not in the library may be among them.
    pub(super) valves_unknown: bool,
    /// Positions of each switch, by its designator.
    pub(super) positions: BTreeMap<String, Vec<String>>,
    /// Sections met in each envelope.
    pub(super) envelopes: BTreeMap<String, usize>,
    /// The mains met.
    pub(super) mains: Option<StatedMains>,
    /// Its frequency, Hz, known before any part is read.
    pub(super) mains_frequency: Option<f64>,
    /// Mains transformers met: designator, volts of the tap in use, volts of all taps.
    pub(super) taps: Vec<(String, f64, Vec<f64>)>,
    /// Loads that windings are made for.
    pub(super) made_for: Vec<StatedLoad>,
    /// Envelopes whose heater is drawn.
    pub(super) heated: BTreeSet<String>,
}

impl Draft {
    pub(super) fn fault(&mut self, place: &Place, kind: FileErrorKind) {
        let (span, kind) = match place {
            Place::File(span) => (span.clone(), kind),
            Place::Set { part, value } => (
                0..0,
                FileErrorKind::Set {
                    part: part.clone(),
                    value: value.clone(),
                    fault: Box::new(kind),
                },
            ),
        };
        self.faults.push(FileError {
            span,
            kind,
            also: Vec::new(),
        });
    }

    pub(super) fn note(&mut self, part: &str, place: &Range<usize>, kind: NoteKind) {
        self.notes.push(Note {
            turn: place.start,
            part: part.to_owned(),
            kind,
        });
    }

    /// Says where valves hang on an open contact alone.
    pub(super) fn note_open_contacts(&mut self) {
        if self.unplaced || !self.faults.is_empty() {
            return;
        }
        for opened in opened(&self.circuit) {
            let name = |part: PartId| self.circuit.part(part).name.clone();
            let valves = opened.valves.into_iter().map(name).collect();
            let switch = name(opened.switch);
            let place = self.spans.parts[opened.switch.index()].name.clone();
            self.note(&switch, &place, NoteKind::LeftByOpenContact { valves });
        }
    }

    pub(super) fn assume(
        &mut self,
        part: &str,
        place: &Range<usize>,
        key: &'static str,
        value: f64,
        unit: Unit,
    ) {
        self.note(part, place, NoteKind::Assumed { key, value, unit });
    }

    /// The node of a name; synonyms of the chassis are the chassis.
    pub(super) fn node(&mut self, key: &str, text: &Text) -> Option<NodeRef> {
        let Place::File(span) = text.place.clone() else {
            return None;
        };
        let name = text.text.trim();
        if name.is_empty() {
            self.fault(
                &text.place,
                FileErrorKind::Form {
                    key: key.to_owned(),
                    example: "the name of a node",
                },
            );
            return None;
        }
        let id = if is_chassis(name) {
            NodeId::CHASSIS
        } else {
            self.circuit.node(name)
        };
        while self.spans.nodes.len() < self.circuit.node_count() {
            self.spans.nodes.push(span.clone());
        }
        Some(NodeRef { id, span })
    }

    pub(super) fn add(
        &mut self,
        name: &str,
        part: Part,
        at: &[NodeId],
        ratings: Ratings,
        spans: PartSpans,
    ) -> Option<PartId> {
        match self.circuit.add(name, part, at) {
            Ok(id) => {
                self.circuit.rate(id, ratings);
                self.spans.parts.push(spans);
                Some(id)
            }
            Err(error) => {
                self.unplaced = true;
                self.fault(&Place::File(spans.name), FileErrorKind::Circuit(error));
                None
            }
        }
    }
}

/// Whether a name means the chassis.
pub(super) fn is_chassis(name: &str) -> bool {
    CHASSIS
        .iter()
        .any(|synonym| synonym.eq_ignore_ascii_case(name))
}
