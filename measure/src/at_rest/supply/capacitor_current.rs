//! Currents of capacitors over a settled period, from the currents of everything else.
//!
//! ```text
//! C·dv/dt = -f(v, i),   i_c = c (dv_a/dt - dv_b/dt)
//! ```
//!
//! Symbols   C capacitances between nodes, F;  f currents that leave the nodes by every other way, A
//! Care      differences of samples would bring the error of the steps, divided by their length, and are
//!           blunt where a rectifier starts; the sum of branch currents holds at each sample by itself. The
//!           slopes of nodes without capacitance mean nothing; no capacitor is joined to one

use nalgebra::{DMatrix, DVector, Dyn, LU};

use sim::circuit::{Circuit, PartId};
use sim::parts::Part;
use sim::system::{Formula, System, Unknown, Workspace};

/// Capacitance from every node to the chassis, F: it gives what floats a slope, and carries at most
/// 1e-12 A at the volts and the frequency of a supply.
const STRAY: f64 = 1e-18;

/// Slopes of the node voltages of a system.
pub(super) struct Slopes<'a> {
    system: &'a System,
    /// Places of node voltages in the unknowns, and back.
    nodes: Vec<usize>,
    row_of: Vec<Option<usize>>,
    capacitance: LU<f64, Dyn, Dyn>,
}

impl<'a> Slopes<'a> {
    /// Cost: nodes³.
    pub(super) fn new(system: &'a System) -> Self {
        let mut row_of = vec![None; system.len() + 1];
        let mut nodes = Vec::new();
        for (k, unknown) in system.unknowns().iter().enumerate() {
            if matches!(unknown, Unknown::Voltage(_) | Unknown::Inside(_)) {
                row_of[k] = Some(nodes.len());
                nodes.push(k);
            }
        }
        let mut matrix = DMatrix::from_diagonal_element(nodes.len(), nodes.len(), STRAY);
        for &(row, column, value) in system.stored() {
            if let (Some(row), Some(column)) = (row_of[row as usize], row_of[column as usize]) {
                matrix[(row, column)] += value;
            }
        }
        Self {
            system,
            nodes,
            row_of,
            capacitance: matrix.lu(),
        }
    }

    /// Slope of every node voltage at `x` `[n+1]`, V/s.
    pub(super) fn at(&self, x: &[f64], ws: &mut Workspace) -> DVector<f64> {
        let past = vec![0.0; self.system.len()];
        ws.x.copy_from_slice(x);
        self.system.assemble(Formula::new(0.0, &past), ws);
        let currents = self.nodes.iter().map(|&k| -ws.residual[k]);
        let currents = DVector::from_iterator(self.nodes.len(), currents);
        self.capacitance.solve(&currents).unwrap_or(currents)
    }

    /// The plates of a capacitor and its farads.
    pub(super) fn plates(&self, circuit: &Circuit, part: PartId) -> Option<Plates> {
        let placed = circuit.part(part);
        let Part::Capacitor(capacitor) = &placed.part else {
            return None;
        };
        let place = |node| self.row_of[self.system.voltage_of(node) as usize];
        // Behind its series resistance, a capacitor has a plate of its own.
        let inside = Unknown::Inside(part);
        let plate = self.system.unknowns().iter().position(|u| *u == inside);
        Some(Plates {
            farads: capacitor.c,
            first: plate.map_or_else(|| place(placed.nodes[0]), |k| self.row_of[k]),
            second: place(placed.nodes[1]),
        })
    }
}

/// Where a capacitor stands among the slopes; the chassis has none.
#[derive(Clone, Copy, Debug)]
pub(super) struct Plates {
    farads: f64,
    first: Option<usize>,
    second: Option<usize>,
}

impl Plates {
    /// Current into the first plate, A.
    pub(super) fn current(&self, slopes: &DVector<f64>) -> f64 {
        let slope = |row: Option<usize>| row.map_or(0.0, |row| slopes[row]);
        self.farads * (slope(self.first) - slope(self.second))
    }
}
