//! The mains: volts rms, their frequency and the band within which they may lie.

use toml::de::{DeTable, DeValue};

use super::draft::{Draft, StatedMains};
use super::error::{Bounds, FileErrorKind};
use super::fields::Fields;
use super::place::Place;
use super::terminals::{Made, between};
use sim::parts::{Part, Source, Waveform};
use sim::quantity::{Quantity, Unit};

/// Share of the nominal volts by which the mains may lie off when the file does not say.
/// Source    EN 50160: 230 V ± 10 % (from memory)
const BAND: f64 = 0.1;

pub(super) fn mains(fields: &mut Fields<'_>, draft: &mut Draft) -> Option<Made> {
    // None at all with --set: the chassis then is unplugged.
    let volts_rms = fields.need_value(draft, "mains", Unit::Volt, Bounds::NotNegative);
    let frequency = fields.need_value(draft, "frequency", Unit::Hertz, Bounds::Positive);
    let nodes = between(fields, draft);
    let nominal = in_the_file(fields, "mains").unwrap_or(volts_rms);
    let mut limit = |key, share: f64| {
        fields.value_or_assume(draft, key, Unit::Volt, Bounds::Positive, share * nominal)
    };
    let (low, high) = (limit("low", 1.0 - BAND), limit("high", 1.0 + BAND));
    let resistance = fields
        .value(draft, "resistance", Unit::Ohm, Bounds::NotNegative)
        .unwrap_or(0.0);
    // A rounded figure may equal its limit.
    if !(low <= nominal && nominal <= high) {
        let key = if low > nominal { "low" } else { "high" };
        draft.fault(
            &Place::File(fields.span_of(key)),
            FileErrorKind::MainsBand { nominal },
        );
    }
    if let Some(first) = &draft.mains {
        let kind = FileErrorKind::SecondMains {
            first: first.owner.clone(),
        };
        draft.fault(&Place::File(fields.name_span.clone()), kind);
    } else {
        draft.mains = Some(StatedMains {
            owner: fields.owner.clone(),
            nominal,
            low,
            high,
            frequency,
        });
    }
    let waveform = Waveform::Alternating {
        amplitude: volts_rms * std::f64::consts::SQRT_2,
        frequency,
        phase: 0.0,
    };
    Some((
        Part::Source(Source {
            waveform,
            resistance,
        }),
        nodes?,
    ))
}

/// Off the mains there are no stray fields of it either.
pub(super) fn unplug(draft: &mut Draft) {
    let own = draft
        .mains
        .as_ref()
        .and_then(|stated| stated.placed(&draft.circuit));
    let Some(mains) = own else { return };
    let source = draft.circuit.part(mains.part).part.source();
    let still = source.is_some_and(|source| {
        matches!(source.waveform, Waveform::Alternating { amplitude, .. } if amplitude.abs() <= 0.0)
    });
    if !still {
        return;
    }
    let parts: Vec<sim::PartId> = draft.circuit.parts().map(|(part, _)| part).collect();
    for part in parts {
        let part = &mut draft.circuit.part_mut(part).part;
        part.screen_from_stray_fields();
    }
}

/// Volts as they stand in the file, where `--set` may have put others.
pub(super) fn in_the_file(fields: &mut Fields<'_>, key: &'static str) -> Option<f64> {
    match fields.raw(key)?.get_ref() {
        DeValue::String(text) => Quantity::parse(text, Unit::Volt)
            .ok()
            .filter(|volts| *volts > 0.0),
        _ => None,
    }
}

/// The frequency of the mains line among the lines of the file, Hz: a transformer above it needs it too.
pub(super) fn frequency_of<'a>(lines: impl Iterator<Item = &'a DeTable<'a>>) -> Option<f64> {
    lines
        .filter(|keys| keys.contains_key("mains"))
        .find_map(|keys| match keys.get("frequency")?.get_ref() {
            DeValue::String(text) => Quantity::parse(text, Unit::Hertz).ok(),
            _ => None,
        })
        .filter(|frequency| *frequency > 0.0)
}
