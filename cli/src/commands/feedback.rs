//! `feedback FILE`.

use std::path::{Path, PathBuf};

use measure::small_signal::feedback::{AtLoad, Feedback, FeedbackOf, path};
use measure::small_signal::loop_gain::{
    FeedbackPath, LoopPoint, PathError, Peak, PhaseCrossing, UnityCrossing,
};
use measure::small_signal::square_wave;
use serde::Serialize;
use sim::Circuit;
use sim::stability::Growing;

use super::command::{File, OfAmplifier, Told};
use crate::amplifier::Opened;
use crate::argument::through;
use crate::diagnostic::{Diagnostic, Id};
use crate::failure::Failure;
use crate::progress;
use measure::judged::study::Study;

mod picture;
mod words;

/// The overall feedback: its amount, margins, loads that make it oscillate, square waves.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// The amplifier file.
    file: PathBuf,
    /// A part that carries the feedback; may be repeated. Without one: the part that leads from the output
    /// back into the amplifier.
    #[arg(long = "through", value_name = "PART")]
    through: Vec<String>,
    /// Write the loop gain to this file: dB and degrees against frequency, gain with and without.
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Write a picture to this file: loop gain and phase, with the margins.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
    /// Write a picture to this file: the square wave with several loads.
    #[arg(long, value_name = "FILE")]
    square_svg: Option<PathBuf>,
}

/// The answer.
#[derive(Debug, Serialize)]
pub(super) struct Answer {
    through: Vec<String>,
    from: String,
    to: Vec<String>,
    frequency: f64,
    load_ohms: f64,
    feedback_db: f64,
    loop_gain: f64,
    gain_with: f64,
    gain_without: f64,
    unity: Vec<UnityCrossing>,
    half_turn: Vec<PhaseCrossing>,
    peak_below: Option<Peak>,
    peak_above: Option<Peak>,
    growing: Option<Growing>,
    growing_without: Option<Growing>,
    curve: Curve,
    drive: f64,
    square_frequency: f64,
    loads: Vec<AtLoad>,
    #[serde(skip)]
    whole: Feedback,
}

impl Answer {
    fn of(opened: &Opened, whole: Feedback) -> Self {
        let (circuit, bench) = (&opened.amplifier.circuit, &opened.amplifier.bench);
        let (path, found) = (&whole.path, &whole.loop_gain);
        let owned = |names: Vec<&str>| names.into_iter().map(str::to_owned).collect();
        Self {
            through: owned(names(circuit, path)),
            from: circuit.node_name(path.from).to_owned(),
            to: owned(ends(circuit, path)),
            frequency: bench.frequency,
            load_ohms: bench.load_ohms,
            feedback_db: found.feedback_db(),
            loop_gain: found.mid.loop_gain.norm(),
            gain_with: found.mid.with.norm(),
            gain_without: found.mid.without.norm(),
            unity: found.unity.clone(),
            half_turn: found.phase.clone(),
            peak_below: found.peak_below,
            peak_above: found.peak_above,
            growing: found.growing,
            growing_without: found.growing_without,
            curve: Curve::of(&whole),
            drive: whole.drive,
            square_frequency: square_wave::FREQUENCY,
            loads: whole.loads.clone(),
            whole,
        }
    }
}

/// The loop gain against frequency, a list for each figure.
#[derive(Debug, Serialize)]
struct Curve {
    frequency: Vec<f64>,
    loop_gain: Vec<f64>,
    phase_degrees: Vec<f64>,
    gain_with: Vec<f64>,
    gain_without: Vec<f64>,
}

impl Curve {
    fn of(answer: &Feedback) -> Self {
        let column =
            |figure: fn(&LoopPoint) -> f64| answer.loop_gain.curve.iter().map(figure).collect();
        Self {
            frequency: column(|point| point.frequency),
            loop_gain: column(|point| point.loop_gain.norm()),
            phase_degrees: column(|point| point.phase.to_degrees()),
            gain_with: column(|point| point.with.norm()),
            gain_without: column(|point| point.without.norm()),
        }
    }
}

impl OfAmplifier for Arguments {
    const NAME: &'static str = "feedback";
    type Question = FeedbackOf;
    type Answer = Answer;

    fn file(&self) -> &Path {
        &self.file
    }

    fn question(&self, opened: &Opened, known: &Study<'_>) -> Result<FeedbackOf, Failure> {
        let circuit = &opened.amplifier.circuit;
        let named = self.through.iter().map(|name| through(name, circuit));
        let named = named.collect::<Result<Vec<_>, _>>()?;
        let of = known.under_test_or_held()?;
        if known.under_test().is_ok() {
            known.rest()?;
        }
        let path = path(of, &named).map_err(|error| no_path(error, circuit))?;
        Ok(FeedbackOf { path })
    }

    fn files(&self) -> Vec<File<'_, Self>> {
        vec![
            File::csv(self.csv.as_ref(), |told| picture::csv(&told.answer.curve)),
            File::svg(self.svg.as_ref(), |told| {
                picture::loop_gain(told.amplifier, &told.answer.whole)
            }),
            File::svg(self.square_svg.as_ref(), |told| {
                picture::square_waves(told.amplifier, &told.answer.whole)
            }),
        ]
    }

    fn answer(
        &self,
        opened: &Opened,
        known: &Study<'_>,
        question: &FeedbackOf,
    ) -> Result<Answer, Failure> {
        let bar = progress::counter("loads tried");
        let answer = progress::ask(question, known.under_test_or_held()?, &bar)?;
        Ok(Answer::of(opened, answer))
    }

    fn words(told: &Told<'_, Self>) -> String {
        words::text(told.amplifier, &told.answer.whole)
    }
}

/// Designators of the parts of a path.
fn names<'a>(circuit: &'a Circuit, path: &FeedbackPath) -> Vec<&'a str> {
    path.parts()
        .map(|part| circuit.part(part).name.as_str())
        .collect()
}

/// Where a path ends, each node once.
fn ends<'a>(circuit: &'a Circuit, path: &FeedbackPath) -> Vec<&'a str> {
    let mut nodes = path.to.clone();
    nodes.dedup();
    nodes
        .into_iter()
        .map(|node| circuit.node_name(node))
        .collect()
}

/// Why there is no one loop, in words.
fn no_path(error: PathError, circuit: &Circuit) -> Failure {
    let message = error.to_string();
    match error {
        PathError::Sim(error) => Failure::Run(error),
        PathError::NoFeedback => Failure::NoAnswer(Diagnostic::plain(
            Id::NoFeedback,
            message,
            "nothing is wrong with that; for a loop inside the amplifier name its part with --through",
        )),
        PathError::Several(paths) => {
            let list: Vec<String> = paths
                .iter()
                .map(|path| {
                    format!(
                        "--through {} (`{}` to `{}`)",
                        names(circuit, path)[0],
                        circuit.node_name(path.from),
                        ends(circuit, path).join("` and `")
                    )
                })
                .collect();
            let help = format!("choose one of {}", list.join(", "));
            Failure::NoAnswer(Diagnostic::plain(Id::WhichLoop, message, help))
        }
        PathError::NotAPath(_) | PathError::TwoLoops(..) => Failure::plain(
            Id::WhichLoop,
            format!("--through: {message}"),
            "name a resistor or capacitor that leads from the output back into the amplifier, neither end on the chassis",
        ),
    }
}
