//! Published against ours, row by row and over all rows.

use std::fmt::Write;

/// Published and ours.
#[derive(Clone, Copy)]
pub(crate) struct Pair {
    pub(crate) published: f64,
    pub(crate) ours: f64,
}

impl Pair {
    pub(crate) fn of(published: Option<f64>, ours: f64) -> Option<Self> {
        published.map(|published| Self { published, ours })
    }

    pub(crate) fn percent(self) -> f64 {
        100.0 * (self.ours / self.published - 1.0)
    }

    pub(crate) fn points(self) -> f64 {
        self.ours - self.published
    }

    pub(crate) fn within_factor(self, factor: f64) -> bool {
        let ratio = self.ours / self.published;
        ratio < factor && ratio > 1.0 / factor
    }

    pub(crate) fn within_points(self, points: f64) -> bool {
        self.points().abs() < points
    }
}

/// Figures of one kind over all rows.
#[derive(Default)]
pub(crate) struct Kind {
    clear: Vec<f64>,
    all: Vec<f64>,
}

impl Kind {
    pub(crate) fn take(&mut self, error: f64, doubted: bool) {
        self.all.push(error.abs());
        if !doubted {
            self.clear.push(error.abs());
        }
    }

    /// A line of the report, and the median of the rows without doubt.
    pub(crate) fn median(&self, name: &str, unit: &str, report: &mut String) -> f64 {
        let clear = median(&self.clear);
        let worst = self.clear.iter().copied().fold(0.0, f64::max);
        writeln!(
            report,
            "{name:<28} median {clear:5.2} {unit}, worst {worst:5.1}, {} rows; with the doubted {:5.2}, {} rows",
            self.clear.len(),
            median(&self.all),
            self.all.len(),
        )
        .expect("text takes text");
        clear
    }
}

/// The middle value; the mean of the two middle ones of an even number.
fn median(values: &[f64]) -> f64 {
    let mut values = values.to_vec();
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    match values.len() {
        0 => f64::NAN,
        n if n % 2 == 1 => values[middle],
        _ => 0.5 * (values[middle - 1] + values[middle]),
    }
}

pub(crate) fn show(pair: Option<Pair>, digits: usize, difference: fn(Pair) -> f64) -> String {
    pair.map_or_else(
        || format!("{:26}", ""),
        |pair| {
            format!(
                "{:7.digits$} {:8.digits$} {:+7.1}  ",
                pair.published,
                pair.ours,
                difference(pair)
            )
        },
    )
}
