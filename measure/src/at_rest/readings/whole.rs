//! The amplifier as drawn and at rest, and what a change makes of it: solved again in full.

use super::change::Change;
use super::points::Point;
use crate::instruments::near::Known;
use crate::instruments::valve::ValveProbe;
use sim::circuit::{Circuit, NodeId};
use sim::error::SimError;
use sim::rest::Rest;
use sim::system::{System, Workspace};
use sim::tolerances::Tolerances;

/// The amplifier as drawn.
pub(super) struct Whole<'a> {
    pub(super) circuit: &'a Circuit,
    pub(super) system: &'a System,
    pub(super) rest: Rest,
    ws: Workspace,
    tolerances: Tolerances,
}

/// What is read of one circuit.
#[derive(Clone, Debug)]
pub(super) struct Solved {
    /// V at each point.
    pub(super) volts: Vec<f64>,
    /// Anode current of each valve by its designator, A.
    pub(super) currents: Vec<(String, f64)>,
}

impl<'a> Whole<'a> {
    pub(super) fn find(
        circuit: &'a Circuit,
        system: &'a System,
        tolerances: &Tolerances,
    ) -> Result<Self, SimError> {
        let mut ws = system.workspace();
        let rest = Rest::find(system, tolerances, &mut ws)?;
        Ok(Self {
            circuit,
            system,
            rest,
            ws,
            tolerances: *tolerances,
        })
    }

    /// What there is at the points, nothing joined to them.
    pub(super) fn at(&self, points: &[Point]) -> Solved {
        read(self.circuit, self.system, &self.rest, points)
    }

    /// What a meter of so many ohms shows at a point.
    pub(super) fn loaded(&self, point: &Point, ohms: f64) -> Result<f64, SimError> {
        self.with(Change::Meter(point.node, ohms), |whole| {
            whole.at(std::slice::from_ref(point)).volts[0]
        })
    }

    /// An answer about the amplifier with a change: still circuits by Newton from here, mains-fed ones settled
    /// again.
    pub(super) fn with<T>(
        &self,
        change: Change,
        answer: impl FnOnce(&Whole<'_>) -> T,
    ) -> Result<T, SimError> {
        let circuit = change.made(self.circuit);
        let system = circuit
            .compile()
            .expect("values change and resistors come; nothing is taken away");
        let mut ws = system.workspace();
        let known = Known {
            system: self.system,
            rest: &self.rest,
            ws: &self.ws,
        };
        let rest = known.rest_of(&system, &self.tolerances, &mut ws)?;
        Ok(answer(&Whole {
            circuit: &circuit,
            system: &system,
            rest,
            ws,
            tolerances: self.tolerances,
        }))
    }

    /// Resistance that a meter sees at a node, Ω: the slope of its volts against a current drawn there; on
    /// the mains with the mean slopes of the period. None where the circuit has none at rest.
    pub(super) fn source_ohms(&self, nodes: &[NodeId]) -> Vec<Option<f64>> {
        let mut linear = self.rest.linearised(self.system, &mut self.ws.clone());
        let tuned = linear.tune(0.0).is_ok();
        nodes
            .iter()
            .map(|&node| {
                if !tuned {
                    return None;
                }
                let transfers = linear.transfers(node, NodeId::CHASSIS);
                let ohms = transfers.from_current(node, NodeId::CHASSIS).re;
                Some(ohms).filter(|ohms| ohms.is_finite())
            })
            .collect()
    }
}

fn read(circuit: &Circuit, system: &System, rest: &Rest, points: &[Point]) -> Solved {
    let volts = points
        .iter()
        .map(|point| {
            let at = system.voltage_of(point.node) as usize;
            rest.mean(|x| x[at])
        })
        .collect();
    let currents = ValveProbe::all(circuit, system)
        .iter()
        .map(|probe| {
            let current = rest.mean(|x| probe.at(x).currents.anode);
            (probe.name.clone(), current)
        })
        .collect();
    Solved { volts, currents }
}
