//! What is to be said of a fault, and how words are put together for it.

use super::Id;

/// What is to be said of a fault: id, message, words at the place, remedy.
pub(super) struct Words {
    pub(super) id: Id,
    pub(super) message: String,
    pub(super) label: String,
    pub(super) help: Option<String>,
}

/// The words of a fault.
pub(super) fn words(
    id: Id,
    message: impl Into<String>,
    label: impl Into<String>,
    help: impl Into<String>,
) -> Words {
    Words {
        id,
        message: message.into(),
        label: label.into(),
        help: Some(help.into()),
    }
}

/// "did you mean …?" or the second-best advice.
pub(super) fn did_you_mean(nearest: Option<&str>, otherwise: impl Into<String>) -> String {
    nearest.map_or_else(
        || otherwise.into(),
        |nearest| format!("did you mean `{nearest}`?"),
    )
}

/// `a`, `b` and `c`.
pub(super) fn list(items: &[impl AsRef<str>]) -> String {
    let quoted: Vec<String> = items
        .iter()
        .map(|item| format!("`{}`", item.as_ref()))
        .collect();
    match quoted.split_last() {
        None => "none".to_owned(),
        Some((only, [])) => only.clone(),
        Some((last, rest)) => format!("{} and {last}", rest.join(", ")),
    }
}

/// "a resistor", "an electrolytic".
pub(super) fn a(what: &str) -> String {
    let vowel = what.starts_with(['a', 'e', 'i', 'o', 'u', 'A']);
    format!("{} {what}", if vowel { "an" } else { "a" })
}

/// "a resistor" for a part, "the bench" for a table.
pub(super) fn of_what(what: &str) -> String {
    match what {
        "bench" | "amplifier" => format!("[{what}]"),
        "file" => "an amplifier file".to_owned(),
        what => a(what),
    }
}

/// With a capital at the start.
pub(super) fn capital(word: &str) -> String {
    let mut letters = word.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}
