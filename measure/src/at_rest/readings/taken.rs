//! Readings that somebody took: a line each, `point, volts, meter, range`, the last two where they are known.
//!
//! ```text
//! # our own readings
//! V5 anode, 285V, 500 ohms per volt, 500V
//! V5 cathode, 21.5V
//! ```

use super::meter::{Meter, RANGE_LIMITS};
use super::points::{Point, named};
use sim::circuit::Circuit;
use sim::quantity::{Quantity, QuantityError, Unit};

/// A reading.
#[derive(Clone, Debug, PartialEq)]
pub struct Taken {
    /// Where.
    pub point: Point,
    /// What the meter showed, V.
    pub volts: f64,
    /// The meter, if the line tells.
    pub meter: Option<Meter>,
    /// Its range, V, if the line tells.
    pub range: Option<f64>,
}

/// A line that is no reading.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum TakenError {
    /// Neither an electrode nor a node.
    #[error("line {line}: no electrode or node `{name}`")]
    NoPoint {
        /// Counted from 1.
        line: usize,
        /// As written.
        name: String,
        /// The name most like it.
        nearest: Option<String>,
    },
    /// A value that cannot be read.
    #[error("line {line}: {error}")]
    Value {
        /// Counted from 1.
        line: usize,
        /// Why.
        error: QuantityError,
    },
    /// Too few or too many fields.
    #[error("line {line} is not `point, volts, meter, range`")]
    Form {
        /// Counted from 1.
        line: usize,
    },
    /// A range that no meter has.
    #[error("line {line}: a range is from 1 mV to 1 MV")]
    Range {
        /// Counted from 1.
        line: usize,
    },
    /// Nothing but blank lines.
    #[error("there is no reading in it")]
    Empty,
}

impl TakenError {
    /// What may be written instead.
    pub fn help(&self) -> String {
        match self {
            Self::NoPoint {
                nearest: Some(name),
                ..
            } => format!("did you mean {name}?"),
            _ => "write a line for each reading: V5 anode, 285V, 500 ohms per volt, 500V; or a node: ht1, 300V"
                .to_owned(),
        }
    }
}

/// Reads the lines; blank ones and those that begin with # are passed over.
///
/// # Errors
/// Every fault of every line.
pub fn read(text: &str, circuit: &Circuit) -> Result<Vec<Taken>, Vec<TakenError>> {
    let (mut taken, mut faults) = (Vec::new(), Vec::new());
    for (k, text) in text.lines().enumerate() {
        let text = text.trim();
        if text.is_empty() || text.starts_with('#') {
            continue;
        }
        match line(k + 1, text, circuit) {
            Ok(reading) => taken.push(reading),
            Err(fault) => faults.push(fault),
        }
    }
    if taken.is_empty() && faults.is_empty() {
        faults.push(TakenError::Empty);
    }
    if faults.is_empty() {
        Ok(taken)
    } else {
        Err(faults)
    }
}

fn line(line: usize, text: &str, circuit: &Circuit) -> Result<Taken, TakenError> {
    let fields: Vec<&str> = text.split(',').map(str::trim).collect();
    let (name, volts, more) = match fields.as_slice() {
        [name, volts, more @ ..] if more.len() <= 2 => (*name, *volts, more),
        _ => return Err(TakenError::Form { line }),
    };
    let value = |error| TakenError::Value { line, error };
    let given = |k: usize| more.get(k).copied().filter(|text| !text.is_empty());
    let point = named(name, circuit).map_err(|nearest| TakenError::NoPoint {
        line,
        name: name.to_owned(),
        nearest,
    })?;
    let volts = Quantity::parse(volts, Unit::Volt).map_err(value)?;
    let meter = given(0).map(Meter::parse).transpose().map_err(value)?;
    let range = given(1).map(|text| Quantity::parse(text, Unit::Volt));
    let range = range.transpose().map_err(value)?;
    if range.is_some_and(|range| !(RANGE_LIMITS.0..=RANGE_LIMITS.1).contains(&range)) {
        return Err(TakenError::Range { line });
    }
    Ok(Taken {
        point,
        volts,
        meter,
        range,
    })
}
