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
        Part::Transformer(_)
        | Part::Valve(_)
        | Part::Device(_)
        | Part::Diodes(_)
        | Part::Source(_)
        | Part::Switch(_)
        | Part::Loudspeaker(_) => None,
    }
}

/// The value of a part as printed.
pub fn words(part: &Part) -> String {
    if let Some((value, unit)) = value(part) {
        engineering(value, unit)
    } else if let Some(valve) = part.valve() {
        valve.kind.name.clone()
    } else {
        part.words().to_owned()
    }
}

/// What differs between two parts; none when they are the same, or have nothing to compare.
pub fn of(first: &Part, second: &Part) -> Option<Difference> {
    let both = || [words(first), words(second)];
    if let (Some((a, unit)), Some((b, other))) = (value(first), value(second))
        && unit == other
    {
        let ratio = (a / b).max(b / a);
        return (ratio > 1.0 + SAME).then(|| Difference {
            words: both(),
            ratio: Some(ratio),
        });
    }
    let (a, b) = (first.valve()?, second.valve()?);
    (a.kind.name != b.kind.name).then(|| Difference {
        words: both(),
        ratio: None,
    })
}
