//! The kinds of parts: one function each for the simple ones; valves and iron have their own files.

use std::ops::Range;

use models::diode::Diode;
use toml::de::{DeTable, DeValue};

use super::draft::Draft;
use super::error::{Bounds, FileErrorKind};
use super::fields::{Fields, read_either};
use super::place::Place;
use super::place::Text;
use super::terminals::{Made, between, differ, node, nodes, poles};
use super::{controls, ends, magnetics, mains, mains_transformer, signal, transformer, valve};
use models::nearest::nearest;
use sim::circuit::Ratings;
use sim::parts::{Capacitor, Diodes, Part, Resistor};
use sim::quantity::{Quantity, Unit};

/// Makes a part of the keys of its line; none when they are not enough.
type Make = fn(&mut Fields<'_>, &mut Draft) -> Option<Made>;

/// A kind of part: the key that says so, the key `--set` changes, and how it is made.
struct Kind {
    name: &'static str,
    synonym: Option<&'static str>,
    what: &'static str,
    settable: Option<&'static str>,
    make: Make,
}

const fn kind(
    name: &'static str,
    what: &'static str,
    settable: Option<&'static str>,
    make: Make,
) -> Kind {
    Kind {
        name,
        synonym: None,
        what,
        settable,
        make,
    }
}

/// All kinds of parts.
const KINDS: &[Kind] = &[
    kind("resistor", "resistor", Some("resistor"), resistor),
    Kind {
        synonym: Some("condenser"),
        ..kind("capacitor", "capacitor", Some("capacitor"), capacitor)
    },
    kind(
        "electrolytic",
        "electrolytic",
        Some("electrolytic"),
        electrolytic,
    ),
    kind(
        "inductor",
        "inductor",
        Some("inductor"),
        magnetics::inductor,
    ),
    kind("choke", "choke", Some("choke"), magnetics::choke),
    kind("field", "field", Some("field"), magnetics::field),
    kind(
        "transformer",
        "transformer",
        Some("transformer"),
        transformer::transformer,
    ),
    kind(
        "autotransformer",
        "auto-transformer",
        Some("autotransformer"),
        transformer::autotransformer,
    ),
    Kind {
        synonym: Some("tube"),
        ..kind("valve", "valve", Some("valve"), valve::valve)
    },
    kind("diode", "diode", None, diode),
    kind("bridge", "bridge", None, bridge),
    Kind {
        synonym: Some("potentiometer"),
        ..kind("pot", "pot", Some("setting"), controls::pot)
    },
    kind("switch", "switch", Some("switch"), controls::switch),
    kind("mains", "mains", Some("mains"), mains::mains),
    kind(
        "mains_transformer",
        "mains transformer",
        Some("mains_transformer"),
        mains_transformer::mains_transformer,
    ),
    kind("supply", "supply", Some("supply"), ends::supply),
    kind("ac_supply", "AC supply", Some("ac_supply"), ends::ac_supply),
    kind("signal", "signal", Some("signal"), signal::signal),
    kind(
        "loudspeaker",
        "loudspeaker",
        Some("loudspeaker"),
        ends::loudspeaker,
    ),
];

/// The keys that say what a part is, one for each kind of part.
pub fn kind_names() -> impl Iterator<Item = &'static str> {
    KINDS.iter().map(|kind| kind.name)
}

fn kind_of(key: &str) -> Option<&'static Kind> {
    KINDS
        .iter()
        .find(|kind| kind.name == key || kind.synonym == Some(key))
}

/// Reads one line of the parts list and places the part.
pub(super) fn read<'a>(
    name: &str,
    name_span: Range<usize>,
    whole: Range<usize>,
    keys: &'a DeTable<'a>,
    set: Option<&'a str>,
    draft: &mut Draft,
) {
    let mut fields = Fields::new(name, "part", name_span.clone(), keys);
    let Some((first, first_span)) = fields.keys().next() else {
        draft.unplaced = true;
        draft.fault(
            &Place::File(name_span),
            FileErrorKind::EmptyPart {
                part: name.to_owned(),
            },
        );
        return;
    };
    let Some(kind) = kind_of(first) else {
        draft.unplaced = true;
        let fault = match fields.keys().find_map(|(key, _)| kind_of(key)) {
            Some(later) => FileErrorKind::KindNotFirst {
                part: name.to_owned(),
                kind: later.name,
            },
            None => FileErrorKind::UnknownKind {
                part: name.to_owned(),
                key: first.to_owned(),
                nearest: nearest(first, kind_names())
                    .and_then(kind_of)
                    .map(|kind| kind.name),
            },
        };
        draft.fault(&Place::File(first_span), fault);
        return;
    };
    fields.what = kind.what;
    if let Some(value) = set {
        if let Some(key) = kind.settable {
            fields.set(key, value);
        } else {
            let place = Place::Set {
                part: name.to_owned(),
                value: value.to_owned(),
            };
            let fault = FileErrorKind::NotSettable {
                part: name.to_owned(),
                what: kind.what,
            };
            draft.fault(&place, fault);
        }
    }
    let made = (kind.make)(&mut fields, draft);
    let ratings = ratings(&mut fields, draft);
    match made {
        Some((part, nodes)) => fields.place(draft, whole, part, &nodes, ratings),
        None => draft.unplaced = true,
    }
    fields.finish(draft);
}

/// `rating` (one value or a list of them: watts, volts, amperes) and `tolerance`.
fn ratings(fields: &mut Fields<'_>, draft: &mut Draft) -> Ratings {
    let mut ratings = Ratings::default();
    let texts = match fields.raw("rating").map(toml::Spanned::get_ref) {
        None => Vec::new(),
        Some(DeValue::Array(_)) => fields.list(draft, "rating").unwrap_or_default(),
        Some(_) => fields.text(draft, "rating").into_iter().collect(),
    };
    for text in texts {
        match read_either(
            draft,
            "rating",
            &text,
            &[Unit::Watt, Unit::Volt, Unit::Ampere],
            Bounds::Positive,
        ) {
            Some((watts, Unit::Watt)) => ratings.watts = Some(watts),
            Some((volts, Unit::Volt)) => ratings.volts = Some(volts),
            Some((amps, _)) => ratings.amps = Some(amps),
            None => {}
        }
    }
    ratings.tolerance = fields.value(draft, "tolerance", Unit::Percent, Bounds::Share);
    ratings
}

fn resistor(fields: &mut Fields<'_>, draft: &mut Draft) -> Option<Made> {
    let r = fields.need_value(draft, "resistor", Unit::Ohm, Bounds::Positive);
    let nodes = between(fields, draft)?;
    Some((Part::Resistor(Resistor { r }), nodes))
}

fn capacitor(fields: &mut Fields<'_>, draft: &mut Draft) -> Option<Made> {
    let c = fields.need_value(draft, "capacitor", Unit::Farad, Bounds::Positive);
    let nodes = between(fields, draft);
    let esr = fields
        .value(draft, "esr", Unit::Ohm, Bounds::NotNegative)
        .unwrap_or(0.0);
    let leakage = leakage(fields, draft).unwrap_or(0.0);
    Some((
        Part::Capacitor(Capacitor {
            c,
            esr,
            leakage,
            polar: false,
        }),
        nodes?,
    ))
}

/// Loss factor of a sound electrolytic at 100 Hz.
/// Source    common practice (0.1 to 0.2), from memory
const LOSS_FACTOR: f64 = 0.15;
/// Hz, where the loss factor is stated.
const LOSS_FREQUENCY: f64 = 100.0;

fn electrolytic(fields: &mut Fields<'_>, draft: &mut Draft) -> Option<Made> {
    let c = fields.need_value(draft, "electrolytic", Unit::Farad, Bounds::Positive);
    let nodes = poles(fields, draft);
    let typical = LOSS_FACTOR / (std::f64::consts::TAU * LOSS_FREQUENCY * c);
    let esr = fields.value_or_assume(draft, "esr", Unit::Ohm, Bounds::NotNegative, typical);
    let leakage = leakage(fields, draft).unwrap_or_else(|| {
        // IEC 60384-4 (from memory): 0.01·C·V + 3 µA at rated volts.
        let Some(volts) = rated_volts(fields, draft) else {
            return 0.0;
        };
        let amps = 0.01 * c * volts + 3e-6;
        draft.assume(
            &fields.owner,
            &fields.name_span,
            "leakage",
            amps,
            Unit::Ampere,
        );
        amps / volts
    });
    Some((
        Part::Capacitor(Capacitor {
            c,
            esr,
            leakage,
            polar: true,
        }),
        nodes?,
    ))
}

fn rated_volts(fields: &mut Fields<'_>, draft: &mut Draft) -> Option<f64> {
    let texts = match fields.raw("rating").map(toml::Spanned::get_ref) {
        Some(DeValue::Array(_)) => fields.list(draft, "rating").unwrap_or_default(),
        Some(DeValue::String(_)) => fields.text(draft, "rating").into_iter().collect(),
        _ => Vec::new(),
    };
    texts
        .iter()
        .find_map(|text: &Text| Quantity::parse(&text.text, Unit::Volt).ok())
        .filter(|volts| *volts > 0.0)
}

/// Leakage as a conductance: stated as current at the rated volts, or as a resistance.
fn leakage(fields: &mut Fields<'_>, draft: &mut Draft) -> Option<f64> {
    let (value, unit) = fields.either(
        draft,
        "leakage",
        &[Unit::Ampere, Unit::Ohm],
        Bounds::Positive,
    )?;
    if unit == Unit::Ohm {
        return Some(1.0 / value);
    }
    let volts = rated_volts(fields, draft);
    if volts.is_none() {
        let kind = FileErrorKind::Needs {
            key: "leakage".to_owned(),
            needs: "rating",
        };
        draft.fault(&Place::File(fields.span_of("leakage")), kind);
    }
    Some(volts.map_or(0.0, |volts| value / volts))
}

/// The law of a `diode` or `bridge`.
fn material(fields: &mut Fields<'_>, draft: &mut Draft, key: &'static str) -> Diode {
    let material = fields.need_text(draft, key);
    if let Some(text) = &material
        && text.text.trim() != "silicon"
    {
        draft.fault(
            &text.place,
            FileErrorKind::Form {
                key: key.to_owned(),
                example: "silicon",
            },
        );
    }
    Diode::silicon()
}

fn bridge(fields: &mut Fields<'_>, draft: &mut Draft) -> Option<Made> {
    let law = material(fields, draft, "bridge");
    let alternating = between(fields, draft);
    let poles = poles(fields, draft);
    let nodes = [alternating?, poles?].concat();
    Some((Part::Diodes(Diodes::bridge(law)), nodes))
}

fn diode(fields: &mut Fields<'_>, draft: &mut Draft) -> Option<Made> {
    let law = material(fields, draft, "diode");
    if fields.has("anodes") {
        let anodes = nodes(fields, draft, "anodes", 2, Some(2));
        let cathode = node(fields, draft, "cathode");
        let anodes = differ(fields, draft, anodes?)?;
        let nodes = [anodes, vec![cathode?]].concat();
        return Some((Part::Diodes(Diodes::bi_phase(law)), nodes));
    }
    let anode = node(fields, draft, "anode");
    let cathode = node(fields, draft, "cathode");
    let pair = differ(fields, draft, vec![anode?, cathode?])?;
    Some((Part::Device(law.into()), pair))
}
