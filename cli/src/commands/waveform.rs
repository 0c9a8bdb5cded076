//! `waveform FILE --node a5 --node out --drive 0.2V --for 20ms`.

use std::path::PathBuf;

use measure::at_rest::voltages::voltages;
use measure::driven::waveform::{Traces, WaveformOf};
use serde::Serialize;
use sim::parts::Waveform;
use sim::quantity::{Quantity, Unit, engineering, ratio};
use sim::transient::Method;
use sim::{Circuit, NodeId, Tolerances};

use crate::amplifier::Opened;
use crate::diagnostic::Id;
use crate::failure::Failure;
use crate::report::plot::Plot;
use crate::report::table::Sheet;
use crate::report::{self, csv, json, output};
use crate::{Options, amplifier, caution, notes, progress};

/// Arguments of `waveform`. Without --csv and --svg the samples go to stdout as CSV.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// The amplifier file.
    file: PathBuf,
    /// A node to watch; may be repeated. Without one: the output.
    #[arg(long = "node", value_name = "NODE")]
    nodes: Vec<String>,
    /// Peak volts of the generator.
    #[arg(long, value_name = "VOLTS", default_value = "0.1V")]
    drive: String,
    /// Frequency of the generator; without it that of the bench.
    #[arg(long, value_name = "HERTZ")]
    frequency: Option<String>,
    /// Length of the run.
    #[arg(long = "for", value_name = "SECONDS", default_value = "20ms")]
    duration: String,
    /// Samples a second.
    #[arg(long, value_name = "HERTZ", default_value = "96kHz")]
    rate: String,
    /// A square wave instead of a sine.
    #[arg(long, conflicts_with = "second_frequency")]
    square: bool,
    /// A second tone; both share the peak of --drive.
    #[arg(long, value_name = "HERTZ")]
    second_frequency: Option<String>,
    /// Amplitude of the first tone to that of the second.
    #[arg(
        long,
        value_name = "RATIO",
        default_value = "4:1",
        requires = "second_frequency"
    )]
    ratio: String,
    /// Write the samples to this file.
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Write a picture to this file.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
}

/// The longest run, in samples: beyond it the samples no longer fit a sheet or a small machine.
const MOST_SAMPLES: f64 = 2e7;

/// The samples are also the grid the circuit is solved on: fewer than this a cycle miss the tone.
const LEAST_SAMPLES_A_CYCLE: f64 = 10.0;

/// Steps of the progress bar.
const BAR: u64 = 1000;

/// What was watched, for JSON.
#[derive(Debug, Serialize)]
struct Answer<'a> {
    /// Names of the columns of `volts`.
    nodes: &'a [String],
    /// Peak of the generator, V.
    drive: f64,
    /// Hz.
    frequency: f64,
    /// Hz; none with one tone.
    second_frequency: Option<f64>,
    /// What the generator gives, in words.
    wave: &'static str,
    #[serde(flatten)]
    traces: &'a Traces,
}

#[allow(clippy::cast_sign_loss, reason = "a share of a bar is not negative")]
pub(super) fn run(arguments: &Arguments, options: &Options) -> Result<(), Failure> {
    let opened = amplifier::open(&arguments.file, options)?;
    let drive = quantity("--drive", &arguments.drive, Unit::Volt, 0.0)?;
    let duration = quantity(
        "--for",
        &arguments.duration,
        Unit::Second,
        f64::MIN_POSITIVE,
    )?;
    let rate = quantity("--rate", &arguments.rate, Unit::Hertz, f64::MIN_POSITIVE)?;
    let frequency = match &arguments.frequency {
        Some(text) => quantity("--frequency", text, Unit::Hertz, f64::MIN_POSITIVE)?,
        None => opened.amplifier.bench.frequency,
    };
    let second_frequency = match &arguments.second_frequency {
        Some(text) => Some(quantity(
            "--second-frequency",
            text,
            Unit::Hertz,
            f64::MIN_POSITIVE,
        )?),
        None => None,
    };
    let ratio = ratio(&arguments.ratio).ok_or_else(|| {
        Failure::plain(
            Id::BadValue,
            format!("--ratio {} cannot be read", arguments.ratio),
            "write e.g. 4:1",
        )
    })?;
    let highest = second_frequency.map_or(frequency, |second| second.max(frequency));
    if highest > rate / LEAST_SAMPLES_A_CYCLE || duration * rate < 1.0 {
        return Err(Failure::plain(
            Id::OutOfBounds,
            format!(
                "--rate {} is too low for {} over {}",
                arguments.rate,
                engineering(highest, Unit::Hertz),
                arguments.duration
            ),
            "ask for at least ten samples a cycle and one in the run",
        ));
    }
    if duration * rate > MOST_SAMPLES {
        let message = format!(
            "--for {} at --rate {} is too many samples",
            arguments.duration, arguments.rate
        );
        return Err(Failure::plain(
            Id::OutOfBounds,
            message,
            "shorten the run or lower the rate",
        ));
    }
    let (names, nodes) = nodes(arguments, &opened)?;
    let question = WaveformOf {
        nodes,
        duration,
        rate,
        method: Method::default(),
    };
    let tolerances = Tolerances::default();
    let mut ws = opened.system.workspace();
    // A mains supply has no rest to warn by; the run itself says what is wrong with anything else.
    let rest = voltages(
        &opened.amplifier.circuit,
        &opened.system,
        &tolerances,
        &mut ws,
    )
    .ok();
    if let Some(place) = opened
        .system
        .sources()
        .position(|part| part == opened.amplifier.bench.generator)
    {
        ws.waveforms[place] = match second_frequency {
            Some(second) => Waveform::two_tone(drive, ratio, (frequency, second)),
            None if arguments.square => Waveform::Square {
                amplitude: drive,
                frequency,
            },
            None => Waveform::Sine {
                amplitude: drive,
                frequency,
                phase: 0.0,
                offset: 0.0,
            },
        };
    }
    // A file that may not be written over is no news for after the run.
    for path in [&arguments.csv, &arguments.svg].into_iter().flatten() {
        output::free(path, options.overwrite)?;
    }
    let bar = progress::bar(BAR, "following the circuit");
    let traces = question.run(&opened.system, &tolerances, &mut ws, |share| {
        bar.set_position((BAR as f64 * share.clamp(0.0, 1.0)).round() as u64);
    })?;
    bar.finish_and_clear();

    let answer = Answer {
        nodes: &names,
        drive,
        frequency,
        second_frequency,
        wave: match second_frequency {
            Some(_) => "two tone",
            None if arguments.square => "square",
            None => "sine",
        },
        traces: &traces,
    };
    if let Some(path) = &arguments.csv {
        output::write(path, samples(&names, &traces).as_bytes(), options.overwrite)?;
    }
    if let Some(path) = &arguments.svg {
        let picture = picture(&opened, &answer)?;
        output::write(path, picture.as_bytes(), options.overwrite)?;
    }
    if options.json {
        report::print(&json::document("waveform", &opened.amplifier, &answer))?;
    } else if arguments.csv.is_none() && arguments.svg.is_none() {
        report::print(&samples(&names, &traces))?;
    } else {
        report::print(&summary(&opened, &answer, duration))?;
    }
    match &rest {
        Some(rest) => {
            if rest.growing.is_some() {
                eprintln!("warning: the amplifier is not stable at rest; see `gridleak voltages`");
            }
            caution::print(rest);
        }
        None => caution::print_always(),
    }
    Ok(())
}

/// Reads an argument; `least` is the smallest value that makes sense.
pub(crate) fn quantity(argument: &str, text: &str, unit: Unit, least: f64) -> Result<f64, Failure> {
    match Quantity::parse(text, unit) {
        Ok(value) if value >= least => Ok(value),
        Ok(_) => Err(Failure::plain(
            Id::OutOfBounds,
            format!("{argument} {text} makes no sense"),
            format!("write e.g. {}", unit.examples()),
        )),
        Err(error) => Err(Failure::plain(
            Id::BadValue,
            format!("{argument} {text}: {error}"),
            format!("write e.g. {}", unit.examples()),
        )),
    }
}

fn nodes(arguments: &Arguments, opened: &Opened) -> Result<(Vec<String>, Vec<NodeId>), Failure> {
    let circuit = &opened.amplifier.circuit;
    if arguments.nodes.is_empty() {
        let (a, b) = opened.amplifier.bench.load_nodes;
        let node = if a == NodeId::CHASSIS { b } else { a };
        return Ok((vec![circuit.node_name(node).to_owned()], vec![node]));
    }
    let found: Result<_, _> = arguments
        .nodes
        .iter()
        .map(|name| node(name, circuit))
        .collect();
    Ok((arguments.nodes.clone(), found?))
}

/// The node of a name.
pub(super) fn node(name: &str, circuit: &Circuit) -> Result<NodeId, Failure> {
    circuit.find_node(name).ok_or_else(|| {
        let all: Vec<&str> = circuit.nodes().map(|(_, name)| name).collect();
        Failure::plain(
            Id::UnknownNode,
            format!("no part is joined to node `{name}`"),
            format!("the nodes are {}", all.join(", ")),
        )
    })
}

fn samples(names: &[String], traces: &Traces) -> String {
    let mut header = vec!["time [s]".to_owned()];
    header.extend(names.iter().map(|name| format!("{name} [V]")));
    let mut columns: Vec<&[f64]> = vec![&traces.time];
    columns.extend(traces.volts.iter().map(Vec::as_slice));
    csv::columns(&header, &columns)
}

fn picture(opened: &Opened, answer: &Answer<'_>) -> Result<String, Failure> {
    let milliseconds: Vec<f64> = answer.traces.time.iter().map(|t| 1e3 * t).collect();
    let plot = Plot {
        title: &opened.amplifier.title,
        conditions: &format!("from rest, generator {}", generator(answer)),
        x_name: "time, ms",
        y_name: "volts against the chassis",
        x: &milliseconds,
        curves: answer
            .nodes
            .iter()
            .cloned()
            .zip(answer.traces.volts.iter().map(Vec::as_slice))
            .collect(),
        levels: Vec::new(),
    };
    Ok(plot.svg()?)
}

/// What the generator gives.
fn generator(answer: &Answer<'_>) -> String {
    let frequency = engineering(answer.frequency, Unit::Hertz);
    let peak = engineering(answer.drive, Unit::Volt);
    match answer.second_frequency {
        Some(second) => format!(
            "{peak} peak, two tones at {frequency} and {}",
            engineering(second, Unit::Hertz)
        ),
        None => format!("{peak} peak, {} at {frequency}", answer.wave),
    }
}

fn summary(opened: &Opened, answer: &Answer<'_>, duration: f64) -> String {
    let mut sheet = Sheet::new(&["node", "least", "mean", "greatest", "rms about the mean"]);
    for (name, volts) in answer.nodes.iter().zip(&answer.traces.volts) {
        let count = volts.len().max(1) as f64;
        let mean = volts.iter().sum::<f64>() / count;
        let rms = (volts.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / count).sqrt();
        let least = volts.iter().copied().fold(f64::INFINITY, f64::min);
        let most = volts.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let mut row = vec![name.clone()];
        row.extend([least, mean, most, rms].map(|v| engineering(v, Unit::Volt)));
        sheet.row(row);
    }
    format!(
        "{}\n\nFrom rest, generator {}, for {}.\n\n{}{}",
        opened.amplifier.title,
        generator(answer),
        engineering(duration, Unit::Second),
        sheet.print("Traces", 1),
        notes::text(&opened.amplifier.notes)
    )
}
