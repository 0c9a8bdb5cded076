//! `VALIDATION.md`: every published figure beside ours, and how far off they are in each use.
//!
//! The page is written from fresh results and compared with the stored one word for word, its numbers within a
//! small tolerance ([`super::layout::stale`]).
//!
//! Over 400 lines because it is one page: a function a section, in their order.

use std::collections::BTreeMap;
use std::fmt::Write;

use super::layout::aligned;
use super::outcome::{Outcome, Quantity, Spread, USES, Use};
use super::points::Points;
use super::summary::summary;
use super::worked::{SOURCES, Worked};

/// All that the page is made of.
#[derive(Debug)]
pub struct Results {
    /// Amplifiers, stages and rectifiers.
    pub rows: Vec<Outcome>,
    /// Characteristic points.
    pub points: Vec<Points>,
    /// Worked examples.
    pub worked: Vec<Worked>,
}

const CURRENTS: [Quantity; 4] = [
    Quantity::Idle,
    Quantity::Full,
    Quantity::IdleScreen,
    Quantity::FullScreen,
];
const OUTPUTS: [Quantity; 4] = [
    Quantity::Power,
    Quantity::Distortion,
    Quantity::Second,
    Quantity::Third,
];
const STAGES: [Quantity; 4] = [
    Quantity::Gain,
    Quantity::Idle,
    Quantity::Distortion,
    Quantity::PeakOutput,
];
const ALL: [Quantity; 11] = [
    Quantity::Idle,
    Quantity::Full,
    Quantity::IdleScreen,
    Quantity::FullScreen,
    Quantity::Power,
    Quantity::Distortion,
    Quantity::Second,
    Quantity::Third,
    Quantity::Gain,
    Quantity::PeakOutput,
    Quantity::DirectVolts,
];

/// A goal for rows of high confidence: the figure, the share of rows, the limit, and who is left out.
#[derive(Clone, Copy, Debug)]
pub struct Target {
    /// Which figure.
    pub quantity: Quantity,
    /// So many rows of ten are within the limit; none for the median.
    pub of_ten: Option<u32>,
    /// Size of the difference, in its unit.
    pub limit: f64,
    /// In words.
    pub words: &'static str,
}

/// The goals, set before the rows were run. Nothing is tuned to them.
pub const TARGETS: [Target; 6] = [
    target(Quantity::Idle, None, 2.0, "idle current, median"),
    target(Quantity::Power, None, 5.0, "power, median"),
    target(Quantity::Power, Some(9), 15.0, "power, nine rows of ten"),
    target(Quantity::Distortion, None, 1.5, "distortion, median"),
    target(Quantity::Gain, None, 4.0, "gain, median"),
    target(
        Quantity::FullScreen,
        None,
        15.0,
        "full-signal screen current, median",
    ),
];

const fn target(
    quantity: Quantity,
    of_ten: Option<u32>,
    limit: f64,
    words: &'static str,
) -> Target {
    Target {
        quantity,
        of_ten,
        limit,
        words,
    }
}

impl Target {
    /// What the rows of high confidence give, doubted figures apart.
    pub fn found(&self, rows: &[Outcome]) -> (f64, usize) {
        let spread = Spread::of(rows, self.quantity, |row| clear(row, self.quantity, true));
        let found = match self.of_ten {
            None => spread.median(),
            Some(rows) => spread.quantile(0.1 * f64::from(rows)),
        };
        (found, spread.count())
    }
}

/// Not doubted in this figure, and of high confidence or of any other.
pub(super) fn clear(row: &Outcome, quantity: Quantity, high: bool) -> bool {
    !row.is_doubted(quantity) && (row.confidence == "high") == high
}

/// The text of the page.
pub fn page(results: &Results) -> String {
    let rows = &results.rows;
    let mut text = include_str!("../../published/validation_title.md").to_owned();
    summary(&mut text, results);
    text += include_str!("../../published/validation_head.md");
    targets(&mut text, rows);
    uses(&mut text, rows);
    evidence(&mut text, rows);
    text += include_str!("../../published/validation_rows.md");
    let amplifiers: Vec<(usize, &Outcome)> = numbered(rows, |usage| usage < Use::StageTriode);
    let stages: Vec<(usize, &Outcome)> = numbered(rows, |usage| {
        [Use::StageTriode, Use::StagePentode].contains(&usage)
    });
    let rectifiers: Vec<(usize, &Outcome)> = numbered(rows, |usage| usage == Use::Rectifier);
    text += "\n### Amplifiers: currents, mA\n\n";
    table(&mut text, &amplifiers, &CURRENTS);
    text += "\n### Amplifiers: output\n\nPower in W, distortion in %, harmonics in dB below the fundamental.\n\n";
    table(&mut text, &amplifiers, &OUTPUTS);
    text += "\n### Amplifiers: drive\n\n";
    drives(&mut text, &amplifiers);
    text +=
        "\n### Resistance-coupled stages\n\nCurrent in mA, distortion in %, peak output in V.\n\n";
    table(&mut text, &stages, &STAGES);
    text += "\n### Rectifiers\n\n";
    table(&mut text, &rectifiers, &[Quantity::DirectVolts]);
    not_compared(&mut text, rows);
    doubts(&mut text, rows);
    provenance(&mut text, rows);
    worked(&mut text, &results.worked);
    points(&mut text, &results.points);
    aligned(&text)
}

fn numbered(rows: &[Outcome], which: impl Fn(Use) -> bool) -> Vec<(usize, &Outcome)> {
    rows.iter()
        .enumerate()
        .filter(|(_, row)| which(row.usage))
        .map(|(index, row)| (index + 1, row))
        .collect()
}

pub(super) fn line(text: &mut String, cells: &[String]) {
    writeln!(text, "| {} |", cells.join(" | ")).expect("text takes text");
}

pub(super) fn headed(text: &mut String, heads: &[&str]) {
    line(
        text,
        &heads.iter().map(|&h| h.to_owned()).collect::<Vec<_>>(),
    );
    writeln!(text, "|{}", "---|".repeat(heads.len())).expect("text takes text");
}

fn targets(text: &mut String, rows: &[Outcome]) {
    *text += "\n## Against the goals\n\nRows of high confidence, doubted figures apart. The goals were set before the rows were run and nothing is tuned to them.\n\n";
    headed(text, &["figure", "rows", "goal", "found", ""]);
    for target in TARGETS {
        let (found, count) = target.found(rows);
        line(
            text,
            &[
                target.words.to_owned(),
                count.to_string(),
                format!("{} {}", target.limit, target.quantity.unit()),
                format!("{found:.1}"),
                if found <= target.limit {
                    "met".to_owned()
                } else {
                    "**missed**".to_owned()
                },
            ],
        );
    }
}

fn uses(text: &mut String, rows: &[Outcome]) {
    *text += "\n## By use\n\nSizes of the differences. `high` are rows of high confidence, `others` those of medium and low; doubted figures are in neither.\n";
    for usage in USES {
        writeln!(text, "\n**{}**\n", usage.words()).expect("text takes text");
        headed(
            text,
            &[
                "figure",
                "high: rows",
                "median",
                "90 %",
                "worst",
                "others: rows",
                "median",
                "worst",
            ],
        );
        for quantity in ALL {
            let of = |high| {
                Spread::of(rows, quantity, |row| {
                    row.usage == usage && clear(row, quantity, high)
                })
            };
            let (high, others) = (of(true), of(false));
            if high.count() + others.count() == 0 {
                continue;
            }
            line(
                text,
                &[
                    format!("{}, {}", quantity.words(), quantity.unit()),
                    high.count().to_string(),
                    size(high.median()),
                    size(high.quantile(0.9)),
                    size(high.worst()),
                    others.count().to_string(),
                    size(others.median()),
                    size(others.worst()),
                ],
            );
        }
    }
}

pub(super) fn size(value: f64) -> String {
    if value.is_nan() {
        "–".to_owned()
    } else {
        format!("{value:.1}")
    }
}

/// Which figures of which rows.
type Which<'a> = &'a dyn Fn(&Outcome, Quantity) -> bool;

/// Sets of rows against each other: what the confidence and the fitted points do to the figures.
fn evidence(text: &mut String, rows: &[Outcome]) {
    *text += "\n## By evidence\n\nMedian (rows). A row whose idle current is also a characteristic point the type was fitted to tests that current little; the others predict it.\n\n";
    let amplifier = |row: &Outcome| row.usage < Use::StageTriode;
    let sets: [(&str, Which<'_>); 8] = [
        ("all rows, high confidence", &|row, q| clear(row, q, true)),
        ("all rows, other confidence", &|row, q| clear(row, q, false)),
        ("all rows, doubted figures", &|row, q| row.is_doubted(q)),
        ("all rows, from a page that was read", &|row, q| {
            !row.is_doubted(q) && row.basis == "page"
        }),
        ("all rows but the 300B", &|row, q| {
            !row.is_doubted(q) && row.valve != "300B"
        }),
        ("amplifiers, idle predicted, high", &|row, q| {
            amplifier(row) && !row.idle_is_fitted && clear(row, q, true)
        }),
        ("amplifiers, idle also fitted, high", &|row, q| {
            amplifier(row) && row.idle_is_fitted && clear(row, q, true)
        }),
        ("amplifiers, idle predicted, others", &|row, q| {
            amplifier(row) && !row.idle_is_fitted && clear(row, q, false)
        }),
    ];
    let shown = [
        Quantity::Idle,
        Quantity::Full,
        Quantity::FullScreen,
        Quantity::Power,
        Quantity::Distortion,
        Quantity::Gain,
    ];
    headed(
        text,
        &[
            "rows",
            "idle %",
            "full %",
            "full screen %",
            "power %",
            "distortion points",
            "gain %",
        ],
    );
    for (words, which) in sets {
        let mut cells = vec![words.to_owned()];
        for quantity in shown {
            let spread = Spread::of(rows, quantity, |row| which(row, quantity));
            cells.push(if spread.count() == 0 {
                "–".to_owned()
            } else {
                format!("{:.1} ({})", spread.median(), spread.count())
            });
        }
        line(text, &cells);
    }
}

fn table(text: &mut String, rows: &[(usize, &Outcome)], quantities: &[Quantity]) {
    let mut heads = vec!["no.", "row"];
    heads.extend(quantities.iter().map(|quantity| quantity.words()));
    headed(text, &heads);
    for (number, row) in rows {
        let mut cells = vec![number.to_string(), row.label.clone()];
        for &quantity in quantities {
            cells.push(cell(row, quantity));
        }
        line(text, &cells);
    }
}

/// Published / ours, difference; a dagger where it is doubted, brackets where it is no evidence.
fn cell(row: &Outcome, quantity: Quantity) -> String {
    let Some(figure) = row.figures.iter().find(|f| f.quantity == quantity) else {
        return String::new();
    };
    let Some((ours, difference)) = figure.ours.zip(figure.difference()) else {
        return format!("{} / –", digits(figure.published));
    };
    let unit = match quantity.unit() {
        "%" => " %",
        _ => "",
    };
    let mark = if row.is_doubted(quantity) { "†" } else { "" };
    let text = format!("{} / {}", digits(figure.published), digits(ours));
    match figure.no_evidence {
        Some(_) => format!("({text})"),
        None => format!("{text}, {}{unit}{mark}", signed(difference)),
    }
}

/// One decimal with its sign, which zero has not.
pub(super) fn signed(value: f64) -> String {
    let tenths = (10.0 * value).round() / 10.0;
    if tenths == 0.0 {
        "0.0".to_owned()
    } else {
        format!("{tenths:+.1}")
    }
}

/// Three or four figures.
fn digits(value: f64) -> String {
    match value.abs() {
        size if size >= 100.0 => format!("{value:.0}"),
        size if size >= 10.0 => format!("{value:.1}"),
        size if size >= 1.0 => format!("{value:.2}"),
        _ => format!("{value:.3}"),
    }
}

fn drives(text: &mut String, rows: &[(usize, &Outcome)]) {
    headed(text, &["no.", "use", "drive, V peak", "from"]);
    for (number, row) in rows {
        let (drive, how) = row
            .drive
            .map_or((String::new(), "not driven"), |(volts, how)| {
                (digits(volts), how.words())
            });
        line(
            text,
            &[
                number.to_string(),
                row.usage.words().to_owned(),
                drive,
                how.to_owned(),
            ],
        );
    }
}

fn not_compared(text: &mut String, rows: &[Outcome]) {
    *text += "\n## What is not compared, and why\n\n";
    headed(text, &["no.", "row", "figures", "reason"]);
    for (index, row) in rows.iter().enumerate() {
        let missing: Vec<&str> = row
            .figures
            .iter()
            .filter(|figure| figure.ours.is_none())
            .map(|figure| figure.quantity.words())
            .collect();
        let reason = row.not_run.clone().or_else(|| {
            (!missing.is_empty())
                .then(|| "grid current does not set in before 20 V of drive".into())
        });
        if let Some(reason) = reason {
            let missing = if missing.is_empty() {
                "what it does not print".to_owned()
            } else {
                missing.join(", ")
            };
            line(
                text,
                &[(index + 1).to_string(), row.label.clone(), missing, reason],
            );
        }
    }
    *text += "\nFigures in brackets in the tables are those the drive was solved for; they are no evidence and are not counted:\na distortion where neither drive nor anything else is printed, a power in class 2 without drive.\n";
}

fn doubts(text: &mut String, rows: &[Outcome]) {
    *text += "\n## Doubted figures\n\nRun like all others, marked †, counted apart.\n\n";
    headed(text, &["no.", "row", "figures", "doubt"]);
    for (index, row) in rows
        .iter()
        .enumerate()
        .filter(|(_, row)| !row.doubt.is_empty())
    {
        let which = if row.doubted.is_empty() {
            "all".to_owned()
        } else {
            row.doubted.join(", ")
        };
        line(
            text,
            &[
                (index + 1).to_string(),
                row.label.clone(),
                which,
                row.doubt.clone(),
            ],
        );
    }
}

fn provenance(text: &mut String, rows: &[Outcome]) {
    let mut letters: BTreeMap<&str, usize> = BTreeMap::new();
    let mut order: Vec<&str> = Vec::new();
    for row in rows {
        letters.entry(&row.source).or_insert_with(|| {
            order.push(&row.source);
            order.len()
        });
    }
    *text += "\n## Where each row comes from\n\n";
    headed(text, &["source", "sheet"]);
    for (index, sheet) in order.iter().enumerate() {
        line(text, &[format!("S{}", index + 1), (*sheet).to_owned()]);
    }
    *text += "\n`fitted`: the idle current is also a point the type was fitted to.\n\n";
    headed(
        text,
        &["no.", "source", "basis", "confidence", "idle", "remark"],
    );
    for (index, row) in rows.iter().enumerate() {
        let idle = if row.idle_is_fitted { "fitted" } else { "" };
        line(
            text,
            &[
                (index + 1).to_string(),
                format!("S{}", letters[row.source.as_str()]),
                row.basis.clone(),
                row.confidence.clone(),
                idle.to_owned(),
                row.note.clone(),
            ],
        );
    }
}

fn worked(text: &mut String, examples: &[Worked]) {
    *text += include_str!("../../published/validation_worked.md");
    headed(
        text,
        &[
            "example",
            "published",
            "ours",
            "difference",
            "held to",
            "basis",
        ],
    );
    for example in examples {
        let (ours, difference) = match &example.ours {
            Ok(ours) => (
                digits(*ours),
                format!("{} %", signed(100.0 * (ours / example.published - 1.0))),
            ),
            Err(why) => (format!("not compared: {why}"), String::new()),
        };
        line(
            text,
            &[
                example.what.to_owned(),
                digits(example.published),
                ours,
                difference,
                example
                    .tolerance
                    .map_or("not held".to_owned(), |(ratio, _)| {
                        format!("{} %", (1e4 * ratio).round() / 1e2)
                    }),
                example.basis.to_owned(),
            ],
        );
    }
    *text += "\n### Where each example comes from\n\n";
    headed(text, &["example", "source"]);
    for (number, source) in SOURCES {
        line(text, &[number.to_string(), source.to_owned()]);
    }
}

fn points(text: &mut String, types: &[Points]) {
    *text += include_str!("../../published/validation_points.md");
    headed(
        text,
        &[
            "type",
            "points",
            "Ia median",
            "worst",
            "gm worst",
            "mu worst",
            "Ig2 worst",
        ],
    );
    let worst = |errors: &[f64]| size(errors.last().copied().unwrap_or(f64::NAN));
    for of in types {
        let [current, gm, mu, screen] = &of.errors;
        line(
            text,
            &[
                of.valve.clone(),
                of.used.to_string(),
                size(models::fit::median(current)),
                worst(current),
                worst(gm),
                worst(mu),
                worst(screen),
            ],
        );
    }
    *text += "\nFigures more than 15 % off, cut-off points (good to a factor only), and points not used:\n\n";
    for of in types {
        for remark in &of.remarks {
            writeln!(text, "- {}, {remark}", of.valve).expect("text takes text");
        }
    }
}
