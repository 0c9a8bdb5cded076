//! Valves that are none, or joined in a way they cannot be.

use crate::diagnostic::Id;
use crate::diagnostic::words::{Words, a, did_you_mean, words};

/// A valve type the library does not hold.
pub(super) fn unknown_valve(name: &str, nearest: Option<&str>) -> Words {
    words(
        Id::UnknownValve,
        format!("valve type `{name}` is not in the library"),
        "unknown type",
        did_you_mean(nearest, "check the type on the envelope"),
    )
}

/// An electrode the valve has is joined to nothing.
pub(super) fn missing_electrode(part: &str, valve: &str, kind: &str, electrode: &str) -> Words {
    words(
        Id::MissingElectrode,
        format!("the {electrode} of {part} is joined to nothing"),
        format!("{valve} is a {kind} and has {}", a(electrode)),
        match electrode {
            "screen" => {
                "add `screen = \"…\"`; for use as a triode name the anode's node".to_owned()
            }
            other => format!("add `{other} = \"…\"` with the node it is on"),
        },
    )
}

/// An electrode the valve does not have is joined.
pub(super) fn no_such_electrode(valve: &str, kind: &str, electrode: &str) -> Words {
    words(
        Id::NoSuchElectrode,
        format!("{valve} has no {electrode}"),
        format!("{valve} is a {kind}"),
        format!("delete `{electrode}`, or correct the type of the valve"),
    )
}

/// A filament on a valve that has a cathode.
pub(super) fn no_filament(valve: &str) -> Words {
    words(
        Id::NoSuchElectrode,
        format!("{valve} has no filament for a cathode"),
        format!("{valve} is indirectly heated"),
        "name the cathode's node with `cathode`; the heater's ends are `heater = [\"h1\", \"h2\"]`",
    )
}

/// A heater on a valve whose filament is its cathode.
pub(super) fn no_heater(valve: &str) -> Words {
    words(
        Id::NoSuchElectrode,
        format!("{valve} has no heater besides its cathode"),
        format!("{valve} is directly heated"),
        "write `filament = [\"f1\", \"f2\"]` instead of `cathode`",
    )
}

/// One valve joined both by its filament and by a cathode.
pub(super) fn filament_and_cathode(part: &str, valve: &str) -> Words {
    words(
        Id::CathodeTwice,
        format!("{part} has both a filament and a cathode"),
        format!("the filament of a {valve} is its cathode"),
        "delete `cathode`; what was joined there goes to an end of the filament, or to the tap between its ends",
    )
}

/// One heater for all sections, drawn with two of them.
pub(super) fn heater_twice(envelope: &str) -> Words {
    words(
        Id::HeaterTwice,
        format!("the heater of envelope {envelope} is drawn twice"),
        "the second time",
        "one heater warms all sections: leave it on one of their lines",
    )
}

/// More sections in an envelope than the type holds.
pub(super) fn envelope_full(envelope: &str, valve: &str, sections: usize) -> Words {
    words(
        Id::EnvelopeFull,
        format!("envelope {envelope} is full"),
        format!(
            "{valve} has {sections} section{}",
            if sections == 1 { "" } else { "s" }
        ),
        "give this section another envelope",
    )
}
