//! The circuit with one thing different: a part off its value, a fault, or a meter on a node.

use models::data::ValveModel;

use crate::circuit::{Circuit, NodeId, PartId};
use crate::measure::hum::change::{self as valve, changed as with_changes};
use crate::parts::{Part, Waveform};

/// What stands for a break, Ω: next to any grid leak it carries nothing.
const OPEN: f64 = 1e11;

/// What stands for a short circuit, Ω: less than any part has.
const SHORT: f64 = 1e-2;

/// One change.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Change {
    /// A resistance, the current of a valve at the same volts, or the volts of a source, times a ratio.
    Scale(PartId, f64),
    /// A resistor or a winding that no longer conducts.
    Open(PartId),
    /// A resistor or capacitor that conducts without resistance.
    Short(PartId),
    /// A capacitor that leaks through so many ohms.
    Leak(PartId, f64),
    /// A meter of so many ohms from a node to the chassis.
    Meter(NodeId, f64),
}

impl Change {
    /// The circuit with it.
    pub(super) fn made(self, circuit: &Circuit) -> Circuit {
        if let Self::Scale(part, ratio) = self
            && let Part::Valve(_) = &circuit.part(part).part
        {
            return with_changes(circuit, &[valve::Change::Current(part, ratio)]);
        }
        let mut circuit = circuit.clone();
        match self {
            Self::Scale(part, ratio) => scale(&mut circuit.part_mut(part).part, ratio),
            Self::Open(part) => match &mut circuit.part_mut(part).part {
                Part::Resistor(resistor) => resistor.r = OPEN,
                Part::Pot(pot) => pot.r = OPEN,
                Part::Inductor(inductor) => inductor.resistance = OPEN,
                _ => {}
            },
            Self::Short(part) => match &mut circuit.part_mut(part).part {
                Part::Resistor(resistor) => resistor.r = SHORT,
                Part::Capacitor(capacitor) => capacitor.leakage = 1.0 / SHORT,
                _ => {}
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

/// Whether scaling the part changes volts at rest.
pub(super) fn matters(part: &Part) -> bool {
    match part {
        Part::Resistor(_) | Part::Pot(_) => true,
        Part::Inductor(inductor) => inductor.resistance > 0.0,
        Part::Transformer(transformer) => transformer.windings.iter().any(|w| w.resistance > 0.0),
        Part::Valve(valve) => matches!(
            valve.kind.model,
            ValveModel::Triode(_) | ValveModel::Pentode(_)
        ),
        _ => false,
    }
}

fn scale(part: &mut Part, ratio: f64) {
    match part {
        Part::Resistor(resistor) => resistor.r *= ratio,
        Part::Pot(pot) => pot.r *= ratio,
        Part::Inductor(inductor) => inductor.resistance *= ratio,
        Part::Transformer(transformer) => {
            for winding in &mut transformer.windings {
                winding.resistance *= ratio;
            }
        }
        Part::Source(source) => match &mut source.waveform {
            Waveform::Dc(volts) => *volts *= ratio,
            Waveform::Sine { amplitude, .. } | Waveform::Square { amplitude, .. } => {
                *amplitude *= ratio;
            }
            _ => {}
        },
        _ => {}
    }
}
