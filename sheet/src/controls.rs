//! What a hand turns: pots and switches.

use toml::de::DeValue;

use super::draft::Draft;
use super::error::{Bounds, FileErrorKind};
use super::fields::{Fields, type_words};
use super::place::Place;
use super::place::Text;
use super::terminals::{Made, node, nodes};
use sim::parts::{Part, Pot, Switch};
use sim::quantity::Unit;

/// Share of the track a log pot has behind it at half travel.
/// Source    common practice (10 to 15 %), from memory
const LOG_MIDDLE: f64 = 0.15;

pub(super) fn pot(fields: &mut Fields<'_>, draft: &mut Draft) -> Option<Made> {
    let r = fields.need_value(draft, "pot", Unit::Ohm, Bounds::Positive);
    let ends = nodes(fields, draft, "ends", 2, Some(2));
    let wiper = node(fields, draft, "wiper");
    let law = fields.text(draft, "law");
    let travel = fields.value(draft, "setting", Unit::Percent, Bounds::Share);
    if travel.is_none() {
        fields.miss("setting");
    }
    let travel = travel.unwrap_or(1.0).clamp(0.0, 1.0);
    let law_name = law.as_ref().map_or("linear", |text| text.text.trim());
    let share = match law_name {
        "linear" | "lin" => travel,
        "log" => log_law(travel),
        "reverse log" | "antilog" => 1.0 - log_law(1.0 - travel),
        other => {
            let place = law
                .as_ref()
                .map_or(Place::File(fields.name_span.clone()), |text| {
                    text.place.clone()
                });
            draft.fault(
                &place,
                FileErrorKind::UnknownLaw {
                    found: other.to_owned(),
                },
            );
            travel
        }
    };
    let (mut ends, wiper) = (ends?, wiper?);
    ends.insert(1, wiper);
    let fraction = share.clamp(Pot::END, 1.0 - Pot::END);
    Some((Part::Pot(Pot { r, fraction }), ends))
}

/// (aˣ − 1)/(a − 1) with a = ((1 − m)/m)², which is m at half travel.
fn log_law(travel: f64) -> f64 {
    let a = ((1.0 - LOG_MIDDLE) / LOG_MIDDLE).powi(2);
    (a.powf(travel) - 1.0) / (a - 1.0)
}

pub(super) fn switch(fields: &mut Fields<'_>, draft: &mut Draft) -> Option<Made> {
    let chosen = fields.need_text(draft, "switch");
    let common = node(fields, draft, "common");
    let Some(value) = fields.raw("positions") else {
        fields.miss("positions");
        return None;
    };
    let DeValue::Table(table) = value.get_ref() else {
        let wanted = "a list such as { bright = \"a\", dull = \"b\", off = [] }";
        let found = type_words(value.get_ref());
        draft.fault(
            &Place::File(value.span()),
            FileErrorKind::WrongType {
                key: "positions".to_owned(),
                wanted,
                found,
            },
        );
        return None;
    };
    let mut rows: Vec<_> = table.iter().collect();
    rows.sort_by_key(|(name, _)| name.span().start);
    let mut nodes = vec![common?];
    let mut positions: Vec<(String, Option<usize>)> = Vec::new();
    for (name, value) in rows {
        let contact = match value.get_ref() {
            DeValue::String(text) => {
                let text = Text {
                    text: text.to_string(),
                    place: Place::File(value.span()),
                };
                let contact = draft.node("positions", &text)?;
                let known = nodes.iter().skip(1).position(|node| node.id == contact.id);
                if known.is_none() {
                    nodes.push(contact);
                }
                Some(known.unwrap_or(nodes.len() - 2))
            }
            DeValue::Array(list) if list.is_empty() => None,
            other => {
                let wanted = "a node, or [] for a contact joined to nothing";
                let kind = FileErrorKind::WrongType {
                    key: name.get_ref().to_string(),
                    wanted,
                    found: type_words(other),
                };
                draft.fault(&Place::File(value.span()), kind);
                None
            }
        };
        positions.push((name.get_ref().to_string(), contact));
    }
    let names = positions.iter().map(|(name, _)| name.clone()).collect();
    draft.positions.insert(fields.owner.clone(), names);
    let chosen = chosen?;
    let Some((_, closed)) = positions
        .iter()
        .find(|(name, _)| name == chosen.text.trim())
    else {
        let kind = FileErrorKind::UnknownPosition {
            part: fields.owner.clone(),
            found: chosen.text.clone(),
            positions: positions.into_iter().map(|(name, _)| name).collect(),
        };
        draft.fault(&chosen.place, kind);
        return None;
    };
    Some((Part::Switch(Switch { closed: *closed }), nodes))
}
