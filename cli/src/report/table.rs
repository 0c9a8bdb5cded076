//! Tables for people: plain text, figures right-aligned, no frame.

use comfy_table::{CellAlignment, ColumnConstraint, ContentArrangement, Table, presets};
use measure::instruments::valve::AgainstLimit;
use sim::quantity::{Unit, engineering};

/// A table with a heading above it.
#[derive(Debug)]
pub(crate) struct Sheet {
    table: Table,
    columns: usize,
}

impl Sheet {
    /// The first column is text and the others are figures.
    pub(crate) fn new(header: &[&str]) -> Self {
        let mut table = Table::new();
        table.load_style(presets::NOTHING);
        table.set_content_arrangement(ContentArrangement::Disabled);
        table.set_header(
            header
                .iter()
                .map(|name| (*name).to_owned())
                .collect::<Vec<_>>(),
        );
        Self {
            table,
            columns: header.len(),
        }
    }

    pub(crate) fn row(&mut self, cells: Vec<String>) {
        self.table.add_row(cells);
    }

    /// Leaves a column out, counted from 0.
    pub(crate) fn without(mut self, column: usize) -> Self {
        if let Some(column) = self.table.column_mut(column) {
            column.set_constraint(ColumnConstraint::Hidden);
        }
        self
    }

    /// The table, or nothing when it has no rows.
    pub(crate) fn print(mut self, heading: &str, text_columns: usize) -> String {
        if self.table.is_empty() {
            return String::new();
        }
        for k in 0..self.columns {
            if let Some(column) = self.table.column_mut(k) {
                column.set_padding((0, 2));
                if k >= text_columns {
                    column.set_cell_alignment(CellAlignment::Right);
                }
            }
        }
        let mut text = format!("{heading}\n");
        for line in self.table.lines() {
            text += &format!("  {}\n", line.trim_end());
        }
        text.push('\n');
        text
    }
}

/// Per cent of a limit; what is over it stands out.
pub(crate) fn share(figure: &AgainstLimit) -> String {
    match figure.percent() {
        Some(percent) if figure.is_over() && percent < 110.0 => format!("OVER {percent:.1} %"),
        Some(percent) if figure.is_over() => format!("OVER {percent:.0} %"),
        Some(percent) => format!("{percent:.0} %"),
        None => "-".to_owned(),
    }
}

/// A ratio in per cent: enough digits to compare, none to boast with.
pub(crate) fn percent(ratio: f64) -> String {
    let percent = 100.0 * ratio;
    if percent >= 9.995 {
        format!("{percent:.1} %")
    } else if percent >= 0.0995 {
        format!("{percent:.2} %")
    } else {
        format!("{percent:.3} %")
    }
}

/// Volts of a node: below a millivolt a meter shows nothing.
pub(crate) fn volts(volts: f64) -> String {
    const NOTHING: f64 = 1e-3;
    if volts.abs() < NOTHING {
        "0 V".to_owned()
    } else {
        engineering(volts, Unit::Volt)
    }
}

/// Current of an electrode: below a nanoampere no meter shows it.
pub(crate) fn amps(amps: f64) -> String {
    const NOTHING: f64 = 1e-9;
    if amps.abs() < NOTHING {
        "0 A".to_owned()
    } else {
        engineering(amps, Unit::Ampere)
    }
}

/// Watts of a part: below a microwatt nothing gets warm.
pub(crate) fn watts(watts: f64) -> String {
    const NOTHING: f64 = 1e-6;
    if watts.abs() < NOTHING {
        "0 W".to_owned()
    } else {
        engineering(watts, Unit::Watt)
    }
}

#[cfg(test)]
mod tests {
    use super::{AgainstLimit, share};

    #[test]
    fn what_is_over_its_limit_never_reads_as_a_hundred_per_cent() {
        let of = |value| {
            share(&AgainstLimit {
                value,
                limit: Some(100.0),
            })
        };
        assert_eq!(of(100.4), "OVER 100.4 %");
        assert_eq!(of(100.01), "100 %");
        assert_eq!(of(117.3), "OVER 117 %");
    }
}
