//! The scorecard for people.

use measure::instruments::valve::AgainstLimit;
use measure::judged::changes::{Change, ChangeKind};
use measure::judged::scorecard::Better;
use sim::quantity::{Unit, engineering};

use super::{Answer, Figure};
use crate::amplifier::Opened;
use crate::notes;
use crate::report::table::{Sheet, percent, share};

/// Changes that are not worth a word, as a share of the first figure: the last printed digit.
const SAME: f64 = 0.005;

/// Where a figure is told as a multiple of the first one, not in per cent.
const MANY: f64 = 2.0;

/// Ratios that are neither better nor worse than each other: a hundredth of a per cent is beyond a meter.
const UNHEARD: f64 = 1e-4;

/// The letter of a file.
pub(super) fn letter(k: usize) -> char {
    (b'A' + u8::try_from(k).unwrap_or(0)) as char
}

pub(super) fn report(answer: &Answer, opened: &[Opened]) -> String {
    let mut text = String::new();
    for (k, file) in answer.files.iter().enumerate() {
        text += &format!("{}  {} ({})\n", letter(k), file.title, file.file);
    }
    text += "\nEach figure is that of the single command. \"worse\" and \"better\" stand only where one way is the better\none and the change is more than half a per cent of A; OVER stands beside what exceeds its limit.\n\n";
    for (k, file) in answer.files.iter().enumerate().skip(1) {
        text += &changed(k, &file.changes);
    }
    text += &table(answer);
    for (k, file) in answer.files.iter().enumerate() {
        for reason in &file.not_measured {
            text += &format!("{} not measured: {reason}\n", letter(k));
        }
    }
    text += &conditions(opened);
    for (k, opened) in opened.iter().enumerate() {
        let notes = notes::text(&opened.amplifier);
        if !notes.is_empty() {
            text += &format!("{}: {notes}", letter(k));
        }
    }
    text
}

/// What was changed, in numbers and by part.
fn changed(k: usize, changes: &[Change]) -> String {
    let name = letter(k);
    if changes.is_empty() {
        return format!("{name} has the parts of A.\n\n");
    }
    let count = |kind: ChangeKind| changes.iter().filter(|change| change.kind == kind).count();
    let mut text = format!(
        "{name} against A: {} in the same holes, {} rewired, {} added, {} removed (same holes: the same kind of part\n  on the same nodes, a valve on the same base; whether it can be put back is for you to judge)\n",
        count(ChangeKind::Value),
        count(ChangeKind::Rewired),
        count(ChangeKind::Added),
        count(ChangeKind::Removed),
    );
    let mut sheet = Sheet::new(&["part", "in A", &format!("in {name}"), "change"]);
    for change in changes {
        let words = |text: &Option<String>| text.clone().unwrap_or_else(|| "-".to_owned());
        sheet.row(vec![
            change.part.clone(),
            words(&change.was),
            words(&change.is),
            match change.kind {
                ChangeKind::Value => "same holes",
                ChangeKind::Rewired => "new wiring",
                ChangeKind::Added => "added",
                ChangeKind::Removed => "removed",
            }
            .to_owned(),
        ]);
    }
    text += &sheet
        .print("", 4)
        .trim_start_matches('\n')
        .replace("\n\n", "\n");
    text.push('\n');
    text
}

fn table(answer: &Answer) -> String {
    let mut header = vec!["figure".to_owned(), "A".to_owned()];
    for k in 1..answer.files.len() {
        header.extend([letter(k).to_string(), "against A".to_owned()]);
    }
    let header: Vec<&str> = header.iter().map(String::as_str).collect();
    let mut text = String::new();
    let mut rows = answer.figures.iter().peekable();
    while let Some(first) = rows.peek() {
        let group = first.group;
        let mut sheet = Sheet::new(&header);
        while let Some(row) = rows.next_if(|row| row.group == group) {
            let mut cells = vec![row.name.clone(), cell(row, 0)];
            for k in 1..answer.files.len() {
                cells.extend([cell(row, k), against(row, k)]);
            }
            sheet.row(cells);
        }
        text += &sheet.print(group, 1);
    }
    text
}

/// The figure with what it is of its limit, and where it was read.
fn cell(row: &Figure, k: usize) -> String {
    let words = row.words[k].as_deref();
    let Some(value) = row.values[k] else {
        return words.unwrap_or("-").to_owned();
    };
    let mut text = if row.of == Unit::Percent {
        percent(value)
    } else {
        engineering(value, row.of)
    };
    let against = AgainstLimit {
        value,
        limit: row.limits[k],
    };
    if row.of == Unit::Percent {
        if against.is_over() {
            text = format!("OVER {text}");
        }
    } else if against.limit.is_some() {
        text += &format!(", {}", share(&against));
    }
    if let Some(words) = words {
        text += &format!(", {words}");
    }
    text
}

/// How a figure differs from the first, and whether that is for the worse.
fn against(row: &Figure, k: usize) -> String {
    let (Some(first), Some(value)) = (row.values[0], row.values[k]) else {
        return String::new();
    };
    let change = value - first;
    if change.abs() <= SAME * first.abs() {
        return "=".to_owned();
    }
    // By size: a bias of -27 V is less than one of -62 V.
    let relative = value.abs() / first.abs() - 1.0;
    let nothing = |value: f64| value.abs() < least(row.of);
    if nothing(first) && nothing(value) {
        return "=".to_owned();
    }
    let none = nothing(first) || nothing(value);
    let mut text = if none || (value < 0.0) != (first < 0.0) {
        String::new()
    } else if relative > MANY {
        format!("x {:.1}", value / first)
    } else {
        format!("{:+.0} %", 100.0 * relative)
    };
    let unheard = row.of == Unit::Percent && value.max(first) < UNHEARD;
    let worse = match row.better {
        _ if unheard => None,
        Better::More => Some(change < 0.0),
        Better::Less => Some(change > 0.0),
        Better::Neither => None,
    };
    if let Some(worse) = worse {
        text += if worse { " worse" } else { " better" };
    }
    text.trim_start().to_owned()
}

/// What is nothing beside any figure of that unit: what prints as 0.000 %, or is below what any meter shows.
fn least(unit: Unit) -> f64 {
    /// The last digit of a ratio, in half.
    const RATIO: f64 = 5e-6;
    /// Of volts, amperes and watts, SI.
    const NANO: f64 = 1e-9;
    if unit == Unit::Percent { RATIO } else { NANO }
}

fn conditions(opened: &[Opened]) -> String {
    let same = |of: &dyn Fn(&Opened) -> f64, unit: Unit| {
        let mut values: Vec<String> = opened.iter().map(|at| engineering(of(at), unit)).collect();
        values.dedup();
        values.join(", ")
    };
    let limits = opened
        .iter()
        .map(|at| percent(at.amplifier.bench.distortion_limit));
    let mut limits: Vec<String> = limits.collect();
    limits.dedup();
    format!(
        "Conditions: sine at {} into {}, distortion limit {}; gain, output impedance and damping at the same\n  frequency, limits of the response 3 dB below it; hum with the generator replaced by its resistance.\n",
        same(&|at| at.amplifier.bench.frequency, Unit::Hertz),
        same(&|at| at.amplifier.bench.load_ohms, Unit::Ohm),
        limits.join(", "),
    )
}
