//! The rails of a supply: nodes behind a rectifier at which capacitors smooth.
//!
//! A rail is found from the rectifiers onwards, or from ideal supplies, through chokes and resistors. A node is one when direct
//! volts prevail there and a capacitor to the chassis, to a cathode or to another rail has less reactance
//! at twice the mains frequency than what feeds it has impedance. An anode behind its load resistor is
//! none: what is joined to it carries signal on.

use std::collections::VecDeque;

use sim::circuit::{Circuit, NodeId};
use sim::parts::{Part, Waveform};
use sim::rest::Rest;
use sim::system::System;

/// Least capacitance of a reservoir, F: less stands across a winding or a diode to quieten it (common
/// practice, no source).
const RESERVOIR: f64 = 0.1e-6;

/// A rail.
#[derive(Clone, Debug)]
pub(crate) struct Rail {
    pub(crate) node: NodeId,
    /// Designators of its capacitors.
    pub(crate) capacitors: Vec<String>,
    /// Place of the rail that feeds it, none behind a rectifier.
    pub(crate) fed_by: Option<usize>,
    /// What it is smoothed against: the chassis, or a cathode where all its capacitors stand on that.
    pub(crate) against: NodeId,
    /// Mean above that, V.
    pub(crate) held: f64,
    /// Mean, V.
    pub(crate) volts: f64,
    /// Rms about the mean, V.
    pub(crate) ripple: f64,
}

/// All rails, those behind rectifiers first, each after the one that feeds it.
///
/// # Arguments
/// `from` is where to look from: [`rectified`] or [`supplied`]; `mains` its frequency, Hz.
pub(crate) fn rails(
    circuit: &Circuit,
    system: &System,
    rest: &Rest,
    mains: f64,
    from: &[NodeId],
) -> Vec<Rail> {
    let omega = std::f64::consts::TAU * 2.0 * mains;
    let volts = |node: NodeId| {
        let at = system.voltage_of(node) as usize;
        (rest.mean(|x| x[at]), rest.ripple(|x| x[at]))
    };
    let held = |node: NodeId, against: NodeId| {
        let (at, from) = (system.voltage_of(node), system.voltage_of(against));
        rest.mean(|x| x[at as usize] - x[from as usize])
    };
    let mut found: Vec<Rail> = Vec::new();
    let mut seen = vec![false; circuit.node_count()];
    seen[NodeId::CHASSIS.index()] = true;
    let mut waiting: VecDeque<(NodeId, Option<usize>)> = VecDeque::new();
    for &node in from {
        let (mean, ripple) = volts(node);
        let (farads, capacitors, against) = smoothing(circuit, node, &found);
        // Where nothing smooths yet, as at the end of a winding whose current makes a bias, pulses may be more than their mean.
        let pulses = farads < RESERVOIR;
        if seen[node.index()] || (mean.abs() <= ripple && !pulses) {
            continue;
        }
        seen[node.index()] = true;
        let rail = (farads >= RESERVOIR).then(|| {
            found.push(Rail {
                node,
                capacitors,
                fed_by: None,
                against,
                held: held(node, against),
                volts: mean,
                ripple,
            });
            found.len() - 1
        });
        waiting.push_back((node, rail));
    }
    while let Some((from, feeder)) = waiting.pop_front() {
        for (node, impedance) in fed(circuit, from, omega) {
            if seen[node.index()] || carries_signal(circuit, node) {
                continue;
            }
            let (mean, ripple) = volts(node);
            let (farads, capacitors, against) = smoothing(circuit, node, &found);
            if mean.abs() > ripple && farads > 0.0 && 1.0 / (omega * farads) < impedance {
                seen[node.index()] = true;
                found.push(Rail {
                    node,
                    capacitors,
                    fed_by: feeder,
                    against,
                    held: held(node, against),
                    volts: mean,
                    ripple,
                });
                waiting.push_back((node, Some(found.len() - 1)));
            }
        }
    }
    found
}

/// Nodes of ideal supplies of direct volts, the chassis left out.
pub(crate) fn supplied(circuit: &Circuit) -> Vec<NodeId> {
    circuit
        .parts()
        .filter(|(_, placed)| {
            matches!(&placed.part, Part::Source(source)
                if matches!(source.waveform, Waveform::Dc(volts) if volts != 0.0))
        })
        .flat_map(|(_, placed)| placed.nodes.clone())
        .filter(|&node| node != NodeId::CHASSIS)
        .collect()
}

/// Nodes of rectifiers, and the other ends of the windings that feed them, where a resistor to the chassis makes a bias of
/// the current of the supply; the chassis left out.
pub(crate) fn rectified(circuit: &Circuit) -> Vec<NodeId> {
    let mut nodes = of_rectifiers(circuit);
    let own = nodes.clone();
    for (_, placed) in circuit.parts() {
        if placed.part.transformer().is_none() {
            continue;
        }
        for ends in placed.nodes.chunks_exact(2) {
            let feeds = ends.iter().any(|end| own.contains(end));
            let far = ends.iter().filter(|end| **end != NodeId::CHASSIS);
            let new: Vec<NodeId> = far.filter(|end| !nodes.contains(end)).copied().collect();
            nodes.extend(new.into_iter().filter(|_| feeds));
        }
    }
    nodes
}

fn of_rectifiers(circuit: &Circuit) -> Vec<NodeId> {
    circuit
        .parts()
        .filter(|(_, placed)| placed.part.is_rectifier())
        .flat_map(|(_, placed)| {
            placed.wiring().map_or_else(
                || placed.nodes.clone(),
                |wiring| [wiring.anodes, wiring.cathode].concat(),
            )
        })
        .filter(|&node| node != NodeId::CHASSIS)
        .collect()
}

/// Nodes behind a choke or a resistor at `from`, with its impedance, Ω.
fn fed(circuit: &Circuit, from: NodeId, omega: f64) -> Vec<(NodeId, f64)> {
    circuit
        .parts()
        .filter_map(|(_, placed)| {
            let impedance = match &placed.part {
                Part::Resistor(resistor) => resistor.r,
                Part::Inductor(inductor) => {
                    let henries = inductor
                        .linear
                        .unwrap_or_else(|| inductor.core.anhysteretic(0.0).slope.recip());
                    inductor.resistance.hypot(omega * henries)
                }
                Part::Capacitor(_)
                | Part::Transformer(_)
                | Part::Valve(_)
                | Part::Device(_)
                | Part::Diodes(_)
                | Part::Source(_)
                | Part::Pot(_)
                | Part::Switch(_)
                | Part::Loudspeaker(_) => return None,
            };
            match *placed.nodes.as_slice() {
                [a, b] if a == from => Some((b, impedance)),
                [a, b] if b == from => Some((a, impedance)),
                _ => None,
            }
        })
        .collect()
}

/// Capacitance from a node to where it stands still, F, the capacitors, and the cathode that they all stand on, or else
/// the chassis.
fn smoothing(circuit: &Circuit, node: NodeId, rails: &[Rail]) -> (f64, Vec<String>, NodeId) {
    let still = |end: NodeId| {
        end == NodeId::CHASSIS
            || rails.iter().any(|rail| rail.node == end)
            || is_electrode(circuit, end, true)
    };
    let mut farads = 0.0;
    let (mut names, mut ends) = (Vec::new(), Vec::new());
    for (_, placed) in circuit.parts() {
        if let (Part::Capacitor(capacitor), &[a, b]) = (&placed.part, placed.nodes.as_slice()) {
            let far = if a == node { b } else { a };
            if (a == node || b == node) && still(far) {
                farads += capacitor.c;
                names.push(placed.name.clone());
                ends.push(far);
            }
        }
    }
    let against = match ends.as_slice() {
        [one, others @ ..]
            if others.iter().all(|end| end == one) && is_electrode(circuit, *one, true) =>
        {
            *one
        }
        _ => NodeId::CHASSIS,
    };
    (farads, names, against)
}

/// Whether a control grid or a cathode of an amplifying valve stands there.
fn carries_signal(circuit: &Circuit, node: NodeId) -> bool {
    is_electrode(circuit, node, true) || is_electrode(circuit, node, false)
}

/// Whether the node is a cathode, or else a grid, of an amplifying valve.
fn is_electrode(circuit: &Circuit, node: NodeId, cathode: bool) -> bool {
    let mut valves = circuit.parts().filter_map(|(_, placed)| placed.wiring());
    valves.any(|wiring| {
        wiring.grid.is_some_and(|grid| {
            if cathode {
                wiring.cathode.contains(&node)
            } else {
                grid == node
            }
        })
    })
}
