//! `distortion FILE`.

use std::path::PathBuf;

use measure::at_rest::voltages::voltages;
use measure::driven::distortion::{DistortionOf, Kind, TwoTones};
use sim::Tolerances;
use sim::amplifier::Bench;
use sim::quantity::{Unit, ratio};

use super::waveform::quantity;
use crate::diagnostic::Id;
use crate::failure::Failure;
use crate::report::{self, json, output};
use crate::{Options, amplifier, caution, progress};

mod picture;
mod text;

/// Arguments of `distortion`. The sweep against power as a sheet is `power --csv`.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// The amplifier file.
    file: PathBuf,
    /// Frequencies of the curves, e.g. 50Hz,1kHz,10kHz; without it 20 Hz to 20 kHz.
    #[arg(long, value_name = "HERTZ,…", value_delimiter = ',')]
    frequencies: Vec<String>,
    /// Low and high tone of the modulation distortion.
    #[arg(long, value_name = "HERTZ,HERTZ", default_value = "60Hz,7kHz")]
    modulation_tones: String,
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

pub(super) fn run(arguments: &Arguments, options: &Options) -> Result<(), Failure> {
    let opened = amplifier::open(&arguments.file, options)?;
    let (circuit, system) = (&opened.amplifier.circuit, &opened.system);
    let question = question(arguments, &opened.amplifier.bench)?;
    for path in [&arguments.csv, &arguments.svg].into_iter().flatten() {
        output::free(path, options.overwrite)?;
    }
    let tolerances = Tolerances::default();
    let rest = voltages(circuit, system, &tolerances, &mut system.workspace())?;
    let counter = progress::counter("levels solved");
    let answer = question.run(circuit, system, &tolerances, &|| counter.inc(1));
    counter.finish_and_clear();
    let answer = answer?;
    if let Some(path) = &arguments.csv {
        output::write(path, picture::csv(&answer).as_bytes(), options.overwrite)?;
    }
    if let Some(path) = &arguments.svg {
        let picture = picture::svg(&opened.amplifier, &answer)?;
        output::write(path, picture.as_bytes(), options.overwrite)?;
    }
    if options.json {
        report::print(&json::document("distortion", &opened.amplifier, &answer))?;
    } else {
        report::print(&text::report(&opened.amplifier, &answer, &rest))?;
    }
    caution::print(&rest);
    Ok(())
}

/// The question, with everything that is wrong with the arguments said before any work.
fn question(arguments: &Arguments, bench: &Bench) -> Result<DistortionOf, Failure> {
    let mut question = DistortionOf::bench(bench);
    if !arguments.frequencies.is_empty() {
        question.frequencies = arguments
            .frequencies
            .iter()
            .map(|text| hertz("--frequencies", text))
            .collect::<Result<_, _>>()?;
    }
    let ratio = ratio(&arguments.ratio).ok_or_else(|| {
        let message = format!("--ratio {} cannot be read", arguments.ratio);
        Failure::plain(Id::BadValue, message, "write e.g. 4:1")
    })?;
    let modulation = tones("--modulation-tones", &arguments.modulation_tones)?;
    let difference = tones("--difference-tones", &arguments.difference_tones)?;
    question.two_tones = [
        (Kind::Modulation, modulation, ratio),
        (Kind::DifferenceFrequency, difference, 1.0),
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
    let value = quantity(argument, text, Unit::Hertz, f64::MIN_POSITIVE)?;
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
