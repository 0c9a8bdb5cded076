//! `distortion FILE`.

use std::path::{Path, PathBuf};

use measure::driven::distortion::{Distortion, DistortionOf, IntermodulationKind, TwoTones};
use measure::instruments::peak::Peak;
use sim::amplifier::Amplifier;
use sim::quantity::Unit;

use super::command::{File, OfAmplifier, Told};
use super::power::unfinished;
use crate::amplifier::Opened;
use crate::argument::{outputs, positive, ratio};
use crate::diagnostic::Id;
use crate::failure::Failure;
use crate::progress;
use measure::judged::study::Study;

mod picture;
mod words;

// The sweep against power as a sheet is `power --csv`.
/// Distortion against power and frequency, intermodulation, power bandwidth, limit in the bass.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// The amplifier file.
    file: PathBuf,
    /// Outputs of further curves, in watts or volts rms, e.g. 20W,25V.
    #[arg(long, value_name = "OUTPUT,…", value_delimiter = ',')]
    at: Vec<String>,
    /// Frequencies of the curves, e.g. 50Hz,1kHz,10kHz; without it 20 Hz to 20 kHz, on the mains
    /// to 10 kHz.
    #[arg(long, value_name = "HERTZ,…", value_delimiter = ',')]
    frequencies: Vec<String>,
    /// Low and high tone of the modulation distortion; without it 60 Hz and 7 kHz, on the mains 250 Hz and 8 kHz.
    #[arg(long, value_name = "HERTZ,HERTZ")]
    modulation_tones: Option<String>,
    /// Amplitude of its low tone to that of the high.
    #[arg(long, value_name = "RATIO", default_value = "4:1")]
    ratio: String,
    /// Both tones of the difference-frequency distortion, equal in level.
    #[arg(long, value_name = "HERTZ,HERTZ", default_value = "19kHz,20kHz")]
    difference_tones: String,
    /// Write distortion against frequency to this file, a line for each power and frequency.
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Write a picture to this file: distortion against power and against frequency.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
}

impl OfAmplifier for Arguments {
    const NAME: &'static str = "distortion";
    type Question = DistortionOf;
    type Answer = Distortion;

    fn file(&self) -> &Path {
        &self.file
    }

    fn question(&self, opened: &Opened, _: &Study<'_>) -> Result<DistortionOf, Failure> {
        question(self, &opened.amplifier)
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
        question: &DistortionOf,
    ) -> Result<Distortion, Failure> {
        known.rest()?;
        let bar = progress::counter("levels solved");
        Ok(progress::ask(question, known.under_test()?, &bar)?)
    }

    fn driven(told: &Told<'_, Self>) -> Option<Peak> {
        told.answer.against_power.peak()
    }

    fn words(told: &Told<'_, Self>) -> String {
        words::report(told.amplifier, told.answer, told.rest)
    }

    fn verdict(told: &Told<'_, Self>) -> Result<(), Failure> {
        unfinished(&told.answer.against_power)
    }
}

/// The question, with everything that is wrong with the arguments said before any work.
fn question(arguments: &Arguments, amplifier: &Amplifier) -> Result<DistortionOf, Failure> {
    let mut question = DistortionOf::bench(amplifier);
    if !arguments.frequencies.is_empty() {
        question.frequencies = arguments
            .frequencies
            .iter()
            .map(|text| hertz("--frequencies", text))
            .collect::<Result<_, _>>()?;
    }
    question.power.at = outputs(&arguments.at)?;
    let ratio = ratio(&arguments.ratio)?;
    let usual = question.two_tones[0];
    let modulation = match &arguments.modulation_tones {
        Some(asked) => tones("--modulation-tones", asked)?,
        None => (usual.lower, usual.upper),
    };
    let difference = tones("--difference-tones", &arguments.difference_tones)?;
    question.two_tones = [
        (IntermodulationKind::Modulation, modulation, ratio),
        (IntermodulationKind::DifferenceFrequency, difference, 1.0),
    ]
    .map(|(kind, (lower, upper), ratio)| TwoTones {
        kind,
        lower,
        upper,
        ratio,
    })
    .to_vec();
    for tones in &question.two_tones {
        tones.check()?;
    }
    Ok(question)
}

fn tones(argument: &str, text: &str) -> Result<(f64, f64), Failure> {
    let Some((lower, upper)) = text.split_once(',') else {
        return Err(Failure::plain(
            Id::BadValue,
            format!("{argument} {text}: two tones are wanted"),
            "write e.g. 60Hz,7kHz",
        ));
    };
    let (lower, upper) = (hertz(argument, lower)?, hertz(argument, upper)?);
    if lower >= upper {
        return Err(Failure::plain(
            Id::OutOfBounds,
            format!("{argument} {text}: the first is not the lower"),
            "write the lower tone first, e.g. 60Hz,7kHz",
        ));
    }
    Ok((lower, upper))
}

fn hertz(argument: &str, text: &str) -> Result<f64, Failure> {
    let value = positive(argument, text, Unit::Hertz)?;
    if (LOWEST..=HIGHEST).contains(&value) {
        return Ok(value);
    }
    Err(Failure::plain(
        Id::OutOfBounds,
        format!("{argument} {text} is outside 1 Hz to 200 kHz"),
        format!("write e.g. {}", Unit::Hertz.examples()),
    ))
}

/// Frequencies of test tones, Hz: below and above no drawing of an audio amplifier says enough.
const LOWEST: f64 = 1.0;
const HIGHEST: f64 = 200e3;
