//! Switching a cause of hum off: the same circuit with one thing silenced, solved again.
//!
//! - A rail is held at its mean volts by an ideal source in place: what it feeds sees the same direct
//!   volts, and no ripple. A screen that is smoothed to its cathode is held against the cathode: against the chassis
//!   feedback to that cathode would see another valve, and may oscillate.
//! - A filament is taken as two halves in series, and the whole cathode as its middle: the winding carries
//!   the same current, the mean volts between grid and cathode stay, and no place of the cathode swings
//!   against another. (Its current finds the way to the ends through a quarter of the filament's ohms:
//!   millivolts of bias.)
//! - A heater keeps its current and loses leakage and capacitance to one cathode.
//! - A pot across a filament or heater stands in the middle of its track.
//! - Stray volts of a winding are none.
//! - A valve out of balance carries more or less current at the same volts.

use sim::circuit::{Circuit, NodeId, PartId};
use sim::parts::{Part, Source, Waveform};

/// Resistance of the source that holds a rail, Ω: less than any joint; some, so that two rails joined by a
/// choke without resistance close no loop of nothing.
const HOLD: f64 = 1e-6;

/// Share of the track at which a pot balances what lies across it.
pub(super) const MIDDLE: f64 = 0.5;

/// One change.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Alteration {
    /// A node held at that many volts above another.
    Hold(NodeId, NodeId, f64),
    /// A filament taken at its middle.
    Filament(PartId),
    /// Nothing leaks to the cathode of this valve line.
    Heater(PartId),
    /// A pot in the middle of its track.
    Balanced(PartId),
    /// A winding without stray volts.
    Stray(PartId),
    /// A valve's current times a ratio.
    Current(PartId, f64),
}

/// The circuit with changes made; parts and nodes keep their ids, new ones follow.
///
/// Designators of parts that are added have blanks, so that no file can use them.
pub(crate) fn changed(circuit: &Circuit, changes: &[Alteration]) -> Circuit {
    let mut circuit = circuit.clone();
    for change in changes {
        match *change {
            Alteration::Hold(node, against, volts) => {
                let name = held(&circuit, node);
                add(
                    &mut circuit,
                    &name,
                    Part::Source(Source {
                        waveform: Waveform::Dc(volts),
                        resistance: HOLD,
                    }),
                    &[node, against],
                );
            }
            Alteration::Filament(part) => take_at_its_middle(&mut circuit, part),
            Alteration::Heater(part) => {
                if let Part::Valve(valve) = &mut circuit.part_mut(part).part {
                    valve.insulated = true;
                }
            }
            Alteration::Balanced(part) => {
                if let Part::Pot(pot) = &mut circuit.part_mut(part).part {
                    pot.fraction = MIDDLE;
                }
            }
            Alteration::Stray(part) => circuit.part_mut(part).part.screen_from_stray_fields(),
            Alteration::Current(part, ratio) => {
                if let Part::Valve(valve) = &mut circuit.part_mut(part).part {
                    valve.scale_current(ratio);
                }
            }
        }
    }
    circuit
}

/// Designator of the source that holds a node.
pub(super) fn held(circuit: &Circuit, node: NodeId) -> String {
    format!("what holds {}", circuit.node_name(node))
}

fn add(circuit: &mut Circuit, name: &str, part: Part, at: &[NodeId]) -> PartId {
    circuit
        .add(name, part, at)
        .expect("no part of a file has such a designator")
}

fn take_at_its_middle(circuit: &mut Circuit, part: PartId) {
    let placed = circuit.part(part).clone();
    let Part::Valve(mut valve) = placed.part else {
        return;
    };
    let (Some(heater), &[.., first, second]) = (&valve.kind.heater, placed.nodes.as_slice()) else {
        return;
    };
    let half = 0.5 * heater.hot_resistance();
    let middle = circuit.node(&format!("the middle of the filament of {}", placed.name));
    for (k, end) in [first, second].into_iter().enumerate() {
        let name = format!("half {} of the filament of {}", k + 1, placed.name);
        add(circuit, &name, Part::resistor(half), &[end, middle]);
    }
    valve.filament = false;
    let changed = circuit.part_mut(part);
    changed.part = Part::Valve(valve);
    changed.nodes.truncate(placed.nodes.len() - 2);
    changed.nodes.push(middle);
}

#[cfg(test)]
mod tests {
    use super::{Alteration, changed};
    use crate::drawn;

    #[test]
    fn a_filament_taken_at_its_middle_keeps_its_resistance() {
        // The winding is to carry the current it carried: 2.5 V and 2.5 A of a 2A3, one ohm from end to end.
        let parts = r#"V1 = { valve = "2A3", anode = "ht", grid = "g", filament = ["f1", "f2"] }
HT = { supply = "250V", positive = "ht", negative = "chassis" }
H1 = { ac_supply = "2.5V", frequency = "50Hz", between = ["f1", "f2"] }
R1 = { resistor = "750R", between = ["f1", "chassis"] }
RL = { resistor = "1k", between = ["g", "chassis"] }"#;
        let amplifier = drawn::amplifier(parts, ("g", "600R"), "RL");
        let valve = amplifier.circuit.find_part("V1").unwrap();
        let made = changed(&amplifier.circuit, &[Alteration::Filament(valve)]);
        let halves = made
            .parts()
            .filter(|(_, placed)| placed.name.starts_with("half "));
        let ohms: Vec<f64> = halves
            .filter_map(|(_, placed)| placed.part.ohms())
            .collect();
        assert_eq!(ohms.len(), 2);
        assert!((ohms.iter().sum::<f64>() - 1.0).abs() < 1e-12, "{ohms:?}");
    }
}
