//! JSON: SI units, ratios not per cent, the keys of the answer types.

use serde::Serialize;
use sim::file::Amplifier;

use crate::notes::{self, Assumption};

/// An answer with what it rests on.
#[derive(Debug, Serialize)]
struct Document<'a, A> {
    command: &'static str,
    title: &'a str,
    source: &'a str,
    /// Figures the file does not give.
    assumed: Vec<Assumption>,
    answer: &'a A,
}

/// The answer of a command about an amplifier.
pub(crate) fn document(
    command: &'static str,
    amplifier: &Amplifier,
    answer: &impl Serialize,
) -> String {
    let document = Document {
        command,
        title: &amplifier.title,
        source: &amplifier.source,
        assumed: notes::json(&amplifier.notes),
        answer,
    };
    let mut text = serde_json::to_string_pretty(&document).expect("answers are plain structures");
    text.push('\n');
    text
}
