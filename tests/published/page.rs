//! The tables of the pages: prose and figures stand together, and the figures are read from there.

use std::collections::BTreeMap;
use std::fmt::Write;
use std::fs;
use std::path::PathBuf;

pub(crate) fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("published")
}

/// A row of a table: heading → cell.
pub(crate) type Row = BTreeMap<String, String>;

/// The rows of every table of a page whose first heading is `first`.
pub(crate) fn table(page: &str, first: &str) -> Vec<Row> {
    let text = fs::read_to_string(folder().join(page)).expect("the page is there");
    let cells = |line: &str| -> Vec<String> {
        line.trim()
            .trim_matches('|')
            .split('|')
            .map(|cell| cell.trim().to_owned())
            .collect()
    };
    let mut head: Option<Vec<String>> = None;
    let mut rows = Vec::new();
    for line in text.lines() {
        if !line.starts_with('|') {
            head = None;
            continue;
        }
        let cells = cells(line);
        match &head {
            None => head = Some(cells),
            Some(_) if cells.iter().all(|cell| cell.chars().all(|c| c == '-')) => {}
            Some(head) if head[0] == first => {
                assert_eq!(head.len(), cells.len(), "{page}: {line}");
                rows.push(head.iter().cloned().zip(cells).collect());
            }
            Some(_) => {}
        }
    }
    assert!(
        !rows.is_empty(),
        "{page} has no table that begins with `{first}`"
    );
    rows
}

/// A figure of a row; none where the sheet gives none.
pub(crate) fn figure(row: &Row, heading: &str) -> Option<f64> {
    let cell = row
        .get(heading)
        .unwrap_or_else(|| panic!("no column `{heading}`"));
    let parsed = || {
        cell.parse()
            .unwrap_or_else(|_| panic!("{heading}: `{cell}`"))
    };
    (!cell.is_empty()).then(parsed)
}

/// A figure every row must have.
pub(crate) fn needed(row: &Row, heading: &str) -> f64 {
    figure(row, heading).unwrap_or_else(|| panic!("{} lacks `{heading}`", row["circuit"]))
}

/// `basis/confidence, source` of a row.
pub(crate) fn provenance(row: &Row) -> String {
    format!("{}/{}, {}", row["basis"], row["confidence"], row["source"])
}

/// The legend of the sources and doubts of a page, for the end of a report.
pub(crate) fn legend(page: &str, first: &str, second: &str) -> String {
    table(page, first)
        .iter()
        .fold(String::new(), |mut text, row| {
            writeln!(text, "{}: {}", row[first], row[second]).expect("text takes text");
            text
        })
}
