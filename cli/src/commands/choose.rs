//! `choose FILE --part R20 --so-that "V5 anode current = 60mA"`.

use std::path::{Path, PathBuf};

use measure::judged::choose::{Choice, ChooseError, ChooseOf};
use sim::quantity::engineering;

use super::command::{File, OfAmplifier, Told};
use crate::amplifier::Opened;
use crate::diagnostic::{Diagnostic, Id};
use crate::failure::Failure;
use crate::progress;
use measure::judged::study::Study;

mod picture;
mod words;

/// The value of a part for which a figure becomes what is wanted, and the preferred values beside it.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// The amplifier file.
    file: PathBuf,
    /// The part whose value is wanted: a resistor, capacitor, choke, pot (its setting) or supply (its volts).
    /// Several with commas all get the same: R20,R21.
    #[arg(long, value_name = "PART,…")]
    part: String,
    /// What the value is for, e.g. "V5 anode current = 60mA", "power = 15W", "THD at 1 W = 0.5%".
    #[arg(long, value_name = "FIGURE = VALUE")]
    so_that: String,
    /// Where to look; without it a decade either side of the present value, then three, two for
    /// power, distortion and hum.
    #[arg(long, value_name = "LOW..HIGH")]
    between: Option<String>,
    /// Write a picture to this file: the figure against the value.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
}

impl OfAmplifier for Arguments {
    const NAME: &'static str = "choose";
    type Question = ChooseOf;
    type Answer = Choice;

    fn file(&self) -> &Path {
        &self.file
    }

    fn question(&self, opened: &Opened, _: &Study<'_>) -> Result<ChooseOf, Failure> {
        ChooseOf::parse(
            &self.part,
            &self.so_that,
            self.between.as_deref(),
            &opened.amplifier.circuit,
        )
        .map_err(|error| refused(&error))
    }

    fn files(&self) -> Vec<File<'_, Self>> {
        vec![File::svg(self.svg.as_ref(), |told| {
            picture::svg(told.amplifier, told.question, told.answer)
        })]
    }

    fn answer(
        &self,
        opened: &Opened,
        known: &Study<'_>,
        question: &ChooseOf,
    ) -> Result<Choice, Failure> {
        // The circuit as it is must have a rest before a hundred others are asked for theirs.
        known.rest()?;
        Ok(progress::show(
            &progress::counter("values measured"),
            |bar| {
                let read = |over: &[_]| Some(opened.origin.read(over).ok()?.amplifier);
                question.run(&read, known.under_test().ok(), &|reached| {
                    progress::tell(bar, reached);
                })
            },
        ))
    }

    fn words(told: &Told<'_, Self>) -> String {
        words::text(told.amplifier, told.question, told.answer)
    }

    fn verdict(told: &Told<'_, Self>) -> Result<(), Failure> {
        if !told.answer.solutions.is_empty() {
            return Ok(());
        }
        let figure = &told.question.figure;
        let target = engineering(told.question.target, figure.unit());
        Err(Failure::NoAnswer(Diagnostic::plain(
            Id::NotReached,
            format!(
                "no value of {} gives {figure} = {target}",
                told.arguments.part
            ),
            "look at what the figure reaches; another part, or --between for another stretch",
        )))
    }
}

fn refused(error: &ChooseError) -> Failure {
    let id = match error {
        ChooseError::NoPart { .. } => Id::UnknownPart,
        ChooseError::NoValue { .. } | ChooseError::Unlike { .. } | ChooseError::NoPresent(_) => {
            Id::CannotAsk
        }
        ChooseError::Form(_)
        | ChooseError::Figure(_)
        | ChooseError::Target(_)
        | ChooseError::Between(_)
        | ChooseError::Bracket(_) => Id::BadValue,
    };
    Failure::plain(id, error.to_string(), error.help())
}
