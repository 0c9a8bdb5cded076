//! Faults of a valve file in words.

use models::valve_file::{DataError, DataErrorKind as K};

use super::words::{Words, words};
use super::{Diagnostic, Id};

pub(super) fn diagnostic(error: &DataError) -> Diagnostic {
    let words = kind(&error.kind);
    Diagnostic {
        id: words.id,
        message: words.message,
        labels: vec![(error.span.clone(), words.label)],
        help: words.help,
    }
}

pub(super) fn kind(kind: &K) -> Words {
    let message = format!("valve file: {kind}");
    if let K::UnknownKey { nearest, known, .. } = kind {
        let help = match nearest {
            Some(nearest) => format!("did you mean `{nearest}`?"),
            None => format!("known here: {known}"),
        };
        return words(Id::ValveFile, message, "unknown key", help);
    }
    let (label, help) = match kind {
        K::Form(_) | K::UnknownKey { .. } => (
            "not as a valve file has it",
            "see \"Adding a valve\" in the README, or take a file of models/valves as a pattern",
        ),
        K::NotPositive(_) => (
            "not above zero",
            "volts of the grid alone are negative; leave out what the sheet does not say",
        ),
        K::NoSource(_) => (
            "says nothing",
            "name the sheet and its edition; basis is \"page\", \"memory\", \"computed\" or \"assumption\"",
        ),
        K::Empty(_) => ("says nothing", "fill it in or leave the key out"),
        K::MissingKey(_) => ("", "say what the type is called, e.g. type = \"6SN7GT\""),
        K::OtherName(_) => (
            "another name",
            "leave `type` out, or give it the table's name",
        ),
        K::UnknownLaw(..) => (
            "unknown law",
            "leave [model] out: the law is then fitted to the points",
        ),
        K::MissingParameter(_) => (
            "not whole",
            "leave [model] out: the law is then fitted to the points",
        ),
        K::MissingTable(_) => (
            "of this kind",
            "add it from the data sheet, with its source",
        ),
        K::IncompletePoint => (
            "incomplete",
            "a pentode that is not strapped needs its screen volts too",
        ),
    };
    words(Id::ValveFile, message, label, help)
}
