//! `check FILE`.

use std::path::{Path, PathBuf};

use measure::judged::check::{CheckOf, Finding, Halves, LeftOut, Weight};
use serde::Serialize;
use sim::SimError;

use super::command::{OfAmplifier, Told};
use crate::amplifier::Opened;
use crate::diagnostic::{Diagnostic, Id};
use crate::failure::Failure;
use crate::progress;
use measure::judged::study::Study;

mod words;

/// Reads the drawing like a sceptical engineer: dangers, ratings, misprints, the two halves compared.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// The amplifier file.
    file: PathBuf,
    /// Leave out what takes long: full drive, high mains, switching on and off.
    #[arg(long)]
    quick: bool,
    /// Exit with status 1 when anything heavier than a remark is found.
    #[arg(long)]
    strict: bool,
}

/// A finding with the lines of the file it is about.
#[derive(Debug, Serialize)]
struct Placed {
    #[serde(flatten)]
    finding: Finding,
    /// Where its parts are written.
    places: Vec<WrittenAt>,
}

/// Where a part is written.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
struct WrittenAt {
    file: String,
    line: usize,
}

/// The answer with lines.
#[derive(Debug, Serialize)]
pub(super) struct Answer {
    findings: Vec<Placed>,
    halves: Vec<Halves>,
    left_out: Vec<LeftOut>,
    /// Why the rest was not found; none where it was.
    #[serde(skip)]
    unsolved: Option<SimError>,
}

impl OfAmplifier for Arguments {
    const NAME: &'static str = "check";
    type Question = CheckOf;
    type Answer = Answer;

    fn file(&self) -> &Path {
        &self.file
    }

    fn question(&self, _: &Opened, _: &Study<'_>) -> Result<CheckOf, Failure> {
        Ok(CheckOf { quick: self.quick })
    }

    fn answer(
        &self,
        opened: &Opened,
        known: &Study<'_>,
        question: &CheckOf,
    ) -> Result<Answer, Failure> {
        let bar = progress::counter("questions asked");
        let answer = match known.under_test() {
            Ok(of) => progress::ask(question, of, &bar)?,
            Err(error) => question.unsolved(&opened.amplifier, error),
        };
        let placed = |finding: Finding| Placed {
            places: finding
                .parts
                .iter()
                .filter_map(|part| place(opened, part))
                .collect(),
            finding,
        };
        Ok(Answer {
            findings: answer.findings.into_iter().map(placed).collect(),
            halves: answer.halves,
            left_out: answer.left_out,
            unsolved: answer.rest.err(),
        })
    }

    fn words(told: &Told<'_, Self>) -> String {
        words::text(told.amplifier, told.answer)
    }

    fn verdict(told: &Told<'_, Self>) -> Result<(), Failure> {
        if let Some(error) = &told.answer.unsolved {
            return Err(error.clone().into());
        }
        let findings = told.answer.findings.iter();
        let heavy = findings
            .filter(|placed| placed.finding.weight != Weight::Remark)
            .count();
        if !told.arguments.strict || heavy == 0 {
            return Ok(());
        }
        Err(Failure::NoAnswer(Diagnostic::plain(
            Id::CheckStrict,
            format!("{heavy} findings weigh more than a remark"),
            "look at each, or ask without --strict",
        )))
    }
}

/// Where a part is written; places are bytes of the texts laid end to end.
fn place(opened: &Opened, part: &str) -> Option<WrittenAt> {
    let part = opened.amplifier.circuit.find_part(part)?;
    let span = &opened.spans.parts.get(part.index())?.name;
    let texts = opened.origin.texts();
    let starts = sheet::starts(&texts);
    let which = starts.partition_point(|start| *start <= span.start) - 1;
    let before = texts[which].get(..span.start - starts[which])?;
    (!span.is_empty()).then(|| WrittenAt {
        file: opened.origin.files[which].0.clone(),
        line: before.matches('\n').count() + 1,
    })
}
