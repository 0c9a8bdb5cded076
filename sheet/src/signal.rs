//! A signal that belongs to the circuit: sine, square or two tones, behind a resistance.

use toml::de::DeValue;

use super::bench::GENERATOR_OHMS;
use super::draft::Draft;
use super::error::{Bounds, FileErrorKind};
use super::fields::{Fields, read_either};
use super::place::Place;
use super::place::Text;
use super::terminals::{Made, poles};
use sim::parts::{Part, Source, Waveform};
use sim::quantity::{Unit, ratio};

/// Ratio of the two tones of which nothing is said.
/// Source    IEC 60268-3, modulation distortion (from memory)
const TONE_RATIO: f64 = 4.0;

/// The shapes there are.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Wave {
    Sine,
    Square,
    TwoTone,
}

pub(super) fn signal(fields: &mut Fields<'_>, draft: &mut Draft) -> Option<Made> {
    // The peak of the whole: the tones of two share it.
    let peak = fields.need_value(draft, "signal", Unit::Volt, Bounds::NotNegative);
    let wave = wave(fields, draft);
    let waveform = match wave {
        Some(Wave::TwoTone) => two_tone(fields, draft, peak),
        // The other keys of a wave nobody knows are left unjudged.
        None => {
            fields.raw("frequency");
            fields.raw("ratio");
            None
        }
        Some(wave) => one_tone(fields, draft, peak, wave),
    };
    let nodes = poles(fields, draft);
    let resistance = fields.value_or_assume(
        draft,
        "resistance",
        Unit::Ohm,
        Bounds::NotNegative,
        GENERATOR_OHMS,
    );
    Some((
        Part::Source(Source {
            waveform: waveform?,
            resistance,
        }),
        nodes?,
    ))
}

/// The shape; a sine when nothing is said, none when it is unknown.
fn wave(fields: &mut Fields<'_>, draft: &mut Draft) -> Option<Wave> {
    let there = fields.has("wave");
    let Some(text) = fields.text(draft, "wave") else {
        return (!there).then_some(Wave::Sine);
    };
    match text.text.trim() {
        "sine" => Some(Wave::Sine),
        "square" => Some(Wave::Square),
        "two tone" => Some(Wave::TwoTone),
        other => {
            let kind = FileErrorKind::UnknownWave {
                found: other.to_owned(),
            };
            draft.fault(&text.place, kind);
            None
        }
    }
}

fn one_tone(fields: &mut Fields<'_>, draft: &mut Draft, peak: f64, wave: Wave) -> Option<Waveform> {
    if fields.has("ratio") {
        fields.raw("ratio");
        let place = Place::File(fields.span_of("ratio"));
        let kind = FileErrorKind::Needs {
            key: "ratio".to_owned(),
            needs: "wave = \"two tone\"",
        };
        draft.fault(&place, kind);
    }
    if let Some(DeValue::Array(list)) = fields.raw("frequency").map(toml::Spanned::get_ref) {
        tones(fields, draft, 1, list.len());
        return None;
    }
    let frequency = fields.need_value(draft, "frequency", Unit::Hertz, Bounds::Positive);
    Some(if wave == Wave::Square {
        Waveform::Square {
            amplitude: peak,
            frequency,
        }
    } else {
        Waveform::Sine {
            amplitude: peak,
            frequency,
            phase: 0.0,
            offset: 0.0,
        }
    })
}

fn two_tone(fields: &mut Fields<'_>, draft: &mut Draft, peak: f64) -> Option<Waveform> {
    let share = match fields.text(draft, "ratio") {
        None => {
            if !fields.has("ratio") {
                draft.assume(
                    &fields.owner,
                    &fields.name_span,
                    "ratio",
                    TONE_RATIO,
                    Unit::Number,
                );
            }
            TONE_RATIO
        }
        Some(text) => ratio(&text.text).unwrap_or_else(|| {
            let kind = FileErrorKind::Form {
                key: "ratio".to_owned(),
                example: "4:1",
            };
            draft.fault(&text.place, kind);
            TONE_RATIO
        }),
    };
    let texts: Vec<Text> = match fields.raw("frequency").map(toml::Spanned::get_ref) {
        None => {
            fields.miss("frequency");
            return None;
        }
        Some(DeValue::Array(_)) => fields.list(draft, "frequency")?,
        Some(_) => {
            tones(fields, draft, 2, 1);
            return None;
        }
    };
    let [first, second] = texts.as_slice() else {
        tones(fields, draft, 2, texts.len());
        return None;
    };
    let mut hertz = |text: &Text| {
        read_either(draft, "frequency", text, &[Unit::Hertz], Bounds::Positive)
            .map(|(hertz, _)| hertz)
    };
    let (first, second) = (hertz(first), hertz(second));
    Some(Waveform::two_tone(peak, share, (first?, second?)))
}

/// Too few or too many frequencies.
fn tones(fields: &Fields<'_>, draft: &mut Draft, wanted: usize, found: usize) {
    let place = Place::File(fields.span_of("frequency"));
    draft.fault(&place, FileErrorKind::ToneCount { wanted, found });
}
