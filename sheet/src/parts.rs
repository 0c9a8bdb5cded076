//! The kinds of parts: one function each for the simple ones; valves and iron have their own files.
//!
//! Over 400 lines because it is one list: a function a kind of part.

use std::ops::Range;

use models::diode::Diode;
use toml::de::{DeTable, DeValue};

use super::error::{Bounds, FileErrorKind};
use super::fields::{Fields, Text, read_either};
use super::log::{Log, NodeRef, Place};
use super::{controls, ends, magnetics, mains, mains_transformer, signal, transformer, valve};
use sim::circuit::Ratings;
use sim::nearest::nearest;
use sim::parts::{Capacitor, Diodes, Part, Resistor};
use sim::quantity::{Quantity, Unit};

/// A part ready to be placed.
pub(super) type Made = (Part, Vec<NodeRef>);

/// Makes a part of the keys of its line; none when they are not enough.
type Make = fn(&mut Fields<'_>, &mut Log) -> Option<Made>;

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

/// Keys that say what a part is.
pub(crate) fn kind_names() -> impl Iterator<Item = &'static str> {
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
    log: &mut Log,
) {
    let mut fields = Fields::new(name, "part", name_span.clone(), keys);
    let Some((first, first_span)) = fields.keys().next() else {
        log.unplaced = true;
        log.fault(
            &Place::File(name_span),
            FileErrorKind::EmptyPart {
                part: name.to_owned(),
            },
        );
        return;
    };
    let Some(kind) = kind_of(first) else {
        log.unplaced = true;
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
        log.fault(&Place::File(first_span), fault);
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
            log.fault(&place, fault);
        }
    }
    let made = (kind.make)(&mut fields, log);
    let ratings = ratings(&mut fields, log);
    match made {
        Some((part, nodes)) => log.place(&fields, whole, part, &nodes, ratings),
        None => log.unplaced = true,
    }
    fields.finish(log);
}

/// `rating` (one value or a list of them: watts, volts, amperes) and `tolerance`.
fn ratings(fields: &mut Fields<'_>, log: &mut Log) -> Ratings {
    let mut ratings = Ratings::default();
    let texts = match fields.raw("rating").map(toml::Spanned::get_ref) {
        None => Vec::new(),
        Some(DeValue::Array(_)) => fields.list(log, "rating").unwrap_or_default(),
        Some(_) => fields.text(log, "rating").into_iter().collect(),
    };
    for text in texts {
        match read_either(
            log,
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
    ratings.tolerance = fields.value(log, "tolerance", Unit::Percent, Bounds::Share);
    ratings
}

/// A list of nodes of a stated length.
pub(super) fn nodes(
    fields: &mut Fields<'_>,
    log: &mut Log,
    key: &'static str,
    least: usize,
    most: Option<usize>,
) -> Option<Vec<NodeRef>> {
    if !fields.has(key) {
        fields.raw(key);
        fields.miss(key);
        return None;
    }
    let texts = fields.list(log, key)?;
    let found = texts.len();
    let list: Option<Vec<NodeRef>> = texts.iter().map(|text| log.node(key, text)).collect();
    if found < least || most.is_some_and(|most| found > most) {
        let kind = FileErrorKind::NodeCount {
            key: key.to_owned(),
            least,
            most,
            found,
        };
        log.fault(&Place::File(fields.span_of(key)), kind);
        return None;
    }
    list
}

/// The two nodes of `between`, which must differ.
pub(super) fn between(fields: &mut Fields<'_>, log: &mut Log) -> Option<Vec<NodeRef>> {
    let pair = nodes(fields, log, "between", 2, Some(2))?;
    differ(fields, log, pair)
}

/// Both ends of a part, which must differ.
pub(super) fn differ(
    fields: &Fields<'_>,
    log: &mut Log,
    pair: Vec<NodeRef>,
) -> Option<Vec<NodeRef>> {
    if pair[0].id == pair[1].id {
        let node = log.circuit.node_name(pair[0].id).to_owned();
        let kind = FileErrorKind::SameNode {
            part: fields.owner.clone(),
            node,
        };
        log.fault(
            &Place::File(pair[0].span.start..pair[1].span.end.max(pair[0].span.end)),
            kind,
        );
        return None;
    }
    Some(pair)
}

/// One node named by a key.
pub(super) fn node(fields: &mut Fields<'_>, log: &mut Log, key: &'static str) -> Option<NodeRef> {
    let text = fields.need_text(log, key)?;
    log.node(key, &text)
}

pub(super) fn poles(fields: &mut Fields<'_>, log: &mut Log) -> Option<Vec<NodeRef>> {
    let positive = node(fields, log, "positive");
    let negative = node(fields, log, "negative");
    let pair = vec![positive?, negative?];
    differ(fields, log, pair)
}

fn resistor(fields: &mut Fields<'_>, log: &mut Log) -> Option<Made> {
    let r = fields.need_value(log, "resistor", Unit::Ohm, Bounds::Positive);
    let nodes = between(fields, log)?;
    Some((Part::Resistor(Resistor { r }), nodes))
}

fn capacitor(fields: &mut Fields<'_>, log: &mut Log) -> Option<Made> {
    let c = fields.need_value(log, "capacitor", Unit::Farad, Bounds::Positive);
    let nodes = between(fields, log);
    let esr = fields
        .value(log, "esr", Unit::Ohm, Bounds::NotNegative)
        .unwrap_or(0.0);
    let leakage = leakage(fields, log).unwrap_or(0.0);
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

fn electrolytic(fields: &mut Fields<'_>, log: &mut Log) -> Option<Made> {
    let c = fields.need_value(log, "electrolytic", Unit::Farad, Bounds::Positive);
    let nodes = poles(fields, log);
    let typical = LOSS_FACTOR / (std::f64::consts::TAU * LOSS_FREQUENCY * c);
    let esr = fields.value_or_assume(log, "esr", Unit::Ohm, Bounds::NotNegative, typical);
    let leakage = leakage(fields, log).unwrap_or_else(|| {
        // IEC 60384-4 (from memory): 0.01·C·V + 3 µA at rated volts.
        let Some(volts) = rated_volts(fields, log) else {
            return 0.0;
        };
        let amps = 0.01 * c * volts + 3e-6;
        log.assume(
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

fn rated_volts(fields: &mut Fields<'_>, log: &mut Log) -> Option<f64> {
    let texts = match fields.raw("rating").map(toml::Spanned::get_ref) {
        Some(DeValue::Array(_)) => fields.list(log, "rating").unwrap_or_default(),
        Some(DeValue::String(_)) => fields.text(log, "rating").into_iter().collect(),
        _ => Vec::new(),
    };
    texts
        .iter()
        .find_map(|text: &Text| Quantity::parse(&text.text, Unit::Volt).ok())
        .filter(|volts| *volts > 0.0)
}

/// Leakage as a conductance: stated as current at the rated volts, or as a resistance.
fn leakage(fields: &mut Fields<'_>, log: &mut Log) -> Option<f64> {
    let (value, unit) =
        fields.either(log, "leakage", &[Unit::Ampere, Unit::Ohm], Bounds::Positive)?;
    if unit == Unit::Ohm {
        return Some(1.0 / value);
    }
    let volts = rated_volts(fields, log);
    if volts.is_none() {
        let kind = FileErrorKind::Needs {
            key: "leakage".to_owned(),
            needs: "rating",
        };
        log.fault(&Place::File(fields.span_of("leakage")), kind);
    }
    Some(volts.map_or(0.0, |volts| value / volts))
}

/// The law of a `diode` or `bridge`.
fn material(fields: &mut Fields<'_>, log: &mut Log, key: &'static str) -> Diode {
    let material = fields.need_text(log, key);
    if let Some(text) = &material
        && text.text.trim() != "silicon"
    {
        log.fault(
            &text.place,
            FileErrorKind::Form {
                key: key.to_owned(),
                example: "silicon",
            },
        );
    }
    Diode::silicon()
}

fn bridge(fields: &mut Fields<'_>, log: &mut Log) -> Option<Made> {
    let law = material(fields, log, "bridge");
    let alternating = between(fields, log);
    let poles = poles(fields, log);
    let nodes = [alternating?, poles?].concat();
    Some((Part::Diodes(Diodes::bridge(law)), nodes))
}

fn diode(fields: &mut Fields<'_>, log: &mut Log) -> Option<Made> {
    let law = material(fields, log, "diode");
    if fields.has("anodes") {
        let anodes = nodes(fields, log, "anodes", 2, Some(2));
        let cathode = node(fields, log, "cathode");
        let anodes = differ(fields, log, anodes?)?;
        let nodes = [anodes, vec![cathode?]].concat();
        return Some((Part::Diodes(Diodes::bi_phase(law)), nodes));
    }
    let anode = node(fields, log, "anode");
    let cathode = node(fields, log, "cathode");
    let pair = differ(fields, log, vec![anode?, cathode?])?;
    Some((Part::Device(law.into()), pair))
}
