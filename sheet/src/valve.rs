//! Valves: the type is looked up in the library, which says what electrodes there are.

use models::data::{Heating, ValveModel, ValveType};

use super::draft::{Draft, NodeRef};
use super::error::{Bounds, FileErrorKind};
use super::fields::Fields;
use super::place::Place;
use super::place::Text;
use super::terminals::{Made, differ, nodes};
use sim::amplifier::NoteKind;
use sim::parts::{HeaterWiring, Part, Valve};
use sim::quantity::Unit;

/// Electrodes any valve may have, in the order of a data sheet.
const ELECTRODES: [&str; 5] = ["anode", "anodes", "screen", "grid", "cathode"];

/// Insulation between heater and cathode when nothing is said.
/// Source    common practice, no source: new valves leak below a microampere at 100 V, and 10 pF to both
///           ends together is what small indirectly heated valves have
mod typical_heater {
    /// Ω, from either end.
    pub(super) const LEAKAGE: f64 = 20e6;
    /// F, from either end.
    pub(super) const CAPACITANCE: f64 = 5e-12;
}

/// What kind of valve a type is, and its electrodes in the order of its nodes.
fn electrodes(valve: &ValveType) -> (&'static str, &'static [&'static str]) {
    match &valve.model {
        ValveModel::Triode(_) => ("triode", &["anode", "grid", "cathode"]),
        ValveModel::Pentode(_) => ("pentode", &["anode", "screen", "grid", "cathode"]),
        ValveModel::Rectifier(_) => ("rectifier", &["anode", "cathode"]),
        ValveModel::Stabiliser(_) => ("stabiliser", &["anode", "cathode"]),
    }
}

pub(super) fn valve(fields: &mut Fields<'_>, draft: &mut Draft) -> Option<Made> {
    let name = fields.need_text(draft, "valve");
    let envelope = fields.text(draft, "envelope");
    let stray = fields
        .value(draft, "stray_anode_grid", Unit::Farad, Bounds::NotNegative)
        .unwrap_or(0.0);
    let Some(name) = name else {
        join_electrodes(fields, draft);
        return None;
    };
    let library = draft.library.clone();
    let kind = match library.find(name.text.trim()) {
        Ok(kind) => kind,
        Err(unknown) => {
            let nearest = unknown.nearest.first().cloned();
            let name_found = name.text.trim().to_owned();
            let kind = FileErrorKind::UnknownValve {
                name: name_found,
                nearest,
            };
            if !draft.valves_unknown {
                draft.fault(&name.place, kind);
            }
            miss_what_any_has(fields, name.text.trim());
            join_electrodes(fields, draft);
            return None;
        }
    };
    let strength = strength(fields, draft, kind);
    let section = envelope
        .as_ref()
        .map_or(1, |envelope| fill_envelope(fields, draft, kind, envelope));
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
            draft.fault(&place, fault);
        }
    }
    if kind.heater.is_none() {
        cold(fields, draft, kind, kind_name);
    }
    let ends = filament(fields, draft, kind);
    let warm_up = match kind.heater {
        Some(_) => fields.value(draft, "warm_up", Unit::Second, Bounds::NotNegative),
        None => None,
    };
    let mut found: Vec<NodeRef> = Vec::new();
    let mut whole = true;
    for &electrode in wanted {
        if electrode == "anode" && two_anodes {
            match nodes(fields, draft, "anodes", 1, Some(2)) {
                Some(anodes) => found.extend(anodes),
                None => whole = false,
            }
            continue;
        }
        if electrode == "cathode" && fields.has("filament") {
            match &ends {
                Some(ends) => found.extend(ends.iter().cloned()),
                None => whole = false,
            }
            continue;
        }
        if !fields.has(electrode) {
            whole = false;
            let fault = FileErrorKind::MissingElectrode {
                part: fields.owner.clone(),
                valve: kind.name.clone(),
                kind: kind_name,
                electrode,
            };
            fields.miss_as(electrode, fault);
            continue;
        }
        match fields
            .text(draft, electrode)
            .and_then(|text| draft.node(electrode, &text))
        {
            Some(node) => found.push(node),
            None => whole = false,
        }
    }
    if heating(kind) == Some(Heating::Direct) && ends.is_none() && whole {
        draft.note(&fields.owner, &fields.name_span, NoteKind::FilamentCentre);
    }
    say_what_was_supplied(fields, draft, kind);
    let heater = heater(fields, draft, kind, envelope.as_ref());
    // What is faulty there is told; what it would have joined is not known.
    whole &= heater.is_some() || !fields.has("heater");
    let mut part = Valve {
        envelope: envelope.map(|text| text.text),
        section,
        stray_anode_grid: stray,
        filament: ends.is_some(),
        warm_up,
        heater: heater.as_ref().map(|(wiring, _)| *wiring),
        ..Valve::new(kind.clone())
    };
    part.scale_current(strength);
    found.extend(heater.into_iter().flat_map(|(_, nodes)| nodes));
    whole.then(|| (Part::Valve(Box::new(part)), found))
}

/// `current`: what this valve carries of its type's current at the same volts, a ratio: valves of one type differ,
/// and age.
fn strength(fields: &mut Fields<'_>, draft: &mut Draft, kind: &ValveType) -> f64 {
    if !kind.model.amplifies() {
        return 1.0;
    }
    fields
        .value(draft, "current", Unit::Percent, Bounds::Positive)
        .unwrap_or(1.0)
}

/// What the file of a type left to the program is noted with every valve of the type.
fn say_what_was_supplied(fields: &Fields<'_>, draft: &mut Draft, kind: &ValveType) {
    if kind.fitted_on_reading {
        let error = kind.fit_error.as_ref();
        let slopes = error.map(|error| error.slope_worst_percent);
        let note = NoteKind::FittedOnReading {
            kind: kind.name.clone(),
            worst_percent: error.map_or(0.0, |error| error.current_worst_percent),
            slope_percent: slopes.filter(|percent| percent.is_finite()),
        };
        draft.note(&fields.owner, &fields.name_span, note);
    }
    if let Some(class) = kind.grid_class {
        draft.note(
            &fields.owner,
            &fields.name_span,
            NoteKind::GridCurrentOf { class },
        );
    }
}

fn heating(kind: &ValveType) -> Option<Heating> {
    kind.heater.as_ref().map(|heater| heater.heating)
}

/// A cold cathode has neither filament nor heater.
fn cold(fields: &mut Fields<'_>, draft: &mut Draft, kind: &ValveType, kind_name: &'static str) {
    for key in ["filament", "heater", "warm_up"] {
        if fields.has(key) {
            fields.raw(key);
            let fault = FileErrorKind::NoSuchElectrode {
                valve: kind.name.clone(),
                kind: kind_name,
                electrode: key.to_owned(),
            };
            draft.fault(&Place::File(fields.span_of(key)), fault);
        }
    }
}

/// The ends of a filament, which stand in the place of a cathode.
fn filament(fields: &mut Fields<'_>, draft: &mut Draft, kind: &ValveType) -> Option<Vec<NodeRef>> {
    let place = Place::File(fields.span_of("filament"));
    let heating = heating(kind)?;
    if heating == Heating::Indirect {
        // Not asked for, so that it is not offered where it is wrong.
        if fields.has("filament") {
            fields.raw("filament");
            let valve = kind.name.clone();
            draft.fault(&place, FileErrorKind::NoFilament { valve });
        }
        return None;
    }
    if !fields.has("filament") {
        fields.raw("filament");
        return None;
    }
    if fields.has("cathode") {
        fields.raw("cathode");
        let fault = FileErrorKind::FilamentAndCathode {
            part: fields.owner.clone(),
            valve: kind.name.clone(),
        };
        draft.fault(&place, fault);
    }
    let pair = nodes(fields, draft, "filament", 2, Some(2))?;
    differ(fields, draft, pair)
}

/// The heater of an indirectly heated valve with its nodes, and what leaks out of it.
fn heater(
    fields: &mut Fields<'_>,
    draft: &mut Draft,
    kind: &ValveType,
    envelope: Option<&Text>,
) -> Option<(HeaterWiring, Vec<NodeRef>)> {
    let place = Place::File(fields.span_of("heater"));
    let wanted = kind.heater.as_ref()?;
    if wanted.heating == Heating::Direct {
        if fields.has("heater") {
            fields.raw("heater");
            let valve = kind.name.clone();
            draft.fault(&place, FileErrorKind::NoHeater { valve });
        }
        return None;
    }
    if !fields.has("heater") {
        fields.raw("heater");
        for key in ["heater_leakage", "heater_capacitance"] {
            if fields.raw(key).is_some() {
                let fault = FileErrorKind::Needs {
                    key: key.to_owned(),
                    needs: "heater",
                };
                draft.fault(&Place::File(fields.span_of(key)), fault);
            }
        }
        return None;
    }
    if let Some(envelope) = envelope
        && !draft.heated.insert(envelope.text.clone())
    {
        let envelope = envelope.text.clone();
        draft.fault(&place, FileErrorKind::HeaterTwice { envelope });
    }
    let most = if wanted.centre_tap { 3 } else { 2 };
    let ends = nodes(fields, draft, "heater", 2, Some(most));
    let leakage = fields.value_or_assume(
        draft,
        "heater_leakage",
        Unit::Ohm,
        Bounds::Positive,
        typical_heater::LEAKAGE,
    );
    let capacitance = fields.value_or_assume(
        draft,
        "heater_capacitance",
        Unit::Farad,
        Bounds::NotNegative,
        typical_heater::CAPACITANCE,
    );
    let ends = ends?;
    for pair in ends.windows(2) {
        differ(fields, draft, pair.to_vec())?;
    }
    let wiring = HeaterWiring {
        tapped: ends.len() == 3,
        leakage,
        capacitance,
    };
    Some((wiring, ends))
}

/// Of a valve that is not known it is known all the same that it has an anode and a cathode, and a grid before its screen.
fn miss_what_any_has(fields: &mut Fields<'_>, valve: &str) {
    let lacks = [
        ("anode", !fields.has("anode") && !fields.has("anodes")),
        ("grid", fields.has("screen") && !fields.has("grid")),
        ("cathode", !fields.has("cathode") && !fields.has("filament")),
    ];
    for (electrode, _) in lacks.into_iter().filter(|(_, lacks)| *lacks) {
        let fault = FileErrorKind::MissingElectrode {
            part: fields.owner.clone(),
            valve: valve.to_owned(),
            kind: if electrode == "grid" {
                "pentode"
            } else {
                "valve"
            },
            electrode,
        };
        fields.miss_as(electrode, fault);
    }
}

/// Of a valve that is not known the electrodes are still nodes, and still good keys.
fn join_electrodes(fields: &mut Fields<'_>, draft: &mut Draft) {
    for electrode in ELECTRODES {
        if electrode == "anodes" {
            fields.list(draft, electrode);
        } else if let Some(text) = fields.text(draft, electrode) {
            draft.node(electrode, &text);
        }
    }
    for ends in ["filament", "heater"] {
        fields.list(draft, ends);
    }
    for key in ["heater_leakage", "heater_capacitance", "warm_up", "current"] {
        fields.raw(key);
    }
}

/// Counts the section, from 1 on; a double triode has no third one.
fn fill_envelope(fields: &Fields<'_>, draft: &mut Draft, kind: &ValveType, envelope: &Text) -> u32 {
    let count = draft.envelopes.entry(envelope.text.clone()).or_insert(0);
    *count += 1;
    let count = *count;
    let sections = kind.sections as usize;
    if count > sections {
        let fault = FileErrorKind::EnvelopeFull {
            envelope: envelope.text.clone(),
            valve: kind.name.clone(),
            sections,
        };
        let place = Place::File(fields.span_of("envelope"));
        draft.fault(&place, fault);
    }
    u32::try_from(count).unwrap_or(u32::MAX)
}
