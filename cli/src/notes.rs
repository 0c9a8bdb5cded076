//! What every report of an amplifier says besides: a live chassis, and what was assumed because the file does not say; in
//! words and in JSON.

use std::collections::BTreeMap;

use measure::at_rest::voltages::Voltages;
use serde::Serialize;
use sim::System;
use sim::amplifier::{Amplifier, Note, NoteKind};
use sim::circuit::PartId;
use sim::parts::Switch;
use sim::quantity::{Unit, engineering};
use sim::rest;
use sim::structure::live;

/// An assumption as it stands in JSON.
#[derive(Debug, Serialize)]
pub(crate) struct Assumption {
    part: String,
    key: String,
    /// SI; none where the assumption is that there is nothing; of a law fitted on reading its worst error.
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
                NoteKind::FittedOnReading { worst_percent, .. } => {
                    ("model", Some(worst_percent / 100.0), None)
                }
                NoteKind::GridCurrentOf { .. } => ("grid_current", None, None),
                NoteKind::LeftByOpenContact { .. } => {
                    ("open contact", Some(Switch::OPEN), Some(Unit::Ohm.symbol()))
                }
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

/// What a report of the amplifier rests on: whether its chassis is live, and the assumptions.
pub(crate) fn text(amplifier: &Amplifier) -> String {
    let live = live_chassis(amplifier).map(|how| {
        format!("LIVE CHASSIS: {how}.\n  It may stand at the full mains: use an isolating transformer, and join no earth or instrument to it before.\n")
    });
    let means = mean_slopes_below(amplifier).map(|hertz| {
        format!(
            "Signals below {} met the mean slopes of the mains period: too many states to follow them through it. A supply then\n  seems stiffer to slow signals than it is.\n",
            engineering(hertz, Unit::Hertz)
        )
    });
    live.unwrap_or_default() + &means.unwrap_or_default() + &assumed(&amplifier.notes)
}

/// Below what frequency, Hz, signals are answered by mean slopes of the mains period; none where they follow it.
pub(crate) fn mean_slopes_below(amplifier: &Amplifier) -> Option<f64> {
    let system = System::of(&amplifier.circuit).ok()?;
    rest::mean_slopes_below(&system)
}

/// How the mains touches the chassis, in words; none where it does not.
pub(crate) fn live_chassis(amplifier: &Amplifier) -> Option<String> {
    let parts = live::through(amplifier)?;
    let name = |part: &PartId| amplifier.circuit.part(*part).name.as_str();
    let names: Vec<&str> = parts.iter().map(name).collect();
    let how = if names.is_empty() {
        String::new()
    } else {
        format!(" through {}", names.join(", "))
    };
    Some(format!("the mains touches the chassis{how}"))
}

/// How far a law may be off a point of its type before that is a warning, percent: no law of the library is off a slope
/// by more than 6.7 %, and three of 38 off a current by more than 10 %.
const POOR: f64 = 10.0;

/// What stands above an answer: laws that do not fit the points they are of, a line each; mostly nothing.
pub(crate) fn warnings(notes: &[Note]) -> String {
    let mut lines: Vec<String> = Vec::new();
    for note in notes {
        if let NoteKind::FittedOnReading {
            kind,
            worst_percent,
            slope_percent,
        } = &note.kind
            && let Some(line) = poor_fit(kind, *worst_percent, slope_percent.unwrap_or(0.0))
            && !lines.contains(&line)
        {
            lines.push(line);
        }
    }
    if lines.is_empty() {
        String::new()
    } else {
        lines.concat() + "\n"
    }
}

/// What stands above an answer of an amplifier with cathodes far too cold; mostly nothing.
pub(crate) fn cold_cathodes(rest: &Voltages) -> String {
    /// Share of the rated volts below which emission no longer covers what a valve asks (common practice, no source:
    /// saturation sets in between 70 and 80 %).
    const COLD: f64 = 0.8;
    let heaters = rest.heaters.iter();
    let cold: Vec<String> = heaters
        .filter(|heater| heater.volts < COLD * heater.rated)
        .map(|heater| {
            let what = if heater.filament {
                "filament"
            } else {
                "heater"
            };
            let percent = 100.0 * heater.volts / heater.rated;
            format!("{} ({what} at {percent:.0} % of its volts)", heater.part)
        })
        .collect();
    if cold.is_empty() {
        return String::new();
    }
    format!(
        "WARNING: what follows takes full emission from {}. A cathode that cold gives a part of it or nothing.\n  Look at the heater winding, its load and the tap of the mains first.\n\n",
        cold.join(", ")
    )
}

/// The warning of a law that is that far off anode currents and slopes, percent; none where it fits.
pub(crate) fn poor_fit(kind: &str, currents: f64, slopes: f64) -> Option<String> {
    if currents <= POOR && slopes <= POOR {
        return None;
    }
    let off = |percent: f64, what: &str| {
        (percent > POOR).then(|| format!("{what} by up to {percent:.0} %"))
    };
    let off = [off(currents, "anode currents"), off(slopes, "slopes")];
    let off: Vec<String> = off.into_iter().flatten().collect();
    Some(format!(
        "WARNING: the law of the {kind} is off its own points: {}. What follows is no better.\n  Look for a slip in them; `gridleak fit` on its valve file shows which contradicts the others.\n",
        off.join(", ")
    ))
}

/// The assumptions in words, a line for each part; empty when nothing was assumed.
fn assumed(notes: &[Note]) -> String {
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
            NoteKind::FittedOnReading { worst_percent, .. } => format!(
                "law fitted to the points of its file, anode currents within {worst_percent:.1} %"
            ),
            NoteKind::GridCurrentOf { class } => {
                format!("grid current of any {}", class.words())
            }
            NoteKind::LeftByOpenContact { valves } => format!(
                "open contact {}, which with the leakage of capacitors is all that says where {} stand: charge left from before is not in it",
                engineering(Switch::OPEN, Unit::Ohm),
                valves.join(", ")
            ),
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
