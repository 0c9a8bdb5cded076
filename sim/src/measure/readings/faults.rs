//! Faults of a single part, each solved: what the readings would be if that were wrong.

use rayon::prelude::*;

use super::band::supplies;
use super::change::{Change, matters};
use super::points::Point;
use super::whole::{Solved, Whole};
use crate::parts::Part;

/// Leakage of a capacitor that fails and of one that begins to, Ω: half a grid leak and several of them
/// (common practice, no source).
const LEAKS: [(&str, f64); 2] = [("leaking (220 kΩ)", 220e3), ("leaking (2 MΩ)", 2e6)];

/// A part that has drifted is at twice or half its value.
const DRIFTED: f64 = 2.0;

/// What is left of the current of a worn valve, and of one that does not conduct.
const WEAK: f64 = 0.5;
const DEAD: f64 = 1e-4;

/// A supply that gives too little.
const LOW: f64 = 0.8;

/// A fault and what it makes of the circuit.
#[derive(Clone, Debug)]
pub(super) struct Fault {
    /// The part.
    pub(super) part: String,
    /// What is wrong with it, behind its designator: "open", "weak (half the current)".
    pub(super) what: &'static str,
    pub(super) solved: Solved,
}

type Hypothesis = (String, &'static str, Change);

/// All faults that are looked at; what cannot be solved is left out and counted.
pub(super) fn faults(
    whole: &Whole<'_>,
    points: &[Point],
    done: &(impl Fn(usize) + Sync),
) -> (Vec<Fault>, usize) {
    let all = hypotheses(whole);
    let count = all.len();
    let found: Vec<Fault> = all
        .into_par_iter()
        .filter_map(|(part, what, change)| {
            let solved = whole.with(change, points);
            done(1);
            Some(Fault {
                part,
                what,
                solved: solved.ok()?,
            })
        })
        .collect();
    let left = count - found.len();
    (found, left)
}

/// How many circuits [`faults`] solves.
pub(super) fn count(whole: &Whole<'_>) -> usize {
    hypotheses(whole).len()
}

fn hypotheses(whole: &Whole<'_>) -> Vec<Hypothesis> {
    let mut all: Vec<Hypothesis> = Vec::new();
    for (id, placed) in whole.circuit.parts() {
        let mut add = |what, change| all.push((placed.name.clone(), what, change));
        match &placed.part {
            Part::Resistor(_) => {
                add("open", Change::Open(id));
                add("short-circuited", Change::Short(id));
                add("drifted to double", Change::Scale(id, DRIFTED));
                add("drifted to half", Change::Scale(id, 1.0 / DRIFTED));
            }
            Part::Pot(_) => add("track open", Change::Open(id)),
            Part::Capacitor(_) => {
                add("short-circuited", Change::Short(id));
                for (what, ohms) in LEAKS {
                    add(what, Change::Leak(id, ohms));
                }
            }
            Part::Inductor(_) => add("open", Change::Open(id)),
            part @ Part::Valve(_) if matters(part) => {
                add("weak (half the current)", Change::Scale(id, WEAK));
                add("without emission", Change::Scale(id, DEAD));
            }
            _ => {}
        }
    }
    for id in supplies(whole) {
        let name = whole.circuit.part(id).name.clone();
        all.push((name, "20 % low", Change::Scale(id, LOW)));
    }
    all
}
