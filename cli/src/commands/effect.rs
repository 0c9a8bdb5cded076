//! `effect FILE --part C7,C8`.

use std::path::{Path, PathBuf};

use measure::judged::effect::{CaseError, EffectOf, Effects, Named, Removal, cases, shares};
use measure::small_signal::feedback::path;
use measure::small_signal::loop_gain::{FeedbackPath, PathError};
use serde::Serialize;

use super::command::{File, OfAmplifier, Told};
use crate::amplifier::Opened;
use crate::argument;
use crate::diagnostic::{Diagnostic, Id};
use crate::failure::Failure;
use crate::progress;
use measure::UnderTest;
use measure::judged::study::Study;

mod picture;
mod words;

/// What each part does: gain, response, feedback, volts, power and hum with it and without.
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

/// What is taken out.
#[derive(Debug)]
pub(super) struct Asked {
    cases: Vec<Vec<Removal>>,
    is_named: bool,
}

/// The answer, for JSON.
#[derive(Debug, Serialize)]
pub(super) struct Answer {
    /// What counts as a change, in words.
    threshold: String,
    /// Parts of the loop whose margins are told.
    through: Vec<String>,
    /// Whether power, distortion and hum were measured.
    full: bool,
    #[serde(flatten)]
    effects: Effects,
    /// Why no margins are told, where there is a reason.
    #[serde(skip)]
    no_loop: Option<String>,
    #[serde(skip)]
    is_named: bool,
}

impl OfAmplifier for Arguments {
    const NAME: &'static str = "effect";
    type Question = Asked;
    type Answer = Answer;

    fn file(&self) -> &Path {
        &self.file
    }

    fn question(&self, opened: &Opened, _: &Study<'_>) -> Result<Asked, Failure> {
        let tidy = |list: &[String]| -> Vec<String> {
            let names = list.iter().map(|name| name.trim().to_owned());
            names.filter(|name| !name.is_empty()).collect()
        };
        let named = Named {
            parts: tidy(&self.part),
            open: tidy(&self.open),
            short: tidy(&self.short),
            together: self.together,
        };
        let cases = cases(&opened.amplifier, &named).map_err(|faults| refused(&faults))?;
        let is_named = !(named.parts.is_empty() && named.open.is_empty() && named.short.is_empty());
        if self.svg.is_some() && (!is_named || cases.len() > MOST_DRAWN) {
            return Err(Failure::plain(
                Id::CannotAsk,
                "--svg draws the parts named, six cases at most",
                "name what is to be drawn: --part C7,C8, or several at once with --together",
            ));
        }
        Ok(Asked { cases, is_named })
    }

    fn files(&self) -> Vec<File<'_, Self>> {
        vec![File::svg(self.svg.as_ref(), |told| {
            picture::svg(told.amplifier, &told.answer.effects)
        })]
    }

    fn answer(&self, _: &Opened, known: &Study<'_>, question: &Asked) -> Result<Answer, Failure> {
        known.rest()?;
        let of = known.under_test()?;
        let (path, no_loop) = self.feedback_path(of)?;
        let full = (question.is_named && !self.quick) || self.full;
        let through = path.iter().flat_map(FeedbackPath::parts);
        let through = through
            .map(|part| of.circuit.part(part).name.clone())
            .collect();
        let bar = progress::long_bar(question.cases.len() as u64 + 1, "parts taken out");
        let effect = EffectOf {
            cases: question.cases.clone(),
            path,
            full,
        };
        let effects = progress::ask(&effect, of, &bar)?;
        if self.svg.is_some() {
            can_be_drawn(&effects)?;
        }
        Ok(Answer {
            threshold: shares(),
            through,
            full,
            effects,
            no_loop,
            is_named: question.is_named,
        })
    }

    fn words(told: &Told<'_, Self>) -> String {
        words::text(told.amplifier, told.answer)
    }
}

impl Arguments {
    /// The loop whose margins are told, or why there is none to speak of.
    fn feedback_path(
        &self,
        of: &UnderTest<'_>,
    ) -> Result<(Option<FeedbackPath>, Option<String>), Failure> {
        let named = match self.through.as_deref().map(str::trim) {
            None => Vec::new(),
            Some(name) => vec![argument::through(name, of.circuit)?],
        };
        match path(of, &named) {
            Ok(path) => Ok((Some(path), None)),
            Err(PathError::NoFeedback) => Ok((None, None)),
            Err(error @ PathError::Several(_)) => Ok((
                None,
                Some(format!("{error}; --through PART tells the margins of one")),
            )),
            Err(PathError::Sim(error)) => Ok((None, Some(error.to_string()))),
            Err(error @ (PathError::NotAPath(_) | PathError::TwoLoops(..))) => Err(Failure::plain(
                Id::WhichLoop,
                format!("--through: {error}"),
                "name a resistor or capacitor that leads from the output back into the amplifier, neither end on the chassis",
            )),
        }
    }
}

/// Refuses a picture in which nothing would be.
fn can_be_drawn(effects: &Effects) -> Result<(), Failure> {
    let cases = effects.cases.iter().map(|effect| &effect.without);
    if cases
        .chain([&effects.as_drawn])
        .any(|at| !at.gains_db.is_empty())
    {
        return Ok(());
    }
    Err(Failure::NoAnswer(Diagnostic::plain(
        Id::CannotAsk,
        "there is no response to draw, with the parts or without",
        "the answer without --svg says why",
    )))
}

fn refused(faults: &[CaseError]) -> Failure {
    let diagnostics = faults.iter().map(|fault| {
        let id = match fault {
            CaseError::NoPart { .. } => Id::UnknownPart,
            CaseError::Twice { .. }
            | CaseError::NotShorted { .. }
            | CaseError::Load { .. }
            | CaseError::Kept { .. }
            | CaseError::Together => Id::CannotAsk,
        };
        Diagnostic::plain(id, fault.to_string(), fault.help())
    });
    Failure::Input {
        diagnostics: diagnostics.collect(),
        text: None,
    }
}
