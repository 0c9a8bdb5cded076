//! `compare FILE FILE…`.
//!
//! A command by itself: it is about several amplifiers.

use std::path::{Path, PathBuf};

use measure::judged::changes::{Change, changes};
use measure::judged::scorecard::{Better, Entry, STEPS, Scorecard, measure, scorecard};
use measure::judged::study::Study;
use rayon::prelude::*;
use serde::Serialize;
use sim::quantity::Unit;

use super::command::Command;
use crate::amplifier::Opened;
use crate::diagnostic::{Diagnostic, Id};
use crate::failure::Failure;
use crate::notes::Assumption;
use crate::options::Options;
use crate::report::file_kind::FileKind;
use crate::report::{self, json, output};
use crate::{amplifier, caution, notes, progress};

mod picture;
mod words;

// `--set` changes a value in every file.
/// Two or more amplifiers or reworks side by side: figures, parts changed, what gets worse.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// What the others are compared with: an amplifier file or a rework.
    #[arg(value_name = "FILE")]
    first: PathBuf,
    /// Amplifier files or reworks to compare with it.
    #[arg(required = true, value_name = "FILE")]
    others: Vec<PathBuf>,
    /// Write the figures to this file, a line a figure, a column a file.
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Write a picture to this file: distortion against power above gain against frequency.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
}

/// Amplifiers that can be told from each other in one table.
const MOST: usize = 6;

/// One figure of all files.
#[derive(Debug, Serialize)]
pub(super) struct Figure {
    group: &'static str,
    #[serde(rename = "figure")]
    name: String,
    /// Symbol; of a ratio none.
    unit: &'static str,
    better: Better,
    /// Of each file, SI.
    values: Vec<Option<f64>>,
    limits: Vec<Option<f64>>,
    words: Vec<Option<String>>,
    #[serde(skip)]
    of: Unit,
}

/// A file in the table.
#[derive(Debug, Serialize)]
pub(super) struct Column {
    file: String,
    title: String,
    source: String,
    assumed: Vec<Assumption>,
    /// What is changed against the first file.
    changes: Vec<Change>,
    /// What could not be measured, and why.
    not_measured: Vec<String>,
}

/// The answer.
#[derive(Debug, Serialize)]
pub(super) struct Answer {
    files: Vec<Column>,
    figures: Vec<Figure>,
}

impl Command for Arguments {
    const NAME: &'static str = "compare";

    fn run(&self, options: &Options) -> Result<(), Failure> {
        let files: Vec<&Path> = std::iter::once(&self.first)
            .chain(&self.others)
            .map(PathBuf::as_path)
            .collect();
        if files.len() > MOST {
            return Err(Failure::plain(
                Id::CannotAsk,
                format!("{} files are too many for one table", files.len()),
                format!("compare up to {MOST} at a time"),
            ));
        }
        let mut opened: Vec<Opened> = Vec::new();
        let mut failures = Vec::new();
        for file in &files {
            match amplifier::open(file, options) {
                Ok(found) => opened.push(found),
                Err(failure) => failures.push(failure),
            }
        }
        if !failures.is_empty() {
            return Err(Failure::Several(failures));
        }
        let sheets = [
            (FileKind::Sheet, self.csv.as_ref()),
            (FileKind::Picture, self.svg.as_ref()),
        ];
        output::may_be_written(sheets, options.overwrite)?;
        let studies: Vec<Study<'_>> = opened
            .iter()
            .map(|opened| Study::new(&opened.amplifier, &opened.system))
            .collect();
        let bar = progress::bar((STEPS * studies.len()) as u64, "measurements");
        studies
            .par_iter()
            .for_each(|study| measure(study, &|| bar.inc(1)));
        bar.finish_and_clear();
        let cards: Vec<Scorecard> = studies.iter().map(scorecard).collect();
        if cards.iter().all(|card| card.entries.is_empty()) {
            // None of them rests.
            for study in &studies {
                study.rest()?;
            }
        }
        let answer = Answer::new(&files, &opened, &cards);
        if let Some(path) = &self.csv {
            output::write(path, csv(&answer).as_bytes(), options.overwrite)?;
        }
        if let Some(path) = &self.svg {
            let picture = picture::svg(&answer, &studies)?;
            output::write(path, picture.as_bytes(), options.overwrite)?;
        }
        if options.json {
            report::print(&json::bare(Self::NAME, &answer))?;
        } else {
            let warnings = opened
                .iter()
                .map(|opened| notes::warnings(&opened.amplifier.notes));
            report::print(&(warnings.collect::<String>() + &words::report(&answer, &opened)))?;
        }
        let rests = studies.iter();
        caution::print_highest(
            rests.filter_map(|study| Some((study.amplifier, study.rest().ok()?))),
        );
        all_solved(&cards)
    }
}

/// Figures the solver gave up on are missing, though all others have been told.
fn all_solved(cards: &[Scorecard]) -> Result<(), Failure> {
    let lost: Vec<String> = cards
        .iter()
        .enumerate()
        .flat_map(|(k, card)| {
            let lost = card.not_measured.iter().filter(|not| not.gave_up);
            lost.map(move |not| format!("{} of {}", not.group.to_lowercase(), words::letter(k)))
        })
        .collect();
    if lost.is_empty() {
        return Ok(());
    }
    Err(Failure::NoAnswer(Diagnostic::plain(
        Id::NotPeriodic,
        format!("not all could be solved for: {}", lost.join(", ")),
        "what is printed holds without it; each reason stands there",
    )))
}

impl Answer {
    fn new(files: &[&Path], opened: &[Opened], cards: &[Scorecard]) -> Self {
        let first = &opened[0];
        let columns = opened
            .iter()
            .zip(cards)
            .zip(files)
            .map(|((opened, card), path)| Column {
                file: path.display().to_string(),
                title: opened.amplifier.title.clone(),
                source: opened.amplifier.source.clone(),
                assumed: notes::json(&opened.amplifier.notes),
                changes: changes(&first.amplifier, &opened.amplifier),
                not_measured: card
                    .not_measured
                    .iter()
                    .map(|not| format!("{}: {}", not.group, not.reason))
                    .collect(),
            })
            .collect();
        Self {
            files: columns,
            figures: side_by_side(cards),
        }
    }
}

/// Figures of the same name in one row, groups in their order; a figure that some files do not have stands
/// behind the one it follows where it is.
fn side_by_side(cards: &[Scorecard]) -> Vec<Figure> {
    let mut rows: Vec<Figure> = Vec::new();
    for (k, card) in cards.iter().enumerate() {
        let mut at = 0;
        for entry in &card.entries {
            let known = rows
                .iter()
                .position(|row| row.group == entry.group && row.name == entry.name);
            let place = known.unwrap_or_else(|| {
                rows.insert(at, row(entry, cards.len()));
                at
            });
            rows[place].values[k] = entry.value;
            rows[place].limits[k] = entry.limit;
            rows[place].words[k].clone_from(&entry.words);
            at = place + 1;
        }
    }
    rows
}

fn row(entry: &Entry, files: usize) -> Figure {
    Figure {
        group: entry.group,
        name: entry.name.clone(),
        unit: match entry.unit {
            Unit::Percent => "",
            unit => unit.symbol(),
        },
        better: entry.better,
        values: vec![None; files],
        limits: vec![None; files],
        words: vec![None; files],
        of: entry.unit,
    }
}

/// All digits, SI; a figure that is words, in quotes.
fn csv(answer: &Answer) -> String {
    let quoted = |text: &str| format!("\"{}\"", text.replace('"', "\"\""));
    let mut sheet = "group,figure,unit".to_owned();
    for file in &answer.files {
        sheet += &format!(",{}", quoted(&file.file));
    }
    sheet.push('\n');
    for row in &answer.figures {
        sheet += &format!("{},{},{}", row.group, quoted(&row.name), row.unit);
        for (value, words) in row.values.iter().zip(&row.words) {
            sheet += &match (value, words) {
                (Some(value), _) => format!(",{value}"),
                (None, Some(words)) => format!(",{}", quoted(words)),
                (None, None) => ",".to_owned(),
            };
        }
        sheet.push('\n');
    }
    sheet
}

#[cfg(test)]
mod tests {
    use super::{Scorecard, all_solved};
    use measure::judged::scorecard::NotMeasured;

    #[test]
    fn figures_the_solver_gave_up_on_are_no_answer() {
        let card = |gave_up| Scorecard {
            entries: Vec::new(),
            not_measured: vec![NotMeasured {
                group: "Hum",
                reason: "no cycle was found".to_owned(),
                gave_up,
            }],
        };
        assert!(all_solved(&[card(false)]).is_ok());
        assert!(all_solved(&[card(false), card(true)]).is_err());
    }
}
