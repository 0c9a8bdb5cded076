//! `effect FILE --part C7,C8`.

use std::path::PathBuf;

use measure::at_rest::voltages::voltages;
use measure::judged::effect::{CaseError, EffectOf, Effects, Named, cases, shares};
use measure::small_signal::feedback::path;
use measure::small_signal::loop_gain::{FeedbackPath, PathError};
use serde::Serialize;
use sim::Tolerances;

use crate::amplifier::Opened;
use crate::diagnostic::{Diagnostic, Id};
use crate::failure::Failure;
use crate::report::{self, json, output};
use crate::{Options, amplifier, caution, progress};

mod picture;
mod words;

/// Arguments of `effect`.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// The amplifier file.
    file: PathBuf,
    /// Parts to take out, opened or shorted as is usual with their kind: C7,C8. Without any part named: every
    /// resistor, capacitor and choke.
    #[arg(long, value_name = "PART,…", value_delimiter = ',')]
    part: Vec<String>,
    /// Parts to open; a valve leaves its socket.
    #[arg(long, value_name = "PART,…", value_delimiter = ',')]
    open: Vec<String>,
    /// Parts to lay a wire across.
    #[arg(long, value_name = "PART,…", value_delimiter = ',')]
    short: Vec<String>,
    /// All parts named at once, and not one by one.
    #[arg(long)]
    together: bool,
    /// Power, distortion and hum as well when no part is named, which takes a hundred times as long.
    #[arg(long, conflicts_with = "quick")]
    full: bool,
    /// Leaves them out when parts are named.
    #[arg(long)]
    quick: bool,
    /// A part that carries the feedback whose margins are told. Without one: the part that leads from the output
    /// back into the amplifier.
    #[arg(long = "through", value_name = "PART")]
    through: Option<String>,
    /// Write a picture to this file: gain against frequency with and without the parts named, and the loop gain
    /// where there is feedback.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
}

/// Cases that can be told from each other in one picture.
const MOST_DRAWN: usize = 6;

/// The answer, for JSON.
#[derive(Debug, Serialize)]
struct Answer<'a> {
    /// What counts as a change, in words.
    threshold: String,
    /// Parts of the loop whose margins are told.
    through: Vec<&'a str>,
    /// Whether power, distortion and hum were measured.
    full: bool,
    #[serde(flatten)]
    effects: &'a Effects,
}

pub(super) fn run(arguments: &Arguments, options: &Options) -> Result<(), Failure> {
    let opened = amplifier::open(&arguments.file, options)?;
    let amplifier = &opened.amplifier;
    let tidy = |list: &[String]| -> Vec<String> {
        let names = list.iter().map(|name| name.trim().to_owned());
        names.filter(|name| !name.is_empty()).collect()
    };
    let named = Named {
        parts: tidy(&arguments.part),
        open: tidy(&arguments.open),
        short: tidy(&arguments.short),
        together: arguments.together,
    };
    let cases = cases(amplifier, &named).map_err(|faults| refused(&faults))?;
    let is_named = !(named.parts.is_empty() && named.open.is_empty() && named.short.is_empty());
    if let Some(path) = &arguments.svg {
        if !is_named || cases.len() > MOST_DRAWN {
            return Err(Failure::plain(
                Id::CannotAsk,
                "--svg draws the parts named, six cases at most",
                "name what is to be drawn: --part C7,C8, or several at once with --together",
            ));
        }
        output::free(path, options.overwrite)?;
    }
    let tolerances = Tolerances::default();
    let rest = voltages(
        &amplifier.circuit,
        &opened.system,
        &tolerances,
        &mut opened.system.workspace(),
    )?;
    let (path, no_loop) = feedback_path(arguments, &opened)?;
    let question = EffectOf {
        cases,
        path,
        full: (is_named && !arguments.quick) || arguments.full,
    };
    let bar = progress::long_bar(question.cases.len() as u64 + 1, "parts taken out");
    let answer = question.run(amplifier, &|| bar.inc(1));
    bar.finish_and_clear();
    let answer = answer?;
    if let Some(path) = &arguments.svg {
        let cases = answer.cases.iter().map(|effect| &effect.without);
        if cases
            .chain([&answer.as_drawn])
            .all(|at| at.gains_db.is_empty())
        {
            return Err(Failure::NoAnswer(Diagnostic::plain(
                Id::CannotAsk,
                "there is no response to draw, with the parts or without",
                "the answer without --svg says why",
            )));
        }
        let picture = picture::svg(amplifier, &answer)?;
        output::write(path, picture.as_bytes(), options.overwrite)?;
    }
    if options.json {
        let document = Answer {
            threshold: shares(),
            through: through(&opened, question.path.as_ref()),
            full: question.full,
            effects: &answer,
        };
        report::print(&json::document("effect", amplifier, &document))?;
    } else {
        let asked = words::Asked {
            amplifier,
            through: through(&opened, question.path.as_ref()),
            no_loop: no_loop.as_deref(),
            full: question.full,
            is_named,
        };
        report::print(&words::text(&asked, &answer))?;
    }
    caution::print(&rest);
    Ok(())
}

/// The loop whose margins are told, or why there is none to speak of.
fn feedback_path(
    arguments: &Arguments,
    opened: &Opened,
) -> Result<(Option<FeedbackPath>, Option<String>), Failure> {
    let (circuit, bench) = (&opened.amplifier.circuit, &opened.amplifier.bench);
    let named = match arguments.through.as_deref().map(str::trim) {
        None => Vec::new(),
        Some(name) => vec![circuit.find_part(name).ok_or_else(|| {
            Failure::plain(
                Id::UnknownPart,
                format!("--through {name}: there is no such part"),
                "name the resistor or capacitor that leads from the output back into the amplifier",
            )
        })?],
    };
    let found = path(
        circuit,
        &opened.system,
        bench,
        &Tolerances::default(),
        &named,
    );
    match found {
        Ok(path) => Ok((Some(path), None)),
        Err(PathError::NoFeedback) => Ok((None, None)),
        Err(error @ PathError::Several(_)) => Ok((
            None,
            Some(format!("{error}; --through PART tells the margins of one")),
        )),
        Err(PathError::Sim(error)) => Ok((None, Some(error.to_string()))),
        Err(error) => Err(Failure::plain(
            Id::WhichLoop,
            format!("--through: {error}"),
            "name a resistor or capacitor that leads from the output back into the amplifier, neither end on the chassis",
        )),
    }
}

/// Designators of the parts of the loop.
fn through<'a>(opened: &'a Opened, path: Option<&FeedbackPath>) -> Vec<&'a str> {
    let parts = path.into_iter().flat_map(FeedbackPath::parts);
    let circuit = &opened.amplifier.circuit;
    parts.map(|part| circuit.part(part).name.as_str()).collect()
}

fn refused(faults: &[CaseError]) -> Failure {
    let diagnostics = faults.iter().map(|fault| {
        let id = match fault {
            CaseError::NoPart { .. } => Id::UnknownPart,
            _ => Id::CannotAsk,
        };
        Diagnostic::plain(id, fault.to_string(), fault.help())
    });
    Failure::Input {
        diagnostics: diagnostics.collect(),
        text: None,
    }
}
