//! `noise FILE`.

use std::path::PathBuf;

use measure::at_rest::voltages::voltages;
use measure::driven::power::PowerOf;
use measure::small_signal::noise::{Contribution, FLICKER_CORNER, Kind, Noise, NoiseOf};
use serde::Serialize;
use sim::Tolerances;
use sim::amplifier::Amplifier;
use sim::parts::Part;
use sim::quantity::{Unit, engineering};

use super::impedance::band;
use super::waveform::quantity;
use crate::amplifier::Opened;
use crate::failure::Failure;
use crate::report::table::{Sheet, percent};
use crate::report::{self, json, output};
use crate::{Options, amplifier, caution, notes, progress};

mod picture;

/// Arguments of `noise`.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// The amplifier file.
    file: PathBuf,
    /// Lowest frequency of the band.
    #[arg(long, value_name = "HERTZ", default_value = "20Hz")]
    from: String,
    /// Highest frequency of the band.
    #[arg(long, value_name = "HERTZ", default_value = "20kHz")]
    to: String,
    /// Frequency below which flicker noise exceeds the rest of a valve's; 0Hz leaves it out. Without it
    /// 1 kHz, an assumption.
    #[arg(long, value_name = "HERTZ")]
    flicker_corner: Option<String>,
    /// Rated power; without it the power at the bench's distortion limit is found first.
    #[arg(long, value_name = "WATTS")]
    rated: Option<String>,
    /// Write the spectrum to this file, with the largest contributions.
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Write a picture to this file: noise against frequency.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
}

/// The answer with the powers it is compared with, for JSON.
#[derive(Debug, Serialize)]
struct Answer {
    /// W; none when the sweep does not reach the distortion limit.
    rated_power: Option<f64>,
    /// Distortion at that power, a ratio; none when the power was given.
    rated_distortion: Option<f64>,
    /// Why there is no rated power.
    no_rated_power: Option<String>,
    /// dB at the rated power.
    signal_to_noise_db: Option<f64>,
    /// The same, noise A-weighted.
    signal_to_noise_a_db: Option<f64>,
    /// dB at one watt; none when the amplifier does not give as much.
    one_watt_db: Option<f64>,
    /// The same, noise A-weighted.
    one_watt_a_db: Option<f64>,
    #[serde(flatten)]
    noise: Noise,
}

/// The power that noise is compared with.
#[derive(Debug)]
struct Rated {
    power: f64,
    distortion: Option<f64>,
}

impl Answer {
    fn new(noise: Noise, rated: Result<Rated, String>) -> Self {
        let (rated_power, rated_distortion, no_rated_power) = match rated {
            Ok(rated) => (Some(rated.power), rated.distortion, None),
            Err(reason) => (None, None, Some(reason)),
        };
        let ratio = rated_power.map(|power| noise.signal_to_noise_db(power));
        let one_watt = rated_power
            .filter(|power| *power >= 1.0)
            .map(|_| noise.signal_to_noise_db(1.0));
        Self {
            rated_power,
            rated_distortion,
            no_rated_power,
            signal_to_noise_db: ratio.map(|(plain, _)| plain),
            signal_to_noise_a_db: ratio.map(|(_, weighted)| weighted),
            one_watt_db: one_watt.map(|(plain, _)| plain),
            one_watt_a_db: one_watt.map(|(_, weighted)| weighted),
            noise,
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
    let (from, to) = band(&arguments.from, &arguments.to)?;
    let flicker_corner = match &arguments.flicker_corner {
        Some(text) => quantity("--flicker-corner", text, Unit::Hertz, 0.0)?,
        None => FLICKER_CORNER,
    };
    let given = match &arguments.rated {
        Some(text) => Some(quantity("--rated", text, Unit::Watt, f64::MIN_POSITIVE)?),
        None => None,
    };
    for path in [&arguments.csv, &arguments.svg].into_iter().flatten() {
        output::free(path, options.overwrite)?;
    }
    let tolerances = Tolerances::default();
    let rest = voltages(circuit, system, &tolerances, &mut system.workspace())?;
    let question = NoiseOf {
        from,
        to,
        flicker_corner,
        ..NoiseOf::bench(bench)
    };
    let noise = question.run(circuit, system, &tolerances)?;
    let rated = match given {
        Some(power) => Ok(Rated {
            power,
            distortion: None,
        }),
        None => measured(&opened, &tolerances),
    };
    let answer = Answer::new(noise, rated);
    if let Some(path) = &arguments.csv {
        let sheet = picture::csv(&answer.noise);
        output::write(path, sheet.as_bytes(), options.overwrite)?;
    }
    if let Some(path) = &arguments.svg {
        let picture = picture::svg(&opened.amplifier, &answer.noise, &behind(&opened.amplifier))?;
        output::write(path, picture.as_bytes(), options.overwrite)?;
    }
    if options.json {
        report::print(&json::document("noise", &opened.amplifier, &answer))?;
    } else {
        report::print(&text(&opened.amplifier, &answer, arguments))?;
    }
    caution::print(&rest);
    Ok(())
}

/// The power at the distortion limit. What cannot be driven to it is no less noisy, so a failure here is
/// told beside the noise.
fn measured(opened: &Opened, tolerances: &Tolerances) -> Result<Rated, String> {
    let counter = progress::counter("levels solved");
    let power = PowerOf::bench(&opened.amplifier.bench).run(
        &opened.amplifier.circuit,
        &opened.system,
        tolerances,
        &|levels| counter.set_position(levels as u64),
    );
    counter.finish_and_clear();
    let rated = power.map_err(|error| error.to_string())?.rated;
    let level = rated.ok_or("the distortion limit is not met inside the sweep")?;
    Ok(Rated {
        power: level.power,
        distortion: Some(level.thd),
    })
}

fn text(amplifier: &Amplifier, answer: &Answer, arguments: &Arguments) -> String {
    let noise = &answer.noise;
    let behind = behind(amplifier);
    let at = engineering(noise.frequency, Unit::Hertz);
    let mut text = format!("{}\nSource: {}\n\n", amplifier.title, amplifier.source);
    text += &headline(answer);
    text += &format!(
        "\nConditions: rms from {}, generator at rest behind {behind}, all resistances at {:.0} K;\n  A-weighting by IEC 61672-1; referred to the generator by the gain of {} at {at}.\n",
        bandwidth(noise),
        noise.temperature,
        gain(noise.gain)
    );
    let assumed = if arguments.flicker_corner.is_some() {
        ""
    } else {
        " (assumed: valves differ tenfold)"
    };
    let corner = if noise.flicker_corner > 0.0 {
        format!(
            "flicker noise from {} downwards{assumed}",
            engineering(noise.flicker_corner, Unit::Hertz)
        )
    } else {
        "no flicker noise".to_owned()
    };
    text += &format!(
        "  Valves: shot noise smoothed by space charge, {corner}.\n  Not in it: hum, microphony, excess noise of composition resistors, faulty valves, heat inside the chassis.\n\n"
    );
    text += &sources(noise);
    text += &parts(noise);
    text += &notes::text(&amplifier.notes);
    text += &format!(
        "Integral over {} frequencies; the last halving of the grid moved it by {:.1e}.\n",
        noise.frequencies, noise.change
    );
    text
}

/// The resistance of the generator.
fn behind(amplifier: &Amplifier) -> String {
    match &amplifier.circuit.part(amplifier.bench.generator).part {
        Part::Source(source) => engineering(source.resistance, Unit::Ohm),
        _ => "nothing".to_owned(),
    }
}

fn bandwidth(noise: &Noise) -> String {
    format!(
        "{} to {}",
        engineering(noise.from, Unit::Hertz),
        engineering(noise.to, Unit::Hertz)
    )
}

fn headline(answer: &Answer) -> String {
    let noise = &answer.noise;
    let mut text = format!(
        "Noise at the load {} rms, {} A-weighted ({}); {} at {}.\n",
        engineering(noise.output_rms, Unit::Volt),
        engineering(noise.output_a_rms, Unit::Volt),
        bandwidth(noise),
        density(noise.density),
        engineering(noise.frequency, Unit::Hertz)
    );
    text += &match (
        answer.rated_power,
        answer.signal_to_noise_db,
        answer.signal_to_noise_a_db,
    ) {
        (Some(power), Some(plain), Some(weighted)) => {
            let power = engineering(power, Unit::Watt);
            let what = answer.rated_distortion.map_or_else(
                || "as given".to_owned(),
                |thd| format!("{} THD", percent(thd)),
            );
            format!(
                "Signal-to-noise ratio {plain:.1} dB, {weighted:.1} dB A-weighted, at {power} ({what})"
            )
        }
        _ => {
            "No signal-to-noise ratio: the distortion limit is not met inside the sweep".to_owned()
        }
    };
    text += &match (answer.one_watt_db, answer.one_watt_a_db) {
        (Some(plain), Some(weighted)) => format!("; {plain:.1} dB and {weighted:.1} dB at 1 W.\n"),
        _ => ".\n".to_owned(),
    };
    if let (Some(plain), Some(weighted), Some(at_test)) =
        (noise.input_rms, noise.input_a_rms, noise.input_density)
    {
        text += &format!(
            "Referred to the generator: {} rms, {} A-weighted, {}.\n",
            engineering(plain, Unit::Volt),
            engineering(weighted, Unit::Volt),
            density(at_test)
        );
    }
    if let Some(loudest) = noise.parts.first() {
        text += &format!(
            "The loudest part is {}: {} of the noise power, {} A-weighted.\n",
            loudest.part,
            share(loudest.share),
            share(loudest.share_a)
        );
    }
    text
}

/// Rows of a table; the others are summed in one.
const ROWS: usize = 10;

fn sources(noise: &Noise) -> String {
    let mut sheet = Sheet::new(&[
        "part",
        "noise",
        "at the load, rms",
        "of the power",
        "A-weighted",
    ]);
    let (shown, rest) = noise
        .contributions
        .split_at(noise.contributions.len().min(ROWS));
    for source in shown {
        sheet.row(vec![
            source.part.clone(),
            words(source),
            engineering(source.output_rms, Unit::Volt),
            share(source.share),
            share(source.share_a),
        ]);
    }
    if !rest.is_empty() {
        let sum = |of: fn(&Contribution) -> f64| rest.iter().map(of).sum::<f64>();
        sheet.row(vec![
            "others".to_owned(),
            format!("{} sources", rest.len()),
            engineering(sum(|s| s.output_rms.powi(2)).sqrt(), Unit::Volt),
            share(sum(|s| s.share)),
            share(sum(|s| s.share_a)),
        ]);
    }
    sheet.print("What makes the noise, the loudest first", 2)
}

fn parts(noise: &Noise) -> String {
    let mut sheet = Sheet::new(&["part", "of the power", "A-weighted"]);
    for part in noise.parts.iter().take(5) {
        sheet.row(vec![
            part.part.clone(),
            share(part.share),
            share(part.share_a),
        ]);
    }
    sheet.print("The loudest parts, all their noises together", 1)
}

/// What kind of noise a source makes.
fn words(source: &Contribution) -> String {
    let kind = match source.kind {
        Kind::Thermal => "thermal",
        Kind::Shot => "shot",
        Kind::Partition => "partition",
        Kind::Flicker => "flicker",
        Kind::GridCurrent => "grid current",
    };
    if source.place.is_empty() {
        kind.to_owned()
    } else {
        format!("{kind}, {}", source.place)
    }
}

fn density(volts: f64) -> String {
    format!("{}/√Hz", engineering(volts, Unit::Volt))
}

/// A voltage gain: a ratio and its decibels.
fn gain(gain: f64) -> String {
    if gain > 0.0 {
        format!("{:.1} dB", 20.0 * gain.log10())
    } else {
        "nought".to_owned()
    }
}

/// A share of the power to a tenth of a per cent.
fn share(ratio: f64) -> String {
    let percent = 100.0 * ratio;
    if percent < 0.05 {
        "< 0.1 %".to_owned()
    } else {
        format!("{percent:.1} %")
    }
}
