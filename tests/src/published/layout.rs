//! The page as text: columns under each other, and whether a stored page is still what is found.

use std::fmt::Write;

/// The page with the columns of its tables under each other, the last one as long as it is.
pub fn aligned(text: &str) -> String {
    let mut page = String::new();
    let mut table: Vec<Vec<&str>> = Vec::new();
    for line in text.lines().chain([""]) {
        if line.starts_with('|') {
            let inner = line.trim_matches('|');
            table.push(inner.split('|').map(str::trim).collect());
            continue;
        }
        for row in &table {
            for (column, cell) in row.iter().enumerate() {
                let widths = table.iter().filter_map(|row| row.get(column));
                let width = widths.map(|cell| cell.chars().count()).max().unwrap_or(0);
                match (column + 1 == row.len(), cell.starts_with("---")) {
                    (true, _) => write!(page, "| {cell} |"),
                    (false, true) => write!(page, "| {} ", "-".repeat(width)),
                    (false, false) => write!(page, "| {cell:width$} "),
                }
                .unwrap_or_else(|_| unreachable!("text takes text"));
            }
            page.push('\n');
        }
        table.clear();
        page += line;
        page.push('\n');
    }
    page.trim_end().to_owned() + "\n"
}

/// A paragraph in lines of at most 80 columns, the second and later ones behind `indent`.
pub fn wrapped(paragraph: &str, indent: &str) -> String {
    const COLUMNS: usize = 80;
    let mut text = String::new();
    let mut column = 0;
    for word in paragraph.split_whitespace() {
        let width = word.chars().count();
        if column > 0 && column + 1 + width <= COLUMNS {
            text.push(' ');
            column += 1;
        } else if column > 0 {
            text.push('\n');
            text.push_str(indent);
            column = indent.chars().count();
        }
        text.push_str(word);
        column += width;
    }
    text.push('\n');
    text
}

/// The first place where the stored page is not what was found now; none when it is.
///
/// Words must be the same. A number may be off by two units of its last digit or by 0.5 %: another processor rounds
/// otherwise, and where the drive is found by halving its last digits move with that.
pub fn stale(stored: &str, fresh: &str) -> Option<String> {
    const RATIO: f64 = 5e-3;
    const UNITS: f64 = 2.001;
    let (mut old, mut new) = (stored.lines(), fresh.lines());
    let mut number = 0;
    loop {
        number += 1;
        let (a, b) = match (old.next(), new.next()) {
            (None, None) => return None,
            (a, b) => (a.unwrap_or(""), b.unwrap_or("")),
        };
        let (a_parts, b_parts) = (pieces(&unspaced(a)), pieces(&unspaced(b)));
        let same = a_parts.len() == b_parts.len()
            && a_parts.iter().zip(&b_parts).all(|(x, y)| {
                match (x.parse::<f64>(), y.parse::<f64>()) {
                    (Ok(p), Ok(q)) => {
                        let decimals = x.split_once('.').map_or(0, |(_, d)| d.len());
                        let unit = 10f64.powi(-(decimals as i32));
                        let whole = decimals == 0 && x != y && p.abs() < 100.0;
                        !whole && (p - q).abs() <= (UNITS * unit).max(RATIO * p.abs())
                    }
                    _ => x == y,
                }
            });
        if !same {
            return Some(format!("line {number}:\n  stored {a}\n  now    {b}"));
        }
    }
}

/// A line without what only sets columns under each other.
fn unspaced(line: &str) -> String {
    let words: Vec<&str> = line
        .split_whitespace()
        .map(|word| if word.starts_with("---") { "---" } else { word })
        .collect();
    words.join(" ")
}

/// A line as numbers and what stands between them.
fn pieces(line: &str) -> Vec<String> {
    let mut pieces: Vec<String> = vec![String::new()];
    let mut in_number = false;
    for c in line.chars() {
        let signs = matches!(c, '+' | '-') && !in_number;
        let belongs = c.is_ascii_digit() || (in_number && c == '.') || signs;
        if belongs != in_number {
            pieces.push(String::new());
            in_number = belongs;
        }
        pieces.last_mut().expect("one at least").push(c);
    }
    pieces
}
