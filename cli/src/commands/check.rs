//! `check FILE`.

use std::path::PathBuf;

use measure::judged::check::{
    Balance, Check, CheckOf, Correction, Finding, Halves, LeftOut, Weight,
};
use serde::Serialize;
use sim::amplifier::Amplifier;
use sim::quantity::{Unit, engineering};

use crate::amplifier::Opened;
use crate::diagnostic::{Diagnostic, Id};
use crate::failure::Failure;
use crate::report::table::percent;
use crate::report::{self, json};
use crate::{Options, amplifier, caution, notes, progress};

/// Arguments of `check`.
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

/// The weights with their headings.
const WEIGHTS: [(Weight, &str); 5] = [
    (Weight::Danger, "Danger"),
    (Weight::OverRating, "Over rating"),
    (Weight::ProbableMisprint, "Probable misprint"),
    (Weight::Doubtful, "Doubtful"),
    (Weight::Remark, "Remark"),
];

/// A finding with the lines of the file it is about.
#[derive(Debug, Serialize)]
struct Placed<'a> {
    #[serde(flatten)]
    finding: &'a Finding,
    /// Where its parts are written.
    places: Vec<Place>,
}

/// Where a part is written.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
struct Place {
    file: String,
    line: usize,
}

/// The answer with lines.
#[derive(Debug, Serialize)]
struct Answer<'a> {
    findings: Vec<Placed<'a>>,
    halves: &'a [Halves],
    left_out: &'a [LeftOut],
}

pub(super) fn run(arguments: &Arguments, options: &Options) -> Result<(), Failure> {
    let opened = amplifier::open(&arguments.file, options)?;
    let files = amplifier::stack(&arguments.file)?;
    let counter = progress::counter("questions asked");
    let question = CheckOf {
        quick: arguments.quick,
    };
    let answer = question.run(&opened.amplifier, &opened.system, &|question| {
        counter.set_message(question);
        counter.inc(1);
    });
    counter.finish_and_clear();
    let answer = answer?;
    let placed = Answer {
        findings: answer
            .findings
            .iter()
            .map(|finding| Placed {
                finding,
                places: finding
                    .parts
                    .iter()
                    .filter_map(|part| place(&opened, &files, part))
                    .collect(),
            })
            .collect(),
        halves: &answer.halves,
        left_out: &answer.left_out,
    };
    if options.json {
        report::print(&json::document("check", &opened.amplifier, &placed))?;
    } else {
        report::print(&words(&opened.amplifier, &answer, &placed))?;
    }
    caution::print(&answer.rest);
    let heavy = answer
        .findings
        .iter()
        .filter(|finding| finding.weight != Weight::Remark)
        .count();
    if arguments.strict && heavy > 0 {
        return Err(Failure::NoAnswer(Diagnostic::plain(
            Id::CheckStrict,
            format!("{heavy} findings weigh more than a remark"),
            "look at each, or ask without --strict",
        )));
    }
    Ok(())
}

/// Where a part is written; places are bytes of the texts laid end to end.
fn place(opened: &Opened, files: &[(String, String)], part: &str) -> Option<Place> {
    let part = opened.amplifier.circuit.find_part(part)?;
    let span = &opened.spans.parts.get(part.index())?.name;
    let texts: Vec<&str> = files.iter().map(|(_, text)| text.as_str()).collect();
    let starts = sheet::starts(&texts);
    let which = starts.partition_point(|start| *start <= span.start) - 1;
    let before = texts[which].get(..span.start - starts[which])?;
    (!span.is_empty()).then(|| Place {
        file: files[which].0.clone(),
        line: before.matches('\n').count() + 1,
    })
}

fn words(amplifier: &Amplifier, answer: &Check, placed: &Answer<'_>) -> String {
    let mut text = format!("{}\nSource: {}\n\n", amplifier.title, amplifier.source);
    text += &format!("{}\n\n", headline(answer));
    for (weight, heading) in WEIGHTS {
        let of_weight = placed
            .findings
            .iter()
            .filter(|placed| placed.finding.weight == weight);
        let of_weight: Vec<&Placed<'_>> = of_weight.collect();
        if of_weight.is_empty() {
            continue;
        }
        text += &format!("{heading}\n");
        for placed in of_weight {
            text += &one(placed);
        }
        text.push('\n');
    }
    for halves in &answer.halves {
        let twice = halves
            .pairs
            .iter()
            .filter(|pair| pair.part != pair.like)
            .count();
        text += &format!(
            "Halves compared by the wiring alone: {} and {}, with {twice} pairs of parts.\n",
            halves.output[0], halves.output[1]
        );
    }
    if !answer.left_out.is_empty() {
        text += "Not looked at:\n";
        for left in &answer.left_out {
            text += &format!("  {}: {}\n", left.question, left.reason);
        }
    }
    text += "Limits are those of the valve files and of the parts list; where practice is the judge there is no\nsource. It points at what to look at, and changes nothing. `gridleak explain WORD` says more of the\nwords in brackets.\n";
    text += &notes::text(&amplifier.notes);
    text
}

fn headline(answer: &Check) -> String {
    let counted: Vec<String> = WEIGHTS
        .iter()
        .filter_map(|(weight, heading)| {
            let count = answer
                .findings
                .iter()
                .filter(|f| f.weight == *weight)
                .count();
            (count > 0).then(|| format!("{} {count}", heading.to_lowercase()))
        })
        .collect();
    if counted.is_empty() {
        "Nothing found.".to_owned()
    } else {
        format!("Found: {}.", counted.join(", "))
    }
}

/// Width of the text, of a page.
const WIDTH: usize = 100;

fn one(placed: &Placed<'_>) -> String {
    let finding = placed.finding;
    let mut places = placed.places.clone();
    places.sort();
    places.dedup();
    let one_file = places.iter().all(|place| place.file == places[0].file);
    let numbers: Vec<String> = places
        .iter()
        .map(|place| {
            if one_file {
                place.line.to_string()
            } else {
                format!("{} of {}", place.line, place.file)
            }
        })
        .collect();
    let lines = match &numbers[..] {
        [] => String::new(),
        [line] => format!(" line {line}"),
        [first, .., last] if one_file && numbers.len() > 4 => format!(" lines {first} to {last}"),
        several => format!(" lines {}", several.join(", ")),
    };
    let mut text = wrapped(
        &format!("{} [{}]{lines}", finding.what, finding.code.text()),
        "  ",
        "    ",
    );
    text += &wrapped(&finding.why, "    ", "    ");
    if let Some(drawn) = &finding.drawn {
        text += "    Anode currents at rest and gains to the output grids:\n";
        text += &format!("      {:<20} {}\n", "as drawn", balance(Some(drawn)));
    }
    for correction in &finding.corrections {
        text += &corrected(correction);
    }
    text += &wrapped(&format!("Look at {}.", finding.look), "    ", "    ");
    text
}

fn corrected(correction: &Correction) -> String {
    let change = format!("if {} were {}", correction.part, correction.to);
    format!(
        "      {change:<20} {}\n",
        balance(correction.balance.as_ref())
    )
}

/// Currents and gains of the two halves.
fn balance(balance: Option<&Balance>) -> String {
    let Some(balance) = balance else {
        return "the circuit finds no rest".to_owned();
    };
    let [first, second] = &balance.valves;
    format!(
        "{first} {}, {second} {} ({} apart); gain {} and {} ({} apart)",
        engineering(balance.i_a[0], Unit::Ampere),
        engineering(balance.i_a[1], Unit::Ampere),
        percent(balance.of_currents()),
        engineering(balance.gain[0], Unit::Number),
        engineering(balance.gain[1], Unit::Number),
        percent(balance.of_gains())
    )
}

/// Words in lines of a page.
fn wrapped(words: &str, first: &str, other: &str) -> String {
    let mut text = String::new();
    let mut line = first.to_owned();
    let mut empty = true;
    for word in words.split(' ') {
        if !empty && line.chars().count() + 1 + word.chars().count() > WIDTH {
            text += &format!("{line}\n");
            line.clear();
            line += other;
            empty = true;
        }
        if !empty {
            line.push(' ');
        }
        line += word;
        empty = false;
    }
    text += &format!("{line}\n");
    text
}
