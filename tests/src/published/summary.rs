//! What `VALIDATION.md` opens with: on one screen what is compared, how far off it is, and what rests on memory.

use super::layout::wrapped;
use super::outcome::{Outcome, Quantity, Spread, Use};
use super::page::{Results, clear, headed, line, signed, size};
use super::worked::Worked;

/// The figures of the summary, as it calls them.
const FIGURES: [(Quantity, &str); 5] = [
    (Quantity::Idle, "idle current"),
    (Quantity::Power, "power"),
    (Quantity::Distortion, "distortion"),
    (Quantity::Gain, "stage gain"),
    (Quantity::DirectVolts, "rectifier volts"),
];

/// Writes the summary behind the title.
pub(super) fn summary(text: &mut String, results: &Results) {
    let Results {
        rows,
        points,
        worked,
    } = results;
    *text += "\n## In short\n\n";
    *text += &wrapped(
        "What makers and books print, beside what the program gives for the same circuit. The laws of its valves \
         are fitted to characteristic points alone: no power, no distortion and no gain is fitted to.",
        "",
    );
    *text += "\n";
    for item in [
        compared(rows, worked),
        from_memory(rows, worked),
        fitted(rows, points.iter().map(|of| of.used).sum(), points.len()),
    ] {
        *text += &wrapped(&format!("- {item}"), "  ");
    }
    *text += "\n";
    *text += &wrapped(
        &format!(
            "Sizes of the differences, without the [doubted figures](#doubted-figures) of {} rows. Nine rows of ten are \
             within the column 90 %; the worst has its sign, its number under [Every row](#every-row) and its valve. \
             Medians by use of the valves stand under [By use](#by-use).",
            rows.iter().filter(|row| !row.doubt.is_empty()).count(),
        ),
        "",
    );
    *text += "\n";
    headed(
        text,
        &["figure", "confidence", "rows", "median", "90 %", "worst"],
    );
    for (quantity, words) in FIGURES {
        for high in [true, false] {
            of_rows(text, rows, (quantity, words), high);
        }
    }
    for closed in [true, false] {
        of_worked(text, worked, closed);
    }
}

fn compared(rows: &[Outcome], worked: &[Worked]) -> String {
    let count = |which: &dyn Fn(Use) -> bool| rows.iter().filter(|row| which(row.usage)).count();
    format!(
        "**Compared:** {} rows of power amplifiers, {} of resistance-coupled stages and {} of rectifiers, and {} of {} \
         figures of worked examples.",
        count(&|usage| usage < Use::StageTriode),
        count(&|usage| [Use::StageTriode, Use::StagePentode].contains(&usage)),
        count(&|usage| usage == Use::Rectifier),
        worked.iter().filter(|example| example.ours.is_ok()).count(),
        worked.len(),
    )
}

fn from_memory(rows: &[Outcome], worked: &[Worked]) -> String {
    let recalled = |basis: &str| basis.contains("memory") || basis.contains("recalled");
    let of_rows = rows.iter().filter(|row| recalled(&row.basis)).count();
    let of_worked = worked
        .iter()
        .filter(|example| recalled(example.basis))
        .count();
    format!(
        "**From memory:** {of_rows} of the {} rows were recalled from the named sheet and not checked against it, {} \
         are from pages that were read; of the worked examples {of_worked} figures are recalled. Confidence rates the \
         recall.",
        rows.len(),
        rows.len() - of_rows,
    )
}

fn fitted(rows: &[Outcome], points: usize, types: usize) -> String {
    format!(
        "**No blind test:** the idle currents of {} rows are themselves among the {points} points that the laws of {types} types \
         were fitted to.",
        rows.iter().filter(|row| row.idle_is_fitted).count(),
    )
}

fn of_rows(text: &mut String, rows: &[Outcome], figure: (Quantity, &str), high: bool) {
    let (quantity, words) = figure;
    let spread = Spread::of(rows, quantity, |row| clear(row, quantity, high));
    let mut worst = String::new();
    for (index, row) in rows.iter().enumerate() {
        let off = row
            .difference(quantity)
            .filter(|off| clear(row, quantity, high) && off.abs() >= spread.worst());
        if let Some(off) = off
            && worst.is_empty()
        {
            worst = format!("{}: {}, {}", signed(off), index + 1, row.valve);
        }
    }
    line(
        text,
        &[
            format!("{words}, {}", quantity.unit()),
            if high { "high" } else { "other" }.to_owned(),
            spread.count().to_string(),
            size(spread.median()),
            size(spread.quantile(0.9)),
            worst,
        ],
    );
}

/// Closed forms, or readings and figures of real valves.
fn of_worked(text: &mut String, worked: &[Worked], closed: bool) {
    let off: Vec<(f64, &Worked)> = worked
        .iter()
        .filter(|example| example.is_closed_form() == closed)
        .filter_map(|example| Some((example.difference()?, example)))
        .collect();
    let spread: Spread = off.iter().map(|(off, _)| *off).collect();
    let worst = off
        .iter()
        .find(|(off, _)| off.abs() >= spread.worst())
        .map_or(String::new(), |(off, example)| {
            format!("{}: example {}", signed(*off), example.number())
        });
    line(
        text,
        &[
            if closed {
                "worked, formula, %"
            } else {
                "worked, valve, %"
            }
            .to_owned(),
            "–".to_owned(),
            spread.count().to_string(),
            size(spread.median()),
            size(spread.quantile(0.9)),
            worst,
        ],
    );
}
