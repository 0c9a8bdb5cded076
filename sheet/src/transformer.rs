//! Transformers and auto-transformers: from what is printed on one, or measured, to windings.
//!
//! Ratio: `"6k6 : 8R"` impedances, `"230V : 350V"` open-circuit volts, `"3000 : 140 turns"`, whole
//! primary to whole secondary; or a list of windings with `impedance`, `volts` or `turns` each, the
//! first being the one all figures are referred to.
//!
//! Leakage: the stated figure `L_k` is seen at the whole primary with one secondary shorted. With the
//! stated primary inductance `L_p`, secondaries open, the windings get
//!
//! ```text
//! x = L_p·(1 − √(1 − L_k/L_p)),   L_0 = L_p − x
//! ```
//!
//! x in the primary and x·n² in each secondary of n relative turns, so that both bridge readings come
//! out: L_0 + x = L_p and x + (L_0 ‖ x) = L_k.
//!
//! Over 400 lines because both ways to write a transformer end in the same windings.

use toml::de::DeValue;

use super::draft::{Draft, StatedLoad};
use super::error::{Bounds, FileErrorKind};
use super::fields::{Fields, read_either, type_words};
use super::magnetics::{capacitance_loss, core_loss, iron, stray};
use super::place::Place;
use super::place::Text;
use super::terminals::{Made, nodes};
use super::windings::{Measure, WholeWinding, winding};
use sim::parts::{Part, Transformer};
use sim::quantity::{Quantity, Unit};

/// Figures of an output transformer of which nothing is said.
/// Source    engineering figures, from memory; each is noted as assumed
mod typical {
    /// Hz, where the primary inductance has the rated impedance.
    pub(super) const LOW_CORNER: f64 = 20.0;
    /// Hz, where the leakage inductance has the rated impedance.
    pub(super) const HIGH_CORNER: f64 = 50e3;
    /// Winding resistance as a share of the winding's rated impedance.
    pub(super) const COPPER: f64 = 0.04;
    /// F across the whole primary.
    pub(super) const CAPACITANCE: f64 = 500e-12;
    /// Core loss resistance as a multiple of the rated impedance.
    pub(super) const CORE_LOSS: f64 = 15.0;
    /// Leakage of an interstage or balancing winding as a share of its inductance.
    pub(super) const LEAKAGE_SHARE: f64 = 1e-3;
}

pub(super) fn transformer(fields: &mut Fields<'_>, draft: &mut Draft) -> Option<Made> {
    let is_list = matches!(
        fields.raw("transformer").map(toml::Spanned::get_ref),
        Some(DeValue::Array(_))
    );
    let (wholes, measure) = if is_list {
        listed(fields, draft)
    } else {
        pair(fields, draft)
    };
    let stated = fields.value(draft, "primary_impedance", Unit::Ohm, Bounds::Positive);
    let impedance = match measure {
        Some(Measure {
            value,
            unit: Unit::Ohm,
        }) => Some(value),
        // Without a ratio any impedance will do: the part is not made, its other keys are judged.
        None => stated.or(Some(1.0)),
        Some(_) => stated,
    };
    let ready = wholes.is_some();
    let made = finish(fields, draft, wholes.unwrap_or_default(), impedance);
    ready.then_some(made)
}

pub(super) fn autotransformer(fields: &mut Fields<'_>, draft: &mut Draft) -> Option<Made> {
    // The value is the inductance of the whole winding.
    let henries = fields.need_value(draft, "autotransformer", Unit::Henry, Bounds::Positive);
    let nodes = nodes(fields, draft, "winding", 3, None);
    let impedance = fields.value(draft, "primary_impedance", Unit::Ohm, Bounds::Positive);
    fields.raw("taps");
    let whole = nodes.and_then(|nodes| winding(fields, draft, "winding", nodes, "taps", None));
    let resistance = fields.value(draft, "resistance", Unit::Ohm, Bounds::NotNegative);
    if resistance.is_none() {
        fields.miss("resistance");
    }
    let leakage = leakage_inductance(fields, draft, henries, None);
    let capacitance = fields
        .value(draft, "capacitance", Unit::Farad, Bounds::NotNegative)
        .unwrap_or(0.0);
    let iron = iron(fields, draft, henries, impedance);
    let loss = core_loss(fields, draft, None);
    let capacitance_loss = capacitance_loss(fields, draft);
    let mut whole = whole?;
    whole.resistance = resistance.unwrap_or(0.0);
    whole.leakage = leakage;
    whole.capacitance = capacitance;
    whole.capacitance_loss = capacitance_loss;
    whole.stray = stray(fields, draft);
    Some(wind(iron.core, loss, &[whole]))
}

/// Everything that does not depend on how the windings were written down.
fn finish(
    fields: &mut Fields<'_>,
    draft: &mut Draft,
    mut wholes: Vec<WholeWinding>,
    impedance: Option<f64>,
) -> Made {
    let typical = impedance.map(|ohms| ohms / (std::f64::consts::TAU * typical::LOW_CORNER));
    let inductance = match typical {
        Some(henries) => fields.value_or_assume(
            draft,
            "primary_inductance",
            Unit::Henry,
            Bounds::Positive,
            henries,
        ),
        None => fields.need_value(draft, "primary_inductance", Unit::Henry, Bounds::Positive),
    };
    let leakage = leakage_inductance(fields, draft, inductance, impedance);
    let capacitance = fields.value_or_assume(
        draft,
        "capacitance",
        Unit::Farad,
        Bounds::NotNegative,
        typical::CAPACITANCE,
    );
    let loss_of_capacitance = capacitance_loss(fields, draft);
    let stray = stray(fields, draft);
    let split = inductance * (1.0 - (1.0 - leakage / inductance).sqrt());
    let iron = iron(fields, draft, inductance - split, impedance);
    let loss = core_loss(
        fields,
        draft,
        impedance.map(|ohms| ohms * typical::CORE_LOSS),
    );
    for (k, whole) in wholes.iter_mut().enumerate() {
        whole.leakage = split * whole.turns * whole.turns;
        if k == 0 {
            whole.capacitance = capacitance;
            whole.capacitance_loss = loss_of_capacitance;
            whole.stray = stray;
        }
        if let Some(ohms) = whole.load {
            draft.made_for.push(StatedLoad {
                owner: fields.owner.clone(),
                nodes: whole.nodes.iter().map(|node| node.id).collect(),
                places: whole.places.clone(),
                ohms,
            });
        }
    }
    wind(iron.core, loss, &wholes)
}

/// The stated leakage inductance or a typical one, H; below the inductance.
fn leakage_inductance(
    fields: &mut Fields<'_>,
    draft: &mut Draft,
    inductance: f64,
    impedance: Option<f64>,
) -> f64 {
    let key = "leakage_inductance";
    let typical = match impedance {
        Some(ohms) => {
            (ohms / (std::f64::consts::TAU * typical::HIGH_CORNER)).min(0.01 * inductance)
        }
        None => typical::LEAKAGE_SHARE * inductance,
    };
    let leakage = fields.value_or_assume(draft, key, Unit::Henry, Bounds::NotNegative, typical);
    if leakage < inductance {
        return leakage;
    }
    draft.fault(
        &Place::File(fields.span_of(key)),
        FileErrorKind::LeakageTooGreat,
    );
    0.0
}

pub(super) fn wind(core: models::core::Core, loss: f64, wholes: &[WholeWinding]) -> Made {
    let mut windings = Vec::new();
    let mut at = Vec::new();
    for (winding, ends) in wholes.iter().flat_map(WholeWinding::cut) {
        windings.push(winding);
        at.extend(ends);
    }
    (
        Part::Transformer(Transformer {
            core,
            loss,
            windings,
        }),
        at,
    )
}

/// One primary and one secondary.
fn pair(
    fields: &mut Fields<'_>,
    draft: &mut Draft,
) -> (Option<Vec<WholeWinding>>, Option<Measure>) {
    let ratio = fields
        .need_text(draft, "transformer")
        .and_then(|text| ratio(draft, &text));
    let primary = nodes(fields, draft, "primary", 2, None);
    let secondary = nodes(fields, draft, "secondary", 2, None);
    let measures = ratio.map_or((None, None), |(first, second)| (Some(first), Some(second)));
    let primary = primary
        .and_then(|nodes| winding(fields, draft, "primary", nodes, "primary_taps", measures.0));
    let secondary = secondary.and_then(|nodes| {
        winding(
            fields,
            draft,
            "secondary",
            nodes,
            "secondary_taps",
            measures.1,
        )
    });
    // A ratio that cannot be read was reported; nothing more is asked for on its account.
    let unread = ratio.is_none().then_some(1.0);
    let rated = |measure: Option<Measure>| measure.filter(|m| m.unit == Unit::Ohm).map(|m| m.value);
    let primary_ohms = resistance(
        fields,
        draft,
        "primary_resistance",
        rated(measures.0).or(unread),
    );
    let secondary_ohms = resistance(
        fields,
        draft,
        "secondary_resistance",
        rated(measures.1).or(unread),
    );
    for key in ["primary_taps", "secondary_taps"] {
        fields.raw(key);
    }
    let wholes = match (primary, secondary, ratio) {
        (Some(mut primary), Some(mut secondary), Some((first, second))) => {
            primary.resistance = primary_ohms;
            secondary.resistance = secondary_ohms;
            secondary.turns = second.relative_to(first);
            secondary.load = rated(measures.1);
            Some(vec![primary, secondary])
        }
        _ => None,
    };
    (wholes, measures.0)
}

/// Winding resistance: stated, or a typical share of the rated impedance; without one it is needed.
fn resistance(
    fields: &mut Fields<'_>,
    draft: &mut Draft,
    key: &'static str,
    impedance: Option<f64>,
) -> f64 {
    match impedance {
        Some(ohms) => fields.value_or_assume(
            draft,
            key,
            Unit::Ohm,
            Bounds::NotNegative,
            typical::COPPER * ohms,
        ),
        None => fields.need_value(draft, key, Unit::Ohm, Bounds::NotNegative),
    }
}

/// `"6k6 : 8R"`, `"230V : 350V"` or `"3000 : 140 turns"`.
fn ratio(draft: &mut Draft, text: &Text) -> Option<(Measure, Measure)> {
    let bad = FileErrorKind::Form {
        key: "transformer".to_owned(),
        example: "6k6 : 8R",
    };
    let Some((first, second)) = text.text.split_once(':') else {
        draft.fault(&text.place, bad);
        return None;
    };
    let (first, second) = (first.trim(), second.trim());
    if let Some(second) = second.strip_suffix("turns") {
        let side = |draft: &mut Draft, side: &str| {
            let text = Text {
                text: side.to_owned(),
                place: text.place.clone(),
            };
            read_either(
                draft,
                "transformer",
                &text,
                &[Unit::Number],
                Bounds::Positive,
            )
        };
        let (first, second) = (side(draft, first)?, side(draft, second)?);
        return Some((
            Measure {
                value: first.0,
                unit: first.1,
            },
            Measure {
                value: second.0,
                unit: second.1,
            },
        ));
    }
    // Bare figures could be ohms or turns.
    let bare = |side: &str| side.chars().all(|c| c.is_ascii_digit() || c == '.');
    if bare(first) || bare(second) {
        draft.fault(&text.place, bad);
        return None;
    }
    let unit = if Quantity::parse(first, Unit::Volt).is_ok() {
        Unit::Volt
    } else {
        Unit::Ohm
    };
    let side = |draft: &mut Draft, side: &str| {
        let text = Text {
            text: side.to_owned(),
            place: text.place.clone(),
        };
        read_either(draft, "transformer", &text, &[unit], Bounds::Positive)
            .map(|(value, unit)| Measure { value, unit })
    };
    let first = side(draft, first);
    let second = side(draft, second);
    first.zip(second)
}

/// Any number of windings, one table each.
fn listed(
    fields: &mut Fields<'_>,
    draft: &mut Draft,
) -> (Option<Vec<WholeWinding>>, Option<Measure>) {
    let Some(DeValue::Array(items)) = fields.raw("transformer").map(toml::Spanned::get_ref) else {
        return (None, None);
    };
    let mut wholes: Vec<Option<WholeWinding>> = Vec::new();
    let mut reference: Option<Measure> = None;
    for (k, item) in items.iter().enumerate() {
        let DeValue::Table(table) = item.get_ref() else {
            let kind = FileErrorKind::WrongType {
                key: "transformer".to_owned(),
                wanted: "a list of windings such as { nodes = [\"a\", \"b\"], turns = \"3000\" }",
                found: type_words(item.get_ref()),
            };
            draft.fault(&Place::File(item.span()), kind);
            wholes.push(None);
            continue;
        };
        let mut keys = Fields::new(&fields.owner, "winding", item.span(), table);
        let whole = one_of_list(&mut keys, draft, k, &mut reference);
        keys.finish(draft);
        wholes.push(whole);
    }
    if wholes.is_empty() {
        let kind = FileErrorKind::Form {
            key: "transformer".to_owned(),
            example: "6k6 : 8R",
        };
        draft.fault(&Place::File(fields.span_of("transformer")), kind);
    }
    let empty = wholes.is_empty();
    let wholes: Option<Vec<WholeWinding>> = wholes.into_iter().collect();
    (wholes.filter(|_| !empty), reference)
}

fn one_of_list(
    keys: &mut Fields<'_>,
    draft: &mut Draft,
    k: usize,
    reference: &mut Option<Measure>,
) -> Option<WholeWinding> {
    let name = keys
        .text(draft, "name")
        .map_or_else(|| format!("winding {}", k + 1), |text| text.text);
    let nodes = nodes(keys, draft, "nodes", 2, None);
    // All windings are measured by what the first one is measured by.
    let unit = match reference {
        Some(reference) => reference.unit,
        None if keys.has("impedance") => Unit::Ohm,
        None if keys.has("volts") => Unit::Volt,
        None => Unit::Number,
    };
    let key = match unit {
        Unit::Ohm => "impedance",
        Unit::Volt => "volts",
        _ => "turns",
    };
    let given = keys.has(key);
    let measure = Measure {
        value: keys.need_value(draft, key, unit, Bounds::Positive),
        unit,
    };
    let rated = (unit == Unit::Ohm && given).then_some(measure.value);
    let resistance = resistance(keys, draft, "resistance", rated);
    let capacitance = keys
        .value(draft, "capacitance", Unit::Farad, Bounds::NotNegative)
        .unwrap_or(0.0);
    keys.raw("taps");
    let mut whole = winding(keys, draft, &name, nodes?, "taps", Some(measure))?;
    whole.turns = measure.relative_to(*reference.get_or_insert(measure));
    whole.load = rated.filter(|_| k > 0);
    whole.resistance = resistance;
    whole.capacitance = capacitance;
    whole.capacitance_loss = capacitance_loss(keys, draft);
    Some(whole)
}
