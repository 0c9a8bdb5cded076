//! `power FILE`.

use std::path::{Path, PathBuf};

use measure::driven::power::{Power, PowerOf};
use measure::instruments::peak::Peak;

use super::command::{File, OfAmplifier, Told};
use crate::amplifier::Opened;
use crate::argument::outputs;
use crate::diagnostic::{Diagnostic, Id};
use crate::failure::Failure;
use crate::progress;
use measure::judged::study::Study;

pub(super) mod onset;
pub(super) mod picture;
pub(super) mod words;

/// Watts and distortion against drive, and what gives up first.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// The amplifier file.
    file: PathBuf,
    /// Outputs whose distortion is told besides, in watts or volts rms, e.g. 20W,25V.
    #[arg(long, value_name = "OUTPUT,…", value_delimiter = ',')]
    at: Vec<String>,
    /// Write the sweep to this file: volts, watts, per cent.
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Write a picture to this file: distortion against power.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
}

impl OfAmplifier for Arguments {
    const NAME: &'static str = "power";
    type Question = PowerOf;
    type Answer = Power;

    fn file(&self) -> &Path {
        &self.file
    }

    fn question(&self, opened: &Opened, _: &Study<'_>) -> Result<PowerOf, Failure> {
        Ok(PowerOf {
            at: outputs(&self.at)?,
            ..PowerOf::bench(&opened.amplifier.bench)
        })
    }

    fn files(&self) -> Vec<File<'_, Self>> {
        vec![
            File::csv(self.csv.as_ref(), |told| picture::csv(told.answer)),
            File::svg(self.svg.as_ref(), |told| {
                picture::svg(told.amplifier, told.answer)
            }),
        ]
    }

    fn answer(&self, _: &Opened, known: &Study<'_>, question: &PowerOf) -> Result<Power, Failure> {
        known.rest()?;
        let bar = progress::counter("levels solved");
        Ok(progress::ask(question, known.under_test()?, &bar)?)
    }

    fn driven(told: &Told<'_, Self>) -> Option<Peak> {
        told.answer.peak()
    }

    fn words(told: &Told<'_, Self>) -> String {
        words::text(told.amplifier, told.answer, told.rest)
    }

    fn verdict(told: &Told<'_, Self>) -> Result<(), Failure> {
        unfinished(told.answer)
    }
}

/// A sweep that ended before the distortion limit has no answer to that, though all below has been told.
pub(super) fn unfinished(power: &Power) -> Result<(), Failure> {
    match &power.ended_early {
        Some(reason) if power.rated.is_none() => Err(Failure::NoAnswer(Diagnostic::plain(
            Id::NotPeriodic,
            format!("the distortion limit was not reached: {reason}"),
            "what is printed below that level holds; to see what the amplifier does there, follow it from rest with `gridleak waveform FILE --drive …`, which seeks no cycle",
        ))),
        Some(_) | None => Ok(()),
    }
}
