//! `spread FILE --of "V3 anode current"`.

use std::path::{Path, PathBuf};

use measure::instruments::varied::Allowed;
use measure::judged::figure::{Figure, FigureError};
use measure::judged::spread::{Asked, Spread, SpreadOf, usual};
use sim::amplifier::Amplifier;
use sim::error::Question;
use sim::quantity::{Quantity, Unit};
use sim::{Circuit, SimError};

use super::command::{File, OfAmplifier, Told};
use crate::amplifier::Opened;
use crate::argument::{mains, share};
use crate::diagnostic::{self, Diagnostic, Id};
use crate::failure::Failure;
use crate::progress;
use measure::at_rest::voltages::Voltages;
use measure::judged::study::Study;

mod picture;
mod words;

/// Samples of figures at rest or linearised there: quantiles to a tenth of the standard deviation, a second of work.
const STILL: usize = 1000;

/// Samples of an amplifier on its mains, each of them a settled period.
const ON_MAINS: usize = 200;

/// Samples of figures that take settled periods of a signal or of hum, seconds each.
const COSTLY: usize = 100;

/// Fewer tell of no distribution; more would only fill the memory.
const SAMPLES: std::ops::RangeInclusive<usize> = 2..=100_000;

/// How far figures may lie from the drawing's: tolerances, valves and mains, and what makes the most of it.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// The amplifier file.
    file: PathBuf,
    /// A figure, e.g. "V3 anode current", "balance V3 V4", "power", "THD at 1 W". May be repeated; without
    /// one, current, dissipation and balance of the output valves.
    #[arg(long = "of", value_name = "FIGURE")]
    figures: Vec<String>,
    /// What will do of the one figure, e.g. 40mA..60mA or ..60mA: tells how many do. Without it, the limit of
    /// type or parts list where there is one.
    #[arg(long, value_name = "LOW..HIGH")]
    limits: Option<String>,
    /// Amplifiers drawn; without it 100 for power, distortion and hum, 200 on the mains, 1000 otherwise.
    #[arg(long, value_name = "NUMBER")]
    samples: Option<usize>,
    /// What the draw begins with: the same seed gives the same amplifiers.
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    seed: u64,
    /// Tolerance of resistances for which the file states none, windings included.
    #[arg(long, value_name = "PERCENT", default_value = "10%")]
    tolerance: String,
    /// Tolerance of capacitances for which the file states none.
    #[arg(long, value_name = "PERCENT", default_value = "20%")]
    capacitors: String,
    /// Tolerance of inductances and leakage inductances for which the file states none.
    #[arg(long, value_name = "PERCENT", default_value = "20%")]
    inductors: String,
    /// Spread of the current of valves at the same volts, each section by itself; mutual conductance goes with it.
    #[arg(long, value_name = "PERCENT", default_value = "10%")]
    valve_spread: String,
    /// Spread of their amplification factor at the same current and mutual conductance.
    #[arg(long, value_name = "PERCENT", default_value = "5%")]
    mu_spread: String,
    /// How far mains or supplies may lie off; without it the file's mains band, or 5 % of its supplies.
    #[arg(long, value_name = "PERCENT")]
    mains: Option<String>,
    /// Write a picture to this file: a histogram of each figure.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
}

impl OfAmplifier for Arguments {
    const NAME: &'static str = "spread";
    type Question = SpreadOf;
    type Answer = Spread;

    fn file(&self) -> &Path {
        &self.file
    }

    fn question(&self, opened: &Opened, known: &Study<'_>) -> Result<SpreadOf, Failure> {
        let amplifier = &opened.amplifier;
        let named = figures(self, &amplifier.circuit)?;
        let allowed = allowed(self, amplifier)?;
        let rest = known.rest()?;
        let figures = if named.is_empty() {
            usual(amplifier, rest)
        } else {
            named
        };
        if figures.is_empty() {
            return Err(Failure::plain(
                Id::CannotAsk,
                "the amplifier has no valve to look at",
                "name a figure: --of \"volts at a\", say",
            ));
        }
        Ok(SpreadOf {
            samples: samples(self, &figures, rest)?,
            asked: asked(figures, self.limits.as_deref())?,
            allowed,
            seed: self.seed,
        })
    }

    fn files(&self) -> Vec<File<'_, Self>> {
        vec![File::svg(self.svg.as_ref(), |told| {
            picture::svg(told.amplifier, told.question, told.answer)
        })]
    }

    fn answer(
        &self,
        _: &Opened,
        known: &Study<'_>,
        question: &SpreadOf,
    ) -> Result<Spread, Failure> {
        let bar = progress::long_bar(1, "amplifiers measured");
        let answer = progress::ask(question, known.under_test()?, &bar);
        answer.map_err(|error| {
            // A fault of the question, not of the run.
            if error == SimError::Question(Question::NothingVaries) {
                Failure::Input {
                    diagnostics: vec![diagnostic::of_sim(&error)],
                    text: None,
                }
            } else {
                Failure::Run(error)
            }
        })
    }

    fn words(told: &Told<'_, Self>) -> String {
        words::text(told.amplifier, told.question, told.answer)
    }

    fn verdict(told: &Told<'_, Self>) -> Result<(), Failure> {
        if told.answer.figures.iter().any(|figure| figure.found > 0) {
            return Ok(());
        }
        Err(Failure::NoAnswer(Diagnostic::plain(
            Id::NotReached,
            "no sample has any of these figures",
            "ask for what the amplifier as drawn has: `gridleak power`, `gridleak voltages`",
        )))
    }
}

/// The figures named; every one that is none is told.
fn figures(arguments: &Arguments, circuit: &Circuit) -> Result<Vec<Figure>, Failure> {
    let mut figures = Vec::new();
    let mut diagnostics = Vec::new();
    for text in &arguments.figures {
        match Figure::parse(text, circuit) {
            Ok(figure) => figures.push(figure),
            Err(error) => {
                let id = match error {
                    FigureError::NoPart { .. } => Id::UnknownPart,
                    FigureError::NoNode { .. } => Id::UnknownNode,
                    FigureError::NotOf { .. } => Id::CannotAsk,
                    FigureError::Unknown { .. } => Id::BadValue,
                };
                diagnostics.push(Diagnostic::plain(id, error.to_string(), error.help()));
            }
        }
    }
    if diagnostics.is_empty() {
        return Ok(figures);
    }
    Err(Failure::Input {
        diagnostics,
        text: None,
    })
}

fn allowed(arguments: &Arguments, amplifier: &Amplifier) -> Result<Allowed, Failure> {
    Ok(Allowed {
        parts: share("--tolerance", &arguments.tolerance)?,
        capacitors: share("--capacitors", &arguments.capacitors)?,
        inductors: share("--inductors", &arguments.inductors)?,
        valves: share("--valve-spread", &arguments.valve_spread)?,
        mu: share("--mu-spread", &arguments.mu_spread)?,
        mains: mains(arguments.mains.as_deref(), amplifier)?,
    })
}

fn samples(arguments: &Arguments, figures: &[Figure], rest: &Voltages) -> Result<usize, Failure> {
    let usual = if figures.iter().any(Figure::needs_periods) {
        COSTLY
    } else if rest.mains.is_some() {
        ON_MAINS
    } else {
        STILL
    };
    let samples = arguments.samples.unwrap_or(usual);
    if SAMPLES.contains(&samples) {
        return Ok(samples);
    }
    Err(Failure::plain(
        Id::OutOfBounds,
        format!("--samples {samples} makes no sense"),
        format!("write {} to {}", SAMPLES.start(), SAMPLES.end()),
    ))
}

/// The figures with the limits of the only one.
fn asked(figures: Vec<Figure>, limits: Option<&str>) -> Result<Vec<Asked>, Failure> {
    let (least, greatest) = match (limits, &figures[..]) {
        (None, _) => (None, None),
        (Some(text), [figure]) => ends(text, figure.unit())?,
        (Some(_), _) => {
            return Err(Failure::plain(
                Id::CannotAsk,
                "--limits are those of one figure",
                "name one with --of",
            ));
        }
    };
    let asked = figures.into_iter().map(|figure| Asked {
        figure,
        least,
        greatest,
    });
    Ok(asked.collect())
}

/// LOW..HIGH, of which one may be left out.
fn ends(text: &str, unit: Unit) -> Result<(Option<f64>, Option<f64>), Failure> {
    let refused = |why: String| {
        Failure::plain(
            Id::BadValue,
            format!("--limits {text}{why}"),
            "write LOW..HIGH with units, e.g. 40mA..60mA, or one end: ..60mA",
        )
    };
    let end = |text: &str| match text.trim() {
        "" => Ok(None),
        "0" => Ok(Some(0.0)),
        text => Quantity::parse(text, unit)
            .map(Some)
            .map_err(|error| refused(format!(": {error}"))),
    };
    let (low, high) = text
        .split_once("..")
        .ok_or_else(|| refused(" is not LOW..HIGH".to_owned()))?;
    match (end(low)?, end(high)?) {
        (None, None) => Err(refused(" limits nothing".to_owned())),
        (Some(low), Some(high)) if low >= high => Err(refused(" leaves nothing".to_owned())),
        ends => Ok(ends),
    }
}
