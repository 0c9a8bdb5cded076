//! The circuit with one thing different: a part off its value, a fault, or a meter on a node.

use crate::at_rest::still;
use crate::instruments::varied::Quantity;
use sim::circuit::{Circuit, NodeId, PartId};
use sim::parts::{Part, Waveform};

/// What stands for a break, Ω: next to any grid leak it carries nothing.
const OPEN: f64 = 1e11;

/// What stands for a short circuit, Ω: less than any part has.
const SHORT: f64 = 1e-2;

/// What is left of the emission of a cathode that is cold or worn out.
const DEAD: f64 = 1e-4;

/// One change.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Departure {
    /// A resistance, the current of a valve at the same volts, or the volts of a source, times a ratio.
    Scale(PartId, f64),
    /// A valve whose cathode no longer emits.
    Dead(PartId),
    /// A resistor or a winding that no longer conducts.
    Open(PartId),
    /// A resistor or capacitor that conducts without resistance.
    Short(PartId),
    /// A capacitor that leaks through so many ohms.
    Leak(PartId, f64),
    /// A meter of so many ohms from a node to the chassis.
    Meter(NodeId, f64),
}

impl Departure {
    /// The circuit with it.
    pub(super) fn made(self, circuit: &Circuit) -> Circuit {
        let mut circuit = circuit.clone();
        match self {
            Self::Scale(part, ratio) if silenced(&circuit, part) => {
                still::scale(&mut circuit, ratio);
            }
            Self::Scale(part, ratio) => {
                let part = &mut circuit.part_mut(part).part;
                let quantity = Quantity::at_rest(part).unwrap_or(Quantity::Volts);
                quantity.scale(part, ratio);
            }
            Self::Dead(part) => {
                if let Part::Valve(valve) = &mut circuit.part_mut(part).part {
                    valve.scale_emission(DEAD);
                }
            }
            Self::Open(part) => match &mut circuit.part_mut(part).part {
                Part::Resistor(resistor) => resistor.r = OPEN,
                Part::Pot(pot) => pot.r = OPEN,
                Part::Inductor(inductor) => inductor.resistance = OPEN,
                Part::Capacitor(_)
                | Part::Transformer(_)
                | Part::Valve(_)
                | Part::Device(_)
                | Part::Diodes(_)
                | Part::Source(_)
                | Part::Switch(_)
                | Part::Loudspeaker(_) => {}
            },
            Self::Short(part) => match &mut circuit.part_mut(part).part {
                Part::Resistor(resistor) => resistor.r = SHORT,
                Part::Capacitor(capacitor) => capacitor.leakage = 1.0 / SHORT,
                Part::Inductor(_)
                | Part::Transformer(_)
                | Part::Valve(_)
                | Part::Device(_)
                | Part::Diodes(_)
                | Part::Source(_)
                | Part::Pot(_)
                | Part::Switch(_)
                | Part::Loudspeaker(_) => {}
            },
            Self::Leak(part, ohms) => {
                if let Part::Capacitor(capacitor) = &mut circuit.part_mut(part).part {
                    capacitor.leakage = 1.0 / ohms;
                }
            }
            Self::Meter(node, ohms) => {
                circuit
                    .add("the meter", Part::resistor(ohms), &[node, NodeId::CHASSIS])
                    .expect("no part of a file has a blank in its designator");
            }
        }
        circuit
    }
}

/// A source that gives nothing: the mains of a copy that stands still.
fn silenced(circuit: &Circuit, part: PartId) -> bool {
    let source = circuit.part(part).part.source();
    source.is_some_and(|source| source.waveform == Waveform::Dc(0.0))
}
