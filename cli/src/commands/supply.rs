//! `supply FILE`.

use std::path::{Path, PathBuf};

use measure::at_rest::supply::{Supply, SupplyOf};
use measure::instruments::peak::Peak;
use sim::quantity::Unit;

use super::command::{File, OfAmplifier, Told};
use crate::amplifier::Opened;
use crate::argument::given;
use crate::diagnostic::{Diagnostic, Id};
use crate::failure::Failure;
use crate::progress;
use measure::judged::study::Study;

mod picture;
mod words;

/// The power supply on its mains: volts, ripple, stresses, taps, regulation, discharge.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// The amplifier file.
    file: PathBuf,
    /// Peak volts of the generator at full drive; without it full drive is left out.
    #[arg(long, value_name = "VOLTS")]
    drive: Option<String>,
    /// Write the figures to this file, a condition a line.
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Write a picture to this file: ripple and rectifier current over a mains period.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
}

impl OfAmplifier for Arguments {
    const NAME: &'static str = "supply";
    type Question = SupplyOf;
    type Answer = Supply;

    fn file(&self) -> &Path {
        &self.file
    }

    fn question(&self, opened: &Opened, _: &Study<'_>) -> Result<SupplyOf, Failure> {
        let drive = given("--drive", self.drive.as_ref(), Unit::Volt)?;
        let mut question = SupplyOf::of(&opened.amplifier).ok_or_else(|| {
            Failure::NoAnswer(Diagnostic::plain(
                Id::NoMains,
                "the amplifier is not on its mains: the file has no `mains` part",
                "draw the mains, its transformer and the rectifier in place of the supply; see `gridleak explain no-mains`",
            ))
        })?;
        question.drive = drive;
        Ok(question)
    }

    fn files(&self) -> Vec<File<'_, Self>> {
        vec![
            File::csv(self.csv.as_ref(), |told| picture::csv(told.answer)),
            File::svg(self.svg.as_ref(), |told| {
                picture::svg(told.amplifier, told.answer)
            }),
        ]
    }

    fn answer(
        &self,
        _: &Opened,
        known: &Study<'_>,
        question: &SupplyOf,
    ) -> Result<Supply, Failure> {
        let conditions = question.conditions() as u64;
        let bar = progress::bar(conditions, "conditions of the mains");
        Ok(progress::ask(question, known.under_test()?, &bar)?)
    }

    const WHEN: &'static str = "at the worst of these mains";

    fn driven(told: &Told<'_, Self>) -> Option<Peak> {
        told.answer.peak.clone()
    }

    fn words(told: &Told<'_, Self>) -> String {
        words::text(told.amplifier, told.answer)
    }
}
