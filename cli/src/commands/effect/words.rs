//! What each part does, in words: a sentence where parts were named, a line each where they were not.
//!
//! Over 400 lines because it is one report: a function a sentence or table.

use measure::judged::effect::{
    Effect, Effects, GAIN, Group, How, Outcome, RESPONSE, Reading, Scale, Shift, TakenOut, shares,
};
use sim::amplifier::Amplifier;
use sim::quantity::{Unit, engineering};

use super::Answer;
use crate::notes;
use crate::report::table::{Sheet, percent};

/// Figures told of each part in the list of all.
const TOLD: usize = 2;

/// Cases beside each other in one table.
const ACROSS: usize = 4;

/// Width of a line of names.
const WIDE: usize = 108;

pub(super) fn text(amplifier: &Amplifier, asked: &Answer) -> String {
    let answer = &asked.effects;
    let mut text = format!("{}\nSource: {}\n\n", amplifier.title, amplifier.source);
    if let Some(growing) = answer.as_drawn.growing {
        text += &format!(
            "AS DRAWN IT OSCILLATES at about {}: without a response there is little to compare.\n\n",
            engineering(growing.frequency, Unit::Hertz)
        );
    }
    if asked.is_named {
        for effect in &answer.cases {
            text += &verdict(effect, answer);
            text.push('\n');
        }
        for cases in answer.cases.chunks(ACROSS) {
            text += &table(answer, cases);
        }
    } else {
        text += &as_drawn(answer);
        text += &all(answer);
    }
    text += &conditions(amplifier, asked);
    for reason in &answer.as_drawn.not_measured {
        text += &format!("Not measured: {reason}\n");
    }
    if let Some(reason) = &asked.no_loop {
        text += &format!("Margins not told: {reason}.\n");
    }
    text += &notes::text(amplifier);
    text
}

/// "C7 and C8".
pub(super) fn names(parts: &[TakenOut]) -> String {
    let names: Vec<&str> = parts.iter().map(|part| part.part.as_str()).collect();
    match names.as_slice() {
        [] => String::new(),
        [one] => (*one).to_owned(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

/// "C7 and C8 opened".
pub(super) fn taken_out(parts: &[TakenOut]) -> String {
    let with = |how: How| -> Vec<TakenOut> {
        let those = parts.iter().filter(|part| part.how == how);
        those.cloned().collect()
    };
    let of = |how: How| {
        let those = with(how);
        (!those.is_empty()).then(|| format!("{} {}", names(&those), how.words()))
    };
    let both = [of(How::Opened), of(How::Shorted)];
    let both: Vec<String> = both.into_iter().flatten().collect();
    both.join(", ")
}

/// A figure for people.
fn figure(value: Option<f64>, scale: Scale, unit: Unit) -> String {
    let Some(value) = value else {
        return "none".to_owned();
    };
    match scale {
        Scale::Decibels | Scale::Margin => format!("{value:.2} dB"),
        Scale::Degrees => format!("{value:.0}°"),
        Scale::Points => percent(value),
        Scale::Share { .. } if unit == Unit::Percent => percent(value),
        Scale::Share { least } if value.abs() <= least => engineering(0.0, unit),
        Scale::Share { .. } => engineering(value, unit),
    }
}

/// A figure that was read, with what lies beyond the range looked at.
fn reading(at: &Reading) -> String {
    let place = at.frequency.filter(|_| at.value.is_some_and(|v| v != 0.0));
    let place = place.map_or_else(String::new, |hertz| {
        format!(" at {}", engineering(hertz, Unit::Hertz))
    });
    let value = match (at.value, at.beyond) {
        (Some(apart), _) if at.figure == RESPONSE => format!("{apart:+.2} dB"),
        (None, Some(end)) => format!("beyond {}", engineering(end, Unit::Hertz)),
        (value, _) => figure(value, at.scale, at.of),
    };
    value + &place
}

fn find<'a>(figures: &'a [Reading], name: &str) -> Option<&'a Reading> {
    figures.iter().find(|reading| reading.figure == name)
}

/// One figure of a change, `with` the part or without it.
fn side(effect: &Effect, answer: &Effects, change: &Shift, with: bool) -> String {
    let figures = if with {
        &answer.as_drawn.figures
    } else {
        &effect.without.figures
    };
    let Some(at) = find(figures, &change.figure) else {
        return "none".to_owned();
    };
    match (at.value, at.beyond) {
        (None, Some(end)) => format!("beyond {}", engineering(end, Unit::Hertz)),
        (value, _) => figure(value, at.scale, at.of),
    }
}

/// "the treble peak"; valves need no article.
fn the(figure: &str) -> String {
    let valve = figure.starts_with(|c: char| c.is_ascii_uppercase()) && !figure.starts_with("THD");
    if valve {
        figure.to_owned()
    } else {
        format!("the {figure}")
    }
}

/// "lowers the treble limit from 92.0 kHz to 41.0 kHz": from without the part to with it.
fn does(effect: &Effect, answer: &Effects, change: &Shift) -> String {
    let plural = effect.parts.len() > 1;
    let verb = |stem: &str| format!("{stem}{}", if plural { "" } else { "s" });
    if change.figure == RESPONSE {
        let at = find(&effect.without.figures, RESPONSE).map(reading);
        return format!(
            "{} the {RESPONSE} by up to {}",
            verb("bend"),
            at.unwrap_or_default().trim_start_matches(['-', '+'])
        );
    }
    let stem = match (change.with, change.without) {
        (Some(with), Some(without)) if with * without > 0.0 && with.abs() > without.abs() => {
            "raise"
        }
        (Some(with), Some(without)) if with * without > 0.0 && with.abs() < without.abs() => {
            "lower"
        }
        (Some(with), Some(without)) if with >= 0.0 && without >= 0.0 => {
            if with > without {
                "raise"
            } else {
                "lower"
            }
        }
        _ => "move",
    };
    format!(
        "{} {} from {} to {}",
        verb(stem),
        the(&change.figure),
        side(effect, answer, change, false),
        side(effect, answer, change, true)
    )
}

/// Changes spelt out in a verdict; the table has the others.
const SPELT: usize = 4;

/// What the parts do, no more than the figures show.
fn verdict(effect: &Effect, answer: &Effects) -> String {
    let names = names(&effect.parts);
    let out = taken_out(&effect.parts);
    let words = effect.words.clone().unwrap_or_default();
    let text = match effect.outcome {
        Outcome::Unfed => format!("{out}: {words}. Nothing can be measured so."),
        Outcome::Rests => format!("{out}: {words}. With {names} it does."),
        Outcome::NotMeasured => format!("{out}: no figures; {words}."),
        Outcome::Oscillates if answer.as_drawn.growing.is_some() => {
            format!("{out}: it oscillates all the same; {words}.")
        }
        Outcome::Oscillates => format!("{out}: {words}. With {names} it does not."),
        Outcome::Cut => {
            let gain = effect.changes.iter().find(|change| change.figure == GAIN);
            let gain = gain.map_or_else(String::new, |change| {
                format!(
                    " (gain {} to {})",
                    side(effect, answer, change, true),
                    side(effect, answer, change, false)
                )
            });
            let short = match effect.parts.as_slice() {
                [one] if one.how == How::Opened => {
                    format!(" --short {} tells what it does besides.", one.part)
                }
                _ => String::new(),
            };
            format!("{out}: {words}{gain}, so the signal goes through {names}.{short}")
        }
        Outcome::Works if effect.changes.is_empty() => format!(
            "{out}: no figure moves by more than {}. What {names} may be for was not measured here.",
            shares()
        ),
        Outcome::Works => {
            let mut told = effect.changes.iter();
            let spelt: Vec<String> = told
                .by_ref()
                .take(SPELT)
                .map(|change| does(effect, answer, change))
                .collect();
            let more = match told.count() {
                0 => format!("; no other figure moves by more than {}", shares()),
                1 => "; one figure more moves".to_owned(),
                more => format!("; {more} figures more move"),
            };
            format!("{names} {}{more}. (Compared with {out}.)", spelt.join(", "))
        }
    };
    wrapped(&text)
}

/// Every figure with the parts and without, case by case.
fn table(answer: &Effects, cases: &[Effect]) -> String {
    let measured: Vec<&Effect> = cases
        .iter()
        .filter(|effect| !effect.without.figures.is_empty())
        .collect();
    if measured.is_empty() {
        return String::new();
    }
    let moves =
        |effect: &Effect, name: &str| effect.changes.iter().any(|change| change.figure == name);
    let mut header = vec!["figure".to_owned(), "as drawn".to_owned()];
    header.extend(measured.iter().map(|effect| taken_out(&effect.parts)));
    let header: Vec<&str> = header.iter().map(String::as_str).collect();
    let mut sheet = Sheet::new(&header);
    for drawn in &answer.as_drawn.figures {
        let name = drawn.figure.as_str();
        let moved = measured.iter().any(|effect| moves(effect, name));
        if drawn.group == Group::AtRest && !moved {
            continue;
        }
        let first = if name == RESPONSE {
            "-".to_owned()
        } else {
            reading(drawn)
        };
        let mut row = vec![name.to_owned(), first];
        row.extend(
            measured
                .iter()
                .map(|effect| match find(&effect.without.figures, name) {
                    None => "-".to_owned(),
                    Some(_) if !moves(effect, name) => "=".to_owned(),
                    Some(now) => reading(now),
                }),
        );
        sheet.row(row);
    }
    sheet.print(
        &format!("Without the parts (=: moves by no more than {})", shares()),
        1,
    )
}

/// The amplifier with every part, on few lines.
fn as_drawn(answer: &Effects) -> String {
    let figures = answer.as_drawn.figures.iter();
    let told = figures.filter(|at| at.group != Group::AtRest && at.figure != RESPONSE);
    let told: Vec<String> = told
        .map(|at| format!("{} {}", at.figure, reading(at)))
        .collect();
    if told.is_empty() {
        return String::new();
    }
    wrapped(&format!("As drawn: {}.", told.join(", "))) + "\n"
}

/// What every part does.
fn all(answer: &Effects) -> String {
    let mut text = String::new();
    let those = |outcomes: &[Outcome]| -> Vec<&Effect> {
        let cases = answer.cases.iter();
        cases
            .filter(|effect| outcomes.contains(&effect.outcome))
            .collect()
    };
    for (heading, outcomes) in [
        (
            "Without these it does not play",
            [Outcome::Unfed, Outcome::Cut],
        ),
        ("Without these it oscillates", [Outcome::Oscillates; 2]),
        (
            "Without these there is no answer",
            [Outcome::NotMeasured; 2],
        ),
    ] {
        let mut sheet = Sheet::new(&["part", "value", "taken out", "what then"]);
        for effect in those(&outcomes) {
            let words = effect.words.clone().unwrap_or_default();
            sheet.row(row(effect, words));
        }
        text += &sheet.print(heading, 4);
    }
    let mut sheet = Sheet::new(&[
        "part",
        "value",
        "taken out",
        "what moves most, as drawn to without",
    ]);
    let (moving, still): (Vec<&Effect>, Vec<&Effect>) = those(&[Outcome::Works])
        .into_iter()
        .partition(|effect| !effect.changes.is_empty());
    for effect in moving {
        sheet.row(row(effect, most(effect, answer)));
    }
    text += &sheet.print("What each part does, the most telling first", 4);
    if !still.is_empty() {
        let names: Vec<String> = still
            .iter()
            .map(|effect| taken_out(&effect.parts))
            .collect();
        text += &wrapped(&format!(
            "No figure moves by more than {}: {}.",
            shares(),
            names.join("; ")
        ));
        text.push('\n');
    }
    text
}

fn row(effect: &Effect, what: String) -> Vec<String> {
    let mut values: Vec<&str> = effect
        .parts
        .iter()
        .map(|part| part.value.as_str())
        .collect();
    values.dedup();
    let hows: Vec<&str> = effect.parts.iter().map(|part| part.how.words()).collect();
    let mut hows = hows;
    hows.dedup();
    let names: Vec<&str> = effect.parts.iter().map(|part| part.part.as_str()).collect();
    vec![names.join(", "), values.join(", "), hows.join(", "), what]
}

/// The figures that move most, of those at rest one.
fn most(effect: &Effect, answer: &Effects) -> String {
    let at_rest = |change: &&Shift| {
        find(&answer.as_drawn.figures, &change.figure).is_some_and(|at| at.group == Group::AtRest)
    };
    let mut told: Vec<&Shift> = Vec::new();
    for change in &effect.changes {
        let again = at_rest(&change) && told.iter().any(at_rest);
        if told.len() < TOLD && !again {
            told.push(change);
        }
    }
    let words: Vec<String> = told
        .iter()
        .map(|change| {
            let without = side(effect, answer, change, false);
            if change.figure == RESPONSE {
                let at = find(&effect.without.figures, RESPONSE).map(reading);
                return format!("response {}", at.unwrap_or_default());
            }
            let with = side(effect, answer, change, true);
            format!("{} {with} to {without}", change.figure)
        })
        .collect();
    let more = effect.changes.len() - told.len();
    if more > 0 {
        format!("{}; {more} more", words.join(", "))
    } else {
        words.join(", ")
    }
}

/// Lines no wider than [`WIDE`], the further ones indented.
fn wrapped(text: &str) -> String {
    let mut lines = vec![String::new()];
    for word in text.split(' ') {
        let last = lines.last_mut().expect("there is one");
        if !last.trim().is_empty() && last.chars().count() + 1 + word.chars().count() > WIDE {
            lines.push(format!("  {word}"));
        } else {
            if !last.is_empty() {
                last.push(' ');
            }
            last.push_str(word);
        }
    }
    lines.join("\n") + "\n"
}

fn conditions(amplifier: &Amplifier, asked: &Answer) -> String {
    let bench = &amplifier.bench;
    let mut text = format!(
        "Conditions: everything else as in the file; gain and impedances at {} into {}; limits half the power below it,\n  sought from 1 Hz to 1 MHz; peaks over the gain there; the response is told where the two, laid over each other\n  at that frequency, lie furthest apart. ",
        engineering(bench.frequency, Unit::Hertz),
        engineering(bench.load_ohms, Unit::Ohm),
    );
    text += &if asked.through.is_empty() {
        "No overall feedback.".to_owned()
    } else {
        format!(
            "Margins with the rated load, of the loop through {}.",
            asked.through.join(" and ")
        )
    };
    text += &if asked.full {
        format!(
            "\n  Power: sine at the same frequency, at {} THD.\n",
            percent(bench.distortion_limit)
        )
    } else {
        "\n  Power, distortion and hum were not measured.\n".to_owned()
    };
    if !asked.is_named {
        text += "  Parts that answer each other in the two halves are taken out together; name one to see it alone.\n";
    }
    text += &format!(
        "  Moves up to {} are left out: the solver is a thousand\n  times finer, valves of one type differ ten times as much.\n",
        shares()
    );
    text
}
