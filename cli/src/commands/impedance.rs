//! `impedance FILE`.

use std::path::{Path, PathBuf};

use measure::driven::power::PowerOf;
use measure::small_signal::impedance::{Impedance, ImpedanceOf};
use serde::Serialize;
use sim::parts::Part;

use super::command::{File, OfAmplifier, Told};
use crate::amplifier::Opened;
use crate::argument::band;
use crate::failure::Failure;
use crate::loudspeaker::Described;
use measure::Measurement;
use measure::judged::study::Study;

mod picture;
mod words;

/// Output impedance, damping factor, what a loudspeaker makes of it, and the input impedance.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// The amplifier file.
    file: PathBuf,
    /// Lowest frequency.
    #[arg(long, value_name = "HERTZ", default_value = "10Hz")]
    from: String,
    /// Highest frequency.
    #[arg(long, value_name = "HERTZ", default_value = "100kHz")]
    to: String,
    /// The loudspeaker that is joined instead of the load: its rated impedance, then what is known of it
    /// by the keys of the file's loudspeaker line, e.g. 15R,re=10R,le=0.5mH,fs=45Hz,qms=4,qes=0.6.
    #[arg(long, value_name = "OHMS,KEY=VALUE,…")]
    loudspeaker: Option<String>,
    /// Write every frequency to this file.
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Write a picture to this file: output impedance, and level at the loudspeaker if there is one.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
}

/// What is asked, with the loudspeaker that is joined.
#[derive(Debug)]
pub(super) struct Asked {
    question: ImpedanceOf,
    loudspeaker: Described,
}

/// The answer with the loudspeaker it rests on, for JSON.
#[derive(Debug, Serialize)]
pub(super) struct Answer {
    loudspeaker: Described,
    /// Whether there is no loudspeaker to speak of: the load takes volts, and nobody named one.
    #[serde(skip)]
    in_volts: bool,
    #[serde(flatten)]
    impedance: Impedance,
}

impl Answer {
    /// The loudspeaker, where there is one to speak of.
    fn loudspeaker(&self) -> Option<&Described> {
        Some(&self.loudspeaker).filter(|_| !self.in_volts)
    }
}

impl OfAmplifier for Arguments {
    const NAME: &'static str = "impedance";
    type Question = Asked;
    type Answer = Answer;

    fn file(&self) -> &Path {
        &self.file
    }

    fn question(&self, opened: &Opened, _: &Study<'_>) -> Result<Asked, Failure> {
        let amplifier = &opened.amplifier;
        let bench = &amplifier.bench;
        let (from, to) = band(&self.from, &self.to)?;
        let load = amplifier.circuit.part(bench.load);
        let loudspeaker = if let Some(text) = &self.loudspeaker {
            Described::given(text)?
        } else if let Part::Loudspeaker(of) = &load.part {
            Described::of_file(&load.name, of, &amplifier.notes)
        } else {
            Described::assumed(bench.load_ohms)
        };
        let question = ImpedanceOf {
            generator: bench.generator,
            load: bench.load,
            load_ohms: bench.load_ohms,
            frequency: bench.frequency,
            from,
            to,
            loudspeaker: loudspeaker.speaker(),
        };
        Ok(Asked {
            question,
            loudspeaker,
        })
    }

    fn files(&self) -> Vec<File<'_, Self>> {
        vec![
            File::csv(self.csv.as_ref(), |told| {
                picture::csv(&told.answer.impedance)
            }),
            File::svg(self.svg.as_ref(), |told| {
                let answer = told.answer;
                picture::svg(told.amplifier, &answer.impedance, answer.loudspeaker())
            }),
        ]
    }

    fn answer(
        &self,
        opened: &Opened,
        known: &Study<'_>,
        question: &Asked,
    ) -> Result<Answer, Failure> {
        known.rest()?;
        let volts = PowerOf::bench(&opened.amplifier.bench).in_volts(known.under_test()?);
        Ok(Answer {
            in_volts: volts && question.loudspeaker.is_assumed(),
            loudspeaker: question.loudspeaker.clone(),
            impedance: question.question.ask(known.under_test()?, &|_| ())?,
        })
    }

    fn words(told: &Told<'_, Self>) -> String {
        words::text(
            told.amplifier,
            &told.answer.impedance,
            told.answer.loudspeaker(),
        )
    }
}
