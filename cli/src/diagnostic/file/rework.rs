//! Changes that do not fit what they change.

use crate::diagnostic::Id;
use crate::diagnostic::words::{Words, a, did_you_mean, words};

/// A rework removes or replaces a part that its base does not have.
pub(super) fn not_in_base(name: &str, nearest: Option<&str>) -> Words {
    words(
        Id::UnknownPart,
        format!("the base has no part `{name}`"),
        "nothing to remove or replace",
        did_you_mean(nearest, "name a designator of the base's parts list"),
    )
}

/// A rework adds a part that its base has.
pub(super) fn in_base(name: &str) -> Words {
    words(
        Id::ListedTwice,
        format!("the base has a part `{name}` already"),
        "added a second time",
        "give it another designator, or put it under [replace]",
    )
}

/// A rework removes and replaces one part.
pub(super) fn removed_too(name: &str) -> Words {
    words(
        Id::ListedTwice,
        format!("`{name}` is both removed and replaced"),
        "removed above",
        "keep it in one of the two",
    )
}

/// A value alone for a part that has several.
pub(super) fn no_single_value(part: &str, key: &str) -> Words {
    words(
        Id::NoSingleValue,
        format!("{part} has no single value that this could stand for"),
        "a value alone",
        format!("write the whole line: {part} = {{ {key} = … }}"),
    )
}

/// One end is left of a node that a rework cut.
pub(super) fn left_over(node: &str, gone: &[String]) -> Words {
    words(
        Id::LeftOver,
        format!(
            "node `{node}` is left with one end: {} {} joined to it in the base",
            gone.join(", "),
            if gone.len() == 1 { "was" } else { "were" }
        ),
        "nothing else is joined here",
        "remove this part too, or join its end to something with [replace] or [add]",
    )
}

/// A part that has no value to set.
pub(super) fn not_settable(part: &str, what: &str) -> Words {
    words(
        Id::Setting,
        format!("{part} is {} and has no value to set", a(what)),
        "",
        "change its line in the file",
    )
}
