//! `switch-on FILE`.

use std::path::{Path, PathBuf};

use measure::UnderTest;
use measure::at_rest::switch_on::{SwitchOn, SwitchOnOf, with_silicon};
use measure::at_rest::voltages::chart;
use measure::instruments::peak::{Peak, most};
use serde::Serialize;
use sim::System;
use sim::amplifier::Amplifier;
use sim::rest::frequencies;

use super::command::{File, OfAmplifier, Told};
use crate::amplifier::{Opened, mains_volts};
use crate::diagnostic::{Diagnostic, Id};
use crate::failure::Failure;
use crate::progress;
use measure::judged::study::Study;

mod picture;
mod words;

/// From cold at switch-on: volts of every capacitor and surges of current until the HT has settled.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// The amplifier file.
    file: PathBuf,
    /// Valves hot, capacitors empty: off and on again after they were discharged.
    #[arg(long)]
    hot: bool,
    /// Also with silicon in the place of each rectifier valve, side by side.
    #[arg(long)]
    silicon: bool,
    /// Write the volts of every capacitor, least and greatest of each mains cycle, to this file.
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Write a picture to this file.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
}

/// What happens, as drawn and with silicon.
#[derive(Debug, Serialize)]
pub(super) struct Answer {
    /// Volts of the mains, rms; none when no part is the mains.
    mains_volts: Option<f64>,
    as_drawn: SwitchOn,
    with_silicon: Option<SwitchOn>,
}

impl OfAmplifier for Arguments {
    const NAME: &'static str = "switch-on";
    type Question = ();
    type Answer = Answer;

    fn file(&self) -> &Path {
        &self.file
    }

    fn question(&self, opened: &Opened, _: &Study<'_>) -> Result<(), Failure> {
        if frequencies(&opened.system.workspace().waveforms).is_empty() {
            return Err(Failure::NoAnswer(Diagnostic::plain(
                Id::NoMains,
                "there is no mains to switch on",
                "draw the supply: a line `mains`, a `mains_transformer` and a rectifier; `gridleak explain file` shows each",
            )));
        }
        Ok(())
    }

    fn files(&self) -> Vec<File<'_, Self>> {
        vec![
            File::csv(self.csv.as_ref(), |told| picture::csv(told.answer)),
            File::svg(self.svg.as_ref(), |told| {
                picture::svg(told.amplifier, told.answer)
            }),
        ]
    }

    fn answer(&self, opened: &Opened, known: &Study<'_>, (): &()) -> Result<Answer, Failure> {
        let amplifier = &opened.amplifier;
        let replaced = if self.silicon {
            Some(silicon(amplifier)?)
        } else {
            None
        };
        known.rest()?;
        let as_drawn = follow(self, known.under_test()?, "from switch-on")?;
        let with_silicon = match &replaced {
            Some((amplifier, system)) => {
                let of = UnderTest::find(amplifier, system)?;
                chart(&of)?;
                Some(follow(self, &of, "with silicon")?)
            }
            None => None,
        };
        Ok(Answer {
            mains_volts: mains_volts(amplifier),
            as_drawn,
            with_silicon,
        })
    }

    const WHEN: &'static str = "from switch-on";

    fn driven(told: &Told<'_, Self>) -> Option<Peak> {
        let silicon = told.answer.with_silicon.as_ref();
        let runs = [Some(&told.answer.as_drawn), silicon];
        most(runs.into_iter().flatten().map(|run| run.peak.clone()))
    }

    fn words(told: &Told<'_, Self>) -> String {
        words::text(told.amplifier, told.answer)
    }
}

/// The circuit with silicon rectifiers.
fn silicon(amplifier: &Amplifier) -> Result<(Amplifier, System), Failure> {
    let no = |message: &str, help: &str| {
        Failure::NoAnswer(Diagnostic::plain(Id::NoRectifierValve, message, help))
    };
    let changed = with_silicon(&amplifier.circuit).ok_or_else(|| {
        no(
            "there is no rectifier valve to replace by silicon",
            "ask without --silicon",
        )
    })?;
    let system = System::of(&changed).map_err(|faults| {
        let words: Vec<String> = faults.iter().map(ToString::to_string).collect();
        no(
            &format!("silicon does not fit here: {}", words.join("; ")),
            "draw it with a `diode` line instead",
        )
    })?;
    let changed = Amplifier {
        circuit: changed,
        ..amplifier.clone()
    };
    Ok((changed, system))
}

/// Everything up to rest.
fn follow(
    arguments: &Arguments,
    of: &UnderTest<'_>,
    what: &'static str,
) -> Result<SwitchOn, Failure> {
    let question = SwitchOnOf {
        hot: arguments.hot,
        mains: of.amplifier.mains.map(|mains| mains.part),
    };
    Ok(progress::ask(&question, of, &progress::long_bar(1, what))?)
}
