//! `voltages FILE`.

use std::path::{Path, PathBuf};

use measure::at_rest::voltages::Voltages;

use super::command::{OfAmplifier, Told};
use crate::amplifier::Opened;
use crate::failure::Failure;

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

    fn question(&self, _: &Opened) -> Result<(), Failure> {
        Ok(())
    }

    fn answer(&self, opened: &Opened, (): &()) -> Result<(Voltages, Option<Voltages>), Failure> {
        let rest = opened.rest()?;
        Ok((rest.clone(), Some(rest)))
    }

    fn words(told: &Told<'_, Self>) -> String {
        words::text(told.amplifier, told.answer)
    }
}
