//! Valves: the type is looked up in the library, which says what electrodes there are.

use models::data::{ValveModel, ValveType};
use models::library;

use super::error::{Bounds, FileErrorKind};
use super::fields::{Fields, Text};
use super::log::{Log, NodeRef, Place};
use super::parts::{Made, nodes};
use crate::parts::{Part, Valve};
use crate::quantity::Unit;

/// Electrodes any valve may have, in the order of a data sheet.
const ELECTRODES: [&str; 5] = ["anode", "anodes", "screen", "grid", "cathode"];

/// What kind of valve a type is, and its electrodes in the order of its nodes.
fn electrodes(valve: &ValveType) -> (&'static str, &'static [&'static str]) {
    match &valve.model {
        ValveModel::Triode(_) => ("triode", &["anode", "grid", "cathode"]),
        ValveModel::Pentode(_) => ("pentode", &["anode", "screen", "grid", "cathode"]),
        ValveModel::Rectifier(_) => ("rectifier", &["anode", "cathode"]),
        ValveModel::Stabiliser(_) => ("stabiliser", &["anode", "cathode"]),
    }
}

pub(super) fn valve(fields: &mut Fields<'_>, log: &mut Log) -> Option<Made> {
    let name = fields.need_text(log, "valve");
    let envelope = fields.text(log, "envelope");
    let stray = fields
        .value(log, "stray_anode_grid", Unit::Farad, Bounds::NotNegative)
        .unwrap_or(0.0);
    let Some(name) = name else {
        join_electrodes(fields, log);
        return None;
    };
    let kind = match library::find(name.text.trim()) {
        Ok(kind) => kind,
        Err(unknown) => {
            let nearest = unknown.nearest.first().map(|nearest| (*nearest).to_owned());
            let name_found = name.text.trim().to_owned();
            log.fault(
                &name.place,
                FileErrorKind::UnknownValve {
                    name: name_found,
                    nearest,
                },
            );
            join_electrodes(fields, log);
            return None;
        }
    };
    if let Some(envelope) = &envelope {
        fill_envelope(fields, log, kind, envelope);
    }
    let (kind_name, wanted) = electrodes(kind);
    let two_anodes = kind_name == "rectifier" && fields.has("anodes");
    for electrode in ELECTRODES {
        let fits =
            wanted.contains(&electrode) || (electrode == "anodes" && kind_name == "rectifier");
        if !fits && fields.has(electrode) {
            let place = Place::File(fields.span_of(electrode));
            fields.raw(electrode);
            let fault = FileErrorKind::NoSuchElectrode {
                valve: kind.name.clone(),
                kind: kind_name,
                electrode: electrode.to_owned(),
            };
            log.fault(&place, fault);
        }
    }
    let mut found: Vec<NodeRef> = Vec::new();
    let mut whole = true;
    for &electrode in wanted {
        if electrode == "anode" && two_anodes {
            match nodes(fields, log, "anodes", 1, Some(2)) {
                Some(anodes) => found.extend(anodes),
                None => whole = false,
            }
            continue;
        }
        if !fields.has(electrode) {
            whole = false;
            if fields.misspelt(electrode) {
                continue;
            }
            let fault = FileErrorKind::MissingElectrode {
                part: fields.owner.clone(),
                valve: kind.name.clone(),
                kind: kind_name,
                electrode,
            };
            log.fault(&Place::File(fields.name_span.clone()), fault);
            continue;
        }
        match fields
            .text(log, electrode)
            .and_then(|text| log.node(electrode, &text))
        {
            Some(node) => found.push(node),
            None => whole = false,
        }
    }
    let part = Valve {
        kind: kind.clone(),
        envelope: envelope.map(|text| text.text),
        stray_anode_grid: stray,
    };
    whole.then(|| (Part::Valve(Box::new(part)), found))
}

/// Of a valve that is not known the electrodes are still nodes, and still good keys.
fn join_electrodes(fields: &mut Fields<'_>, log: &mut Log) {
    for electrode in ELECTRODES {
        if electrode == "anodes" {
            fields.list(log, electrode);
        } else if let Some(text) = fields.text(log, electrode) {
            log.node(electrode, &text);
        }
    }
}

/// Counts the section; a double triode has no third one.
fn fill_envelope(fields: &Fields<'_>, log: &mut Log, kind: &ValveType, envelope: &Text) {
    let count = log.envelopes.entry(envelope.text.clone()).or_insert(0);
    *count += 1;
    let sections = kind.sections as usize;
    if *count > sections {
        let fault = FileErrorKind::EnvelopeFull {
            envelope: envelope.text.clone(),
            valve: kind.name.clone(),
            sections,
        };
        let place = Place::File(fields.span_of("envelope"));
        log.fault(&place, fault);
    }
}
