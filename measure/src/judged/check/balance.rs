//! What a change does to the balance: the changed circuit solved.

use serde::Serialize;

use crate::UnderTest;
use crate::instruments::valve::ValveProbe;
use sim::System;
use sim::circuit::{Circuit, NodeId, PartId};
use sim::error::SimError;
use sim::parts::{Capacitor, Part};
use sim::small_signal::Excitation;
use sim::structure::difference;
use sim::structure::mirror::Mirror;

/// The two halves of an output stage.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Balance {
    /// Designators of the output pair.
    pub valves: [String; 2],
    /// Anode currents with no signal, A.
    pub i_a: [f64; 2],
    /// Gains from the generator to the grids at the test frequency, without sign.
    pub gain: [f64; 2],
}

impl Balance {
    /// Difference of the anode currents over their mean.
    pub fn of_currents(&self) -> f64 {
        apart(self.i_a)
    }

    /// Difference of the gains over their mean.
    pub fn of_gains(&self) -> f64 {
        apart(self.gain)
    }
}

fn apart([a, b]: [f64; 2]) -> f64 {
    let mean = 0.5 * (a + b);
    if mean.abs() < f64::MIN_POSITIVE {
        0.0
    } else {
        (a - b).abs() / mean.abs()
    }
}

/// One way to make the halves alike.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Correction {
    /// The part that is changed.
    pub part: String,
    /// The part it is made like.
    pub like: String,
    /// Its value as drawn.
    pub from: String,
    /// Its value then.
    pub to: String,
    /// The balance then; none when the circuit found no rest.
    pub balance: Option<Balance>,
}

/// The balance of an amplifier.
///
/// # Errors
/// Those of its linearisation.
pub(super) fn balance(of: &UnderTest<'_>, output: [PartId; 2]) -> Result<Balance, SimError> {
    let probes = ValveProbe::all(of.circuit, of.system);
    let current = |part: PartId| {
        let probe = probes.iter().find(|probe| probe.part == part);
        probe.map_or(0.0, |probe| of.rest.mean(|x| probe.at(x).currents.anode))
    };
    let mut linear = of.linearised();
    linear.tune(of.amplifier.bench.frequency)?;
    let x = linear.response(Excitation::Source(of.amplifier.bench.generator))?;
    let gain = |part: PartId| {
        let placed = of.circuit.part(part);
        let Part::Valve(valve) = &placed.part else {
            return 0.0;
        };
        let grid = valve.wiring(&placed.nodes).grid;
        grid.map_or(0.0, |grid| linear.voltage(&x, grid, NodeId::CHASSIS).norm())
    };
    Ok(Balance {
        valves: output.map(|part| of.circuit.part(part).name.clone()),
        i_a: output.map(current),
        gain: output.map(gain),
    })
}

/// The balance with a part made like another; none where that cannot be solved.
fn changed(of: &UnderTest<'_>, circuit: &Circuit, output: [PartId; 2]) -> Option<Balance> {
    let system = System::of(circuit).ok()?;
    let changed = UnderTest::of_circuit(of.amplifier, circuit, &system, of.tolerances).ok()?;
    balance(&changed, output).ok()
}

/// Both ways to make two parts alike, as far as the one fits where the other stands.
pub(super) fn corrections(
    of: &UnderTest<'_>,
    mirror: &Mirror,
    (p, q): (PartId, PartId),
) -> Vec<Correction> {
    let circuit = of.circuit;
    [(p, q), (q, p)]
        .into_iter()
        .filter_map(|(part, like)| {
            let mut made = circuit.clone();
            let (from, to) = (&circuit.part(part).part, &circuit.part(like).part);
            made.part_mut(part).part = made_like(from, to)?;
            Some(Correction {
                part: circuit.part(part).name.clone(),
                like: circuit.part(like).name.clone(),
                from: difference::words(from),
                to: difference::words(to),
                balance: changed(of, &made, mirror.output),
            })
        })
        .collect()
}

/// A part with the value of another; what belongs to its place stays. None for a valve of other electrodes.
fn made_like(part: &Part, like: &Part) -> Option<Part> {
    let made = match (part, like) {
        (Part::Capacitor(part), Part::Capacitor(like)) => {
            // What it loses and leaks goes with the value.
            Part::Capacitor(Capacitor {
                polar: part.polar,
                ..*like
            })
        }
        (Part::Pot(part), Part::Pot(like)) => {
            let mut part = *part;
            part.r = like.r;
            Part::Pot(part)
        }
        (Part::Valve(part), Part::Valve(like)) => {
            let mut made = part.clone();
            made.kind = like.kind.clone();
            if made.terminals() != part.terminals() {
                return None;
            }
            Part::Valve(made)
        }
        (
            _,
            Part::Resistor(_)
            | Part::Capacitor(_)
            | Part::Inductor(_)
            | Part::Transformer(_)
            | Part::Valve(_)
            | Part::Device(_)
            | Part::Diodes(_)
            | Part::Source(_)
            | Part::Pot(_)
            | Part::Switch(_)
            | Part::Loudspeaker(_),
        ) => like.clone(),
    };
    Some(made)
}
