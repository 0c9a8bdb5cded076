//! What a response should be: the playback curve of records, or a table.
//!
//! ```text
//! T(s) = (1 + s·t₂) / ((1 + s·t₁)(1 + s·t₃)) · s·t₀/(1 + s·t₀)
//! ```
//!
//! Symbols   t₁  3180 µs;  t₂  318 µs;  t₃  75 µs;  t₀  7950 µs, the last factor only where it is asked for
//! Source    IEC 60098 (RIAA playback; t₀ by its amendment of 1976), both from memory
//! Care      a table is interpolated straight in dB over the logarithm of frequency

use std::f64::consts::TAU;
use std::ops::Range;

use nalgebra::Complex;

/// Where gain and target are made equal, Hz (IEC 60098, from memory).
pub(super) const NORMALISED_AT: f64 = 1e3;

/// Time constants of the playback curve, s.
const RIAA: [f64; 3] = [3180e-6, 318e-6, 75e-6];
/// Time constant of the amendment against rumble, s.
const RUMBLE: f64 = 7950e-6;

/// What a response should be.
#[derive(Clone, Debug, PartialEq)]
pub enum Target {
    /// RIAA playback.
    Riaa,
    /// RIAA playback with the low cut of the amendment.
    RiaaIec,
    /// Points in rising frequency: Hz and dB.
    Table(Vec<(f64, f64)>),
}

/// What is wrong with a table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TableFault {
    /// Where in the text, bytes.
    pub span: Range<usize>,
    /// What.
    pub kind: TableFaultKind,
}

/// Kinds of faults of a table.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum TableFaultKind {
    /// Not two columns.
    #[error("a line has two columns, hertz and decibels")]
    Columns,
    /// Not a number.
    #[error("this is no number")]
    NotANumber,
    /// Zero, negative or infinite.
    #[error("a frequency is above zero")]
    Frequency,
    /// Not above the one before.
    #[error("frequencies rise from line to line")]
    NotRising,
    /// Too few points, or none at the frequency where curves are compared.
    #[error("the table must reach from below 1 kHz to above it, where curves are made equal")]
    Reach,
}

impl Target {
    /// Reads a table: a line a point, hertz and decibels with a comma between; a first line of words and
    /// lines that start with `#` are left out.
    ///
    /// # Errors
    /// Every fault, in the order of the text.
    pub fn table(text: &str) -> Result<Self, Vec<TableFault>> {
        let mut points: Vec<(f64, f64)> = Vec::new();
        let mut faults = Vec::new();
        let mut start = 0;
        let mut heading = true;
        for line in text.split_inclusive('\n') {
            let from = start;
            start += line.len();
            let row = line.trim();
            if row.is_empty() || row.starts_with('#') {
                continue;
            }
            let from = from + line.len() - line.trim_start().len();
            let whole = from..from + row.len();
            let mut fault = |span, kind| faults.push(TableFault { span, kind });
            let cells: Vec<&str> = row.split(',').collect();
            // A line of words over the columns.
            let words = cells.iter().all(|cell| cell.trim().parse::<f64>().is_err());
            if std::mem::replace(&mut heading, false) && words {
                continue;
            }
            let [frequency, level] = cells.as_slice() else {
                fault(whole, TableFaultKind::Columns);
                continue;
            };
            let behind = from + frequency.len() + 1;
            let cell = |text: &str, at: usize| {
                let at = at + text.len() - text.trim_start().len();
                let span = at..at + text.trim().len();
                let value = text.trim().parse::<f64>().ok();
                (span, value.filter(|value| value.is_finite()))
            };
            match (cell(frequency, from), cell(level, behind)) {
                ((_, Some(hertz)), (_, Some(level))) if hertz > 0.0 => {
                    if points.last().is_some_and(|last| hertz <= last.0) {
                        fault(whole, TableFaultKind::NotRising);
                    } else {
                        points.push((hertz, level));
                    }
                }
                ((span, Some(hertz)), _) if hertz <= 0.0 => fault(span, TableFaultKind::Frequency),
                ((span, None), _) | (_, (span, None)) => {
                    let span = if span.is_empty() { whole } else { span };
                    fault(span, TableFaultKind::NotANumber);
                }
                _ => {}
            }
        }
        let reaches = points.first().is_some_and(|first| first.0 <= NORMALISED_AT)
            && points.last().is_some_and(|last| last.0 >= NORMALISED_AT);
        if faults.is_empty() && (points.len() < 2 || !reaches) {
            faults.push(TableFault {
                span: 0..0,
                kind: TableFaultKind::Reach,
            });
        }
        if faults.is_empty() {
            Ok(Self::Table(points))
        } else {
            Err(faults)
        }
    }

    /// The target at a frequency, dB, not normalised; none where it does not reach.
    pub fn decibels(&self, frequency: f64) -> Option<f64> {
        match self {
            Self::Riaa => Some(20.0 * riaa(frequency).norm().log10()),
            Self::RiaaIec => {
                let low = Complex::new(0.0, TAU * frequency * RUMBLE);
                let cut = low / (1.0 + low);
                Some(20.0 * (riaa(frequency) * cut).norm().log10())
            }
            Self::Table(points) => {
                let behind = points.partition_point(|point| point.0 < frequency);
                let after = points.get(behind)?;
                if after.0.to_bits() == frequency.to_bits() {
                    return Some(after.1);
                }
                let before = points.get(behind.checked_sub(1)?)?;
                // Of logarithms: the ratio of two frequencies may be more than any number.
                let share = (frequency.ln() - before.0.ln()) / (after.0.ln() - before.0.ln());
                Some(before.1 + share * (after.1 - before.1))
            }
        }
    }

    /// The frequencies it reaches, Hz.
    pub fn reach(&self) -> (f64, f64) {
        match self {
            Self::Riaa | Self::RiaaIec => (0.0, f64::INFINITY),
            Self::Table(points) => (
                points.first().map_or(0.0, |point| point.0),
                points.last().map_or(0.0, |point| point.0),
            ),
        }
    }
}

fn riaa(frequency: f64) -> Complex<f64> {
    let s = Complex::new(0.0, TAU * frequency);
    let [first, second, third] = RIAA;
    (1.0 + s * second) / ((1.0 + s * first) * (1.0 + s * third))
}

#[cfg(test)]
mod tests {
    use super::{TableFaultKind, Target};

    #[test]
    fn a_table_is_straight_over_the_logarithm() {
        let text = "frequency, level\n# ours\n 10, 2\n\n1000 , 0\r\n100000,-6\n";
        let target = Target::table(text).expect("a table");
        for (frequency, wanted) in [
            (10.0, 2.0),
            (100.0, 1.0),
            (1e3, 0.0),
            (1e4, -3.0),
            (1e5, -6.0),
        ] {
            let met = target.decibels(frequency).expect("inside");
            // A logarithm and a product.
            assert!((met - wanted).abs() < 1e-12, "{met} at {frequency}");
        }
        assert_eq!((target.decibels(9.0), target.decibels(2e5)), (None, None));
        // 311 of 314 decades.
        let far = Target::table("1e-308,314\n1e6,0\n").expect("a table");
        let met = far.decibels(1e3).expect("inside");
        assert!((met - 3.0).abs() < 1e-10, "{met}");
    }

    #[test]
    fn every_fault_of_a_table_has_its_place() {
        let text = "Hz,dB\n10,2\n20,two\n15\n5,1\n0,3\n1e4,inf\n";
        let faults = Target::table(text).expect_err("it is full of them");
        let found: Vec<(&str, TableFaultKind)> = faults
            .iter()
            .map(|fault| (&text[fault.span.clone()], fault.kind))
            .collect();
        let wanted = [
            ("two", TableFaultKind::NotANumber),
            ("15", TableFaultKind::Columns),
            ("5,1", TableFaultKind::NotRising),
            ("0", TableFaultKind::Frequency),
            ("inf", TableFaultKind::NotANumber),
        ];
        assert_eq!(found, wanted);
        for short in ["", "Hz,dB\n", "1000,0\n", "20,0\n500,1\n", "2e3,0\n3e3,0\n"] {
            let faults = Target::table(short).expect_err(short);
            assert_eq!(faults[0].kind, TableFaultKind::Reach, "{short}");
        }
    }
}
