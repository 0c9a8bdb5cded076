//! From a parts list to equations with a place for every entry.

use models::{AnyDevice, Device};
use sprs::{CsMat, TriMat};

use super::devices::{Devices, PlacedDevice};
use super::{System, UnknownId, stamps};
use crate::circuit::Circuit;
use crate::lu::{Pattern, Symbolic};

impl System {
    /// The equations of a circuit without faults.
    pub(super) fn new(circuit: &Circuit) -> Self {
        let stamps = stamps::Stamps::of(circuit);
        let n = stamps.unknowns.len();

        // One pattern for everything: linear entries, device entries, the diagonal of nodes.
        let mut shape = TriMat::<f64>::new((n, n));
        for &(row, column, _) in stamps.conductance.iter().chain(&stamps.storage) {
            shape.add_triplet(row, column, 0.0);
        }
        for (device, at) in stamps.devices.iter().map(|(_, device, at)| (device, at)) {
            for_each_entry(device, at, n, |_, row, column| {
                shape.add_triplet(row, column, 0.0);
            });
        }
        for row in 0..n {
            shape.add_triplet(row, row, 0.0);
        }
        let shape: CsMat<f64> = shape.to_csc();
        let pattern = Pattern {
            n,
            column_starts: shape.indptr().raw_storage().to_vec(),
            rows: shape.indices().to_vec(),
        };
        let fill = |entries: &[(usize, usize, f64)]| {
            let mut matrix = shape.clone();
            for &(row, column, value) in entries {
                *matrix
                    .get_mut(row, column)
                    .expect("the entry is in the pattern") += value;
            }
            matrix
        };
        let conductance = fill(&stamps.conductance);
        let storage = fill(&stamps.storage);

        let stored = storage
            .iter()
            .filter(|(value, _)| **value != 0.0)
            .map(|(value, (row, column))| (row as u32, column as u32, *value))
            .collect();

        let nnz = pattern.rows.len();
        let mut varying = vec![false; nnz];
        let mut memory = 0;
        let devices = stamps
            .devices
            .into_iter()
            .map(|(part, device, at)| {
                let local = at.len();
                let mut slots = vec![nnz as u32; local * local];
                for_each_entry(&device, &at, n, |k, row, column| {
                    let slot = find(&pattern, row, column);
                    varying[slot] = true;
                    slots[k] = slot as u32;
                });
                let start = memory;
                memory += device.memory();
                PlacedDevice {
                    device,
                    part,
                    at,
                    slots,
                    memory: start,
                }
            })
            .collect();
        let symbolic = Symbolic::analyse(&pattern, &varying)
            .expect("every row has a diagonal entry in the pattern");
        Self {
            unknowns: stamps.unknowns,
            names: stamps.names,
            nodes: stamps.nodes,
            branches: stamps.branches,
            pattern,
            conductance,
            stored,
            storage,
            devices: Devices::new(devices),
            sources: stamps.sources,
            waveforms: stamps.waveforms,
            memory,
            symbolic,
        }
    }
}

/// Calls `visit(k, row, column)` for each entry `k` of the device's pattern inside the matrix.
fn for_each_entry(
    device: &AnyDevice,
    at: &[UnknownId],
    n: usize,
    mut visit: impl FnMut(usize, usize, usize),
) {
    for (k, _) in device
        .pattern()
        .iter()
        .enumerate()
        .filter(|(_, used)| **used)
    {
        let (row, column) = (at[k / at.len()] as usize, at[k % at.len()] as usize);
        if row < n && column < n {
            visit(k, row, column);
        }
    }
}

/// Where the entry stands in the values. It is in the pattern by construction.
pub(super) fn find(pattern: &Pattern, row: usize, column: usize) -> usize {
    let start = pattern.column_starts[column];
    let offset = pattern
        .column(column)
        .binary_search(&row)
        .expect("the entry is in the pattern");
    start + offset
}
