//! Faults of a single part, each solved: what the readings would be if that were wrong.
//!
//! The meter is joined to the faulty circuit too: at an open part it closes the circuit. On the mains, where that
//! would settle a period for each reading of each fault, faults are solved in a copy that stands still
//! (`at_rest/still.rs`), and what each moves there is added to what the drawing makes of the readings on the mains. Those
//! that explain them best are settled on the mains, where a meter takes its share of the faulty circuit linearised.

use rayon::prelude::*;

use super::change::Departure;
use super::points::Point;
use super::share;
use super::solved::{loaded, solved, source_ohms, with};
use crate::UnderTest;
use crate::instruments::varied::{Quantity, supplies};
use sim::error::SimError;
use sim::parts::Part;

/// Leakage of a capacitor that fails and of one that begins to, Ω: half a grid leak and several of them
/// (common practice, no source).
const LEAKS: [(&str, f64); 2] = [("leaking (220 kΩ)", 220e3), ("leaking (2 MΩ)", 2e6)];

/// A fault without its size.
const UP: &str = "drifted upward";
const DOWN: &str = "drifted downward";
const LEAKING: &str = "leaking";
const LITTLE_CURRENT: &str = "weak";

/// A part that has drifted is at twice or half its value.
const DRIFTED: f64 = 2.0;

/// What is left of the current of a tired valve, where a tester calls it weak (common practice, no source), and of a worn
/// one.
const TIRED: f64 = 0.7;
const WEAK: f64 = 0.5;

/// A supply that gives too little.
const LOW: f64 = 0.8;

/// A fault and what it makes of the circuit.
#[derive(Clone, Debug)]
pub(super) struct Fault {
    /// The part.
    pub(super) part: String,
    /// What is wrong with it, behind its designator: "open", "weak (half the current)".
    pub(super) what: &'static str,
    /// What is wrong without its size: "open", "weak".
    pub(super) kind: &'static str,
    /// What was changed.
    pub(super) change: Departure,
    /// What the meter would show at each reading's point, V.
    pub(super) shown: Vec<f64>,
    /// Anode current of each valve by its designator, A.
    pub(super) currents: Vec<(String, f64)>,
}

type Hypothesis = (String, [&'static str; 2], Departure);

/// Where faults are solved: the amplifier, or its copy that stands still.
pub(super) struct Bed<'a> {
    pub(super) of: &'a UnderTest<'a>,
    points: &'a [Point],
    /// Of the meters at them.
    ohms: &'a [f64],
    /// What the readings are on the mains more than here with nothing wrong, V.
    offset: Vec<f64>,
}

impl<'a> Bed<'a> {
    /// Meters of these ohms at the points, which show `expected` with nothing wrong.
    pub(super) fn new(
        of: &'a UnderTest<'a>,
        (points, ohms): (&'a [Point], &'a [f64]),
        expected: &[f64],
    ) -> Self {
        let here = shown(of, points, ohms);
        let offset = expected.iter().zip(here).map(|(there, here)| there - here);
        Self {
            of,
            points,
            ohms,
            offset: offset.collect(),
        }
    }

    /// What the meters show with a change, V.
    pub(super) fn shown(&self, change: Departure) -> Result<Vec<f64>, SimError> {
        with(self.of, change, |faulty| self.of_faulty(faulty))
    }

    fn of_faulty(&self, faulty: &UnderTest<'_>) -> Vec<f64> {
        let shown = shown(faulty, self.points, self.ohms);
        shown
            .iter()
            .zip(&self.offset)
            .map(|(v, more)| v + more)
            .collect()
    }
}

/// All faults that are looked at; what cannot be solved is left out and counted.
pub(super) fn faults(
    of: &UnderTest<'_>,
    bed: &Bed<'_>,
    done: &(impl Fn(usize) + Sync),
) -> (Vec<Fault>, usize) {
    let all = hypotheses(of);
    let count = all.len();
    let found: Vec<Fault> = all
        .into_par_iter()
        .filter_map(|(part, [what, kind], change)| {
            let fault = with(bed.of, change, |faulty| Fault {
                part,
                what,
                kind,
                change,
                shown: bed.of_faulty(faulty),
                currents: solved(faulty, &[]).currents,
            });
            done(1);
            fault.ok()
        })
        .collect();
    let left = count - found.len();
    (found, left)
}

/// What meters of these ohms show at the points.
fn shown(faulty: &UnderTest<'_>, points: &[Point], ohms: &[f64]) -> Vec<f64> {
    let volts = solved(faulty, points).volts;
    let nodes: Vec<_> = points.iter().map(|point| point.node).collect();
    let sources = source_ohms(faulty, &nodes);
    (0..points.len())
        .map(|k| {
            let linear = || volts[k] * share(ohms[k], sources[k]);
            if ohms[k].is_infinite() || faulty.rest.mains.is_some() {
                return linear();
            }
            loaded(faulty, &points[k], ohms[k]).unwrap_or_else(|_| linear())
        })
        .collect()
}

/// How many circuits [`faults`] solves.
pub(super) fn count(of: &UnderTest<'_>) -> usize {
    hypotheses(of).len()
}

fn hypotheses(of: &UnderTest<'_>) -> Vec<Hypothesis> {
    let mut all: Vec<Hypothesis> = Vec::new();
    for (id, placed) in of.circuit.parts() {
        let mut sized = |what, kind, change| all.push((placed.name.clone(), [what, kind], change));
        match &placed.part {
            Part::Resistor(_) => {
                sized("open", "open", Departure::Open(id));
                sized("short-circuited", "short-circuited", Departure::Short(id));
                sized("drifted to double", UP, Departure::Scale(id, DRIFTED));
                sized("drifted to half", DOWN, Departure::Scale(id, 1.0 / DRIFTED));
            }
            Part::Pot(_) => sized("track open", "track open", Departure::Open(id)),
            Part::Capacitor(_) => {
                sized("short-circuited", "short-circuited", Departure::Short(id));
                for (what, ohms) in LEAKS {
                    sized(what, LEAKING, Departure::Leak(id, ohms));
                }
            }
            Part::Inductor(_) => sized("open", "open", Departure::Open(id)),
            part @ Part::Valve(_) => {
                if Quantity::at_rest(part).is_some() {
                    for (what, left) in [
                        ("weak (70 % of the current)", TIRED),
                        ("weak (half the current)", WEAK),
                    ] {
                        sized(what, LITTLE_CURRENT, Departure::Scale(id, left));
                    }
                    sized("without emission", "without emission", Departure::Dead(id));
                }
            }
            Part::Transformer(_)
            | Part::Device(_)
            | Part::Diodes(_)
            | Part::Source(_)
            | Part::Switch(_)
            | Part::Loudspeaker(_) => {}
        }
    }
    for id in supplies(of.circuit) {
        let name = of.circuit.part(id).name.clone();
        all.push((name, ["20 % low", "low"], Departure::Scale(id, LOW)));
    }
    all
}
