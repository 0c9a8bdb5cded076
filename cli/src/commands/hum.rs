//! `hum FILE`.

use std::path::PathBuf;

use measure::at_rest::voltages::voltages;
use measure::driven::hum::{Drive, Hum, HumOf};
use measure::driven::power::PowerOf;
use serde::Serialize;
use sim::Tolerances;
use sim::amplifier::Amplifier;
use sim::parts::{Part, Source, Waveform};
use sim::quantity::{Quantity, Unit};

use super::waveform::quantity;
use crate::amplifier::Opened;
use crate::failure::Failure;
use crate::report::{self, json, output};
use crate::{Options, amplifier, caution, progress};

mod picture;
mod words;

/// Arguments of `hum`.
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
    /// The same, hum A-weighted.
    below_a_db: Option<f64>,
    #[serde(flatten)]
    hum: Hum,
}

impl Answer {
    fn new(hum: Hum, mains_volts: Option<f64>, rated_power: Option<f64>) -> Self {
        let reference_power = rated_power.unwrap_or(1.0);
        let full = (reference_power * hum.load_ohms).sqrt();
        let below = |rms: f64| (rms > 0.0).then(|| 20.0 * (full / rms).log10());
        Self {
            mains_volts,
            rated_power,
            reference_power,
            below_db: below(hum.output_rms),
            below_a_db: below(hum.output_a_rms),
            hum,
        }
    }
}

pub(super) fn run(arguments: &Arguments, options: &Options) -> Result<(), Failure> {
    let opened = amplifier::open(&arguments.file, options)?;
    let (circuit, system, bench) = (
        &opened.amplifier.circuit,
        &opened.system,
        &opened.amplifier.bench,
    );
    let given = match &arguments.rated {
        Some(text) => Some(quantity("--rated", text, Unit::Watt, f64::MIN_POSITIVE)?),
        None => None,
    };
    let drive = match &arguments.drive {
        Some(text) => Some(drive(text)?),
        None => None,
    };
    for path in [&arguments.csv, &arguments.svg].into_iter().flatten() {
        output::free(path, options.overwrite)?;
    }
    let tolerances = Tolerances::default();
    let question = HumOf {
        drive,
        ..HumOf::bench(bench)
    };
    let bar = progress::bar(1, "circuits solved");
    let hum = question.run(circuit, system, &tolerances, &|done, all| {
        bar.set_length(all as u64);
        bar.set_position(done as u64);
    });
    bar.finish_and_clear();
    let hum = hum?;
    let rest = voltages(circuit, system, &tolerances, &mut system.workspace())?;
    let rated = if arguments.measure_rated {
        measured(&opened, &tolerances)?
    } else {
        given
    };
    let answer = Answer::new(hum, mains_volts(&opened.amplifier), rated);
    if let Some(path) = &arguments.csv {
        let sheet = picture::csv(&answer.hum);
        output::write(path, sheet.as_bytes(), options.overwrite)?;
    }
    if let Some(path) = &arguments.svg {
        let picture = picture::svg(&opened.amplifier, &answer)?;
        output::write(path, picture.as_bytes(), options.overwrite)?;
    }
    if options.json {
        report::print(&json::document("hum", &opened.amplifier, &answer))?;
    } else {
        report::print(&words::text(&opened.amplifier, &answer))?;
    }
    caution::print(&rest);
    Ok(())
}

/// Volts or watts, whichever the text is.
fn drive(text: &str) -> Result<Drive, Failure> {
    if let Ok(watts) = Quantity::parse(text, Unit::Watt)
        && text.trim().ends_with(['W', 'w'])
        && watts > 0.0
    {
        return Ok(Drive::Power(watts));
    }
    quantity("--drive", text, Unit::Volt, f64::MIN_POSITIVE).map(Drive::Volts)
}

/// What the mains is set to, V rms.
fn mains_volts(amplifier: &Amplifier) -> Option<f64> {
    match &amplifier.circuit.part(amplifier.mains?.part).part {
        Part::Source(Source {
            waveform: Waveform::Sine { amplitude, .. },
            ..
        }) => Some(amplitude * std::f64::consts::FRAC_1_SQRT_2),
        _ => None,
    }
}

/// The power at the distortion limit, none when the sweep does not reach it.
fn measured(opened: &Opened, tolerances: &Tolerances) -> Result<Option<f64>, Failure> {
    let counter = progress::counter("levels solved");
    let power = PowerOf::bench(&opened.amplifier.bench).run(
        &opened.amplifier.circuit,
        &opened.system,
        tolerances,
        &|levels| counter.set_position(levels as u64),
    );
    counter.finish_and_clear();
    Ok(power?.rated.map(|level| level.power))
}
