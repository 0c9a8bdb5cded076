//! The value of a part for which a figure of the amplifier becomes what is wanted.
//!
//! The amplifier file is read again with each value in the part's place, as `--set` does it, and the figure is
//! measured anew: what the answer says is what the other commands say of that value. All solutions in the
//! bracket are told, see `search`, and of resistors and capacitors what the preferred values beside each give.
//!
//! Cost: a measurement of the figure for each point of the grid, some ten for each solution and four for the
//! preferred values; milliseconds each for a circuit at rest, up to seconds for power and hum, of which fewer points and
//! a narrower stretch are looked at. The ends of the stretch are part of the answer.
//!
//! Over 400 lines because the question, its words, its answer and its faults are one contract.

use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;
use serde::Serialize;

use crate::instruments::preferred::{Series, rating};
use crate::judged::figure::{Figure, FigureError};
use crate::judged::study::Study;
use crate::{Progress, Reached, UnderTest};
use models::nearest::nearest;
use sim::System;
use sim::amplifier::Amplifier;
use sim::circuit::Circuit;
use sim::parts::{Part, Source, Waveform};
use sim::quantity::{Quantity, QuantityError, Unit};

mod search;
#[cfg(test)]
mod tests;

use search::{Found, PROMISED, search, widened};

/// Points of the grid in a decade: of a figure at rest, of one that takes a sweep, and of one that takes settled periods
/// on the mains.
const AT_REST: usize = 24;
const COSTLY: usize = 6;
const ON_THE_MAINS: usize = 3;

/// Points of a grid that is no decade: settings of a pot.
const SETTINGS: usize = 40;

/// How far either way the search goes without a bracket, and how far when that finds nothing: of a figure that takes
/// settled periods less far.
const NEAR: f64 = 10.0;
const FAR: f64 = 1000.0;
const FAR_WITH_PERIODS: f64 = 100.0;

/// How far supplies go.
const SUPPLY: f64 = 2.0;

/// Ends of a pot's travel, where there is nothing left to set.
const ENDS: (f64, f64) = (0.01, 0.99);

/// The amplifier with values of parts, by designator, that go before its own; none when it cannot be read so.
pub type Reader<'a> = dyn Fn(&[(String, String)]) -> Option<Amplifier> + Sync + 'a;

/// The question.
#[derive(Clone, Debug)]
pub struct ChooseOf {
    /// Parts that all get the value.
    pub parts: Vec<String>,
    /// What the value is measured in; a pot's setting in per cent of its travel.
    pub unit: Unit,
    /// What it is now, SI; none where the file does not say it as a number, as of a pot's travel.
    pub present: Option<f64>,
    /// The figure.
    pub figure: Figure,
    /// What it shall be, SI.
    pub target: f64,
    /// Where to look, SI.
    pub between: Option<(f64, f64)>,
    /// Whether watts are to be told.
    resistors: bool,
}

/// The answer. SI units.
#[derive(Clone, Debug, Serialize)]
pub struct Choice {
    /// The parts.
    pub parts: Vec<String>,
    /// Symbol of the unit of their values; `%` for a ratio.
    pub unit: &'static str,
    /// Value now; none where it is no plain number.
    pub present: Option<f64>,
    /// What the figure is now; none where there is none.
    pub present_gives: Option<f64>,
    /// The figure in words.
    pub figure: String,
    /// Symbol of its unit; `%` for a ratio.
    pub figure_unit: &'static str,
    /// What it shall be.
    pub target: f64,
    /// Ends of the search.
    pub from: f64,
    /// Its other end.
    pub to: f64,
    /// Everything that was measured, in rising order.
    pub curve: Vec<Measured>,
    /// Every value that meets the target.
    pub solutions: Vec<Solution>,
    /// Values at which the figure jumps over the target.
    pub jumps: Vec<f64>,
    /// Least of the curve; none when there is nothing.
    pub least: Option<Measured>,
    /// Greatest of the curve.
    pub greatest: Option<Measured>,
}

/// A value and what it gives.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Measured {
    /// Of the part.
    pub value: f64,
    /// The figure; none where there is none.
    pub gives: Option<f64>,
}

/// A value that meets the target.
#[derive(Clone, Debug, Serialize)]
pub struct Solution {
    /// Of the part.
    pub value: f64,
    /// The figure.
    pub gives: f64,
    /// True for the one nearest to the present value.
    pub nearest: bool,
    /// True when the amplifier would not stay at rest with it.
    pub oscillates: bool,
    /// Preferred values beside it, rising; empty for what is not made in series.
    pub preferred: Vec<Preferred>,
    /// Dissipation with no signal of each resistor, the greatest, W; none for other parts.
    pub dissipation: Option<f64>,
    /// Rating with its margin, W; none for other parts and beyond the ratings there are.
    pub rating: Option<f64>,
}

/// A preferred value.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Preferred {
    /// Of the part.
    pub value: f64,
    /// The coarsest series that has it.
    pub series: Series,
    /// The figure; none where there is none.
    pub gives: Option<f64>,
}

/// A question that cannot be asked.
#[derive(Clone, Debug, thiserror::Error)]
pub enum ChooseError {
    /// The part does not exist.
    #[error("no part `{part}`")]
    NoPart {
        /// As written.
        part: String,
        /// The designator most like it.
        nearest: Option<String>,
    },
    /// The part has no one value.
    #[error("{part} is a {is}, which has no single value to choose")]
    NoValue {
        /// The part.
        part: String,
        /// What it is.
        is: &'static str,
    },
    /// Parts that cannot share a value.
    #[error("{first} and {second} cannot have the same value")]
    Unlike {
        /// One.
        first: String,
        /// The other.
        second: String,
    },
    /// No equals sign.
    #[error("`{0}` is not FIGURE = VALUE")]
    Form(String),
    /// The figure.
    #[error(transparent)]
    Figure(#[from] FigureError),
    /// The target.
    #[error("{0}")]
    Target(QuantityError),
    /// The bracket.
    #[error("`{0}` is not LOW..HIGH")]
    Between(String),
    /// A value in the bracket.
    #[error("{0}")]
    Bracket(QuantityError),
    /// Neither a present value nor a bracket.
    #[error("the file does not give the value of {0} as a number")]
    NoPresent(String),
}

impl ChooseError {
    /// What may be written instead.
    pub fn help(&self) -> String {
        match self {
            Self::NoPart {
                nearest: Some(name),
                ..
            } => format!("did you mean {name}?"),
            Self::NoPart { .. } => "check the spelling".to_owned(),
            Self::NoValue { .. } | Self::Unlike { .. } => {
                "a value can be chosen of resistors, capacitors, chokes, pots (their setting) and supplies (their volts)"
                    .to_owned()
            }
            Self::Form(_) => "write e.g. \"V5 anode current = 60mA\"".to_owned(),
            Self::Figure(error) => error.help(),
            Self::Target(_) => "write the value with its unit: 60mA, 12W, 0.5%".to_owned(),
            Self::Between(_) | Self::Bracket(_) => "write e.g. --between 100R..1k".to_owned(),
            Self::NoPresent(_) => "say where to look: --between 5H..20H".to_owned(),
        }
    }
}

impl ChooseOf {
    /// Reads the question: designators with commas, `FIGURE = VALUE`, and `LOW..HIGH`.
    ///
    /// # Errors
    /// Every [`ChooseError`].
    pub fn parse(
        parts: &str,
        wanted: &str,
        between: Option<&str>,
        circuit: &Circuit,
    ) -> Result<Self, ChooseError> {
        let parts: Vec<String> = parts
            .split(',')
            .map(|name| name.trim().to_owned())
            .collect();
        let mut values = Vec::new();
        for name in &parts {
            values.push(value_of(name, circuit)?);
        }
        let (unit, present, resistors) = values[0];
        if let Some(k) = values.iter().position(|(other, ..)| *other != unit) {
            return Err(ChooseError::Unlike {
                first: parts[0].clone(),
                second: parts[k].clone(),
            });
        }
        let (figure, target) = wanted
            .rsplit_once('=')
            .ok_or_else(|| ChooseError::Form(wanted.trim().to_owned()))?;
        let figure = Figure::parse(figure, circuit)?;
        let target = match target.trim() {
            "0" => 0.0,
            text => Quantity::parse(text, figure.unit()).map_err(ChooseError::Target)?,
        };
        let between = match between {
            None => None,
            Some(text) => {
                let bad = || ChooseError::Between(text.trim().to_owned());
                let (low, high) = text.split_once("..").ok_or_else(bad)?;
                let end = |text| Quantity::parse(text, unit).map_err(ChooseError::Bracket);
                let (low, high) = (end(low)?, end(high)?);
                if !(low > 0.0 && high > low && (unit != Unit::Percent || high <= 1.0)) {
                    return Err(bad());
                }
                Some((low, high))
            }
        };
        if present.is_none() && between.is_none() && unit != Unit::Percent {
            return Err(ChooseError::NoPresent(parts[0].clone()));
        }
        Ok(Self {
            parts,
            unit,
            present,
            figure,
            target,
            between,
            resistors,
        })
    }

    /// The value as `--set` takes it, for each part.
    pub fn set(&self, value: f64) -> Vec<(String, String)> {
        let text = Quantity::exact(value, self.unit);
        let parts = self.parts.iter();
        parts.map(|part| (part.clone(), text.clone())).collect()
    }

    /// Answers; `progress` is told how many measurements are done. A value whose circuit has no answer, or
    /// whose file has faults, has no figure. Each value makes another amplifier, so this is no
    /// [`Measurement`](crate::Measurement) of one; those on the mains set out from the one as drawn, where it stays at
    /// rest.
    pub fn run(
        &self,
        read: &Reader<'_>,
        drawn: Option<&UnderTest<'_>>,
        progress: &Progress<'_>,
    ) -> Choice {
        let on_the_mains = drawn.is_some_and(|drawn| drawn.rest.mains.is_some());
        let drawn = drawn.filter(|drawn| on_the_mains && matches!(drawn.growing(), Ok(None)));
        let measured = AtomicUsize::new(0);
        let figure = |value: f64| {
            let gives = with(read, drawn, &self.set(value), |study| {
                self.figure.of(study).ok().flatten()
            });
            progress(Reached::count(measured.fetch_add(1, Ordering::Relaxed) + 1));
            gives.flatten().filter(|figure| figure.is_finite())
        };
        let logarithmic = self.unit != Unit::Percent;
        let value = |x: f64| if logarithmic { x.exp() } else { x };
        let mut ends = self.ends(NEAR);
        let grid = |ends| self.grid(ends, on_the_mains);
        let at = |x: f64| figure(value(x));
        let mut found = search(&grid(ends), self.target, &at);
        let widens = self.between.is_none() && logarithmic && self.unit != Unit::Volt;
        if found.roots.is_empty() && widens {
            let near = ends;
            ends = self.ends(if self.figure.needs_periods() {
                FAR_WITH_PERIODS
            } else {
                FAR
            });
            // The ends of the near stretch are known.
            let mut further = grid((ends.0, near.0));
            further.pop();
            further.extend(grid((near.1, ends.1)).into_iter().skip(1));
            found = widened(found.curve, &further, self.target, &at);
        }
        let Found {
            curve,
            roots,
            jumps,
        } = found;
        let curve: Vec<Measured> = curve
            .into_iter()
            .map(|(x, gives)| Measured {
                value: value(x),
                gives,
            })
            .collect();
        let by = |a: &&Measured, b: &&Measured| {
            let figure = |at: &Measured| at.gives.unwrap_or(f64::NAN);
            figure(a).total_cmp(&figure(b))
        };
        let given = || curve.iter().filter(|at| at.gives.is_some());
        let (least, greatest) = (given().min_by(by).copied(), given().max_by(by).copied());
        let mut solutions: Vec<Solution> = roots
            .into_par_iter()
            .map(|(x, gives)| self.solution(read, drawn, value(x), gives, &figure))
            .collect();
        if let Some(present) = self.present.filter(|present| *present > 0.0) {
            let off = |solution: &Solution| (solution.value / present).ln().abs();
            let nearest = solutions.iter_mut();
            if let Some(nearest) = nearest.min_by(|a, b| off(a).total_cmp(&off(b))) {
                nearest.nearest = true;
            }
        }
        Choice {
            parts: self.parts.clone(),
            unit: self.unit.symbol(),
            present: self.present,
            present_gives: with(read, drawn, &[], |study| {
                self.figure.of(study).ok().flatten()
            })
            .flatten(),
            figure: self.figure.to_string(),
            figure_unit: self.figure.unit().symbol(),
            target: self.target,
            from: ends.0,
            to: ends.1,
            curve,
            solutions,
            jumps: jumps.into_iter().map(value).collect(),
            least,
            greatest,
        }
    }

    /// How close the target is met, a ratio of it.
    pub fn promised() -> f64 {
        PROMISED
    }

    /// Where to look.
    fn ends(&self, times: f64) -> (f64, f64) {
        match (self.between, self.unit, self.present) {
            (Some(ends), ..) => ends,
            (None, Unit::Percent, _) | (None, _, None) => ENDS,
            (None, Unit::Volt, Some(present)) => (present / SUPPLY, present * SUPPLY),
            (None, _, Some(present)) => (present / times, present * times),
        }
    }

    /// Coordinates at which the figure is measured: logarithms, or settings as they are.
    fn grid(&self, (low, high): (f64, f64), on_the_mains: bool) -> Vec<f64> {
        let costly = !self.figure.is_at_rest();
        let (low, high, count) = if self.unit == Unit::Percent {
            (low, high, if costly { SETTINGS / 4 } else { SETTINGS })
        } else {
            let each = match (costly, self.figure.needs_periods() && on_the_mains) {
                (_, true) => ON_THE_MAINS,
                (true, false) => COSTLY,
                (false, false) => AT_REST,
            };
            let decades = (high / low).log10();
            let count = (decades * each as f64).ceil() as usize;
            (low.ln(), high.ln(), count.max(4))
        };
        (0..=count)
            .map(|k| low + (high - low) * (k as f64 / count as f64))
            .collect()
    }

    fn solution(
        &self,
        read: &Reader<'_>,
        drawn: Option<&UnderTest<'_>>,
        value: f64,
        gives: f64,
        figure: &(impl Fn(f64) -> Option<f64> + Sync),
    ) -> Solution {
        let made_in_series = matches!(self.unit, Unit::Ohm | Unit::Farad);
        let mut beside: Vec<(f64, Series)> = Vec::new();
        for series in [Series::E12, Series::E24]
            .into_iter()
            .filter(|_| made_in_series)
        {
            let (below, above) = series.neighbours(value);
            for value in [below, above] {
                // What is in E12 too is told as that.
                if !beside
                    .iter()
                    .any(|(other, _)| other.to_bits() == value.to_bits())
                {
                    beside.push((value, series));
                }
            }
        }
        beside.sort_by(|a, b| a.0.total_cmp(&b.0));
        let preferred = beside
            .into_par_iter()
            .map(|(value, series)| Preferred {
                value,
                series: if Series::E12.has(value) {
                    Series::E12
                } else {
                    series
                },
                gives: figure(value),
            })
            .collect();
        let rest = with(read, drawn, &self.set(value), |study| {
            let rest = study.rest().ok()?;
            let watts = rest
                .resistors
                .iter()
                .filter(|resistor| self.resistors && self.parts.contains(&resistor.part))
                .map(|resistor| resistor.power.value)
                .reduce(f64::max);
            Some((watts, rest.growing.is_some()))
        });
        let (dissipation, oscillates) = rest.flatten().unwrap_or((None, false));
        Solution {
            value,
            gives,
            nearest: false,
            oscillates,
            preferred,
            dissipation,
            rating: dissipation.and_then(rating),
        }
    }
}

/// An answer about the amplifier with these values, sought from the one as drawn where that is known; none when it cannot be
/// read or made equations of.
fn with<T>(
    read: &Reader<'_>,
    drawn: Option<&UnderTest<'_>>,
    set: &[(String, String)],
    answer: impl Fn(&Study<'_>) -> T,
) -> Option<T> {
    let amplifier = read(set)?;
    let system = System::of(&amplifier.circuit).ok()?;
    let study = match drawn {
        Some(drawn) => Study::near(&amplifier, &system, drawn),
        None => Study::new(&amplifier, &system),
    };
    Some(answer(&study.of_one_figure()))
}

/// Unit of the value of a part, what it is now, and whether watts go with it.
fn value_of(name: &str, circuit: &Circuit) -> Result<(Unit, Option<f64>, bool), ChooseError> {
    let Some(id) = circuit.find_part(name) else {
        let names = circuit.parts().map(|(_, part)| part.name.as_str());
        return Err(ChooseError::NoPart {
            nearest: nearest(name, names).map(str::to_owned),
            part: name.to_owned(),
        });
    };
    let part = &circuit.part(id).part;
    match part {
        Part::Resistor(resistor) => Ok((Unit::Ohm, Some(resistor.r), true)),
        Part::Capacitor(capacitor) => Ok((Unit::Farad, Some(capacitor.c), false)),
        Part::Inductor(inductor) => Ok((Unit::Henry, inductor.linear, false)),
        Part::Pot(_) => Ok((Unit::Percent, None, false)),
        Part::Source(Source {
            waveform: Waveform::Dc(volts),
            ..
        }) => Ok((Unit::Volt, Some(*volts), false)),
        // Files give alternating volts as rms.
        Part::Source(Source {
            waveform: Waveform::Sine { amplitude, .. } | Waveform::Alternating { amplitude, .. },
            ..
        }) if *amplitude > 0.0 => Ok((
            Unit::Volt,
            Some(amplitude / std::f64::consts::SQRT_2),
            false,
        )),
        Part::Transformer(_)
        | Part::Valve(_)
        | Part::Device(_)
        | Part::Diodes(_)
        | Part::Source(_)
        | Part::Switch(_)
        | Part::Loudspeaker(_) => Err(ChooseError::NoValue {
            part: name.to_owned(),
            is: part.words(),
        }),
    }
}
