//! How far off a part is, from readings: the size that explains them best, and its band.
//!
//! ```text
//! χ²(s) = Σ (m_k − p_k(s))²/σ_k²,   band: χ²(s) ≤ χ²_min + 1,   misfit = √(χ²_min/n)
//! ```
//!
//! Symbols   s  size: value over its value as drawn, or ohms of a leak;  m, p  readings and what they would be, V;
//!           σ  likely band with the meter's accuracy, V;  n  number of readings
//! Source    weighted least squares, one standard deviation of one parameter (textbook). That a size to be fitted
//!           costs one of χ² in the order of the faults is ours: an adjustable fault always leaves less than a fixed one
//! Care      p is solved at sizes in equal ratios and a straight line in log s between them, which is off by less
//!           than a hundredth of what the fault can shift; on the mains in a copy that stands still, the best of them
//!           settled once more at their size, by which all of its curve is moved

use rayon::prelude::*;
use serde::Serialize;

use super::change::Departure;
use super::compared::Compared;
use super::faults::{Bed, Fault};
use crate::UnderTest;
use sim::circuit::PartId;
use sim::parts::Part;
use sim::quantity::{Unit, engineering};

/// Kinds of faults whose size is sought, at most: those that fit best at the sizes tried.
const SOUGHT: usize = 8;

/// Kinds sought on the mains, where each size is a period to settle.
const SOUGHT_ON_MAINS: usize = 3;

/// Leakage of a capacitor that begins to fail, Ω: several grid leaks (common practice, no source).
const SOUND: f64 = 2e6;

/// Sizes solved for.
const SIZES: usize = 33;

/// Sizes solved for on the mains.
const SIZES_ON_MAINS: usize = 13;

/// Places between two sizes solved for at which χ² is read.
const FINE: usize = 50;

/// What it is that has a size, and within what it is sought.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Kind {
    /// Times its resistance: a hundredth is a short, a hundred an open one.
    Resistance,
    /// Times its current.
    Emission,
    /// Ohms of a leak.
    Leak,
    /// Times its volts.
    Volts,
}

impl Kind {
    fn of(of: &UnderTest<'_>, change: Departure) -> Option<(Self, PartId)> {
        match change {
            Departure::Leak(part, _) => Some((Self::Leak, part)),
            Departure::Dead(part) => Some((Self::Emission, part)),
            Departure::Scale(part, _) => {
                let kind = match of.circuit.part(part).part {
                    Part::Valve(_) => Self::Emission,
                    Part::Source(_) => Self::Volts,
                    Part::Resistor(_)
                    | Part::Capacitor(_)
                    | Part::Inductor(_)
                    | Part::Transformer(_)
                    | Part::Device(_)
                    | Part::Diodes(_)
                    | Part::Pot(_)
                    | Part::Switch(_)
                    | Part::Loudspeaker(_) => Self::Resistance,
                };
                Some((kind, part))
            }
            Departure::Open(_) | Departure::Short(_) | Departure::Meter(..) => None,
        }
    }

    /// Least and greatest size.
    fn limits(self) -> (f64, f64) {
        match self {
            Self::Resistance => (0.01, 100.0),
            Self::Emission => (0.01, 1.5),
            Self::Leak => (1e3, 1e9),
            Self::Volts => (0.2, 1.5),
        }
    }

    /// The size at place `k` of so many.
    fn size(self, k: f64, sizes: usize) -> f64 {
        let (least, most) = self.limits();
        let step = (most / least).ln() / (sizes - 1) as f64;
        least * (step * k).exp()
    }

    fn change(self, part: PartId, size: f64) -> Departure {
        match self {
            Self::Leak => Departure::Leak(part, size),
            Self::Resistance | Self::Emission | Self::Volts => Departure::Scale(part, size),
        }
    }

    /// What a size so far from the drawing's costs, of χ²: one for a decade, of a leak for one below what begins to fail. It
    /// parts faults that the readings do not.
    fn cost(self, size: f64) -> f64 {
        match self {
            Self::Resistance | Self::Emission | Self::Volts => size.log10().powi(2),
            Self::Leak => (SOUND / size).log10().max(0.0).powi(2),
        }
    }

    /// The fault in words, behind the designator.
    fn words(self, size: &Size) -> String {
        let told = |size: f64| match self {
            Self::Leak => engineering(size, Unit::Ohm),
            Self::Resistance | Self::Emission | Self::Volts => {
                format!("{:.0} %", 100.0 * size)
            }
        };
        let band = match (size.low, size.high) {
            (Some(low), Some(high)) => format!("{} to {}", told(low), told(high)),
            (None, Some(high)) => format!("{} or less", told(high)),
            (Some(low), None) => format!("{} or more", told(low)),
            (None, None) => "any".to_owned(),
        };
        let at = told(size.value);
        match self {
            Self::Resistance => format!("at {at} of its value ({band})"),
            Self::Emission => format!("with {at} of its current ({band})"),
            Self::Leak => format!("leaking through {at} ({band})"),
            Self::Volts => format!("at {at} of its volts ({band})"),
        }
    }
}

/// A size with its band.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Size {
    /// What explains the readings best: value over its value as drawn, or ohms of a leak.
    pub value: f64,
    /// Least of the band; none where it has no end within what was tried.
    pub low: Option<f64>,
    /// Greatest of the band; none where it has no end within what was tried.
    pub high: Option<f64>,
}

/// A fault of the size that explains the readings best.
#[derive(Clone, Debug)]
pub(super) struct Fitted {
    pub(super) part: String,
    pub(super) what: String,
    pub(super) size: Size,
    pub(super) misfit: f64,
    /// What that size costs, of χ².
    pub(super) cost: f64,
    /// What the meters show then, V.
    pub(super) shown: Vec<f64>,
}

/// Whether a fault has a size to be fitted.
pub(super) fn has_size(of: &UnderTest<'_>, fault: &Fault) -> bool {
    Kind::of(of, fault.change).is_some()
}

/// What a fault of any size would show, solved for at sizes in equal ratios.
pub(super) struct Sized {
    kind: Kind,
    part: PartId,
    name: String,
    tried: Vec<Option<Vec<f64>>>,
}

/// Fits the sizes of the faults that fit best as they were tried; `misfits` are theirs.
pub(super) fn fit(bed: &Bed<'_>, faults: &[Fault], misfits: &[f64]) -> Vec<Sized> {
    let of = bed.of;
    let mut sorted: Vec<(f64, &Fault)> = misfits.iter().copied().zip(faults).collect();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut kinds: Vec<(Kind, PartId)> = Vec::new();
    for (_, fault) in sorted.iter().filter(|(misfit, _)| misfit.is_finite()) {
        let kind = Kind::of(of, fault.change);
        kinds.extend(kind.filter(|kind| !kinds.contains(kind)));
    }
    let on_mains = of.rest.mains.is_some();
    kinds.truncate(if on_mains { SOUGHT_ON_MAINS } else { SOUGHT });
    let sizes = if on_mains { SIZES_ON_MAINS } else { SIZES };
    let fits = kinds.into_par_iter().map(|(kind, part)| {
        let solve = |k: usize| {
            let change = kind.change(part, kind.size(k as f64, sizes));
            bed.shown(change).ok()
        };
        Sized {
            kind,
            part,
            name: of.circuit.part(part).name.clone(),
            tried: (0..sizes).into_par_iter().map(solve).collect(),
        }
    });
    fits.collect()
}

impl Sized {
    /// The size that explains the readings best.
    pub(super) fn fitted(&self, readings: &[Compared]) -> Option<Fitted> {
        self.moved(readings, &vec![0.0; readings.len()])
    }

    /// That of a fitted one, where at its size the meters show this, V.
    pub(super) fn corrected(
        &self,
        readings: &[Compared],
        fitted: &Fitted,
        there: &[f64],
    ) -> Option<Fitted> {
        let moved = there
            .iter()
            .zip(&fitted.shown)
            .map(|(there, here)| there - here);
        self.moved(readings, &moved.collect::<Vec<_>>())
    }

    /// The change that it is at that size.
    pub(super) fn change(&self, fitted: &Fitted) -> Departure {
        self.kind.change(self.part, fitted.size.value)
    }

    /// The size, with so many volts more shown at every one.
    fn moved(&self, readings: &[Compared], more: &[f64]) -> Option<Fitted> {
        let places: Vec<(f64, f64, Vec<f64>)> = fine(&self.tried)
            .map(|(k, mut shown)| {
                for (volts, more) in shown.iter_mut().zip(more) {
                    *volts += more;
                }
                let size = self.kind.size(k, self.tried.len());
                (size, squares(readings, &shown), shown)
            })
            .collect();
        let at = (0..places.len()).min_by(|a, b| places[*a].1.total_cmp(&places[*b].1))?;
        let (value, least_squares, shown) = &places[at];
        let beyond = |of: &&(f64, f64, Vec<f64>)| of.1 > least_squares + 1.0;
        let size = Size {
            value: *value,
            low: places[..at].iter().rev().find(beyond).map(|of| of.0),
            high: places[at..].iter().find(beyond).map(|of| of.0),
        };
        Some(Fitted {
            part: self.name.clone(),
            what: self.kind.words(&size),
            size,
            misfit: (least_squares / readings.len() as f64).sqrt(),
            cost: 1.0 + self.kind.cost(*value),
            shown: shown.clone(),
        })
    }
}

fn squares(readings: &[Compared], shown: &[f64]) -> f64 {
    let each = readings.iter().zip(shown);
    each.map(|(reading, shown)| ((reading.reading - shown) / reading.likely()).powi(2))
        .sum()
}

/// What would be shown at places between the sizes solved for, by their number; none across a size without a solution.
fn fine(tried: &[Option<Vec<f64>>]) -> impl Iterator<Item = (f64, Vec<f64>)> + '_ {
    let pairs = tried.windows(2).enumerate();
    pairs.flat_map(|(k, pair)| {
        let both = pair[0].as_ref().zip(pair[1].as_ref());
        let between = both.map(|(a, b)| {
            (0..FINE).map(move |j| {
                let share = j as f64 / FINE as f64;
                let shown = a.iter().zip(b).map(|(a, b)| a + share * (b - a));
                (k as f64 + share, shown.collect())
            })
        });
        between.into_iter().flatten()
    })
}
