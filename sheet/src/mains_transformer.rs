//! Mains transformers: from what is printed on one, or measured, to windings on a core.
//!
//! The volts of a secondary are stated on load, with the current of a resistive load across the whole
//! winding and all windings loaded so, or off load. For the primary volts V, the induced volts E in the
//! primary, secondaries of n relative turns, and the core loss as R_c:
//!
//! ```text
//! on load:   n = (V_s + I_s R_s)/E,   E = V − R_p (Σ n I_s + E/R_c)
//! off load:  n = V_s/E_0,             E_0 = V R_c/(R_c + R_p)
//! ```
//!
//! Winding resistances that are not stated follow from the regulation ρ, the rise of the volts when the
//! load is taken off, half of it in each side as in a transformer of equal copper losses:
//!
//! ```text
//! R_s = (ρ/2) V_s/I_s,   E = V (1 + ρ/2)/(1 + ρ),   R_p = (V − E)/I_p
//! ```
//!
//! Leakage, seen at the primary with all secondaries shorted, is half in the primary; the rest is shared
//! so that each secondary has the same reactance on its own rating. Taps of the primary are no nodes:
//! the mains is joined to the tap chosen, which changes the turns in use.
//!
//! Over 400 lines because what is printed on one thing becomes one part; each key has its default beside it.

use models::core::Core;
use toml::de::DeValue;

use super::draft::{Draft, NodeRef};
use super::error::{Bounds, FileErrorKind};
use super::fields::{Fields, read_either, type_words};
use super::magnetics::core_loss;
use super::mains::in_the_file;
use super::place::Place;
use super::place::Text;
use super::terminals::{Made, nodes};
use super::transformer::wind;
use super::windings::WholeWinding;
use sim::quantity::{Quantity, Unit};

/// Figures of a mains transformer of which nothing is said.
/// Source    common practice, no source; each is noted as assumed
mod typical {
    /// Hz.
    pub(super) const FREQUENCY: f64 = 50.0;
    /// Regulation of a transformer of [`SIZE`], and the power with which it falls as size rises.
    pub(super) const REGULATION: f64 = 0.1;
    /// VA.
    pub(super) const SIZE: f64 = 50.0;
    /// 20 % at 10 VA, 10 % at 50 VA, 5 % at 250 VA.
    pub(super) const REGULATION_EXPONENT: f64 = -0.43;
    /// Copper loss of a secondary of which only the resistance is known, as a share of its volts.
    pub(super) const SECONDARY_DROP: f64 = 0.04;
    /// Primary current off load, as a share of that at full load.
    pub(super) const MAGNETISING: f64 = 0.2;
    /// Core loss as a share of the rated load.
    pub(super) const CORE_LOSS: f64 = 0.04;
    /// Leakage reactance as a share of the rated impedance.
    pub(super) const LEAKAGE: f64 = 0.01;
    /// Mains volts at which the iron saturates, over those of the tap.
    pub(super) const SATURATION: f64 = 1.25;
}

/// A secondary as stated.
struct Secondary {
    name: String,
    nodes: Vec<NodeRef>,
    /// Turns to the centre tap as a share of the winding, if it has one.
    centre: Option<f64>,
    /// Across the whole winding, V rms.
    volts: f64,
    on_load: bool,
    /// A rms.
    current: f64,
    rated: bool,
    resistance: Option<f64>,
    capacitance: f64,
    capacitance_loss: f64,
}

pub(super) fn mains_transformer(fields: &mut Fields<'_>, draft: &mut Draft) -> Option<Made> {
    let tap = fields.need_value(draft, "mains_transformer", Unit::Volt, Bounds::Positive);
    // Figures are stated for the tap the file uses, whichever is chosen from outside.
    let volts = in_the_file(fields, "mains_transformer").unwrap_or(tap);
    let known = known_tap(fields, draft, volts, tap);
    let primary = nodes(fields, draft, "primary", 2, Some(2));
    let secondaries = secondaries(fields, draft);
    let frequency = match draft.mains_frequency {
        Some(mains) => fields
            .value(draft, "frequency", Unit::Hertz, Bounds::Positive)
            .unwrap_or(mains),
        None => fields.value_or_assume(
            draft,
            "frequency",
            Unit::Hertz,
            Bounds::Positive,
            typical::FREQUENCY,
        ),
    };
    let size: f64 = secondaries
        .iter()
        .flatten()
        .map(|s| s.volts * s.current)
        .sum();
    // Without secondaries any size will do: the part is not made, its other keys are judged.
    let size = if size > 0.0 { size } else { typical::SIZE };
    let loss_ohms = core_loss(
        fields,
        draft,
        Some(volts * volts / (typical::CORE_LOSS * size)),
    );
    let core = core(fields, draft, volts, frequency, size, loss_ohms);
    let leakage = fields.value_or_assume(
        draft,
        "leakage_inductance",
        Unit::Henry,
        Bounds::NotNegative,
        typical::LEAKAGE * volts * volts / size / (std::f64::consts::TAU * frequency),
    );
    let primary_ohms = fields.value(draft, "primary_resistance", Unit::Ohm, Bounds::NotNegative);
    let regulation = regulation(fields, draft, secondaries.as_deref(), primary_ohms, size);
    let (secondaries, primary) = (secondaries?, primary?);
    if !known {
        return None;
    }
    let Some(wound) = Wound::new(volts, loss_ohms, primary_ohms, regulation, &secondaries) else {
        draft.fault(
            &Place::File(fields.name_span.clone()),
            FileErrorKind::DropTooGreat,
        );
        return None;
    };
    let turns = tap / volts;
    let mut wholes = vec![WholeWinding {
        resistance: wound.primary_ohms * turns,
        leakage: 0.5 * leakage * turns * turns,
        ..WholeWinding::plain("primary", primary, turns)
    }];
    for ((secondary, turns), ohms) in secondaries.into_iter().zip(wound.turns).zip(wound.ohms) {
        let rating = secondary.volts * secondary.current;
        let mut whole = WholeWinding {
            resistance: ohms,
            leakage: 0.5 * leakage * turns * turns * size / rating,
            capacitance: secondary.capacitance,
            capacitance_loss: secondary.capacitance_loss,
            rated_current: secondary.rated.then_some(secondary.current),
            ..WholeWinding::plain(&secondary.name, secondary.nodes, turns)
        };
        if let Some(centre) = secondary.centre {
            whole.places = vec![0.0, centre, 1.0];
        }
        wholes.push(whole);
    }
    Some(wind(core, loss_ohms, &wholes))
}

/// Whether the tap chosen is one of `taps`, or the one of the file where none are listed.
fn known_tap(fields: &mut Fields<'_>, draft: &mut Draft, volts: f64, tap: f64) -> bool {
    /// Volts within which two figures name one tap.
    const SAME: f64 = 0.05;
    let listed = fields.list(draft, "taps");
    let taps: Vec<(String, f64)> = match &listed {
        None => vec![(sim::quantity::engineering(volts, Unit::Volt), volts)],
        Some(texts) => texts
            .iter()
            .filter_map(|text| {
                let read = read_either(draft, "taps", text, &[Unit::Volt], Bounds::Positive);
                read.map(|(value, _)| (text.text.trim().to_owned(), value))
            })
            .collect(),
    };
    for wanted in [volts, tap] {
        if taps.iter().any(|(_, known)| (known - wanted).abs() < SAME) {
            continue;
        }
        let place = if (wanted - volts).abs() < SAME {
            Place::File(fields.span_of("mains_transformer"))
        } else {
            fields
                .text(draft, "mains_transformer")
                .map_or(Place::File(fields.name_span.clone()), |text| text.place)
        };
        let kind = FileErrorKind::UnknownTap {
            part: fields.owner.clone(),
            found: sim::quantity::engineering(wanted, Unit::Volt),
            taps: taps.into_iter().map(|(name, _)| name).collect(),
        };
        draft.fault(&place, kind);
        return false;
    }
    let all = taps.into_iter().map(|(_, volts)| volts).collect();
    draft.taps.push((fields.owner.clone(), tap, all));
    true
}

/// Magnetising curve: current off load at the mains volts, and the volts at which the iron saturates.
fn core(
    fields: &mut Fields<'_>,
    draft: &mut Draft,
    volts: f64,
    frequency: f64,
    size: f64,
    loss_ohms: f64,
) -> Core {
    let key = "magnetising_current";
    let typical = typical::MAGNETISING * size / volts;
    let off_load = fields.value_or_assume(draft, key, Unit::Ampere, Bounds::Positive, typical);
    let saturates = fields.value_or_assume(
        draft,
        "saturates",
        Unit::Volt,
        Bounds::Positive,
        typical::SATURATION * volts,
    );
    // An ammeter reads both: the core loss in phase with the volts, the magnetising current across them.
    let squared = off_load * off_load - (volts / loss_ohms).powi(2);
    if squared <= 0.0 {
        draft.fault(
            &Place::File(fields.span_of(key)),
            FileErrorKind::CoreLossTooGreat,
        );
    }
    let magnetising = squared.max(f64::MIN_POSITIVE).sqrt();
    let flux_of =
        |volts: f64| std::f64::consts::SQRT_2 * volts / (std::f64::consts::TAU * frequency);
    let (peak, lambda_s) = (flux_of(volts), flux_of(saturates));
    Core::saturating(
        rms_of_a_sine(&Core::saturating(1.0, lambda_s), peak) / magnetising,
        lambda_s,
    )
}

/// Rms current, A, of a core with a sine of `peak` flux, Wb.
fn rms_of_a_sine(core: &Core, peak: f64) -> f64 {
    /// Points of a quarter turn; the midpoint rule is exact to rounding for a periodic integrand.
    const POINTS: u32 = 128;
    let squares = (0..POINTS).map(|k| {
        let angle = (f64::from(k) + 0.5) / f64::from(POINTS) * std::f64::consts::FRAC_PI_2;
        core.anhysteretic(peak * angle.sin()).value.powi(2)
    });
    (squares.sum::<f64>() / f64::from(POINTS)).sqrt()
}

/// The regulation, asked for only where a resistance is missing.
fn regulation(
    fields: &mut Fields<'_>,
    draft: &mut Draft,
    secondaries: Option<&[Secondary]>,
    primary_ohms: Option<f64>,
    size: f64,
) -> f64 {
    let key = "regulation";
    let needed = primary_ohms.is_none()
        || secondaries
            .iter()
            .copied()
            .flatten()
            .any(|s| s.resistance.is_none());
    let typical = typical::REGULATION * (size / typical::SIZE).powf(typical::REGULATION_EXPONENT);
    if needed {
        fields.value_or_assume(draft, key, Unit::Percent, Bounds::Share, typical)
    } else {
        fields
            .value(draft, key, Unit::Percent, Bounds::Share)
            .unwrap_or(typical)
    }
}

/// Turns and resistances that bring the stated volts out.
struct Wound {
    primary_ohms: f64,
    /// Of each secondary, relative to the primary of the file's tap.
    turns: Vec<f64>,
    /// Of each secondary, Ω.
    ohms: Vec<f64>,
}

impl Wound {
    /// None when the resistances leave less than half of the volts.
    fn new(
        volts: f64,
        loss_ohms: f64,
        primary_ohms: Option<f64>,
        regulation: f64,
        secondaries: &[Secondary],
    ) -> Option<Self> {
        /// Each iteration leaves the share that is lost in the primary, at most a half.
        const ITERATIONS: usize = 60;
        let half = 0.5 * regulation;
        let ohms: Vec<f64> = secondaries
            .iter()
            .map(|s| s.resistance.unwrap_or(half * s.volts / s.current))
            .collect();
        let mut primary = primary_ohms.unwrap_or(0.0);
        let mut induced = volts;
        let mut turns = Vec::new();
        for _ in 0..ITERATIONS {
            let off_load = volts * loss_ohms / (loss_ohms + primary);
            turns = secondaries
                .iter()
                .zip(&ohms)
                .map(|(s, ohms)| {
                    if s.on_load {
                        (s.volts + s.current * ohms) / induced
                    } else {
                        s.volts / off_load
                    }
                })
                .collect();
            let load: f64 = secondaries
                .iter()
                .zip(&turns)
                .map(|(s, n)| s.current * n)
                .sum();
            let amps = load + induced / loss_ohms;
            if primary_ohms.is_some() {
                induced = volts - primary * amps;
            } else {
                induced = volts * (1.0 + half) / (1.0 + regulation);
                primary = (volts - induced) / amps;
            }
            if induced < 0.5 * volts {
                return None;
            }
        }
        Some(Self {
            primary_ohms: primary,
            turns,
            ohms,
        })
    }
}

/// All secondaries, none when any cannot be read.
fn secondaries(fields: &mut Fields<'_>, draft: &mut Draft) -> Option<Vec<Secondary>> {
    let key = "secondaries";
    let wanted = "a list of windings such as { volts = \"6.3V\", current = \"3A\", nodes = [\"h1\", \"h2\"] }";
    let Some(value) = fields.raw(key) else {
        fields.miss(key);
        return None;
    };
    let wrong = |draft: &mut Draft, span, found| {
        let kind = FileErrorKind::WrongType {
            key: key.to_owned(),
            wanted,
            found,
        };
        draft.fault(&Place::File(span), kind);
    };
    let DeValue::Array(items) = value.get_ref() else {
        wrong(draft, value.span(), type_words(value.get_ref()));
        return None;
    };
    if items.is_empty() {
        wrong(draft, value.span(), "an empty list");
        return None;
    }
    let mut all = Vec::new();
    for (k, item) in items.iter().enumerate() {
        let DeValue::Table(table) = item.get_ref() else {
            wrong(draft, item.span(), type_words(item.get_ref()));
            all.push(None);
            continue;
        };
        let mut keys = Fields::new(&fields.owner, "secondary", item.span(), table);
        let one = secondary(&mut keys, draft, k);
        keys.finish(draft);
        all.push(one);
    }
    let mut all: Vec<Secondary> = all.into_iter().collect::<Option<_>>()?;
    tell_apart(draft, &mut all);
    Some(all)
}

/// Secondaries of one name are named by where they end too, and by their place in the list where that is one as well:
/// two of 6.3 V are two windings.
fn tell_apart(draft: &Draft, all: &mut [Secondary]) {
    let alike = |all: &[Secondary], k: usize| {
        all.iter().filter(|other| other.name == all[k].name).count() > 1
    };
    let places: Vec<usize> = (0..all.len()).filter(|&k| alike(all, k)).collect();
    for &k in &places {
        if let [first, .., last] = all[k].nodes.as_slice() {
            let [first, last] = [first, last].map(|node| draft.circuit.node_name(node.id));
            all[k].name = format!("{} at {first}-{last}", all[k].name);
        }
    }
    let places: Vec<usize> = places.into_iter().filter(|&k| alike(all, k)).collect();
    for k in places {
        all[k].name = format!("{}, winding {}", all[k].name, k + 1);
    }
}

fn secondary(keys: &mut Fields<'_>, draft: &mut Draft, k: usize) -> Option<Secondary> {
    let on_load = !keys.has("off_load");
    let key = if on_load { "volts" } else { "off_load" };
    let text = keys.need_text(draft, key);
    if !on_load && keys.has("volts") {
        keys.raw("volts");
        let place = Place::File(keys.span_of("volts"));
        draft.fault(&place, FileErrorKind::VoltsTwice);
    }
    let halves = text.as_ref().and_then(|text| halves(draft, key, text));
    let name = keys.text(draft, "name").map(|name| name.text);
    let wanted = match &halves {
        Some((_, None)) => (2, Some(2)),
        Some((_, Some(_))) => (3, Some(3)),
        None => (2, Some(3)),
    };
    // Of three nodes the middle one is a centre tap, which the volts must say.
    let undivided = match (&halves, keys.raw("nodes").map(toml::Spanned::get_ref)) {
        (Some((volts, None)), Some(DeValue::Array(list))) if list.len() == 3 => Some(0.5 * volts),
        _ => None,
    };
    let wanted = match undivided {
        Some(half) => {
            let kind = FileErrorKind::CentreTap {
                key: key.to_owned(),
                halves: format!("{half}-0-{half}V"),
            };
            draft.fault(&Place::File(keys.span_of(key)), kind);
            (3, Some(3))
        }
        None => wanted,
    };
    let nodes = nodes(keys, draft, "nodes", wanted.0, wanted.1);
    let resistance = keys.value(draft, "resistance", Unit::Ohm, Bounds::Positive);
    let current = keys.value(draft, "current", Unit::Ampere, Bounds::Positive);
    let capacitance = keys.value(draft, "capacitance", Unit::Farad, Bounds::NotNegative);
    let loss = keys.value(draft, "capacitance_loss", Unit::Ohm, Bounds::NotNegative);
    if current.is_none()
        && !keys.has("current")
        && (on_load || resistance.is_none())
        && text.is_some()
    {
        let kind = FileErrorKind::Needs {
            key: key.to_owned(),
            needs: "current",
        };
        draft.fault(&Place::File(keys.span_of(key)), kind);
    }
    let (first, second) = halves.filter(|_| undivided.is_none())?;
    let volts = first + second.unwrap_or(0.0);
    let rated = current.is_some();
    let current = match (current, resistance) {
        (Some(current), _) => current,
        (None, Some(ohms)) if !on_load => {
            let amps = typical::SECONDARY_DROP * volts / ohms;
            draft.assume(&keys.owner, &keys.name_span, "current", amps, Unit::Ampere);
            amps
        }
        _ => return None,
    };
    Some(Secondary {
        name: name
            .or(text.map(|text| text.text.trim().to_owned()))
            .unwrap_or_else(|| format!("secondary {}", k + 1)),
        nodes: nodes?,
        centre: second.map(|_| first / volts),
        volts,
        on_load,
        current,
        rated,
        resistance,
        capacitance: capacitance.unwrap_or(0.0),
        capacitance_loss: loss.unwrap_or(0.0),
    })
}

/// `"6.3V"`, or `"320-0-320V"` with a centre tap: volts of the first part and of the second.
fn halves(draft: &mut Draft, key: &'static str, text: &Text) -> Option<(f64, Option<f64>)> {
    let parts: Vec<&str> = text.text.split('-').map(str::trim).collect();
    let [first, centre, second] = parts.as_slice() else {
        if parts.len() == 1 {
            let read = read_either(draft, key, text, &[Unit::Volt], Bounds::Positive);
            return read.map(|(volts, _)| (volts, None));
        }
        return form(draft, key, text);
    };
    // The unit stands behind the last figure, and may stand behind the others.
    let unit = second.trim_start_matches(|c: char| c.is_ascii_digit() || c == '.');
    let volts = |figure: &str| {
        let bare = figure.ends_with(|c: char| c.is_ascii_digit());
        let whole = if bare {
            format!("{figure}{unit}")
        } else {
            figure.to_owned()
        };
        Quantity::parse(&whole, Unit::Volt)
            .ok()
            .filter(|volts| *volts > 0.0)
    };
    let zero = centre.trim_end_matches(|c: char| c.is_alphabetic()).trim() == "0";
    match (volts(first), volts(second)) {
        (Some(first), Some(second)) if zero => Some((first, Some(second))),
        _ => form(draft, key, text),
    }
}

fn form<T>(draft: &mut Draft, key: &str, text: &Text) -> Option<T> {
    let kind = FileErrorKind::Form {
        key: key.to_owned(),
        example: "320-0-320V",
    };
    draft.fault(&text.place, kind);
    None
}
