//! `voltages FILE`.

use std::path::{Path, PathBuf};

use measure::at_rest::voltages::Voltages;

use super::command::{OfAmplifier, Told};
use crate::amplifier::Opened;
use crate::failure::Failure;
use measure::judged::study::Study;

mod words;

/// Every voltage, current and dissipation with no signal, and what is over its rating.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// The amplifier file.
    file: PathBuf,
}

impl OfAmplifier for Arguments {
    const NAME: &'static str = "voltages";
    type Question = ();
    type Answer = Voltages;

    fn file(&self) -> &Path {
        &self.file
    }

    fn question(&self, _: &Opened, _: &Study<'_>) -> Result<(), Failure> {
        Ok(())
    }

    fn answer(&self, _: &Opened, known: &Study<'_>, (): &()) -> Result<Voltages, Failure> {
        Ok(known.rest()?.clone())
    }

    fn words(told: &Told<'_, Self>) -> String {
        words::text(told.amplifier, told.answer)
    }
}
