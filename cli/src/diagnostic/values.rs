//! Values that cannot be read, in words, and how keys are written.

use sim::quantity::{QuantityError, Unit};

use super::Id;
use super::file::{Words, words};

/// What is to be said of a value that cannot be read.
pub(super) fn quantity(key: &str, error: &QuantityError) -> Words {
    match error {
        QuantityError::Empty => words(
            Id::BadValue,
            format!("`{key}` is empty"),
            "no value",
            "write a value and its unit",
        ),
        QuantityError::MissingUnit { text, wanted } => words(
            Id::MissingUnit,
            format!("`{key}` has no unit"),
            match wanted {
                Unit::Farad => format!("`{text}` of what: µF, nF or pF?"),
                Unit::Henry => format!("`{text}` of what: H or mH?"),
                Unit::Ampere => format!("`{text}` of what: A or mA?"),
                _ => format!("`{text}` {}?", wanted.plural()),
            },
            format!("add the unit, e.g. {}", wanted.examples()),
        ),
        QuantityError::WrongUnit { wanted, found, .. } => words(
            Id::WrongUnit,
            format!("`{key}` must be in {}", wanted.plural()),
            format!("this is in {}", found.plural()),
            format!("write e.g. {}", wanted.examples()),
        ),
        QuantityError::UnknownUnit { suffix, wanted } => words(
            Id::BadValue,
            format!("`{key}` cannot be read"),
            format!("`{suffix}` is no unit of {}", measured(*wanted)),
            format!("write e.g. {}", wanted.examples()),
        ),
        QuantityError::Ambiguous {
            suffix,
            first,
            second,
        } => words(
            Id::AmbiguousUnit,
            format!("`{suffix}` can be read in two ways"),
            format!("{first}, or {second}?"),
            if suffix.eq_ignore_ascii_case("m") && first.contains("ohm") {
                "write M or meg for megohms, mΩ for thousandths of an ohm"
            } else {
                "write u, uF or µF for microfarads"
            },
        ),
        QuantityError::TooLarge { .. } => words(
            Id::BadValue,
            format!("`{key}` is out of all bounds"),
            "no such value",
            "check the decade",
        ),
        QuantityError::NotANumber { .. } => words(
            Id::BadValue,
            format!("`{key}` cannot be read"),
            "this is no value",
            "write digits and a unit: 47k, 4k7, 0.05u, 25 µF, 450V, 60mA",
        ),
    }
}

/// What is measured in a unit.
fn measured(unit: Unit) -> &'static str {
    match unit {
        Unit::Ohm => "resistance",
        Unit::Farad => "capacitance",
        Unit::Henry => "inductance",
        Unit::Volt => "voltage",
        Unit::Ampere => "current",
        Unit::Watt => "power",
        Unit::Hertz => "frequency",
        Unit::Second => "time",
        Unit::Weber => "flux",
        Unit::Metre => "length",
        Unit::SquareMetre => "area",
        Unit::Percent => "a share; write per cent",
        Unit::Number => "a plain number",
    }
}

/// How a key is written.
pub(super) fn example_of(key: &str) -> String {
    let example = match key {
        "between" => "between = [\"a1\", \"ht\"]",
        "positive" | "negative" => "positive = \"ht\", negative = \"chassis\"",
        "ends" => "ends = [\"in\", \"chassis\"], wiper = \"w\"",
        "wiper" => "wiper = \"w\"",
        "setting" => "setting = \"70%\"",
        "base" => "base = \"../amplifier.toml\", the file that is reworked",
        "title" => "title = \"Radio output stage\"",
        "source" => "source = \"own design\", or book and page",
        "load" => "load = \"R40\", the part that takes the power",
        "generator" | "into" | "return" => "generator = { into = \"in\", resistance = \"600R\" }",
        "primary" => "primary = [\"a5\", \"ht\", \"a6\"]",
        "secondary" => "secondary = [\"out\", \"chassis\"]",
        "primary_resistance" => "primary_resistance = \"250R\", as the ohmmeter reads it",
        "secondary_resistance" => "secondary_resistance = \"0.4R\", as the ohmmeter reads it",
        "resistance" => "resistance = \"250R\", as the ohmmeter reads it",
        "primary_inductance" => "primary_inductance = \"60H\"",
        "positions" => "positions = { bright = \"a\", dull = \"b\", off = [] }",
        "common" => "common = \"a\"",
        "winding" => "winding = [\"a\", \"centre\", \"b\"]",
        "secondaries" => {
            "secondaries = [ { volts = \"6.3V\", current = \"3A\", nodes = [\"h1\", \"h2\"] } ]"
        }
        "volts" => "volts = \"320-0-320V\", current = \"120mA\"",
        "nodes" => "nodes = [\"a\", \"b\"]",
        "frequency" => "frequency = \"50Hz\"",
        "turns" => "turns = \"3000\"",
        "parts" | "amplifier" | "bench" => return format!("begin a line with [{key}]"),
        "rating" => "rating = \"450V\"",
        "filament" => "filament = [\"f1\", \"f2\"]",
        "heater" => "heater = [\"h1\", \"h2\"]",
        "anode" | "grid" | "screen" | "cathode" => {
            return format!("write it like {key} = \"{}1\"", &key[..1]);
        }
        _ => return "put the value and its unit in quotes, e.g. \"47k\"".to_owned(),
    };
    format!("write it like {example}")
}
