//! Readings against the drawing: what is outside its band, and which single faults would explain it.
//!
//! ```text
//! misfit = √(mean (m_k − p_k)²/σ_k²),   σ² = likely² + accuracy² + (u·(p − p_0))²
//! ```
//!
//! Symbols   m  reading, V;  p  what the fault would make of it, V;  p_0  what the drawing makes of it, V;
//!           u  how far the size of a fault is off the one that was solved
//! Source    weighted least squares (textbook); the weights are ours
//! Care      single faults only; of a fault that has a size the size is fitted, see `size.rs`

use std::collections::BTreeSet;

use rayon::prelude::*;
use serde::Serialize;

use super::compared::{Compared, Standing};
use super::faults::{Bed, Fault};
use super::points::Point;
use super::size::{self, Fitted, Size, Sized};
use crate::UnderTest;
use sim::parts::Part;

/// How far the size of a fault is off the one solved: nobody knows by how much a part has drifted.
const SIZE: f64 = 0.2;

/// A shift counts as one from this share of the likely band; the size of a fault may differ.
const SEEN: f64 = 0.5;

/// Shift in a current that counts as more or less of it.
const MORE: f64 = 0.05;

/// A fault is worth telling when it leaves no more than this share of the misfit.
const EXPLAINS: f64 = 0.5;

/// Faults that are told.
const TOLD: usize = 3;

/// Of those found in a copy that stands still, how many are settled on the mains: more than are told.
const SETTLED: usize = 5;

/// Faults named behind a valve.
const NAMED: usize = 4;

/// A fault that explains the readings.
#[derive(Clone, Debug, Serialize)]
pub struct Explains {
    /// The part.
    pub part: String,
    /// What would be wrong with it.
    pub fault: String,
    /// How far off it is, of a fault that has a size; none of others.
    pub size: Option<Size>,
    /// What is left of the misfit.
    pub misfit: f64,
}

/// A fault that may explain the readings.
enum Candidate<'a> {
    /// Of the size that does it best.
    Sized(&'a Sized, Fitted),
    /// With its misfit.
    Fixed(&'a Fault, f64),
}

impl Candidate<'_> {
    fn misfit(&self) -> f64 {
        match self {
            Self::Sized(_, fitted) => fitted.misfit,
            Self::Fixed(_, misfit) => *misfit,
        }
    }

    /// What it is sorted by, for so many readings: a size that may be chosen costs one of χ², and the more the further it
    /// is from the drawing's.
    fn order(&self, readings: usize) -> f64 {
        let cost = match self {
            Self::Sized(_, fitted) => fitted.cost / readings as f64,
            Self::Fixed(..) => 0.0,
        };
        self.misfit().powi(2) + cost
    }

    /// As it is on the mains; as it was where it does not settle there.
    fn settled(self, there: &Bed<'_>, readings: &[Compared]) -> Self {
        match self {
            Self::Sized(sized, fitted) => {
                let shown = there.shown(sized.change(&fitted)).ok();
                let settled = shown.and_then(|shown| sized.corrected(readings, &fitted, &shown));
                Self::Sized(sized, settled.unwrap_or(fitted))
            }
            Self::Fixed(fault, as_it_was) => {
                let shown = there.shown(fault.change).ok();
                let settled = shown.map(|shown| misfit(readings, |k| shown[k]));
                Self::Fixed(
                    fault,
                    settled.filter(|of| of.is_finite()).unwrap_or(as_it_was),
                )
            }
        }
    }
}

impl From<Candidate<'_>> for Explains {
    fn from(candidate: Candidate<'_>) -> Self {
        let misfit = candidate.misfit();
        match candidate {
            Candidate::Sized(_, fitted) => Self {
                part: fitted.part,
                fault: fitted.what,
                size: Some(fitted.size),
                misfit,
            },
            Candidate::Fixed(fault, _) => Self {
                part: fault.part.clone(),
                fault: fault.what.to_owned(),
                size: None,
                misfit,
            },
        }
    }
}

/// Faults that leave every reading within its band.
#[derive(Clone, Debug, Serialize)]
pub struct Unseen {
    /// What would be wrong.
    pub fault: String,
    /// Designators of what may have it.
    pub parts: Vec<String>,
}

/// What the readings of one valve point at.
#[derive(Clone, Debug, Serialize)]
pub struct ValvePoints {
    /// The valve.
    pub valve: String,
    /// Electrodes outside with high, low and so on.
    pub signs: Vec<String>,
    /// What every fault named means for its anode current: "less", "more", or none when they disagree.
    pub current: Option<String>,
    /// Faults whose computed signs are those of the readings.
    pub faults: Vec<String>,
}

/// What the readings say.
#[derive(Clone, Debug, Serialize)]
pub struct Verdict {
    /// Each reading, in the order of the file.
    pub readings: Vec<Compared>,
    /// With nothing wrong, in bands: 1 is what tolerances make.
    pub misfit: f64,
    /// Each valve with a reading outside.
    pub valves: Vec<ValvePoints>,
    /// The single faults that explain all readings best.
    pub explained_by: Vec<Explains>,
    /// Faults looked at.
    pub tried: usize,
    /// Faults whose circuit could not be solved.
    pub unsolved: usize,
    /// What these readings cannot show.
    pub unseen: Vec<Unseen>,
}

impl Verdict {
    /// Whether any reading is beyond its likely band.
    pub fn any_outside(readings: &[Compared]) -> bool {
        readings.iter().any(|r| r.place != Standing::Within)
    }

    /// Weighs the faults; `currents` are the anode currents of the valves as drawn.
    pub(super) fn new(
        of: &UnderTest<'_>,
        readings: Vec<Compared>,
        points: (&[Point], &[f64]),
        bed: &Bed<'_>,
        currents: &[(String, f64)],
        (faults, unsolved): (&[Fault], usize),
    ) -> Self {
        let expected: Vec<f64> = readings.iter().map(|of| of.expected).collect();
        let of_none = misfit(&readings, |k| readings[k].expected);
        let predicted = |fault: &Fault, k: usize| fault.shown[k];
        let mut weighed: Vec<(f64, &Fault)> = faults
            .iter()
            .map(|fault| (misfit(&readings, |k| predicted(fault, k)), fault))
            .filter(|(misfit, _)| misfit.is_finite())
            .collect();
        weighed.sort_by(|a, b| a.0.total_cmp(&b.0));
        let outside = Self::any_outside(&readings);
        let explained_by = if outside {
            let misfits: Vec<f64> = faults
                .iter()
                .map(|fault| misfit(&readings, |k| predicted(fault, k)))
                .collect();
            let curves: Vec<Sized> = size::fit(bed, faults, &misfits);
            let sized = curves
                .iter()
                .filter_map(|sized| Some(Candidate::Sized(sized, sized.fitted(&readings)?)));
            let fixed = weighed
                .iter()
                .filter(|(_, fault)| !size::has_size(of, fault))
                .map(|(misfit, fault)| Candidate::Fixed(fault, *misfit));
            let mut all: Vec<Candidate<'_>> = sized.chain(fixed).collect();
            let order = |of: &Candidate<'_>| of.order(readings.len());
            all.retain(|of| of.misfit() < EXPLAINS * of_none);
            all.sort_by(|a, b| order(a).total_cmp(&order(b)));
            if !std::ptr::eq(of, bed.of) {
                all.truncate(SETTLED);
                let there = Bed::new(of, points, &expected);
                all = all
                    .into_par_iter()
                    .map(|candidate| candidate.settled(&there, &readings))
                    .collect();
                all.retain(|of| of.misfit() < EXPLAINS * of_none);
                all.sort_by(|a, b| order(a).total_cmp(&order(b)));
            }
            all.truncate(TOLD);
            all.into_iter().map(Explains::from).collect()
        } else {
            Vec::new()
        };
        let points = points.0;
        let names: BTreeSet<&String> = points
            .iter()
            .filter_map(|point| point.electrode.as_ref().map(|(valve, _)| valve))
            .collect();
        let valves = names
            .into_iter()
            .filter_map(|valve| of_valve(valve, &readings, points, &weighed, currents, &predicted))
            .collect();
        Self {
            misfit: of_none,
            valves,
            explained_by,
            tried: faults.len() + unsolved,
            unsolved,
            unseen: unseen(of, &readings, faults),
            readings,
        }
    }
}

/// Faults that move no reading out of its band, and those that no direct volts show.
fn unseen(of: &UnderTest<'_>, readings: &[Compared], faults: &[Fault]) -> Vec<Unseen> {
    let named = |is: fn(&Part) -> bool| -> Vec<String> {
        let parts = of.circuit.parts().filter(|(_, placed)| is(&placed.part));
        parts.map(|(_, placed)| placed.name.clone()).collect()
    };
    let mut found = vec![
        Unseen {
            fault: "open or dried up".to_owned(),
            parts: named(|part| matches!(part, Part::Capacitor(_))),
        },
        Unseen {
            fault: "with shorted turns".to_owned(),
            parts: named(|part| matches!(part, Part::Transformer(_) | Part::Inductor(_))),
        },
    ];
    for fault in faults {
        let stays = |(shown, reading): (&f64, &Compared)| {
            (shown - reading.expected).abs() <= reading.likely()
        };
        if !fault.shown.iter().zip(readings).all(stays) {
            continue;
        }
        match found.iter_mut().find(|of| of.fault == fault.what) {
            Some(of) => of.parts.push(fault.part.clone()),
            None => found.push(Unseen {
                fault: fault.what.to_owned(),
                parts: vec![fault.part.clone()],
            }),
        }
    }
    found.retain(|of| !of.parts.is_empty());
    found
}

fn misfit(readings: &[Compared], predicted: impl Fn(usize) -> f64) -> f64 {
    let squares: f64 = readings
        .iter()
        .enumerate()
        .map(|(k, reading)| {
            let p = predicted(k);
            let sigma = reading.likely().hypot(SIZE * (p - reading.expected));
            ((reading.reading - p) / sigma).powi(2)
        })
        .sum();
    (squares / readings.len() as f64).sqrt()
}

fn of_valve(
    valve: &str,
    readings: &[Compared],
    points: &[Point],
    weighed: &[(f64, &Fault)],
    currents: &[(String, f64)],
    predicted: &impl Fn(&Fault, usize) -> f64,
) -> Option<ValvePoints> {
    let own: Vec<(usize, &'static str)> = points
        .iter()
        .enumerate()
        .filter_map(|(k, point)| match &point.electrode {
            Some((name, electrode)) if name == valve => Some((k, *electrode)),
            _ => None,
        })
        .collect();
    let outside = |k: usize| readings[k].place != Standing::Within;
    let signs: Vec<String> = own
        .iter()
        .filter(|(k, _)| outside(*k))
        .map(|(k, electrode)| format!("{electrode} {}", readings[*k].words()))
        .collect();
    if signs.is_empty() {
        return None;
    }
    // A fault fits when it moves what is outside the same way, and leaves alone what is within.
    let fits: Vec<&Fault> = weighed
        .iter()
        .map(|(_, fault)| *fault)
        .filter(|fault| {
            own.iter().all(|&(k, _)| {
                let shift = predicted(fault, k) - readings[k].expected;
                if outside(k) {
                    let seen = shift.abs() > SEEN * readings[k].likely();
                    seen && shift * readings[k].difference > 0.0
                } else {
                    shift.abs() < 2.0 * readings[k].likely()
                }
            })
        })
        .take(NAMED)
        .collect();
    let of = |list: &[(String, f64)]| {
        let found = list.iter().find(|(name, _)| name == valve);
        found.map(|(_, current)| *current)
    };
    let drawn = of(currents);
    let changes: BTreeSet<&str> = fits
        .iter()
        .map(|fault| match (of(&fault.currents), drawn) {
            (Some(now), Some(drawn)) if now > (1.0 + MORE) * drawn => "more",
            (Some(now), Some(drawn)) if now < (1.0 - MORE) * drawn => "less",
            _ => "same",
        })
        .collect();
    let current = (changes.len() == 1)
        .then(|| changes.first().map(|word| (*word).to_owned()))
        .flatten()
        .filter(|word| word != "same");
    Some(ValvePoints {
        valve: valve.to_owned(),
        signs,
        current,
        faults: {
            let fits = fits
                .iter()
                .map(|fault| format!("{} {}", fault.part, fault.kind));
            let mut named: Vec<String> = fits.collect();
            named.dedup();
            named
        },
    })
}
