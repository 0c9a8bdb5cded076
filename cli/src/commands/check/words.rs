//! The findings of `check` in words.

use measure::judged::check::{BY_QUICK, Balance, Correction, WIRING, Weight};
use sim::amplifier::Amplifier;
use sim::quantity::{Unit, engineering};

use super::{Answer, Placed};
use crate::notes;
use crate::report::table::percent;

/// The weights with their headings.
const WEIGHTS: [(Weight, &str); 6] = [
    (Weight::Danger, "Danger"),
    (Weight::DoesNotWork, "Does not work"),
    (Weight::OverRating, "Over rating"),
    (Weight::ProbableMisprint, "Probable misprint"),
    (Weight::Doubtful, "Doubtful"),
    (Weight::Remark, "Remark"),
];

pub(super) fn text(amplifier: &Amplifier, answer: &Answer) -> String {
    let mut text = format!("{}\nSource: {}\n\n", amplifier.title, amplifier.source);
    text += &format!("{}\n\n", headline(answer));
    // In the order of the answer; a heading stands where the weight is another.
    let mut heading = "";
    for placed in &answer.findings {
        let now = under(placed);
        if now != heading {
            if !heading.is_empty() {
                text.push('\n');
            }
            text += &format!("{now}\n");
            heading = now;
        }
        text += &one(placed);
    }
    if !heading.is_empty() {
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
    text += &notes::text(amplifier);
    text
}

/// The heading a finding stands under.
fn under(placed: &Placed) -> &'static str {
    let finding = &placed.finding;
    if finding.is_cause() {
        return "To be looked at first";
    }
    if finding.asks_a_little_much() {
        return "Over rating, by less than a tenth";
    }
    let of_weight = WEIGHTS.iter().find(|(weight, _)| *weight == finding.weight);
    of_weight.map_or("", |(_, heading)| heading)
}

fn headline(answer: &Answer) -> String {
    let counted: Vec<String> = WEIGHTS
        .iter()
        .filter_map(|(weight, heading)| {
            let count = answer
                .findings
                .iter()
                .filter(|placed| placed.finding.weight == *weight)
                .count();
            (count > 0).then(|| format!("{} {count}", heading.to_lowercase()))
        })
        .collect();
    let found = if counted.is_empty() {
        "Nothing found".to_owned()
    } else {
        format!("Found: {}", counted.join(", "))
    };
    let mut left_out = answer.left_out.iter();
    if left_out.clone().any(|left| left.question == WIRING) {
        format!("{found}, but only the wiring was looked at: no rest was found.")
    } else if left_out.all(|left| left.reason == BY_QUICK) {
        format!("{found}.")
    } else {
        format!("{found}; not everything was looked at, see below.")
    }
}

/// Width of the text, of a page.
const WIDTH: usize = 100;

fn one(placed: &Placed) -> String {
    let finding = &placed.finding;
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
    if !finding.explains.is_empty() {
        text += "    It explains:\n";
        for explained in &finding.explains {
            text += &wrapped(explained, "      ", "        ");
        }
    }
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

#[cfg(test)]
mod tests {
    use super::headline;
    use crate::commands::check::Answer;
    use measure::judged::check::{BY_QUICK, LeftOut, WIRING};

    #[test]
    fn what_was_not_looked_at_is_told_where_the_findings_are_counted() {
        let of = |left: &[(&'static str, &str)]| {
            let left = left.iter().map(|&(question, reason)| LeftOut {
                question,
                reason: reason.to_owned(),
            });
            headline(&Answer {
                findings: Vec::new(),
                halves: Vec::new(),
                left_out: left.collect(),
                unsolved: None,
            })
        };
        assert_eq!(of(&[]), "Nothing found.");
        assert_eq!(of(&[("full drive", BY_QUICK)]), "Nothing found.");
        let wiring = of(&[(WIRING, "no cycle that repeats was found")]);
        assert!(wiring.contains("only the wiring was looked at"), "{wiring}");
        let some = of(&[("full drive", BY_QUICK), ("feedback", "it has no answer")]);
        assert!(some.contains("not everything was looked at"), "{some}");
    }
}
