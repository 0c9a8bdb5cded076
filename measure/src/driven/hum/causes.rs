//! What can make an amplifier hum, as its drawing shows it.

use serde::Serialize;

use super::change::{Alteration, MIDDLE};
use crate::instruments::rails::Rail;
use sim::circuit::{Circuit, NodeId, PartId, Placed};
use sim::parts::Part;
use sim::rest::Rest;
use sim::system::System;
use sim::topology::earthed;

/// What a heater moves that stands still, V rms: by the rounding of the solve. Through 100 MΩ it is 10 fA.
const STILL: f64 = 1e-6;

/// Both ends of a filament's winding.
type Ends = (NodeId, NodeId);

/// A kind of cause.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum CauseKind {
    /// Ripple of a positive rail.
    Rail,
    /// Ripple of a negative rail.
    Bias,
    /// A filament heated by alternating current.
    Filament,
    /// All filaments on one winding.
    Filaments,
    /// Leakage and capacitance from a heater to the cathode of one section.
    Heater,
    /// A pot across a filament or a heater, off the middle of its track.
    Balance,
    /// Volts that stray fields induce in a winding.
    Stray,
}

/// A cause, and how it is switched off.
#[derive(Clone, Debug)]
pub(super) struct Cause {
    pub(super) kind: CauseKind,
    /// The node of a rail, or the part.
    pub(super) name: String,
    /// Capacitors of a rail, valves of a winding.
    pub(super) parts: Vec<String>,
    /// Place of the cause that this one is a part of.
    pub(super) within: Option<usize>,
    pub(super) off: Vec<Alteration>,
}

/// Off the middle by this share of the track a pot makes no hum worth a line.
const OFF: f64 = 1e-3;

/// All causes: rails, then filaments, cathodes over heaters, pots and windings in the order of the file.
pub(super) fn causes(
    circuit: &Circuit,
    system: &System,
    rest: &Rest,
    rails: &[Rail],
) -> Vec<Cause> {
    let mut found: Vec<Cause> = rails
        .iter()
        .map(|rail| Cause {
            kind: if rail.volts < 0.0 {
                CauseKind::Bias
            } else {
                CauseKind::Rail
            },
            name: circuit.node_name(rail.node).to_owned(),
            parts: rail.capacitors.clone(),
            within: rail.fed_by,
            off: vec![Alteration::Hold(rail.node, rail.against, rail.held)],
        })
        .collect();
    filaments(circuit, system, rest, &mut found);
    // What leaks from a heater on a winding that nothing joins to the chassis has no way back: it makes no hum.
    let earthed = earthed(circuit);
    let across = heated_by_alternating(circuit, system, rest);
    for (part, placed) in circuit.parts() {
        // Each section has a cathode of its own, wherever the heater of its envelope is drawn.
        let heater = circuit.heater_of(part).map(|owner| circuit.part(owner));
        let heater = heater.and_then(|owner| Some(owner.wiring()?.heater));
        let heater = heater.unwrap_or_default();
        let leaks = heater.iter().any(|&place| earthed[place.index()]);
        let (kind, change) = if leaks && moves(system, rest, heater) {
            (CauseKind::Heater, Alteration::Heater(part))
        } else if balances(placed, &across) {
            (CauseKind::Balance, Alteration::Balanced(part))
        } else if placed.part.catches_stray_fields() {
            (CauseKind::Stray, Alteration::Stray(part))
        } else {
            continue;
        };
        found.push(Cause {
            kind,
            name: placed.name.clone(),
            parts: Vec::new(),
            within: None,
            off: vec![change],
        });
    }
    found
}

/// Filaments of amplifying valves on alternating current; those that share a winding together first.
fn filaments(circuit: &Circuit, system: &System, rest: &Rest, found: &mut Vec<Cause>) {
    let mut windings: Vec<(Ends, Vec<(PartId, String)>)> = Vec::new();
    for (part, placed) in circuit.parts() {
        let Part::Valve(valve) = &placed.part else {
            continue;
        };
        let wiring = valve.wiring(&placed.nodes);
        let (Some(_), &[a, b]) = (wiring.grid, wiring.cathode) else {
            continue;
        };
        if !alternating(system, rest, (a, b)) {
            continue;
        }
        let ends = (a.min(b), a.max(b));
        let valve = (part, placed.name.clone());
        match windings.iter_mut().find(|(known, _)| *known == ends) {
            Some((_, valves)) => valves.push(valve),
            None => windings.push((ends, vec![valve])),
        }
    }
    for (_, valves) in windings {
        let names: Vec<String> = valves.iter().map(|(_, name)| name.clone()).collect();
        let within = (valves.len() > 1).then(|| {
            found.push(Cause {
                kind: CauseKind::Filaments,
                name: names.join(", "),
                parts: names,
                within: None,
                off: valves
                    .iter()
                    .map(|(part, _)| Alteration::Filament(*part))
                    .collect(),
            });
            found.len() - 1
        });
        for (part, name) in valves {
            found.push(Cause {
                kind: CauseKind::Filament,
                name,
                parts: Vec::new(),
                within,
                off: vec![Alteration::Filament(part)],
            });
        }
    }
}

/// Both ends of every filament and heater of an amplifying valve on alternating current.
fn heated_by_alternating(circuit: &Circuit, system: &System, rest: &Rest) -> Vec<Ends> {
    let wires = circuit.parts().filter_map(|(part, placed)| {
        let wiring = placed.wiring()?;
        wiring.grid?;
        let owner = circuit.heater_of(part).map(|owner| circuit.part(owner));
        let heater = owner.and_then(|owner| Some(owner.wiring()?.heater));
        let wire = match wiring.cathode {
            filament @ [_, _] => filament,
            _ => heater?,
        };
        let (&a, &b) = (wire.first()?, wire.get(1)?);
        let last = *wire.last()?;
        // Both halves of a wire side by side end at the middle.
        let b = if last == a { b } else { last };
        alternating(system, rest, (a, b)).then_some((a.min(b), a.max(b)))
    });
    wires.collect()
}

/// Whether a part is a pot across one of these, and stands off its middle.
fn balances(placed: &Placed, across: &[Ends]) -> bool {
    let (Part::Pot(pot), &[top, _, bottom]) = (&placed.part, placed.nodes.as_slice()) else {
        return false;
    };
    (pot.fraction - MIDDLE).abs() > OFF && across.contains(&(top.min(bottom), top.max(bottom)))
}

/// Whether what lies between two nodes alternates rather than stands.
fn alternating(system: &System, rest: &Rest, (a, b): (NodeId, NodeId)) -> bool {
    let (a, b) = (system.voltage_of(a) as usize, system.voltage_of(b) as usize);
    rest.ripple(|x| x[a] - x[b]) > rest.mean(|x| x[a] - x[b]).abs()
}

/// Whether any place of a heater that is drawn moves against the chassis, be it by its winding, by ripple of its own
/// supply or by what it is tied to; one that stands still makes no hum. The heater of a rectifier leaks into the high
/// tension.
fn moves(system: &System, rest: &Rest, heater: &[NodeId]) -> bool {
    heater.iter().any(|&place| {
        let place = system.voltage_of(place) as usize;
        rest.ripple(|x| x[place]) > STILL
    })
}
