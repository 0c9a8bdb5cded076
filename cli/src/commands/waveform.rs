//! `waveform FILE --node a5 --node out --drive 0.2V --for 20ms`.

use std::path::{Path, PathBuf};

use measure::driven::waveform::{Traces, WaveformOf};
use measure::instruments::peak::Peak;
use serde::Serialize;
use sim::NodeId;
use sim::parts::Waveform;
use sim::quantity::{Unit, engineering};
use sim::transient::Method;

use super::command::{File, OfAmplifier, Told};
use crate::amplifier::Opened;
use crate::argument::{given, node, positive, quantity, ratio};
use crate::caution;
use crate::diagnostic::Id;
use crate::failure::Failure;
use crate::progress;
use measure::judged::study::Study;

mod picture;
mod words;

// Without --csv and --svg the samples go to stdout as CSV.
/// Volts against time at chosen nodes, as CSV and SVG.
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

/// What is asked: a run, and what its signal is called.
#[derive(Debug)]
pub(super) struct Asked {
    run: WaveformOf,
    names: Vec<String>,
    drive: f64,
    frequency: f64,
    second_frequency: Option<f64>,
    wave: &'static str,
}

/// What was watched, for JSON.
#[derive(Debug, Serialize)]
pub(super) struct Answer {
    /// Names of the columns of `volts`.
    nodes: Vec<String>,
    /// Peak of the generator, V.
    drive: f64,
    /// Hz.
    frequency: f64,
    /// Hz; none with one tone.
    second_frequency: Option<f64>,
    /// What the generator gives, in words.
    wave: &'static str,
    #[serde(flatten)]
    traces: Traces,
}

impl OfAmplifier for Arguments {
    const NAME: &'static str = "waveform";
    type Question = Asked;
    type Answer = Answer;

    fn file(&self) -> &Path {
        &self.file
    }

    fn question(&self, opened: &Opened, _: &Study<'_>) -> Result<Asked, Failure> {
        let amplifier = &opened.amplifier;
        let drive = quantity("--drive", &self.drive, Unit::Volt, 0.0)?;
        let duration = positive("--for", &self.duration, Unit::Second)?;
        let rate = positive("--rate", &self.rate, Unit::Hertz)?;
        let frequency = given("--frequency", self.frequency.as_ref(), Unit::Hertz)?
            .unwrap_or(amplifier.bench.frequency);
        let second_frequency = given(
            "--second-frequency",
            self.second_frequency.as_ref(),
            Unit::Hertz,
        )?;
        let ratio = ratio(&self.ratio)?;
        let highest = second_frequency.map_or(frequency, |second| second.max(frequency));
        if highest > rate / LEAST_SAMPLES_A_CYCLE || duration * rate < 1.0 {
            return Err(Failure::plain(
                Id::OutOfBounds,
                format!(
                    "--rate {} is too low for {} over {}",
                    self.rate,
                    engineering(highest, Unit::Hertz),
                    self.duration
                ),
                "ask for at least ten samples a cycle and one in the run",
            ));
        }
        if duration * rate > MOST_SAMPLES {
            let message = format!(
                "--for {} at --rate {} is too many samples",
                self.duration, self.rate
            );
            return Err(Failure::plain(
                Id::OutOfBounds,
                message,
                "shorten the run or lower the rate",
            ));
        }
        let (signal, wave) = match second_frequency {
            Some(second) => (
                Waveform::two_tone(drive, ratio, (frequency, second)),
                "two tone",
            ),
            None if self.square => (
                Waveform::Square {
                    amplitude: drive,
                    frequency,
                },
                "square",
            ),
            None => (
                Waveform::Sine {
                    amplitude: drive,
                    frequency,
                    phase: 0.0,
                    offset: 0.0,
                },
                "sine",
            ),
        };
        let (names, nodes) = nodes(self, opened)?;
        Ok(Asked {
            run: WaveformOf {
                nodes,
                duration,
                rate,
                method: Method::default(),
                signal: Some(signal),
            },
            names,
            drive,
            frequency,
            second_frequency,
            wave,
        })
    }

    fn files(&self) -> Vec<File<'_, Self>> {
        vec![
            File::csv(self.csv.as_ref(), |told| picture::csv(told.answer)),
            File::svg(self.svg.as_ref(), |told| {
                picture::svg(told.amplifier, told.answer)
            }),
        ]
    }

    fn answer(&self, _: &Opened, known: &Study<'_>, question: &Asked) -> Result<Answer, Failure> {
        let bar = progress::bar(1, "following the circuit");
        let traces = progress::ask(&question.run, known.under_test()?, &bar)?;
        let rest = known.rest();
        if rest.is_ok_and(|rest| rest.growing.is_some()) {
            caution::warn("the amplifier is not stable at rest; see `gridleak voltages`");
        }
        Ok(Answer {
            nodes: question.names.clone(),
            drive: question.drive,
            frequency: question.frequency,
            second_frequency: question.second_frequency,
            wave: question.wave,
            traces,
        })
    }

    fn driven(told: &Told<'_, Self>) -> Option<Peak> {
        told.answer.traces.peak.clone()
    }

    fn prints_a_sheet(&self) -> bool {
        self.csv.is_none() && self.svg.is_none()
    }

    fn words(told: &Told<'_, Self>) -> String {
        if told.arguments.prints_a_sheet() {
            // The samples are all that goes out; what must be known beside them goes to who watches.
            if told.answer.traces.bursts.is_some() {
                caution::warn(words::bursts(told.answer).trim_end());
            }
            return picture::csv(told.answer);
        }
        words::text(told.amplifier, told.answer, told.question.run.duration)
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
