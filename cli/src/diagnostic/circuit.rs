//! Faults of a circuit as a whole, in words.

use std::ops::Range;

use sim::CircuitError;

use super::{Diagnostic, Id};

pub(super) fn diagnostic(
    error: &CircuitError,
    span: Range<usize>,
    also: &[Range<usize>],
) -> Diagnostic {
    let mut labels = Vec::new();
    let (id, message, help) = match error {
        CircuitError::UsedOnce { name, .. } => {
            labels.push((span, "nothing else is joined here".to_owned()));
            (
                Id::UsedOnce,
                format!("node `{name}` is used once"),
                "is the name a slip of another node's, or is a part missing from the list?"
                    .to_owned(),
            )
        }
        CircuitError::NoDcPath {
            name, electrode, ..
        } => {
            let electrode_name = electrode.map(|(_, electrode)| electrode);
            labels.push((
                span,
                electrode_name.map_or_else(String::new, |e| format!("the {e} hangs here")),
            ));
            labels.extend(also.iter().map(|span| {
                (
                    span.clone(),
                    "this carries no direct current to the chassis".to_owned(),
                )
            }));
            let help = match electrode_name {
                Some("grid") => format!(
                    "a grid needs a leak: add a resistor from `{name}` to the chassis or to the bias"
                ),
                Some("cathode") => format!(
                    "a cathode needs a path to the chassis: add its resistor, or join `{name}` to the chassis"
                ),
                Some("filament") => format!(
                    "a filament needs a path to the chassis: from one of its ends, from the centre tap of its winding, or from a hum-balancing pot across it; `{name}` has none"
                ),
                Some(electrode) => format!(
                    "the {electrode} needs its feed: a resistor or winding from `{name}` to the HT"
                ),
                None => format!("join `{name}` to the rest by a resistor, a winding or a wire"),
            };
            (
                Id::NoDcPath,
                format!("node `{name}` has no path to the chassis at DC"),
                help,
            )
        }
        CircuitError::Loop { names, .. } => {
            labels.push((span, "in the loop".to_owned()));
            labels.extend(
                also.iter()
                    .map(|span| (span.clone(), "in the loop".to_owned())),
            );
            let message = match names.as_slice() {
                [only] => format!("{only} is shorted by wiring without resistance"),
                names => format!("{} close a loop without resistance", names.join(", ")),
            };
            let help = "nothing limits the current round it: give one of them its real resistance, e.g. resistance = \"100R\"";
            (Id::Loop, message, help.to_owned())
        }
        CircuitError::Duplicate { name } => {
            labels.push((span, "this designator is taken".to_owned()));
            (
                Id::ListedTwice,
                format!("`{name}` is listed twice"),
                "give it another designator; `generator` is the one of [bench]".to_owned(),
            )
        }
        CircuitError::Terminals {
            name,
            wanted,
            found,
        } => {
            labels.push((span, String::new()));
            (
                Id::NodeCount,
                format!("{name} joins {found} nodes where it has {wanted} terminals"),
                "name one node for each terminal".to_owned(),
            )
        }
        CircuitError::Value {
            part_name,
            quantity,
            wanted,
            ..
        } => {
            labels.push((span, String::new()));
            (
                Id::OutOfBounds,
                format!("{part_name}: {quantity} must be {wanted}"),
                "check the sign and the decade against the drawing".to_owned(),
            )
        }
    };
    Diagnostic {
        id,
        message,
        labels,
        help: Some(help),
    }
}
