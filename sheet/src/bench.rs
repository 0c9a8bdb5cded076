//! The bench: generator, load, test frequency, distortion limit.

use toml::de::DeValue;

use super::PartSpans;
use super::draft::{Draft, is_chassis};
use super::error::{Bounds, FileErrorKind};
use super::fields::{Fields, type_words};
use super::place::Place;
use super::place::Text;
use models::nearest::nearest;
use sim::amplifier::Bench;
use sim::circuit::{NodeId, Ratings};
use sim::parts::{Part, Source, Waveform};
use sim::quantity::Unit;

/// Source resistance of a generator of which nothing is said, Ω: the usual output of bench generators.
pub(super) const GENERATOR_OHMS: f64 = 600.0;
/// Hz; the frequency at which amplifiers are compared (IEC 60268-3, from memory).
const TEST_FREQUENCY: f64 = 1e3;
/// Ratio; the limit for rated power of amplifiers without feedback, by custom.
const DISTORTION_LIMIT: f64 = 0.05;

pub(super) fn read(mut fields: Fields<'_>, draft: &mut Draft) -> Option<Bench> {
    let frequency = fields
        .value(draft, "frequency", Unit::Hertz, Bounds::Positive)
        .unwrap_or(TEST_FREQUENCY);
    let distortion_limit = fields
        .value(draft, "distortion_limit", Unit::Percent, Bounds::Positive)
        .unwrap_or(DISTORTION_LIMIT);
    if !Bounds::Share.hold(distortion_limit) {
        let place = Place::File(fields.span_of("distortion_limit"));
        draft.fault(
            &place,
            FileErrorKind::OutOfBounds {
                key: "distortion_limit".to_owned(),
                wanted: Bounds::Share,
            },
        );
    }
    let load = fields
        .need_text(draft, "load")
        .and_then(|text| find_load(&text, draft));
    let generator = generator(&mut fields, draft, frequency);
    fields.finish(draft);
    let (load, load_ohms, load_nodes) = load?;
    Some(Bench {
        generator: generator?,
        load,
        load_ohms,
        load_nodes,
        frequency,
        distortion_limit,
    })
}

fn find_load(text: &Text, draft: &mut Draft) -> Option<(sim::PartId, f64, (NodeId, NodeId))> {
    let name = text.text.trim();
    let Some(id) = draft.circuit.find_part(name) else {
        // A part that could not be placed was reported already.
        if !draft.unplaced {
            let near = nearest(
                name,
                draft
                    .circuit
                    .parts()
                    .map(|(_, placed)| placed.name.as_str()),
            )
            .map(str::to_owned);
            draft.fault(
                &text.place,
                FileErrorKind::UnknownPart {
                    name: name.to_owned(),
                    nearest: near,
                },
            );
        }
        return None;
    };
    let placed = draft.circuit.part(id);
    let ohms = match &placed.part {
        Part::Resistor(resistor) => resistor.r,
        Part::Loudspeaker(loudspeaker) => loudspeaker.rated,
        Part::Capacitor(_)
        | Part::Inductor(_)
        | Part::Transformer(_)
        | Part::Valve(_)
        | Part::Device(_)
        | Part::Diodes(_)
        | Part::Source(_)
        | Part::Pot(_)
        | Part::Switch(_) => {
            draft.fault(
                &text.place,
                FileErrorKind::LoadKind {
                    name: name.to_owned(),
                },
            );
            return None;
        }
    };
    Some((id, ohms, (placed.nodes[0], placed.nodes[1])))
}

fn generator(fields: &mut Fields<'_>, draft: &mut Draft, frequency: f64) -> Option<sim::PartId> {
    let name_span = fields
        .keys()
        .find(|(key, _)| *key == "generator")
        .map(|(_, span)| span);
    let Some(value) = fields.raw("generator") else {
        fields.miss("generator");
        draft.unplaced = true;
        return None;
    };
    let name_span = name_span.unwrap_or_else(|| value.span());
    let DeValue::Table(table) = value.get_ref() else {
        let wanted = "a list of keys such as { into = \"in\", resistance = \"600R\" }";
        let found = type_words(value.get_ref());
        draft.fault(
            &Place::File(value.span()),
            FileErrorKind::WrongType {
                key: "generator".to_owned(),
                wanted,
                found,
            },
        );
        draft.unplaced = true;
        return None;
    };
    let mut keys = Fields::new("generator", "generator", name_span.clone(), table);
    let into = keys.need_text(draft, "into");
    let back = keys.text(draft, "return");
    let resistance = keys.value_or_assume(
        draft,
        "resistance",
        Unit::Ohm,
        Bounds::NotNegative,
        GENERATOR_OHMS,
    );
    let into_node = into.as_ref().and_then(|text| known_node(text, draft));
    let back_node = match &back {
        Some(text) => known_node(text, draft),
        None => Some(NodeId::CHASSIS),
    };
    let value_spans = keys.value_spans();
    keys.finish(draft);
    let (Some(into_node), Some(back_node)) = (into_node, back_node) else {
        draft.unplaced = true;
        return None;
    };
    let waveform = Waveform::Sine {
        amplitude: 0.0,
        frequency,
        phase: 0.0,
        offset: 0.0,
    };
    let span = |text: &Option<Text>| match text.as_ref().map(|text| &text.place) {
        Some(Place::File(span)) => span.clone(),
        _ => name_span.clone(),
    };
    let spans = PartSpans {
        name: name_span.clone(),
        whole: name_span.start..value.span().end,
        values: value_spans.into_iter().collect(),
        nodes: vec![span(&into), span(&back)],
    };
    let part = Part::Source(Source {
        waveform,
        resistance,
    });
    draft.add(
        "generator",
        part,
        &[into_node, back_node],
        Ratings::default(),
        spans,
    )
}

/// A node that some part joins.
fn known_node(text: &Text, draft: &mut Draft) -> Option<NodeId> {
    let name = text.text.trim();
    if is_chassis(name) {
        return Some(NodeId::CHASSIS);
    }
    let found = draft.circuit.find_node(name);
    if found.is_none() && !draft.unplaced {
        let near = nearest(name, draft.circuit.nodes().map(|(_, name)| name)).map(str::to_owned);
        draft.fault(
            &text.place,
            FileErrorKind::UnknownNode {
                name: name.to_owned(),
                nearest: near,
            },
        );
    }
    found
}
