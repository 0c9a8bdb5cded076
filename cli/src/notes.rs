//! What was assumed because the file does not say: a line each, and in JSON.

use std::collections::BTreeMap;

use serde::Serialize;
use sim::amplifier::{Note, NoteKind};
use sim::quantity::engineering;

/// An assumption as it stands in JSON.
#[derive(Debug, Serialize)]
pub(crate) struct Assumption {
    part: String,
    key: String,
    /// SI; none where the assumption is that there is nothing.
    value: Option<f64>,
    unit: Option<&'static str>,
}

/// The assumptions for JSON.
pub(crate) fn json(notes: &[Note]) -> Vec<Assumption> {
    notes
        .iter()
        .map(|note| {
            let (key, value, unit) = match &note.kind {
                NoteKind::Assumed { key, value, unit } => (*key, Some(*value), Some(unit.symbol())),
                NoteKind::NeverSaturates => ("saturates", None, None),
                NoteKind::NoCoreLoss => ("core_loss", None, None),
                NoteKind::FilamentCentre => ("filament", None, None),
                NoteKind::FittedOnReading { .. } => ("model", None, None),
                NoteKind::GridCurrentOf { .. } => ("grid_current", None, None),
            };
            Assumption {
                part: note.part.clone(),
                key: key.to_owned(),
                value,
                unit,
            }
        })
        .collect()
}

/// The assumptions in words, a line for each part; empty when nothing was assumed.
pub(crate) fn text(notes: &[Note]) -> String {
    let mut parts: BTreeMap<usize, (String, Vec<String>)> = BTreeMap::new();
    for note in notes {
        let words = match &note.kind {
            NoteKind::Assumed { key, value, unit } => {
                format!("{} {}", key.replace('_', " "), engineering(*value, *unit))
            }
            NoteKind::NeverSaturates => "never saturates".to_owned(),
            NoteKind::NoCoreLoss => "no core loss".to_owned(),
            NoteKind::FilamentCentre => {
                "cathode is the filament's centre, without its volts".to_owned()
            }
            NoteKind::FittedOnReading { worst_percent } => format!(
                "law fitted to the points of its file, anode currents within {worst_percent:.1} %"
            ),
            NoteKind::GridCurrentOf { class } => {
                format!("grid current of any {}", class.words())
            }
        };
        let entry = parts
            .entry(note.turn)
            .or_insert_with(|| (note.part.clone(), Vec::new()));
        entry.1.push(words);
    }
    if parts.is_empty() {
        return String::new();
    }
    let mut text = "Assumed, because the file does not say:\n".to_owned();
    for (part, words) in parts.values() {
        text += &format!("  {part}: {}\n", words.join(", "));
    }
    text
}
