//! Inductors, chokes, and what they share with transformers: saturation, gap, core loss.

use models::core::{Core, Hysteresis, flux_of_power};

use super::draft::Draft;
use super::error::{Bounds, FileErrorKind};
use super::fields::{Fields, read_either};
use super::place::Place;
use super::place::Text;
use super::terminals::{Made, between};
use sim::amplifier::NoteKind;
use sim::parts::{Inductor, Part, Stray};
use sim::quantity::{Quantity, Unit};

/// H/m, permeability of the gap.
const MU_0: f64 = 4e-7 * std::f64::consts::PI;
/// Ω per H: winding resistance of a smoothing choke of which nothing is said.
/// Source    engineering figure (a 10 H choke measures about 200 Ω), from memory
const CHOKE_OHMS_PER_HENRY: f64 = 20.0;
/// H per Ω: inductance of a loudspeaker field of which only the ohms are known.
/// Source    common practice, no source (a 1 kΩ field is about 10 H)
const FIELD_HENRIES_PER_OHM: f64 = 0.01;

/// A straight inductor: air, or iron far from saturation.
pub(super) fn inductor(fields: &mut Fields<'_>, draft: &mut Draft) -> Option<Made> {
    let henries = fields.need_value(draft, "inductor", Unit::Henry, Bounds::Positive);
    let nodes = between(fields, draft);
    let resistance = fields
        .value(draft, "resistance", Unit::Ohm, Bounds::NotNegative)
        .unwrap_or(0.0);
    let capacitance = fields
        .value(draft, "capacitance", Unit::Farad, Bounds::NotNegative)
        .unwrap_or(0.0);
    let capacitance_loss = capacitance_loss(fields, draft);
    let inductor = Inductor {
        core: Core::linear(henries),
        linear: Some(henries),
        resistance,
        capacitance,
        capacitance_loss,
        loss: f64::INFINITY,
        stray: stray(fields, draft),
    };
    Some((Part::Inductor(inductor), nodes?))
}

/// Resistance in series with a winding's own capacitance, Ω.
pub(super) fn capacitance_loss(fields: &mut Fields<'_>, draft: &mut Draft) -> f64 {
    fields
        .value(draft, "capacitance_loss", Unit::Ohm, Bounds::NotNegative)
        .unwrap_or(0.0)
}

/// `stray`: volts rms at the mains frequency that stray fields induce in the whole winding. It is a guess
/// of whoever wrote the file, so it is listed among the assumptions.
pub(super) fn stray(fields: &mut Fields<'_>, draft: &mut Draft) -> Option<Stray> {
    let key = "stray";
    let volts_rms = fields.value(draft, key, Unit::Volt, Bounds::NotNegative)?;
    let Some(frequency) = draft.mains_frequency else {
        let kind = FileErrorKind::Needs {
            key: key.to_owned(),
            needs: "mains",
        };
        draft.fault(&Place::File(fields.span_of(key)), kind);
        return None;
    };
    draft.assume(&fields.owner, &fields.name_span, key, volts_rms, Unit::Volt);
    (volts_rms > 0.0).then_some(Stray {
        amplitude: std::f64::consts::SQRT_2 * volts_rms,
        frequency,
    })
}

/// An iron-cored choke.
pub(super) fn choke(fields: &mut Fields<'_>, draft: &mut Draft) -> Option<Made> {
    let henries = fields.need_value(draft, "choke", Unit::Henry, Bounds::Positive);
    let typical = CHOKE_OHMS_PER_HENRY * henries;
    let resistance =
        fields.value_or_assume(draft, "resistance", Unit::Ohm, Bounds::NotNegative, typical);
    iron_cored(fields, draft, henries, resistance)
}

/// The field winding of an energised loudspeaker, which smooths the supply: known by its ohms.
pub(super) fn field(fields: &mut Fields<'_>, draft: &mut Draft) -> Option<Made> {
    let resistance = fields.need_value(draft, "field", Unit::Ohm, Bounds::Positive);
    let typical = FIELD_HENRIES_PER_OHM * resistance;
    let henries =
        fields.value_or_assume(draft, "inductance", Unit::Henry, Bounds::Positive, typical);
    iron_cored(fields, draft, henries, resistance)
}

fn iron_cored(
    fields: &mut Fields<'_>,
    draft: &mut Draft,
    henries: f64,
    resistance: f64,
) -> Option<Made> {
    let nodes = between(fields, draft);
    let capacitance = fields
        .value(draft, "capacitance", Unit::Farad, Bounds::NotNegative)
        .unwrap_or(0.0);
    let capacitance_loss = capacitance_loss(fields, draft);
    let iron = iron(fields, draft, henries, None);
    let loss = core_loss(fields, draft, None);
    let inductor = Inductor {
        core: iron.core,
        linear: iron.linear,
        resistance,
        capacitance,
        capacitance_loss,
        loss,
        stray: stray(fields, draft),
    };
    Some((Part::Inductor(inductor), nodes?))
}

/// A core and whether its curve is a straight line.
pub(super) struct Iron {
    pub(super) core: Core,
    pub(super) linear: Option<f64>,
}

/// The core of a winding of `henries`, gap included; `impedance` is the rated one, if there is one.
pub(super) fn iron(
    fields: &mut Fields<'_>,
    draft: &mut Draft,
    henries: f64,
    impedance: Option<f64>,
) -> Iron {
    let bend = saturation(fields, draft, impedance);
    let gap = gap_inductance(fields, draft);
    let coercive = fields.value(draft, "hysteresis", Unit::Ampere, Bounds::Positive);
    let direct = direct_current(fields, draft, bend.as_ref());
    let Some(bend) = bend else {
        if coercive.is_some() {
            let kind = FileErrorKind::Needs {
                key: "hysteresis".to_owned(),
                needs: "saturates",
            };
            draft.fault(&Place::File(fields.span_of("hysteresis")), kind);
        }
        if !fields.has("saturates") {
            draft.note(&fields.owner, &fields.name_span, NoteKind::NeverSaturates);
        }
        // Gap and iron in parallel reluctance are a straight line too.
        return Iron {
            core: Core::linear(henries),
            linear: Some(henries),
        };
    };
    // What the bridge measures has the gap in it; the iron alone is what remains.
    let sound_gap = gap.filter(|gap| *gap > henries);
    if let (Some(gap), None) = (gap, sound_gap) {
        let key = if fields.has("gap") {
            "gap"
        } else {
            "gap_inductance"
        };
        draft.fault(
            &Place::File(fields.span_of(key)),
            FileErrorKind::GapTooWide { gap },
        );
    }
    let iron_henries = sound_gap.map_or(henries, |gap| 1.0 / (1.0 / henries - 1.0 / gap));
    let with_gap = |lambda_s: f64| {
        let core = Core::saturating(iron_henries, lambda_s);
        sound_gap.map_or(core.clone(), |gap| core.with_gap(gap))
    };
    let lambda_s = match bend {
        Bend::Power { watts, hertz, ohms } => {
            // Both fluxes lie below the bend with the same reserve.
            let reserve = Core::from_rating(henries, watts, hertz, ohms).lambda_s
                / flux_of_power(watts, hertz, ohms);
            reserve * (flux_of_power(watts, hertz, ohms) + henries * direct)
        }
        Bend::Flux(webers) => webers,
        Bend::Current(amps) => {
            // The current at half inductance is proportional to the flux of saturation.
            let unit = with_gap(1.0);
            amps / unit.anhysteretic(unit.saturation_flux()).value
        }
    };
    let mut core = with_gap(lambda_s);
    if let Some(amps) = coercive {
        core = core.with_hysteresis(Hysteresis::from_coercive_current(amps, lambda_s));
    }
    Iron { core, linear: None }
}

/// Where the iron saturates, as stated.
enum Bend {
    /// Rated power at the lowest frequency, into the rated impedance.
    Power { watts: f64, hertz: f64, ohms: f64 },
    /// Flux linkage of saturation, Wb.
    Flux(f64),
    /// Direct current at which the inductance has fallen to half, A.
    Current(f64),
}

/// `saturates`: `"15W at 30Hz"`, `"1.2Wb"` or `"120mA"`, all for the whole winding.
fn saturation(fields: &mut Fields<'_>, draft: &mut Draft, impedance: Option<f64>) -> Option<Bend> {
    let text = fields.text(draft, "saturates")?;
    let key = "saturates";
    let Some((watts, hertz)) = text.text.split_once(" at ") else {
        if Quantity::parse(&text.text, Unit::Watt).is_ok() {
            let kind = FileErrorKind::Form {
                key: key.to_owned(),
                example: "15W at 30Hz",
            };
            draft.fault(&text.place, kind);
            return None;
        }
        let (value, unit) = read_either(
            draft,
            key,
            &text,
            &[Unit::Weber, Unit::Ampere],
            Bounds::Positive,
        )?;
        return Some(if unit == Unit::Weber {
            Bend::Flux(value)
        } else {
            Bend::Current(value)
        });
    };
    let part = |side: &str| Text {
        text: side.to_owned(),
        place: text.place.clone(),
    };
    let (watts, _) = read_either(draft, key, &part(watts), &[Unit::Watt], Bounds::Positive)?;
    let (hertz, _) = read_either(draft, key, &part(hertz), &[Unit::Hertz], Bounds::Positive)?;
    let Some(ohms) = impedance else {
        let kind = FileErrorKind::Needs {
            key: key.to_owned(),
            needs: "primary_impedance",
        };
        draft.fault(&text.place, kind);
        return None;
    };
    Some(Bend::Power { watts, hertz, ohms })
}

/// `direct_current`, A: what the winding is made to carry besides the power of `saturates`, as a
/// single-ended output transformer is.
fn direct_current(fields: &mut Fields<'_>, draft: &mut Draft, bend: Option<&Bend>) -> f64 {
    let key = "direct_current";
    let Some(amps) = fields.value(draft, key, Unit::Ampere, Bounds::NotNegative) else {
        return 0.0;
    };
    if !matches!(bend, Some(Bend::Power { .. })) && !fields.has("saturates") {
        let kind = FileErrorKind::Needs {
            key: key.to_owned(),
            needs: "saturates",
        };
        draft.fault(&Place::File(fields.span_of(key)), kind);
    }
    amps
}

/// Inductance the winding would have if the iron were perfect, H: stated, or μ₀N²A/l.
fn gap_inductance(fields: &mut Fields<'_>, draft: &mut Draft) -> Option<f64> {
    let stated = fields.value(draft, "gap_inductance", Unit::Henry, Bounds::Positive);
    let width = fields.value(draft, "gap", Unit::Metre, Bounds::Positive);
    let turns = fields.value(draft, "turns", Unit::Number, Bounds::Positive);
    let area = fields.value(draft, "core_area", Unit::SquareMetre, Bounds::Positive);
    if stated.is_some() {
        return stated;
    }
    let width = width?;
    let needs = match (turns, area) {
        (Some(turns), Some(area)) => return Some(MU_0 * turns * turns * area / width),
        (None, _) => "turns",
        (_, None) => "core_area",
    };
    draft.fault(
        &Place::File(fields.span_of("gap")),
        FileErrorKind::Needs {
            key: "gap".to_owned(),
            needs,
        },
    );
    None
}

/// Core loss as a resistance across the whole winding, Ω: `"60k"` or `"2W at 300V"`.
/// `typical` is taken, and noted, where nothing is said.
pub(super) fn core_loss(fields: &mut Fields<'_>, draft: &mut Draft, typical: Option<f64>) -> f64 {
    let key = "core_loss";
    if !fields.has(key) {
        fields.raw(key);
        let Some(ohms) = typical else {
            draft.note(&fields.owner, &fields.name_span, NoteKind::NoCoreLoss);
            return f64::INFINITY;
        };
        draft.assume(&fields.owner, &fields.name_span, key, ohms, Unit::Ohm);
        return ohms;
    }
    let Some(text) = fields.text(draft, key) else {
        return f64::INFINITY;
    };
    let part = |side: &str| Text {
        text: side.to_owned(),
        place: text.place.clone(),
    };
    let read = match text.text.split_once(" at ") {
        Some((watts, volts_rms)) => {
            read_either(draft, key, &part(watts), &[Unit::Watt], Bounds::Positive)
                .zip(read_either(
                    draft,
                    key,
                    &part(volts_rms),
                    &[Unit::Volt],
                    Bounds::Positive,
                ))
                .map(|((watts, _), (volts_rms, _))| volts_rms * volts_rms / watts)
        }
        None => {
            read_either(draft, key, &text, &[Unit::Ohm], Bounds::Positive).map(|(ohms, _)| ohms)
        }
    };
    read.unwrap_or(f64::INFINITY)
}
