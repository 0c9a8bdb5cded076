//! `response FILE --each S1 --steps VR1=0%,50%,100% --target riaa`.

use std::path::PathBuf;

use measure::at_rest::voltages::voltages;
use measure::small_signal::response::{Output, Response, ResponseOf};
use rayon::prelude::*;
use serde::Serialize;
use sim::amplifier::Amplifier;
use sim::quantity::{Unit, engineering};
use sim::{NodeId, Tolerances};

use self::settings::{Case, Setting};
use super::waveform::{node, quantity};
use crate::diagnostic::{self, Id};
use crate::failure::Failure;
use crate::report::{self, json, output};
use crate::{Options, amplifier, caution};

mod picture;
mod settings;
mod target;
mod text;

/// Arguments of `response`.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// The amplifier file.
    file: PathBuf,
    /// A node whose volts against the chassis are the output; may be repeated. Without one: the load.
    #[arg(long = "node", value_name = "NODE")]
    nodes: Vec<String>,
    /// Least frequency.
    #[arg(long, value_name = "HERTZ", default_value = "1Hz")]
    from: String,
    /// Greatest frequency.
    #[arg(long, value_name = "HERTZ", default_value = "1MHz")]
    to: String,
    /// A curve for each position of a switch; may be repeated.
    #[arg(long, value_name = "SWITCH")]
    each: Vec<String>,
    /// A curve for each of these values, e.g. VR1=0%,50%,100%; may be repeated.
    #[arg(long, value_name = "PART=VALUE,VALUE")]
    steps: Vec<String>,
    /// What the response should be: riaa, riaa-iec (with its 7950 µs) or a CSV file of hertz and decibels.
    #[arg(long, value_name = "CURVE")]
    target: Option<String>,
    /// Write gain and phase to this file.
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Write a picture to this file: gain above phase.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
}

/// The widest grid, a ratio of frequencies: more decades than any amplifier has.
const WIDEST: f64 = 1e12;

/// The answer, for JSON.
#[derive(Debug, Serialize)]
struct Answer {
    /// Frequency the gain is stated at, Hz.
    reference: f64,
    /// What the response should be; none where nothing was said.
    target: Option<&'static str>,
    /// `[grid]` Hz.
    frequency: Vec<f64>,
    curves: Vec<Curve>,
}

/// One output at one setting.
#[derive(Debug, Serialize)]
struct Curve {
    /// As it stands in legends.
    name: String,
    settings: Vec<Setting>,
    #[serde(flatten)]
    response: Response,
}

pub(super) fn run(arguments: &Arguments, options: &Options) -> Result<(), Failure> {
    let opened = amplifier::open(&arguments.file, options)?;
    let amplifier = &opened.amplifier;
    let question = question(arguments, amplifier)?;
    let cases = settings::cases(
        amplifier,
        &arguments.each,
        &arguments.steps,
        question.outputs.len(),
    )?;
    for path in [&arguments.csv, &arguments.svg].into_iter().flatten() {
        output::free(path, options.overwrite)?;
    }
    let solved = cases
        .par_iter()
        .map(|case| solve(arguments, options, &question, case))
        .collect::<Result<Vec<_>, _>>()?;
    let answer = Answer {
        reference: question.reference,
        target: question.target.as_ref().map(target::name),
        frequency: question.grid(),
        curves: solved.into_iter().flatten().collect(),
    };
    if let Some(path) = &arguments.csv {
        output::write(path, picture::csv(&answer).as_bytes(), options.overwrite)?;
    }
    if let Some(path) = &arguments.svg {
        let picture = picture::svg(amplifier, &answer)?;
        output::write(path, picture.as_bytes(), options.overwrite)?;
    }
    if options.json {
        report::print(&json::document("response", amplifier, &answer))?;
    } else {
        report::print(&text::report(amplifier, &answer))?;
    }
    let tolerances = Tolerances::default();
    match voltages(
        &amplifier.circuit,
        &opened.system,
        &tolerances,
        &mut opened.system.workspace(),
    ) {
        Ok(rest) => caution::print(&rest),
        // Only the settings asked for need a rest.
        Err(_) => caution::print_always(),
    }
    Ok(())
}

fn question(arguments: &Arguments, amplifier: &Amplifier) -> Result<ResponseOf, Failure> {
    let hertz =
        |argument: &str, text: &str| quantity(argument, text, Unit::Hertz, f64::MIN_POSITIVE);
    let (from, to) = (
        hertz("--from", &arguments.from)?,
        hertz("--to", &arguments.to)?,
    );
    if to <= from || to / from > WIDEST {
        return Err(Failure::plain(
            Id::OutOfBounds,
            format!(
                "--from {} --to {} is no range of frequencies",
                arguments.from, arguments.to
            ),
            "write e.g. --from 10Hz --to 100kHz",
        ));
    }
    let target = arguments.target.as_deref().map(target::read).transpose()?;
    let bench = &amplifier.bench;
    let outputs = if arguments.nodes.is_empty() {
        vec![Output {
            name: amplifier.circuit.part(bench.load).name.clone(),
            nodes: bench.load_nodes,
        }]
    } else {
        let nodes = arguments.nodes.iter();
        nodes
            .map(|name| {
                Ok(Output {
                    name: name.clone(),
                    nodes: (node(name, &amplifier.circuit)?, NodeId::CHASSIS),
                })
            })
            .collect::<Result<_, Failure>>()?
    };
    Ok(ResponseOf {
        generator: bench.generator,
        outputs,
        from,
        to,
        reference: bench.frequency,
        target,
    })
}

/// The curves of one setting: the file is read again, so that its operating point is its own.
fn solve(
    arguments: &Arguments,
    options: &Options,
    question: &ResponseOf,
    case: &Case,
) -> Result<Vec<Curve>, Failure> {
    let opened = amplifier::open_set(&arguments.file, options, &case.set())?;
    let responses = question
        .run(&opened.system, &Tolerances::default())
        .map_err(|error| {
            if case.settings.is_empty() {
                return Failure::Run(error);
            }
            let mut diagnostic = diagnostic::of_sim(&error);
            diagnostic.message = format!("with {}: {}", case.name(), diagnostic.message);
            Failure::NoAnswer(diagnostic)
        })?;
    let named = responses.into_iter().map(|response| {
        let mut names = Vec::new();
        if !case.settings.is_empty() {
            names.push(case.name());
        }
        if question.outputs.len() > 1 || names.is_empty() {
            names.push(response.output.clone());
        }
        Curve {
            name: names.join(", "),
            settings: case.settings.clone(),
            response,
        }
    });
    Ok(named.collect())
}

/// What was measured, for reports and pictures.
fn conditions(amplifier: &Amplifier, answer: &Answer) -> String {
    let outputs: Vec<&str> = {
        let mut names: Vec<&str> = Vec::new();
        for curve in &answer.curves {
            if !names.contains(&curve.response.output.as_str()) {
                names.push(&curve.response.output);
            }
        }
        names
    };
    format!(
        "small signals about rest, from the generator's open-circuit volts to {}, load {}",
        outputs.join(", "),
        engineering(amplifier.bench.load_ohms, Unit::Ohm)
    )
}
