//! `feedback FILE`.

use std::path::PathBuf;

use measure::at_rest::voltages::voltages;
use measure::small_signal::feedback::{AtLoad, Feedback, feedback, path};
use measure::small_signal::loop_gain::{
    FeedbackPath, PathError, Peak, PhaseCrossing, UnityCrossing,
};
use serde::Serialize;
use sim::stability::Growing;
use sim::{Circuit, PartId, Tolerances};

use crate::amplifier::Opened;
use crate::diagnostic::{Diagnostic, Id};
use crate::failure::Failure;
use crate::report::{self, json, output};
use crate::{Options, amplifier, caution, progress};

mod picture;
mod words;

/// Arguments of `feedback`.
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

/// The answer, for JSON.
#[derive(Debug, Serialize)]
struct Answer<'a> {
    through: Vec<&'a str>,
    from: &'a str,
    to: Vec<&'a str>,
    frequency: f64,
    load_ohms: f64,
    feedback_db: f64,
    loop_gain: f64,
    gain_with: f64,
    gain_without: f64,
    unity: &'a [UnityCrossing],
    half_turn: &'a [PhaseCrossing],
    peak_below: Option<Peak>,
    peak_above: Option<Peak>,
    growing: Option<Growing>,
    growing_without: Option<Growing>,
    curve: Curve,
    drive: f64,
    square_frequency: f64,
    loads: &'a [AtLoad],
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
        let column = |figure: fn(&measure::small_signal::loop_gain::LoopPoint) -> f64| {
            answer.loop_gain.curve.iter().map(figure).collect()
        };
        Self {
            frequency: column(|point| point.frequency),
            loop_gain: column(|point| point.loop_gain.norm()),
            phase_degrees: column(|point| point.phase.to_degrees()),
            gain_with: column(|point| point.with.norm()),
            gain_without: column(|point| point.without.norm()),
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
    let tolerances = Tolerances::default();
    let named = named(arguments, circuit)?;
    let rest = voltages(circuit, system, &tolerances, &mut system.workspace())?;
    let path = path(circuit, system, bench, &tolerances, &named)
        .map_err(|error| no_path(error, circuit))?;
    let files = [&arguments.csv, &arguments.svg, &arguments.square_svg];
    for path in files.into_iter().flatten() {
        output::free(path, options.overwrite)?;
    }
    let counter = progress::counter("loads tried");
    let answer = feedback(circuit, system, bench, path, &tolerances, &|loads| {
        counter.set_position(loads as u64);
    });
    counter.finish_and_clear();
    let answer = answer?;
    let write = |path: &Option<PathBuf>, text: &dyn Fn() -> Result<String, Failure>| {
        path.as_ref().map_or(Ok(()), |path| {
            output::write(path, text()?.as_bytes(), options.overwrite)
        })
    };
    write(&arguments.csv, &|| Ok(picture::csv(&Curve::of(&answer))))?;
    write(&arguments.svg, &|| {
        Ok(picture::loop_gain(&opened.amplifier, &answer)?)
    })?;
    write(&arguments.square_svg, &|| {
        Ok(picture::square_waves(&opened.amplifier, &answer)?)
    })?;
    if options.json {
        let document = document(&opened, &answer);
        report::print(&json::document("feedback", &opened.amplifier, &document))?;
    } else {
        report::print(&words::text(&opened.amplifier, &answer))?;
    }
    caution::print(&rest);
    Ok(())
}

fn document<'a>(opened: &'a Opened, answer: &'a Feedback) -> Answer<'a> {
    let (circuit, bench) = (&opened.amplifier.circuit, &opened.amplifier.bench);
    let (path, found) = (&answer.path, &answer.loop_gain);
    Answer {
        through: names(circuit, path),
        from: circuit.node_name(path.from),
        to: ends(circuit, path),
        frequency: bench.frequency,
        load_ohms: bench.load_ohms,
        feedback_db: found.feedback_db(),
        loop_gain: found.mid.loop_gain.norm(),
        gain_with: found.mid.with.norm(),
        gain_without: found.mid.without.norm(),
        unity: &found.unity,
        half_turn: &found.phase,
        peak_below: found.peak_below,
        peak_above: found.peak_above,
        growing: found.growing,
        growing_without: found.growing_without,
        curve: Curve::of(answer),
        drive: answer.drive,
        square_frequency: measure::small_signal::square_wave::FREQUENCY,
        loads: &answer.loads,
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

/// The parts named with --through.
fn named(arguments: &Arguments, circuit: &Circuit) -> Result<Vec<PartId>, Failure> {
    arguments
        .through
        .iter()
        .map(|name| {
            circuit.find_part(name.trim()).ok_or_else(|| {
                Failure::plain(
                    Id::UnknownPart,
                    format!("--through {name}: there is no such part"),
                    "name the resistor or capacitor that leads from the output back into the amplifier",
                )
            })
        })
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
        _ => Failure::plain(
            Id::WhichLoop,
            format!("--through: {message}"),
            "name a resistor or capacitor that leads from the output back into the amplifier, neither end on the chassis",
        ),
    }
}
