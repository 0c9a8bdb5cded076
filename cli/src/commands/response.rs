//! `response FILE --each S1 --steps VR1=0%,50%,100% --target riaa`.

use std::path::{Path, PathBuf};

use measure::small_signal::response::{Output, Response, ResponseOf};
use rayon::prelude::*;
use serde::Serialize;
use sim::NodeId;
use sim::amplifier::Amplifier;
use sim::quantity::{Unit, engineering};

use self::settings::{Case, Setting};
use super::command::{File, OfAmplifier, Told};
use crate::amplifier::Opened;
use crate::argument::{node, positive};
use crate::diagnostic::{self, Id};
use crate::failure::Failure;
use measure::Measurement;
use measure::judged::study::Study;

mod picture;
mod settings;
mod target;
mod words;

/// Gain and phase against frequency, limits of the band, peaks, and curves for each setting.
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
pub(super) struct Answer {
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

/// What is asked, at every setting.
#[derive(Debug)]
pub(super) struct Asked {
    question: ResponseOf,
    cases: Vec<Case>,
}

impl OfAmplifier for Arguments {
    const NAME: &'static str = "response";
    type Question = Asked;
    type Answer = Answer;

    fn file(&self) -> &Path {
        &self.file
    }

    fn question(&self, opened: &Opened, _: &Study<'_>) -> Result<Asked, Failure> {
        let amplifier = &opened.amplifier;
        let question = question(self, amplifier)?;
        let outputs = question.outputs.len();
        let cases = settings::cases(amplifier, &self.each, &self.steps, outputs)?;
        Ok(Asked { question, cases })
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
        opened: &Opened,
        known: &Study<'_>,
        question: &Asked,
    ) -> Result<Answer, Failure> {
        // Only the settings asked for need a rest.
        let Asked { question, cases } = question;
        let solved = cases
            .par_iter()
            .map(|case| solve(opened, known, question, case))
            .collect::<Result<Vec<_>, _>>()?;
        Ok(Answer {
            reference: question.reference,
            target: question.target.as_ref().map(target::name),
            frequency: question.grid(),
            curves: solved.into_iter().flatten().collect(),
        })
    }

    fn words(told: &Told<'_, Self>) -> String {
        words::report(told.amplifier, told.answer)
    }
}

fn question(arguments: &Arguments, amplifier: &Amplifier) -> Result<ResponseOf, Failure> {
    let hertz = |argument: &str, text: &str| positive(argument, text, Unit::Hertz);
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
    opened: &Opened,
    known: &Study<'_>,
    question: &ResponseOf,
    case: &Case,
) -> Result<Vec<Curve>, Failure> {
    let set = case.set();
    let answer = if set.is_empty() {
        known.under_test().and_then(|of| question.ask(of, &|_| ()))
    } else {
        let (amplifier, system) = opened.origin.set(&set)?;
        question.about(&amplifier, &system)
    };
    let responses = answer.map_err(|error| {
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
