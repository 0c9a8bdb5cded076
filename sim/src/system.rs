//! The equations of a circuit:  f(x, t) + C·dx/dt = 0.
//!
//! ```text
//! f(x, t) = G·x + Σ devices − sources(t),   x = node voltages, branch currents, fluxes
//! ```
//!
//! Rows of nodes sum currents that leave the node, A; rows of branches sum voltages, V; the row of a
//! flux sums ampere-turns. Linear parts are summed once into `G` and `C` (sprs matrices on one
//! pattern); devices write local blocks that a slot table scatters. The chassis is unknown `n`, one
//! past the end, so the hot loop has no `if chassis`.
//!
//! Source   Ho, Ruehli & Brennan, IEEE Trans. CAS 22 (1975) 504 (modified nodal equations; from memory)

use sprs::CsMat;

use crate::circuit::{Circuit, CircuitError, NodeId, PartId};
use crate::error::SimError;
use crate::lu::{Factors, Pattern, Singular, Symbolic};
use crate::parts::Waveform;
use crate::tolerances::Tolerances;
pub use crate::workspace::Workspace;

mod assembly;
pub(crate) mod averaged;
mod devices;
mod layout;
mod stamps;

pub use assembly::Formula;
pub use devices::PlacedDevice;

use devices::Devices;

/// Conductance that ties an island to the chassis, S: the insulation of a tag board (common practice,
/// no source: above 10 GΩ). An island is a set of nodes that only capacitors or flux join to the
/// rest, such as a secondary with nothing earthed; nothing flows in the tie.
pub const INSULATION: f64 = 1e-12;

/// Conductance that ties an island to the chassis which flux alone joins to the rest, S. No current can
/// flow in it whatever it is; this one is large enough that the rounding of the amperes beside it, 1e-16
/// of them, leaves no volts to speak of (1e-13 V, where [`INSULATION`] would leave 1e-4 V).
pub const BOND: f64 = 1e-3;

/// What an unknown is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Unknown {
    /// Voltage of a node, V.
    Voltage(NodeId),
    /// Voltage of a node inside a part, V.
    Inside(PartId),
    /// Current in a part, A; the number counts windings.
    Current(PartId, usize),
    /// Flux linkage of the core of a part, Wb.
    Flux(PartId),
}

impl Unknown {
    /// Whether it is a voltage: its row then sums currents.
    pub fn is_voltage(self) -> bool {
        match self {
            Self::Voltage(_) | Self::Inside(_) => true,
            Self::Current(..) | Self::Flux(_) => false,
        }
    }
}

/// An index into the unknowns `x`.
pub type UnknownId = u32;

/// A source in its place: row of its branch.
#[derive(Clone, Debug)]
pub(crate) struct PlacedSource {
    pub(crate) part: PartId,
    pub(crate) row: UnknownId,
}

/// The equations of a circuit, laid out: immutable, shared between threads.
#[derive(Clone, Debug)]
pub struct System {
    /// `[n]`
    unknowns: Vec<Unknown>,
    /// `[n]` each unknown in words.
    names: Vec<String>,
    /// `[nodes]` the voltage of each node; `n` of the chassis.
    nodes: Vec<UnknownId>,
    /// `[parts]` the currents of the branches of each part.
    branches: Vec<Vec<UnknownId>>,
    /// Where `G`, `C` and the slopes of the devices have entries.
    pattern: Pattern,
    /// `G`.
    conductance: CsMat<f64>,
    /// `C`.
    storage: CsMat<f64>,
    /// The entries of `storage` that are not zero: row, column, value.
    stored: Vec<(u32, u32, f64)>,
    devices: Devices,
    sources: Vec<PlacedSource>,
    /// `[sources]` what each gives as drawn.
    waveforms: Vec<Waveform>,
    /// How many values the devices store, all together.
    memory: usize,
    symbolic: Symbolic,
}

impl System {
    /// The equations of a circuit. Costs the ordering of its matrix.
    ///
    /// # Errors
    /// All of [`Circuit::faults`], not the first only.
    pub fn of(circuit: &Circuit) -> Result<Self, Vec<CircuitError>> {
        let faults = circuit.faults();
        if faults.is_empty() {
            Ok(Self::new(circuit))
        } else {
            Err(faults)
        }
    }

    /// Number of unknowns, the chassis not counted.
    pub fn len(&self) -> usize {
        self.unknowns.len()
    }

    /// True when the circuit has no unknowns.
    pub fn is_empty(&self) -> bool {
        self.unknowns.is_empty()
    }

    /// Entries of the Jacobian.
    pub fn entries(&self) -> usize {
        self.pattern.rows.len()
    }

    /// What each unknown is, `[n]`.
    pub fn unknowns(&self) -> &[Unknown] {
        &self.unknowns
    }

    /// An unknown in the words of the drawing.
    pub fn name(&self, unknown: UnknownId) -> &str {
        &self.names[unknown as usize]
    }

    /// The equations with every valve cold: nothing is emitted. Cores, diodes and gas discharges stay.
    #[must_use]
    pub fn cold(&self) -> Self {
        let mut cold = self.clone();
        cold.devices.retain(|placed| !placed.device.emits());
        cold
    }

    /// Where the voltage of a node stands in `x`.
    pub fn voltage_of(&self, node: NodeId) -> UnknownId {
        self.nodes[node.index()]
    }

    /// Where the currents of a part stand in `x`: one for a source or linear inductor, one for each
    /// winding of a transformer, none for a resistor.
    pub fn currents_of(&self, part: PartId) -> &[UnknownId] {
        &self.branches[part.index()]
    }

    /// Where the flux of a part's core stands in `x`.
    pub fn flux_of(&self, part: PartId) -> Option<UnknownId> {
        self.unknowns
            .iter()
            .position(|u| *u == Unknown::Flux(part))
            .map(|k| k as u32)
    }

    /// The devices with their places.
    pub fn devices(&self) -> &[PlacedDevice] {
        &self.devices
    }

    /// The parts that are sources, in the order of [`Workspace::waveforms`]; a winding with stray volts is
    /// one, once a section.
    pub fn sources(&self) -> impl Iterator<Item = PartId> {
        self.sources.iter().map(|source| source.part)
    }

    /// Open-circuit volts of each source as drawn, in the order of [`System::sources`].
    pub fn waveforms(&self) -> &[Waveform] {
        &self.waveforms
    }

    /// Where the equation of a source stands: what is added on its right side is volts in series with it. None
    /// of a part that is no source; of one with several, such as stray volts in its windings, the first.
    pub fn source_row(&self, part: PartId) -> Option<UnknownId> {
        // They stand in the order of their parts.
        let place = self.sources.partition_point(|source| source.part < part);
        let source = self.sources.get(place).filter(|source| source.part == part);
        source.map(|source| source.row)
    }

    /// The storage matrix `C`: farads in node rows, henries in branch rows; `[n × n]`.
    pub fn storage(&self) -> &CsMat<f64> {
        &self.storage
    }

    /// The conductance matrix `G` of the linear parts, `[n × n]`.
    pub fn conductance(&self) -> &CsMat<f64> {
        &self.conductance
    }

    /// The entries of `C` that are not zero: row, column, value; F, H and turns.
    pub fn stored(&self) -> &[(u32, u32, f64)] {
        &self.stored
    }

    /// The pattern of the Jacobian.
    pub fn pattern(&self) -> &Pattern {
        &self.pattern
    }

    /// Factors of G + s·C, for the slopes G `[nnz]` of [`System::mean_slopes`]; `s` 1/s. Solutions then take
    /// amperes into nodes, volts into branches. Costs a factorisation and its pivots.
    ///
    /// # Errors
    /// [`SimError::Undetermined`] when the equations have no answer there.
    pub fn factors(&self, slopes: &[f64], s: f64) -> Result<Factors<f64>, SimError> {
        let values: Vec<f64> = slopes
            .iter()
            .zip(self.storage.data())
            .map(|(g, c)| g + s * c)
            .collect();
        let mut factors = Factors::new(&self.symbolic);
        factors
            .factor(&self.symbolic, &values)
            .map_err(|singular| self.undetermined(singular))?;
        Ok(factors)
    }

    /// No pivot was left for an unknown: nothing determines it.
    pub(crate) fn undetermined(&self, singular: Singular) -> SimError {
        SimError::Undetermined {
            unknown: self.names[singular.column].clone(),
        }
    }

    pub(crate) fn symbolic(&self) -> &Symbolic {
        &self.symbolic
    }

    /// Room for a solve, starting from nothing.
    pub fn workspace(&self) -> Workspace {
        let local = self.devices.iter().map(|d| d.at.len()).max().unwrap_or(0);
        Workspace::new(
            &self.symbolic,
            (self.devices.len(), local),
            self.waveforms.clone(),
            vec![0.0; self.memory],
        )
    }

    /// Sets how exactly `ws` solves.
    pub fn set_tolerances(&self, tolerances: &Tolerances, ws: &mut Workspace) {
        ws.relative = tolerances.newton_relative;
        for (absolute, unknown) in ws.absolute.iter_mut().zip(&self.unknowns) {
            *absolute = match unknown {
                Unknown::Voltage(_) | Unknown::Inside(_) => tolerances.newton_volts,
                Unknown::Current(..) => tolerances.newton_amps,
                Unknown::Flux(_) => tolerances.newton_webers,
            };
        }
    }
}

#[cfg(test)]
mod tests {
    use super::System;
    use crate::operating_point::operating_point;
    use crate::parts::{Capacitor, Part, Source, Waveform};
    use crate::{Circuit, CircuitError, NodeId, Tolerances};

    #[test]
    fn currents_and_factors_of_a_resistor_beside_a_capacitor() {
        let (r, c, v, s) = (47e3, 22e-9, 3.0, 500.0);
        let mut circuit = Circuit::new();
        let a = circuit.node("a");
        for (name, part) in [("R1", Part::resistor(r)), ("C1", Part::capacitor(c))] {
            circuit
                .add(name, part, &[a, NodeId::CHASSIS])
                .expect("well formed");
        }
        let system = System::of(&circuit).expect("well formed");
        let mut ws = system.workspace();
        let at = system.voltage_of(a) as usize;
        let mut x = ws.x.clone();
        x[at] = v;
        // A rounding or two.
        let leaving = system.currents(&x, &mut ws)[at];
        assert!((leaving / (v / r) - 1.0).abs() < 1e-15, "{leaving} A");
        let slopes = system.mean_slopes(&[x], &mut ws);
        let mut answer = vec![1.0; system.len()];
        system
            .factors(&slopes, s)
            .expect("it has an answer")
            .solve(&mut answer);
        let exact = 1.0 / (1.0 / r + s * c);
        assert!((answer[at] / exact - 1.0).abs() < 1e-15, "{} Ω", answer[at]);
    }

    #[test]
    fn next_to_no_resistance_inside_a_capacitor_drowns_nothing() {
        let mut circuit = Circuit::new();
        let (a, b) = (circuit.node("a"), circuit.node("b"));
        let capacitor = Part::Capacitor(Capacitor {
            c: 1e15,
            esr: 1e-19,
            leakage: 0.0,
            polar: true,
        });
        let supply = Part::Source(Source {
            waveform: Waveform::Dc(10.0),
            resistance: 0.0,
        });
        for (name, part, at) in [
            ("B1", supply, [a, NodeId::CHASSIS]),
            ("R1", Part::resistor(1e3), [a, b]),
            ("R2", Part::resistor(1e3), [b, NodeId::CHASSIS]),
            ("C1", capacitor, [b, NodeId::CHASSIS]),
        ] {
            circuit.add(name, part, &at).expect("well formed");
        }
        let system = System::of(&circuit).expect("well formed");
        let mut ws = system.workspace();
        operating_point(&system, &Tolerances::default(), &mut ws).expect("two resistors");
        let volts = ws.x[system.voltage_of(b) as usize];
        // Half of ten, to rounding.
        assert!((volts - 5.0).abs() < 1e-12, "{volts} V");
    }

    #[test]
    fn a_circuit_with_faults_has_no_equations() {
        let mut circuit = Circuit::new();
        let a = circuit.node("a");
        circuit
            .add("R1", Part::resistor(-1.0), &[a, NodeId::CHASSIS])
            .expect("its nodes are right");
        let faults = System::of(&circuit).expect_err("two faults");
        assert!(
            matches!(
                faults.as_slice(),
                [CircuitError::Value { .. }, CircuitError::UsedOnce { .. }]
            ),
            "{faults:?}"
        );
    }
}
