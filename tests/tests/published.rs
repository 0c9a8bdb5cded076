//! Published operation of valves in amplifiers, stages and rectifiers against the program, and `VALIDATION.md`.
//!
//! The rows stand in `published/*.toml`; how they become circuits and what is asked of them is told in
//! `published/validation_head.md`, behind the summary of the page. Every figure is on the page; here the goals are held.

#![allow(
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "the goals are of interest when a check fails, and the page is a file"
)]

use std::fs;
use std::path::PathBuf;
use std::sync::LazyLock;

use checks::published::layout::stale;
use checks::published::outcome::{Outcome, Quantity, Use};
use checks::published::page::{Results, TARGETS, page};
use checks::published::rectifiers::operations;
use checks::published::score::score;
use checks::published::{points, worked};

/// All rows with the valves of the library, run once.
static USUAL: LazyLock<Vec<Outcome>> = LazyLock::new(|| score(&|_| None));

fn is_stage(row: &Outcome) -> bool {
    [Use::StageTriode, Use::StagePentode].contains(&row.usage)
}

/// What no row of high confidence may exceed: per cent down and up, or points. Reasons: the page, "What is held".
fn bounds(row: &Outcome, quantity: Quantity) -> Option<(f64, f64)> {
    let factor = |factor: f64| Some((100.0 * (1.0 / factor - 1.0), 100.0 * (factor - 1.0)));
    match quantity {
        Quantity::Idle if is_stage(row) => factor(1.3),
        Quantity::Idle | Quantity::Full => factor(2.0),
        Quantity::Power => factor(1.5),
        Quantity::Gain => factor(1.3),
        Quantity::Distortion if is_stage(row) => Some((-3.0, 3.0)),
        Quantity::Distortion => Some((-6.0, 6.0)),
        _ => None,
    }
}

/// What keeps the summary of a page from standing on one screen.
fn beyond_a_screen(page: &str) -> Option<String> {
    const LINES: usize = 40;
    const COLUMNS: usize = 80;
    let screen: Vec<&str> = page
        .lines()
        .take_while(|line| !line.starts_with("**What this is.**"))
        .collect();
    let wide = screen.iter().find(|line| line.chars().count() > COLUMNS);
    match wide {
        _ if !screen.contains(&"## In short") => Some("there is none".to_owned()),
        _ if screen.len() > LINES => Some(format!("it has {} lines", screen.len())),
        wide => wide.map(|line| format!("too wide: {line}")),
    }
}

#[test]
fn published_figures_and_the_page_that_shows_them() {
    let mut rows = USUAL.clone();
    let mut faults = Vec::new();
    for target in TARGETS {
        let (found, count) = target.found(&rows);
        let unit = target.quantity.unit();
        println!(
            "{}: {found:.2} {unit} over {count} rows, goal {}",
            target.words, target.limit
        );
        // NaN, of no rows at all, is no success
        if found.is_nan() || found > target.limit {
            faults.push(format!("{}: {found:.2} {unit}", target.words));
        }
    }
    for row in rows.iter().filter(|row| row.confidence == "high") {
        for figure in &row.figures {
            let Some((least, most)) = bounds(row, figure.quantity) else {
                continue;
            };
            let Some(off) = row.difference(figure.quantity) else {
                continue;
            };
            if !row.is_doubted(figure.quantity) && !(least..=most).contains(&off) {
                faults.push(format!(
                    "{}: {} {off:+.1}",
                    row.label,
                    figure.quantity.words()
                ));
            }
        }
    }
    rows.extend(operations());
    let fresh = page(&Results {
        rows,
        points: points::all(),
        worked: worked::all(),
    });
    faults.extend(beyond_a_screen(&fresh).map(|why| format!("the summary: {why}")));
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../VALIDATION.md");
    if std::env::var_os("UPDATE_EXPECTED").is_some() {
        fs::write(&path, &fresh).expect("VALIDATION.md is writable");
    }
    let stored = fs::read_to_string(&path).unwrap_or_default();
    if let Some(place) = stale(&stored, &fresh) {
        faults.push(format!(
            "VALIDATION.md is not what the program gives; UPDATE_EXPECTED=1 rewrites it: {place}"
        ));
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

#[test]
fn a_summary_beyond_a_screen_is_seen() {
    let rest = "\n**What this is.** All that follows.\n".repeat(50);
    let page = |summary: &str| format!("# A page\n\n{summary}{rest}");
    assert_eq!(beyond_a_screen(&page("## In short\n\nA word.\n")), None);
    for summary in [
        String::new(),
        format!("## In short\n{}", "\n".repeat(40)),
        format!("## In short\n\n{}\n", "x".repeat(81)),
    ] {
        assert!(beyond_a_screen(&page(&summary)).is_some(), "{summary}");
    }
}

#[test]
fn every_row_runs_or_says_why() {
    let rows = &*USUAL;
    assert_eq!(rows.len(), 95 + 65, "rows");
    for row in rows {
        let compared = row.figures.iter().any(|figure| figure.ours.is_some());
        assert!(compared || row.not_run.is_some(), "{}", row.label);
        let absent = "the program does not have this type";
        assert_ne!(row.not_run.as_deref(), Some(absent), "{}", row.label);
        assert!(
            ["memory", "page"].contains(&row.basis.as_str()),
            "{}",
            row.label
        );
        assert!(
            ["high", "medium", "low"].contains(&row.confidence.as_str()),
            "{}",
            row.label
        );
    }
    // Rows that lack volts, bias or screen volts altogether; more than these means a circuit was lost.
    let idle = rows
        .iter()
        .filter(|row| row.figures.iter().all(|figure| figure.ours.is_none()));
    assert_eq!(idle.count(), 3, "rows of which nothing is run");
}

#[test]
fn another_valve_in_the_place_of_one_moves_its_rows_and_no_others() {
    let twin = models::library::find("6L6").expect("it is there").clone();
    let other = score(&|name| (name == "EL84").then(|| twin.clone()));
    for (a, b) in USUAL.iter().zip(&other) {
        let (a_idle, b_idle) = (a.difference(Quantity::Idle), b.difference(Quantity::Idle));
        assert_eq!(
            a_idle == b_idle,
            a.valve != "EL84" || a_idle.is_none(),
            "{}",
            a.label
        );
    }
}

#[test]
fn a_page_is_stale_when_a_word_or_a_number_differs_by_more_than_rounding() {
    let page = "| 45 | 2.00 / 1.49, -25.3 % |";
    assert_eq!(stale(page, page), None);
    assert_eq!(stale(page, "| 45 |  2.00 / 1.50, -25.2 %   |"), None);
    for other in [
        "| 46 | 2.00 / 1.49, -25.3 % |",
        "| 45 | 2.00 / 1.54, -25.3 % |",
        "| 45 | 2.00 / 1.49, 25.3 % |",
        "| 45 | 2.00 / 1.49, -25.3 %† |",
        "",
    ] {
        assert!(stale(page, other).is_some(), "{other}");
    }
}
