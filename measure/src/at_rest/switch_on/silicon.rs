//! A circuit with silicon in the place of its rectifier valves.

use models::data::Heater;
use models::diode::Diode;

use sim::circuit::{Circuit, NodeId, PartId};
use sim::parts::{Diodes, Part};

/// Each rectifier valve replaced by silicon diodes between the same nodes, its heater or filament left as a
/// resistor, so that nothing else changes; from a filament the HT is taken at its first end. None when there
/// is no rectifier valve.
pub fn with_silicon(circuit: &Circuit) -> Option<Circuit> {
    let mut changed = circuit.clone();
    let rectifiers: Vec<PartId> = circuit
        .parts()
        .filter(|(_, placed)| {
            let valve = placed.part.valve();
            valve.is_some_and(|valve| valve.kind.model.is_rectifier())
        })
        .map(|(id, _)| id)
        .collect();
    for &id in &rectifiers {
        let placed = circuit.part(id);
        let Part::Valve(valve) = &placed.part else {
            unreachable!("only valves were taken");
        };
        let wiring = valve.wiring(&placed.nodes);
        let mut nodes = wiring.anodes.to_vec();
        nodes.push(wiring.cathode[0]);
        let diodes = match wiring.anodes {
            [_, _] => Diodes::bi_phase(Diode::silicon()),
            _ => Diodes {
                diode: Diode::silicon(),
                terminals: 2,
                junctions: vec![(0, 1)],
            },
        };
        let wire = if valve.filament {
            wiring.cathode
        } else {
            wiring.heater
        };
        let hot = valve.kind.heater.as_ref().map(Heater::hot_resistance);
        let leakage = valve.heater.map(|heater| heater.leakage);
        let mut left: Vec<(NodeId, NodeId, f64)> = Vec::new();
        if let (Some(hot), [first, .., last]) = (hot, wire) {
            let share = hot / (wire.len() - 1) as f64;
            left.extend(wire.windows(2).map(|pair| (pair[0], pair[1], share)));
            // Where the heater hangs on the cathode by its leakage alone, it still does.
            left.extend(leakage.into_iter().flat_map(|r| {
                [
                    (*first, nodes[nodes.len() - 1], r),
                    (*last, nodes[nodes.len() - 1], r),
                ]
            }));
        }
        let name = placed.name.clone();
        let there = changed.part_mut(id);
        there.part = Part::Diodes(diodes);
        there.nodes = nodes;
        for (k, (a, b, r)) in left.into_iter().enumerate() {
            let name = format!("{name} heater {}", k + 1);
            // A name with blanks is no designator of a file, and two ends of a wire differ.
            let _ = changed.add(&name, Part::resistor(r), &[a, b]);
        }
    }
    (!rectifiers.is_empty()).then_some(changed)
}
