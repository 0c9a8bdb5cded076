//! The bench: generator, load, test frequency, distortion limit.

use toml::de::DeValue;

use super::PartSpans;
use super::error::{Bounds, FileErrorKind};
use super::fields::{Fields, Text, type_words};
use super::log::{Log, Place, is_chassis};
use sim::amplifier::Bench;
use sim::circuit::{NodeId, Ratings};
use sim::nearest::nearest;
use sim::parts::{Part, Source, Waveform};
use sim::quantity::Unit;

/// Source resistance of a generator of which nothing is said, Ω: the usual output of bench generators.
pub(super) const GENERATOR_OHMS: f64 = 600.0;
/// Hz; the frequency at which amplifiers are compared (IEC 60268-3, from memory).
const TEST_FREQUENCY: f64 = 1e3;
/// Ratio; the limit for rated power of amplifiers without feedback, by custom.
const DISTORTION_LIMIT: f64 = 0.05;

pub(super) fn read(mut fields: Fields<'_>, log: &mut Log) -> Option<Bench> {
    let frequency = fields
        .value(log, "frequency", Unit::Hertz, Bounds::Positive)
        .unwrap_or(TEST_FREQUENCY);
    let distortion_limit = fields
        .value(log, "distortion_limit", Unit::Percent, Bounds::Positive)
        .unwrap_or(DISTORTION_LIMIT);
    if !Bounds::Share.hold(distortion_limit) {
        let place = Place::File(fields.span_of("distortion_limit"));
        log.fault(
            &place,
            FileErrorKind::OutOfBounds {
                key: "distortion_limit".to_owned(),
                wanted: Bounds::Share,
            },
        );
    }
    let load = fields
        .need_text(log, "load")
        .and_then(|text| find_load(&text, log));
    let generator = generator(&mut fields, log, frequency);
    fields.finish(log);
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

fn find_load(text: &Text, log: &mut Log) -> Option<(sim::PartId, f64, (NodeId, NodeId))> {
    let name = text.text.trim();
    let Some(id) = log.circuit.find_part(name) else {
        // A part that could not be placed was reported already.
        if !log.unplaced {
            let near = nearest(
                name,
                log.circuit.parts().map(|(_, placed)| placed.name.as_str()),
            )
            .map(str::to_owned);
            log.fault(
                &text.place,
                FileErrorKind::UnknownPart {
                    name: name.to_owned(),
                    nearest: near,
                },
            );
        }
        return None;
    };
    let placed = log.circuit.part(id);
    let ohms = match &placed.part {
        Part::Resistor(resistor) => resistor.r,
        Part::Loudspeaker(loudspeaker) => loudspeaker.rated,
        _ => {
            log.fault(
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

fn generator(fields: &mut Fields<'_>, log: &mut Log, frequency: f64) -> Option<sim::PartId> {
    let name_span = fields
        .keys()
        .find(|(key, _)| *key == "generator")
        .map(|(_, span)| span);
    let Some(value) = fields.raw("generator") else {
        fields.miss("generator");
        log.unplaced = true;
        return None;
    };
    let name_span = name_span.unwrap_or_else(|| value.span());
    let DeValue::Table(table) = value.get_ref() else {
        let wanted = "a list of keys such as { into = \"in\", resistance = \"600R\" }";
        let found = type_words(value.get_ref());
        log.fault(
            &Place::File(value.span()),
            FileErrorKind::WrongType {
                key: "generator".to_owned(),
                wanted,
                found,
            },
        );
        log.unplaced = true;
        return None;
    };
    let mut keys = Fields::new("generator", "generator", name_span.clone(), table);
    let into = keys.need_text(log, "into");
    let back = keys.text(log, "return");
    let resistance = keys.value_or_assume(
        log,
        "resistance",
        Unit::Ohm,
        Bounds::NotNegative,
        GENERATOR_OHMS,
    );
    let into_node = into.as_ref().and_then(|text| known_node(text, log));
    let back_node = match &back {
        Some(text) => known_node(text, log),
        None => Some(NodeId::CHASSIS),
    };
    let value_spans = keys.value_spans();
    keys.finish(log);
    let (Some(into_node), Some(back_node)) = (into_node, back_node) else {
        log.unplaced = true;
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
    log.add(
        "generator",
        part,
        &[into_node, back_node],
        Ratings::default(),
        spans,
    )
}

/// A node that some part joins.
fn known_node(text: &Text, log: &mut Log) -> Option<NodeId> {
    let name = text.text.trim();
    if is_chassis(name) {
        return Some(NodeId::CHASSIS);
    }
    let found = log.circuit.find_node(name);
    if found.is_none() && !log.unplaced {
        let near = nearest(name, log.circuit.nodes().map(|(_, name)| name)).map(str::to_owned);
        log.fault(
            &text.place,
            FileErrorKind::UnknownNode {
                name: name.to_owned(),
                nearest: near,
            },
        );
    }
    found
}
