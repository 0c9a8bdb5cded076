//! Text of traced curves, as CSV, → rows in SI, with the place of every fault.
//!
//! The header names the columns in any order: Va, Vg (or Vg1), Vg2, Ia, Ig2, each with its unit if it is not
//! volts or milliamperes: `Ia [uA]`. Cells are parted by commas, semicolons or tabs; where they are not
//! parted by commas, a comma may stand for the decimal point. Empty lines and lines from `#` on are skipped.

use std::ops::Range;

use crate::data::ValveKind;
use crate::fit::Row;

/// A fault in a sheet of traced curves.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error("{kind}")]
pub struct TracedError {
    /// Bytes of the text that are at fault.
    pub span: Range<usize>,
    /// What is wrong.
    pub kind: TracedErrorKind,
}

/// What can be wrong with a sheet of traced curves.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum TracedErrorKind {
    /// There is no line that names the columns.
    #[error("there is no header")]
    NoHeader,
    /// A column with a name of its own.
    #[error("nothing is known of a column `{0}`")]
    UnknownColumn(String),
    /// A unit that the column cannot have.
    #[error("`{0}` is no unit of this column")]
    UnknownUnit(String),
    /// A column that stands twice.
    #[error("the column {0} stands twice")]
    Twice(&'static str),
    /// A column that the fit cannot do without.
    #[error("there is no column {0}")]
    MissingColumn(&'static str),
    /// A row that is shorter or longer than the header.
    #[error("{found} cells, where the header names {expected}")]
    Cells {
        /// As many as the header has.
        expected: usize,
        /// As many as the row has.
        found: usize,
    },
    /// A cell that is no number.
    #[error("`{0}` is no number")]
    NotANumber(String),
    /// A row without volts.
    #[error("a row needs its volts")]
    EmptyVolts,
    /// There are no rows.
    #[error("there are no rows")]
    NoRows,
}

/// What a column holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Column {
    AnodeVolts,
    GridVolts,
    ScreenVolts,
    AnodeCurrent,
    ScreenCurrent,
}

impl Column {
    fn of(name: &str) -> Option<Self> {
        Some(match name.to_lowercase().as_str() {
            "va" => Self::AnodeVolts,
            "vg" | "vg1" => Self::GridVolts,
            "vg2" => Self::ScreenVolts,
            "ia" => Self::AnodeCurrent,
            "ig2" => Self::ScreenCurrent,
            _ => return None,
        })
    }

    fn name(self) -> &'static str {
        match self {
            Self::AnodeVolts => "Va",
            Self::GridVolts => "Vg",
            Self::ScreenVolts => "Vg2",
            Self::AnodeCurrent => "Ia",
            Self::ScreenCurrent => "Ig2",
        }
    }

    /// What one of the unit is in SI; volts and milliamperes where nothing is said.
    fn unit(self, unit: &str) -> Option<f64> {
        let current = match self {
            Self::AnodeCurrent | Self::ScreenCurrent => true,
            Self::AnodeVolts | Self::GridVolts | Self::ScreenVolts => false,
        };
        Some(match (current, unit) {
            (false, "" | "V") | (true, "A") => 1.0,
            (false, "mV") | (true, "" | "mA") => 1e-3,
            (true, "uA" | "µA" | "μA") => 1e-6,
            (false, "kV") => 1e3,
            _ => return None,
        })
    }
}

/// A cell and where it stands.
type Cell<'a> = (&'a str, Range<usize>);

/// Traced curves of one valve.
#[derive(Clone, Debug, PartialEq)]
pub struct Traced {
    /// The rows.
    pub rows: Vec<Row>,
    /// Triode or pentode, as asked for, or as the columns say.
    pub kind: ValveKind,
}

/// Reads traced curves; without a `kind`, screen volts make it a pentode.
///
/// A pentode's rows are of a strapped valve where the screen has the anode's volts in every one and the
/// screen current is not told apart: the anode's is then of both.
///
/// # Errors
/// Every fault of the text.
pub fn read_traced(text: &str, kind: Option<ValveKind>) -> Result<Traced, Vec<TracedError>> {
    let mut lines = lines(text);
    let Some((header, at)) = lines.next() else {
        return Err(vec![fault(0..0, TracedErrorKind::NoHeader)]);
    };
    let parted_by = ['\t', ';', ','].into_iter().find(|c| header.contains(*c));
    let parted_by = parted_by.unwrap_or(',');
    let mut faults = Vec::new();
    let columns = read_header(&cells(header, at.start, parted_by), &mut faults);
    let has = |wanted: Column| {
        columns
            .iter()
            .flatten()
            .any(|(column, _)| *column == wanted)
    };
    let kind = kind.unwrap_or(if has(Column::ScreenVolts) {
        ValveKind::Pentode
    } else {
        ValveKind::Triode
    });
    let mut needed = vec![Column::AnodeVolts, Column::GridVolts, Column::AnodeCurrent];
    if kind != ValveKind::Triode {
        needed.push(Column::ScreenVolts);
    }
    // A column that is misspelt is told of once
    if columns.iter().all(Option::is_some) {
        let missing = needed.into_iter().filter(|column| !has(*column));
        let missing = missing.map(|c| fault(at.clone(), TracedErrorKind::MissingColumn(c.name())));
        faults.extend(missing);
    }
    let mut rows = Vec::new();
    let mut any = false;
    for (line, at) in lines {
        any = true;
        let cells = cells(line, at.start, parted_by);
        if cells.len() != columns.len() {
            let (expected, found) = (columns.len(), cells.len());
            faults.push(fault(at, TracedErrorKind::Cells { expected, found }));
            continue;
        }
        rows.extend(read_row(&cells, at, &columns, parted_by, &mut faults));
    }
    if !any {
        faults.push(fault(at, TracedErrorKind::NoRows));
    }
    if !faults.is_empty() {
        return Err(faults);
    }
    let triode = kind == ValveKind::Triode;
    let strapped = !triode
        && !has(Column::ScreenCurrent)
        && rows.iter().all(|row| (row.v_sk - row.v_ak).abs() < 1e-9);
    for row in &mut rows {
        row.strapped = strapped;
        if triode {
            (row.v_sk, row.i_s) = (0.0, None);
        }
    }
    Ok(Traced { rows, kind })
}

fn fault(span: Range<usize>, kind: TracedErrorKind) -> TracedError {
    TracedError { span, kind }
}

/// The lines that say something, and where they stand.
fn lines(text: &str) -> impl Iterator<Item = (&str, Range<usize>)> {
    let mut at = 0;
    text.split_inclusive('\n').filter_map(move |line| {
        let start = at;
        at += line.len();
        let line = line.split('#').next().unwrap_or_default();
        let line = line.trim_end_matches([' ', '\r', '\n']);
        (!line.trim().is_empty()).then(|| (line, start..start + line.len()))
    })
}

fn cells(line: &str, start: usize, parted_by: char) -> Vec<Cell<'_>> {
    let mut at = start;
    line.split(parted_by)
        .map(|cell| {
            let begin = at + (cell.len() - cell.trim_start().len());
            at += cell.len() + parted_by.len_utf8();
            let cell = cell.trim();
            (cell, begin..begin + cell.len())
        })
        .collect()
}

/// What each column holds and its unit; None for one that is not understood, which is among the faults.
fn read_header(cells: &[Cell<'_>], faults: &mut Vec<TracedError>) -> Vec<Option<(Column, f64)>> {
    let mut seen = Vec::new();
    let mut read = |(cell, at): &Cell<'_>| {
        let cell = cell.trim_matches('"');
        let end = cell
            .find(|c: char| !c.is_ascii_alphanumeric())
            .unwrap_or(cell.len());
        let (name, unit) = cell.split_at(end);
        let unit = unit.trim_matches([' ', '[', ']', '(', ')', '/', '_']);
        let Some(column) = Column::of(name) else {
            let kind = TracedErrorKind::UnknownColumn(cell.to_owned());
            faults.push(fault(at.clone(), kind));
            return None;
        };
        if seen.contains(&column) {
            faults.push(fault(at.clone(), TracedErrorKind::Twice(column.name())));
        }
        seen.push(column);
        let scale = column.unit(unit);
        if scale.is_none() {
            let kind = TracedErrorKind::UnknownUnit(unit.to_owned());
            faults.push(fault(at.clone(), kind));
        }
        Some((column, scale.unwrap_or(1.0)))
    };
    cells.iter().map(&mut read).collect()
}

fn read_row(
    cells: &[Cell<'_>],
    at: Range<usize>,
    columns: &[Option<(Column, f64)>],
    parted_by: char,
    faults: &mut Vec<TracedError>,
) -> Option<Row> {
    let before = faults.len();
    let mut values = [None; 5];
    for ((cell, at), column) in cells.iter().zip(columns) {
        let Some((column, scale)) = column else {
            continue;
        };
        if cell.is_empty() {
            continue;
        }
        let decimal = if parted_by == ',' {
            (*cell).to_owned()
        } else {
            cell.replace(',', ".")
        };
        match decimal.parse::<f64>() {
            Ok(value) if value.is_finite() => values[*column as usize] = Some(scale * value),
            _ => faults.push(fault(
                at.clone(),
                TracedErrorKind::NotANumber((*cell).to_owned()),
            )),
        }
    }
    let named = |wanted: Column| {
        let mut known = columns.iter().flatten();
        known.any(|(column, _)| *column == wanted)
    };
    let volts = [Column::AnodeVolts, Column::GridVolts, Column::ScreenVolts];
    let lacks = |column: &Column| named(*column) && values[*column as usize].is_none();
    if faults.len() == before && volts.iter().any(lacks) {
        faults.push(fault(at, TracedErrorKind::EmptyVolts));
    }
    let value = |column: Column| values[column as usize];
    (faults.len() == before).then(|| Row {
        v_ak: value(Column::AnodeVolts).unwrap_or_default(),
        v_sk: value(Column::ScreenVolts).unwrap_or_default(),
        v_gk: value(Column::GridVolts).unwrap_or_default(),
        i_a: value(Column::AnodeCurrent),
        i_s: value(Column::ScreenCurrent),
        strapped: false,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_in_any_order_with_their_units() {
        let text = "# traced\nIa [uA]; Vg1 (mV); Va\r\n\n1200,5;-2000;250\n";
        let traced = read_traced(text, None).unwrap();
        assert_eq!(traced.kind, ValveKind::Triode);
        let row = traced.rows[0];
        assert!((row.i_a.unwrap() - 1.2005e-3).abs() < 1e-15);
        assert!((row.v_gk + 2.0).abs() < 1e-15 && (row.v_ak - 250.0).abs() < 1e-12);
    }

    #[test]
    fn screen_volts_make_a_pentode_and_those_of_the_anode_a_strapped_one() {
        let pentode = read_traced("Va,Vg,Vg2,Ia,Ig2\n250,-8,250,45,4\n", None).unwrap();
        assert_eq!(pentode.kind, ValveKind::Pentode);
        assert!(!pentode.rows[0].strapped && pentode.rows[0].i_s.is_some());
        let tied = read_traced("Va,Vg,Vg2,Ia\n250,-8,250,49\n", None).unwrap();
        assert!(tied.rows[0].strapped);
        // One row of a family may cross the screen's volts
        let family = read_traced("Va,Vg,Vg2,Ia\n250,-8,250,45\n90,-8,250,40\n", None).unwrap();
        assert!(!family.rows[0].strapped);
    }

    #[test]
    fn all_faults_at_once_each_at_its_place() {
        let text = "Va,Vg,Ia [kg],Vg\n1,2,x3,4\n1,2\n,1,1,1\n";
        let faults = read_traced(text, None).unwrap_err();
        let said: Vec<(String, &str)> = faults
            .iter()
            .map(|f| (f.to_string(), &text[f.span.clone()]))
            .collect();
        let said: Vec<(&str, &str)> = said.iter().map(|(a, b)| (a.as_str(), *b)).collect();
        assert_eq!(
            said,
            [
                ("`kg` is no unit of this column", "Ia [kg]"),
                ("the column Vg stands twice", "Vg"),
                ("`x3` is no number", "x3"),
                ("2 cells, where the header names 4", "1,2"),
                ("a row needs its volts", ",1,1,1"),
            ]
        );
        let kinds = |text: &str, kind| read_traced(text, kind).unwrap_err()[0].kind.clone();
        assert_eq!(kinds("# nothing\n", None), TracedErrorKind::NoHeader);
        assert_eq!(kinds("Va,Vg,Ia\n", None), TracedErrorKind::NoRows);
        let missing = kinds("Va,Vg,Ia\n1,2,3\n", Some(ValveKind::Pentode));
        assert_eq!(missing, TracedErrorKind::MissingColumn("Vg2"));
        let unknown = kinds("Va,Vk,Ia\n1,2,3\n", None);
        assert_eq!(unknown, TracedErrorKind::UnknownColumn("Vk".into()));
    }
}
