//! What is joined to the output while stability is tried: the rated load, nothing, and capacitance.
//!
//! A loudspeaker lead has nanofarads; an electrostatic loudspeaker or a crossover has microfarads. An
//! amplifier should bear them, with its load and without it.
//!
//! Source   0.1, 0.47 and 2 µF with and without the load: common practice, no source

use sim::circuit::{Circuit, NodeId, PartId};
use sim::parts::Part;

/// What stands for nothing at all, Ω: nothing flows in it, and the output keeps a path for direct
/// current where the load was the only one.
const OPEN: f64 = 1e9;

/// Designator of the capacitor that is joined across the output; no file can use it, since designators
/// there have no blanks.
const CAPACITOR: &str = "the capacitor across the output";

/// Whether a load hangs on a transformer, which must not be driven without it.
pub fn hangs_on_a_transformer(circuit: &Circuit, load: PartId) -> bool {
    let at = &circuit.part(load).nodes;
    circuit.parts().any(|(_, placed)| {
        let own = |node: &NodeId| *node != NodeId::CHASSIS && at.contains(node);
        matches!(placed.part, Part::Transformer(_)) && placed.nodes.iter().any(own)
    })
}

/// A load.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LoadCondition {
    /// True with the rated load in place, false with the output open.
    pub rated: bool,
    /// Capacitance across the output, F; zero for none.
    pub capacitance: f64,
}

impl LoadCondition {
    /// The rated load alone, then the others.
    pub const ALL: [Self; 8] = [
        Self::of(true, 0.0),
        Self::of(true, 0.1e-6),
        Self::of(true, 0.47e-6),
        Self::of(true, 2e-6),
        Self::of(false, 0.0),
        Self::of(false, 0.1e-6),
        Self::of(false, 0.47e-6),
        Self::of(false, 2e-6),
    ];

    const fn of(rated: bool, capacitance: f64) -> Self {
        Self { rated, capacitance }
    }

    /// The circuit with its load changed to this; parts and nodes keep their ids.
    ///
    /// # Panics
    /// When the circuit was changed like this before.
    #[must_use]
    pub fn of_circuit(&self, circuit: &Circuit, load: PartId) -> Circuit {
        let mut changed = circuit.clone();
        if !self.rated {
            changed.part_mut(load).part = Part::resistor(OPEN);
        }
        if self.capacitance > 0.0 {
            let at = changed.part(load).nodes.clone();
            changed
                .add(CAPACITOR, Part::capacitor(self.capacitance), &at)
                .expect("no other part has that designator");
        }
        changed
    }
}
