//! JSON: SI units, ratios not per cent, the keys of the answer types.

use serde::Serialize;
use sim::amplifier::Amplifier;

use crate::notes::{self, Assumption};

/// An answer with what it rests on.
#[derive(Debug, Serialize)]
struct Document<'a, A> {
    command: &'static str,
    title: &'a str,
    source: &'a str,
    /// How the mains touches the chassis; none where it does not.
    live_chassis: Option<String>,
    /// Hz; none where the slopes are followed, or do not move.
    mean_slopes_below: Option<f64>,
    /// Figures the file does not give.
    assumed: Vec<Assumption>,
    answer: &'a A,
}

/// An answer that rests on nothing in particular.
#[derive(Debug, Serialize)]
struct Bare<'a, A> {
    command: &'static str,
    answer: &'a A,
}

/// The answer of a command about an amplifier.
pub(crate) fn document(
    command: &'static str,
    amplifier: &Amplifier,
    answer: &impl Serialize,
) -> String {
    print(&Document {
        command,
        title: &amplifier.title,
        source: &amplifier.source,
        live_chassis: notes::live_chassis(amplifier),
        mean_slopes_below: notes::mean_slopes_below(amplifier),
        assumed: notes::json(&amplifier.notes),
        answer,
    })
}

/// The answer of a command about something else, from the source named.
pub(crate) fn plain(
    command: &'static str,
    title: &str,
    source: &str,
    answer: &impl Serialize,
) -> String {
    print(&Document {
        command,
        title,
        source,
        live_chassis: None,
        mean_slopes_below: None,
        assumed: Vec::new(),
        answer,
    })
}

/// The answer of a command that is about no one thing.
pub(crate) fn bare(command: &'static str, answer: &impl Serialize) -> String {
    print(&Bare { command, answer })
}

fn print(document: &impl Serialize) -> String {
    let mut text = serde_json::to_string_pretty(document).expect("answers are plain structures");
    text.push('\n');
    text
}
