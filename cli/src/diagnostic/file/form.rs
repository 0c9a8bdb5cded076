//! Tables, keys and values that are not as they must be.

use sheet::{Bounds, kind_names};

use crate::diagnostic::Id;
use crate::diagnostic::values::example_of;
use crate::diagnostic::words::{Words, capital, did_you_mean, list, of_what, words};

/// The text is no TOML; the message is the parser's.
pub(super) fn syntax(message: &str) -> Words {
    words(
        Id::Syntax,
        "the file cannot be read from here on",
        message,
        "look for a quote, bracket, comma or equals sign that is missing or too many",
    )
}

/// One name on two lines.
pub(super) fn listed_twice(name: &str) -> Words {
    words(
        Id::ListedTwice,
        format!("`{name}` is listed twice"),
        "the second time",
        "every part has its own designator, every key its own line; rename or delete this one",
    )
}

/// A whole table is absent.
pub(super) fn missing_table(table: &str) -> Words {
    words(
        Id::MissingTable,
        format!("the file has no [{table}]"),
        "",
        match table {
            "amplifier" => {
                "start the file with [amplifier], title = \"…\" and source = \"own design\" (or book and page)"
            }
            "parts" => {
                "add [parts] and one line a part, e.g. R1 = { resistor = \"47k\", between = [\"a1\", \"ht\"] }"
            }
            _ => {
                "add [bench] with generator = { into = \"in\", resistance = \"600R\" } and load = \"R40\", the part that takes the power"
            }
        },
    )
}

/// A key that must be there is not.
pub(super) fn missing_key(owner: &str, what: &str, key: &str) -> Words {
    let message = if owner == what {
        format!("{} has no `{key}`", of_what(what))
    } else {
        format!("{} {owner} has no `{key}`", capital(what))
    };
    words(
        Id::MissingKey,
        message,
        format!("`{key}` is missing here"),
        example_of(key),
    )
}

/// A key that nothing reads.
pub(super) fn unknown_key(key: &str, what: &str, nearest: Option<&str>, known: &[&str]) -> Words {
    words(
        Id::UnknownKey,
        format!("`{key}` is no key of {}", of_what(what)),
        "nothing reads this",
        did_you_mean(
            nearest,
            format!("keys of {}: {}", of_what(what), list(known)),
        ),
    )
}

/// The first key of a part is no kind of part.
pub(super) fn unknown_kind(part: &str, key: &str, nearest: Option<&str>) -> Words {
    words(
        Id::UnknownKind,
        format!("{part}: `{key}` is no kind of part"),
        "the first key says what the part is",
        did_you_mean(
            nearest,
            format!(
                "kinds of parts: {}",
                kind_names().collect::<Vec<_>>().join(", ")
            ),
        ),
    )
}

/// The kind of a part is there but not in front.
pub(super) fn kind_not_first(part: &str, kind: &str) -> Words {
    words(
        Id::UnknownKind,
        format!("{part}: the first key must say what the part is"),
        format!("`{kind}` belongs here"),
        format!("move `{kind} = …` to the front of the line"),
    )
}

/// A part without keys.
pub(super) fn empty_part(part: &str) -> Words {
    words(
        Id::MissingKey,
        format!("{part} does not say what it is"),
        "nothing in the braces",
        format!("write e.g. {part} = {{ resistor = \"47k\", between = [\"a1\", \"ht\"] }}"),
    )
}

/// Text where a list must be, and the like.
pub(super) fn wrong_type(key: &str, wanted: &str, found: &str) -> Words {
    words(
        Id::WrongForm,
        format!("`{key}` must be {wanted}"),
        format!("this is {found}"),
        if wanted.starts_with("a list of keys") {
            "a value alone does not say what it is and where it is".to_owned()
        } else {
            example_of(key)
        },
    )
}

/// A text of several values that does not have their form.
pub(super) fn form(key: &str, example: &str) -> Words {
    words(
        Id::WrongForm,
        format!("`{key}` cannot be read"),
        match key {
            "transformer" => "ohms, volts or turns?",
            "saturates" => "watts saturate a core below some frequency only",
            _ => "not in the form it must have",
        },
        match key {
            "transformer" => {
                "write \"6k6 : 8R\" (impedances), \"230V : 6.3V\" or \"2500 : 100 turns\""
                    .to_owned()
            }
            "saturates" => {
                "write \"15W at 30Hz\", a flux linkage \"1.2Wb\" or a current \"60mA\"".to_owned()
            }
            "diode" | "bridge" => {
                "write \"silicon\"; a rectifier valve is `valve = \"GZ34\"`".to_owned()
            }
            _ => format!("write it like \"{example}\""),
        },
    )
}

/// A value that can be read but cannot be.
pub(super) fn out_of_bounds(key: &str, wanted: Bounds) -> Words {
    words(
        Id::OutOfBounds,
        format!("`{key}` must be {}", wanted.words()),
        "not a value it can have",
        match key {
            "resistor" => "a joint without resistance is one node, not a resistor of zero",
            "supply" | "ac_supply" | "mains" => {
                "for a negative rail swap `positive` and `negative`"
            }
            "setting" => "0% is the end named last in `ends`, 100% the end named first",
            _ => "check the sign and the decade against the drawing",
        },
    )
}

/// A figure that means nothing without another one.
pub(super) fn needs(key: &str, needs: &str) -> Words {
    words(
        Id::NeedsAnother,
        format!("`{key}` means nothing without `{needs}`"),
        format!("`{needs}` is missing"),
        match (key, needs) {
            ("saturates", "primary_impedance") => {
                "watts are a flux only when the load they go into is known; add `primary_impedance`, or state the flux (\"1.2Wb\") or current (\"60mA\")"
            }
            ("stray", "mains") => {
                "stray fields are those of the mains: draw it, `M1 = { mains = \"230V\", frequency = \"50Hz\", between = [\"l\", \"n\"] }`"
            }
            ("volts", "current") => {
                "volts on load are those at some current: add `current = \"120mA\"`, or state the volts off load as `off_load`"
            }
            ("off_load", "current") => {
                "add the current it is made for, or its `resistance` as the ohmmeter reads it: its drop on load follows from either"
            }
            ("leakage", _) => {
                "leakage current is measured at the working voltage: add `rating = \"450V\"`"
            }
            _ => "add it to the line",
        },
    )
}
