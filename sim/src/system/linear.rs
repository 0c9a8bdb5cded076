//! The linear parts by rows: what the residual begins with.
//!
//! ```text
//! r_i = past_i + Σ_j a_ij x_j,   A = G + alpha·C
//! ```
//!
//! The pattern of the Jacobian goes by columns and has places for the devices too. By rows, without those, a row is
//! summed before it is stored.

use super::UnknownId;
use crate::lu::Pattern;

/// Where `G` or `C` is not zero.
#[derive(Clone, Debug)]
pub(super) struct LinearRows {
    /// `[n+1]` where each row starts in `entries`.
    starts: Vec<u32>,
    /// Column of each entry, and its place in the values of the Jacobian.
    entries: Vec<(UnknownId, u32)>,
}

impl LinearRows {
    /// Of `conductance` and `storage` `[nnz]` on the pattern.
    pub(super) fn of(pattern: &Pattern, conductance: &[f64], storage: &[f64]) -> Self {
        let mut rows = vec![Vec::new(); pattern.n];
        for column in 0..pattern.n {
            for place in pattern.column_starts[column]..pattern.column_starts[column + 1] {
                if conductance[place] != 0.0 || storage[place] != 0.0 {
                    rows[pattern.rows[place]].push((column as UnknownId, place as u32));
                }
            }
        }
        let mut starts = vec![0];
        for row in &rows {
            starts.push(starts[starts.len() - 1] + row.len() as u32);
        }
        Self {
            starts,
            entries: rows.concat(),
        }
    }

    /// residual ← past + A·x;  `values` `[nnz]` of A, `past` and `residual` `[n]` or longer, `x` `[n+1]`.
    pub(super) fn residual(&self, values: &[f64], x: &[f64], past: &[f64], residual: &mut [f64]) {
        let rows = self.starts.windows(2).zip(past);
        for ((ends, past), residual) in rows.zip(residual) {
            let entries = &self.entries[ends[0] as usize..ends[1] as usize];
            *residual = entries.iter().fold(*past, |sum, &(column, place)| {
                sum + values[place as usize] * x[column as usize]
            });
        }
    }
}
