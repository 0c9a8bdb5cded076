//! Windings, cores, and the mains that feeds them.

use sim::quantity::{Unit, engineering};

use crate::diagnostic::Id;
use crate::diagnostic::words::{Words, list, words};

/// A winding of n nodes needs n − 2 taps.
pub(super) fn tap_count(key: &str, wanted: usize, found: usize) -> Words {
    words(
        Id::Taps,
        format!(
            "`{key}` lists {found} tap{}, but the winding has {wanted} node{} between its ends",
            if found == 1 { "" } else { "s" },
            if wanted == 1 { "" } else { "s" }
        ),
        "one tap for each of them",
        "the ends themselves are not listed; without this key the sections are equal",
    )
}

/// Taps out of order, or beyond the ends.
pub(super) fn tap_order(key: &str) -> Words {
    words(
        Id::Taps,
        format!("`{key}` must rise from the first end of the winding to the last"),
        "out of order, or not between the ends",
        "give each tap in per cent of the turns from the first end, e.g. [\"28.5%\", \"50%\", \"71.5%\"]",
    )
}

/// Leakage inductance as great as the inductance itself.
pub(super) fn leakage_too_great() -> Words {
    words(
        Id::Contradiction,
        "leakage inductance is not below the inductance of the winding",
        "too great",
        "leakage is measured with the secondary shorted and is some thousandths of the inductance; check the decade",
    )
}

/// An inductance above what the gap alone allows.
pub(super) fn gap_too_wide(gap: f64) -> Words {
    words(
        Id::Contradiction,
        "the inductance is above what the gap allows",
        format!("this gap alone allows {}", engineering(gap, Unit::Henry)),
        "a gap lowers the inductance of the iron: the stated inductance must be below that figure",
    )
}

/// More than one mains.
pub(super) fn second_mains(first: &str) -> Words {
    words(
        Id::Contradiction,
        format!("the mains is {first} already"),
        "a second one",
        format!(
            "join what is fed from the mains to the nodes of {first}; any other alternating source is an `ac_supply`"
        ),
    )
}

/// Nominal volts outside the band stated for them.
pub(super) fn mains_band(nominal: f64) -> Words {
    words(
        Id::Contradiction,
        format!(
            "the mains of {} does not lie between `low` and `high`",
            engineering(nominal, Unit::Volt)
        ),
        "the band leaves it out",
        "low and high are the least and the greatest volts the mains may have, e.g. low = \"216V\", high = \"253V\"",
    )
}

/// A tap the primary does not have.
pub(super) fn unknown_tap(part: &str, found: &str, taps: &[String]) -> Words {
    words(
        Id::Taps,
        format!("{part} has no tap {found}"),
        "no such tap",
        format!(
            "its tap{} {}",
            if taps.len() == 1 { " is" } else { "s are" },
            list(taps)
        ),
    )
}

/// Volts of a secondary both on load and off load.
pub(super) fn volts_twice() -> Words {
    words(
        Id::Contradiction,
        "`volts` and `off_load` state the volts of one winding twice",
        "one is enough",
        "keep `volts` for those at the stated `current`, or `off_load` for those without load",
    )
}

/// Three nodes on a winding whose volts say nothing of a centre tap.
pub(super) fn centre_tap(key: &str, halves: &str) -> Words {
    words(
        Id::NodeCount,
        format!("`{key}` says nothing of the tap that `nodes` names between the ends"),
        "volts of both halves are wanted",
        format!(
            "a winding with a centre tap is written {key} = \"{halves}\"; without one it has two nodes"
        ),
    )
}

/// A core loss that alone exceeds the current off load.
pub(super) fn core_loss_too_great() -> Words {
    words(
        Id::Contradiction,
        "the core loss alone takes more than the magnetising current",
        "too small",
        "magnetising_current is what an ammeter in the primary reads off load, core loss included; check the decade, or `core_loss`",
    )
}

/// Winding resistances that take most of the volts.
pub(super) fn drop_too_great() -> Words {
    words(
        Id::Contradiction,
        "the winding resistances take more than half of the mains volts at these currents",
        "no transformer is like that",
        "check the decades of `current`, `resistance` and `primary_resistance`",
    )
}
