//! `hum FILE`.

use std::path::{Path, PathBuf};

use measure::driven::hum::{Drive, Hum, HumOf};
use measure::driven::power::PowerOf;
use serde::Serialize;
use sim::quantity::{Quantity, Unit};

use super::command::{File, OfAmplifier, Told};
use crate::amplifier::{Opened, mains_volts};
use crate::argument::{given, positive};
use crate::diagnostic::{Diagnostic, Id};
use crate::failure::Failure;
use crate::progress;
use measure::judged::study::Study;

mod picture;
mod words;

/// Hum on the amplifier's own mains, what makes it, and what to change first.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// The amplifier file.
    file: PathBuf,
    /// Rated power, against which the hum is stated; without it 1 W.
    #[arg(long, value_name = "WATTS", conflicts_with = "measure_rated")]
    rated: Option<String>,
    /// Find the rated power first, at the bench's distortion limit; it takes a while on the mains.
    #[arg(long)]
    measure_rated: bool,
    /// Hum with a tone besides: peak volts of the generator, or watts into the load.
    #[arg(long, value_name = "VOLTS or WATTS")]
    drive: Option<String>,
    /// Write the spectrum to this file.
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Write a picture to this file: the lines of the hum.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
}

/// What is asked, and the rated power, W, if it is given.
#[derive(Debug)]
pub(super) struct Asked {
    question: HumOf,
    rated: Option<f64>,
}

/// The answer with what it is compared with, for JSON.
#[derive(Debug, Serialize)]
pub(super) struct Answer {
    /// V rms; none when no part is the mains.
    mains_volts: Option<f64>,
    /// W; none when it was neither given nor found.
    rated_power: Option<f64>,
    /// W: the rated power, or 1 W.
    reference_power: f64,
    /// How far the hum lies below that power into the rated load, dB; none without hum.
    below_db: Option<f64>,
    /// How far the A-weighted hum lies below it, dB.
    below_a_db: Option<f64>,
    /// Whether the load takes volts, as the input of a next stage does, and no power to speak of.
    #[serde(skip)]
    in_volts: bool,
    #[serde(flatten)]
    hum: Hum,
}

impl Answer {
    fn new(hum: Hum, mains_volts: Option<f64>, rated_power: Option<f64>, in_volts: bool) -> Self {
        // One volt or one watt where nothing is rated.
        let unit = if in_volts { 1.0 / hum.load_ohms } else { 1.0 };
        let reference_power = rated_power.unwrap_or(unit);
        let full = (reference_power * hum.load_ohms).sqrt();
        let below = |rms: f64| (rms > 0.0).then(|| 20.0 * (full / rms).log10());
        Self {
            mains_volts,
            rated_power,
            reference_power,
            below_db: below(hum.output_rms),
            below_a_db: below(hum.output_a_rms),
            in_volts,
            hum,
        }
    }
}

impl OfAmplifier for Arguments {
    const NAME: &'static str = "hum";
    type Question = Asked;
    type Answer = Answer;

    fn file(&self) -> &Path {
        &self.file
    }

    fn question(&self, opened: &Opened, _: &Study<'_>) -> Result<Asked, Failure> {
        let rated = given("--rated", self.rated.as_ref(), Unit::Watt)?;
        let drive = self.drive.as_deref().map(drive).transpose()?;
        let question = HumOf {
            drive,
            ..HumOf::bench(&opened.amplifier.bench)
        };
        Ok(Asked { question, rated })
    }

    fn files(&self) -> Vec<File<'_, Self>> {
        vec![
            File::csv(self.csv.as_ref(), |told| picture::csv(&told.answer.hum)),
            File::svg(self.svg.as_ref(), |told| {
                picture::svg(told.amplifier, told.answer)
            }),
        ]
    }

    fn answer(
        &self,
        opened: &Opened,
        known: &Study<'_>,
        question: &Asked,
    ) -> Result<Answer, Failure> {
        let bar = progress::bar(1, "circuits solved");
        let mut hum = progress::ask(&question.question, known.under_test()?, &bar)?;
        known.rest()?;
        let rated = if self.measure_rated {
            // None when the sweep does not reach the distortion limit.
            let bench = PowerOf::bench(&opened.amplifier.bench);
            let limit = progress::show(&progress::counter("levels solved"), |bar| {
                bench.limit(known.under_test()?, &|reached| progress::tell(bar, reached))
            });
            match limit {
                Ok(limit) => limit.map(|level| level.power),
                Err(error) => {
                    hum.unsolved.push(format!("the rated power: {error}"));
                    None
                }
            }
        } else {
            question.rated
        };
        let in_volts = question.question.bench.in_volts(known.under_test()?);
        let mains = mains_volts(&opened.amplifier);
        Ok(Answer::new(hum, mains, rated, in_volts))
    }

    fn words(told: &Told<'_, Self>) -> String {
        words::text(told.amplifier, told.answer)
    }

    fn verdict(told: &Told<'_, Self>) -> Result<(), Failure> {
        match told.answer.hum.unsolved.as_slice() {
            [] => Ok(()),
            unsolved => Err(Failure::NoAnswer(Diagnostic::plain(
                Id::NotPeriodic,
                format!(
                    "{} of what was asked could not be solved for",
                    unsolved.len()
                ),
                "what is printed holds without it; each reason stands there",
            ))),
        }
    }
}

/// Volts or watts, whichever the text is.
fn drive(text: &str) -> Result<Drive, Failure> {
    if let Ok(watts) = Quantity::parse(text, Unit::Watt)
        && text.trim().ends_with(['W', 'w'])
        && watts > 0.0
    {
        return Ok(Drive::Power(watts));
    }
    positive("--drive", text, Unit::Volt).map(Drive::Volts)
}
