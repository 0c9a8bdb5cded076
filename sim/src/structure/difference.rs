//! In what two like parts differ.

use crate::parts::Part;
use crate::quantity::{Unit, engineering};

/// A share by which two nominal values of one drawing may differ and be the same, for the rounding of
/// reading them.
const SAME: f64 = 1e-6;

/// Two values.
#[derive(Clone, Debug, PartialEq)]
pub struct Difference {
    /// As printed, first and second.
    pub words: [String; 2],
    /// The larger over the smaller; none of types of valve.
    pub ratio: Option<f64>,
}

impl Difference {
    /// True for a power of ten.
    pub fn is_a_decade(&self) -> bool {
        /// A share: values of the preferred series, as 4k7 against 470, are exact.
        const CLOSE: f64 = 1e-3;
        self.ratio.is_some_and(|ratio| {
            let decades = ratio.log10();
            decades.round() >= 1.0 && (decades - decades.round()).abs() < CLOSE
        })
    }
}

/// The value of a part that its image must have too.
fn value(part: &Part) -> Option<(f64, Unit)> {
    match part {
        Part::Resistor(resistor) => Some((resistor.r, Unit::Ohm)),
        Part::Capacitor(capacitor) => Some((capacitor.c, Unit::Farad)),
        Part::Inductor(inductor) => inductor.linear.map(|l| (l, Unit::Henry)),
        Part::Pot(pot) => Some((pot.r, Unit::Ohm)),
        _ => None,
    }
}

/// The value of a part as printed.
pub fn words(part: &Part) -> String {
    match (value(part), part) {
        (Some((value, unit)), _) => engineering(value, unit),
        (None, Part::Valve(valve)) => valve.kind.name.clone(),
        _ => part.words().to_owned(),
    }
}

/// What differs between two parts; none when they are the same, or have nothing to compare.
pub fn of(first: &Part, second: &Part) -> Option<Difference> {
    let both = || [words(first), words(second)];
    match (value(first), value(second), first, second) {
        (Some((a, unit)), Some((b, other)), ..) if unit == other => {
            let ratio = (a / b).max(b / a);
            (ratio > 1.0 + SAME).then(|| Difference {
                words: both(),
                ratio: Some(ratio),
            })
        }
        (_, _, Part::Valve(a), Part::Valve(b)) => {
            (a.kind.name != b.kind.name).then(|| Difference {
                words: both(),
                ratio: None,
            })
        }
        _ => None,
    }
}
