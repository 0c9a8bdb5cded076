//! An amplifier: a circuit, the bench it stands on, the mains it is fed from, and what was assumed of it.
//!
//! Whoever reads a drawing makes one of these; whoever asks about an amplifier is handed one. Where its parts
//! were written is no business of it.

use std::collections::{BTreeMap, BTreeSet};

use models::grid_current::GridClass;

use crate::circuit::{Circuit, NodeId, PartId};
use crate::parts::Part;
use crate::quantity::Unit;

/// An amplifier as drawn.
#[derive(Clone, Debug)]
pub struct Amplifier {
    /// What it is.
    pub title: String,
    /// Where the drawing comes from.
    pub source: String,
    /// The circuit, generator and load included.
    pub circuit: Circuit,
    /// What is joined to it on the bench.
    pub bench: Bench,
    /// The mains it is fed from, if the drawing has it.
    pub mains: Option<Mains>,
    /// The taps of each mains transformer.
    pub taps: Vec<Taps>,
    /// The loads that windings of its transformers are made for, where the drawing says.
    pub made_for: Vec<MadeFor>,
    /// What was assumed because the drawing does not say.
    pub notes: Vec<Note>,
    /// The names of the positions of each switch, by its designator, in the order of the drawing.
    pub positions: BTreeMap<String, Vec<String>>,
}

impl Amplifier {
    /// An amplifier of which nothing is known but its circuit and its bench.
    pub fn new(circuit: Circuit, bench: Bench) -> Self {
        Self {
            title: String::new(),
            source: String::new(),
            circuit,
            bench,
            mains: None,
            taps: Vec::new(),
            made_for: Vec::new(),
            notes: Vec::new(),
            positions: BTreeMap::new(),
        }
    }

    /// The positions a switch can be set to: those all its sections have when it is ganged; none when
    /// there is no such switch.
    pub fn positions_of(&self, switch: &str) -> Option<Vec<&str>> {
        let names: BTreeSet<&str> = self.positions.keys().map(String::as_str).collect();
        let mut sections = meant_by(switch, &names).into_iter();
        let first = &self.positions[sections.next()?];
        let others: Vec<&Vec<String>> = sections.map(|name| &self.positions[name]).collect();
        let shared = first
            .iter()
            .filter(|name| others.iter().all(|section| section.contains(name)));
        Some(shared.map(String::as_str).collect())
    }
}

/// The parts a designator means: the one of that name, or the sections `S1a`, `S1b`… of a ganged one.
pub fn meant_by<'n>(designator: &str, names: &BTreeSet<&'n str>) -> Vec<&'n str> {
    if let Some(exact) = names.get(designator) {
        return vec![exact];
    }
    ('a'..='z')
        .filter_map(|letter| names.get(format!("{designator}{letter}").as_str()).copied())
        .collect()
}

/// The bench: what drives the amplifier and what it drives.
#[derive(Clone, Debug)]
pub struct Bench {
    /// The signal generator, a [`Part::Source`] with a sine of no amplitude.
    pub generator: PartId,
    /// The load: a resistor or a loudspeaker.
    pub load: PartId,
    /// The resistance in which power is stated, Ω.
    pub load_ohms: f64,
    /// The nodes across which the output is taken.
    pub load_nodes: (NodeId, NodeId),
    /// Test frequency, Hz.
    pub frequency: f64,
    /// Total harmonic distortion at which rated power is stated, a ratio.
    pub distortion_limit: f64,
}

/// The mains of an amplifier.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mains {
    /// The source.
    pub part: PartId,
    /// Volts rms as the file states them, whatever `--set` puts there.
    pub nominal: f64,
    /// Least volts rms to be reckoned with.
    pub low: f64,
    /// Greatest volts rms to be reckoned with.
    pub high: f64,
    /// Hz.
    pub frequency: f64,
}

/// The taps of a mains transformer's primary.
#[derive(Clone, Debug, PartialEq)]
pub struct Taps {
    /// The transformer.
    pub part: PartId,
    /// Volts of the tap the mains is joined to, V.
    pub in_use: f64,
    /// Volts of every tap, V; in the order of the file.
    pub all: Vec<f64>,
}

impl Taps {
    /// Joins the mains to another tap, of `volts`, in a circuit that has the tap in use: the turns in use
    /// change, and with them the primary's resistance and leakage inductance.
    pub fn choose(&self, volts: f64, circuit: &mut Circuit) {
        let ratio = volts / self.in_use;
        if let Part::Transformer(transformer) = &mut circuit.part_mut(self.part).part
            && let Some(primary) = transformer.windings.first_mut()
        {
            primary.turns *= ratio;
            primary.resistance *= ratio;
            primary.leakage *= ratio * ratio;
        }
    }
}

/// The load that a secondary is made for, and where its taps are.
#[derive(Clone, Debug, PartialEq)]
pub struct MadeFor {
    /// The transformer.
    pub part: PartId,
    /// The ends and taps of the winding, from one end to the other.
    pub nodes: Vec<NodeId>,
    /// Turns from the first end to each, as a share of the winding, from 0 to 1.
    pub places: Vec<f64>,
    /// The load of the whole winding, Ω.
    pub ohms: f64,
}

impl MadeFor {
    /// The load that belongs between two of its nodes, Ω: it goes as the square of the turns between them. None
    /// where a node is not of the winding.
    pub fn between(&self, a: NodeId, b: NodeId) -> Option<f64> {
        let place = |node| Some(self.places[self.nodes.iter().position(|of| *of == node)?]);
        let share = place(a)? - place(b)?;
        Some(share * share * self.ohms)
    }
}

/// Something the reader of a report should know, and where it comes from.
#[derive(Clone, Debug, PartialEq)]
pub struct Note {
    /// Designator of the part.
    pub part: String,
    /// Its turn in the drawing: what is noted at one place has one number, places further down larger ones.
    pub turn: usize,
    /// What.
    pub kind: NoteKind,
}

/// Kinds of notes.
#[derive(Clone, Debug, PartialEq)]
pub enum NoteKind {
    /// A figure the file does not give; a typical one was taken.
    Assumed {
        /// The key that would give it.
        key: &'static str,
        /// The figure taken, SI.
        value: f64,
        /// Its unit.
        unit: Unit,
    },
    /// Nothing said about saturation: the core was taken as never saturating.
    NeverSaturates,
    /// Nothing said about losses of the core: none were taken.
    NoCoreLoss,
    /// A directly heated valve joined by a cathode: it was taken as the middle of a filament without volts.
    FilamentCentre,
    /// The file of the type stores no parameters: its law was fitted to its points.
    FittedOnReading {
        /// The type.
        kind: String,
        /// Worst error of the anode currents of the points, percent.
        worst_percent: f64,
        /// Worst error of their slopes, percent; none where none is printed.
        slope_percent: Option<f64>,
    },
    /// The file of the type gives no grid current: that of a class was taken.
    GridCurrentOf {
        /// The class.
        class: GridClass,
    },
    /// An open contact leaves electrodes without any other path for direct current: they stand where leakage leaves them.
    LeftByOpenContact {
        /// The valves.
        valves: Vec<String>,
    },
}
