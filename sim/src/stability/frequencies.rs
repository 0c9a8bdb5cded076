//! Natural frequencies from slopes, storage and a shift.

use nalgebra::{Complex, DMatrix, Schur};

use super::Changes;
use crate::error::SimError;
use crate::system::{INSULATION, System};

/// Natural frequencies beyond this, 1/s, are of no drawing: 100 GHz.
const BEYOND: f64 = 1e12;

/// Of the circuit with these slopes, `[nnz]`, and with changes, seen from a shift σ, 1/s.
pub(super) fn frequencies_of(
    system: &System,
    slopes: &[f64],
    changes: &Changes,
    shift: f64,
) -> Result<Vec<Complex<f64>>, SimError> {
    let found = determined(system, slopes, changes, shift);
    if found.is_ok() {
        return found;
    }
    // A winding behind a bridge hangs on nothing while all four diodes are off.
    let mut tied = slopes.to_vec();
    system.tie(&mut tied, INSULATION);
    determined(system, &tied, changes, shift)
}

/// Of what these slopes determine as they are.
fn determined(
    system: &System,
    slopes: &[f64],
    changes: &Changes,
    shift: f64,
) -> Result<Vec<Complex<f64>>, SimError> {
    let mut modes = if changes.entries.is_empty() && changes.n == system.len() {
        stored_in(system, slopes, shift)?
    } else {
        stored_in_changed(system, slopes, changes, shift)?
    };
    let n = modes.nrows();
    if n == 0 {
        // Nothing stores: there is nothing to swing.
        return Ok(Vec::new());
    }
    balance(&mut modes);
    let noise = 10.0 * f64::EPSILON * n as f64 * modes.norm();
    let schur = Schur::try_new(modes, f64::EPSILON, 100 * n.max(1)).ok_or_else(|| {
        SimError::Undetermined {
            unknown: "its natural frequencies".to_owned(),
        }
    })?;
    Ok(schur
        .complex_eigenvalues()
        .iter()
        .filter(|mu| mu.norm() > CHAINED * noise)
        .map(|mu| (shift - mu.inv(), noise / mu.norm_sqr()))
        // What rounding does to s, and where no lumped part is one any more.
        .filter(|(s, rounding)| s.re.abs() > *rounding && s.norm() < BEYOND)
        .map(|(s, _)| s)
        .collect())
}

/// `[m × m]` the part of (G + σC)⁻¹C that stores: rows and columns of the `m` unknowns whose column of C is not
/// empty. The others see of it only their answer.
fn stored_in(system: &System, slopes: &[f64], shift: f64) -> Result<DMatrix<f64>, SimError> {
    let mut factors = system.factors(slopes, shift)?;
    let mut columns: Vec<Vec<(usize, f64)>> = vec![Vec::new(); system.len()];
    for &(row, column, value) in system.stored() {
        columns[column as usize].push((row as usize, value));
    }
    let stores: Vec<usize> = (0..system.len())
        .filter(|&column| !columns[column].is_empty())
        .collect();
    let mut modes = DMatrix::zeros(stores.len(), stores.len());
    let mut x = vec![0.0; system.len()];
    for (k, &column) in stores.iter().enumerate() {
        x.fill(0.0);
        for &(row, value) in &columns[column] {
            x[row] += value;
        }
        factors.solve(&mut x);
        for (l, &row) in stores.iter().enumerate() {
            modes[(l, k)] = x[row];
        }
    }
    Ok(modes)
}

/// `[n × n]` (G + σC)⁻¹C of the circuit with changes.
fn stored_in_changed(
    system: &System,
    slopes: &[f64],
    changes: &Changes,
    shift: f64,
) -> Result<DMatrix<f64>, SimError> {
    let n = changes.n;
    let dense = |values: &[f64]| {
        let mut matrix = DMatrix::zeros(n, n);
        for column in 0..system.len() {
            let start = system.pattern().column_starts[column];
            for (k, &row) in system.pattern().column(column).iter().enumerate() {
                matrix[(row, column)] = values[start + k];
            }
        }
        matrix
    };
    let mut slopes = dense(slopes);
    let mut storage = dense(system.storage().data());
    for change in &changes.entries {
        slopes[(change.row, change.column)] += change.slope;
        storage[(change.row, change.column)] += change.stored;
    }
    let shifted = slopes + shift * &storage;
    shifted
        .lu()
        .solve(&storage)
        .ok_or_else(|| SimError::Undetermined {
            unknown: "the changed circuit".to_owned(),
        })
}

/// How much further than a single one rounding moves eigenvalues μ that are zero in truth and hang
/// together in pairs, as they do where inductances meet at a node with nothing beside them: leakage in
/// series with a voice coil. Found: up to twenty times.
const CHAINED: f64 = 100.0;

/// Scales rows and columns by powers of two until their norms agree; eigenvalues stay what they are.
///
/// Source   Parlett & Reinsch, Numer. Math. 13 (1969) 293 (from memory)
fn balance(matrix: &mut DMatrix<f64>) {
    const SWEEPS: u32 = 20;
    let n = matrix.nrows();
    for _ in 0..SWEEPS {
        let mut settled = true;
        for k in 0..n {
            let off = |values: f64, own: f64| (values - own.abs()).max(0.0);
            let column = off(
                matrix.column(k).iter().map(|v| v.abs()).sum(),
                matrix[(k, k)],
            );
            let row = off(matrix.row(k).iter().map(|v| v.abs()).sum(), matrix[(k, k)]);
            if column == 0.0 || row == 0.0 {
                continue;
            }
            let exponent = (0.5 * (row / column).log2()).round();
            if exponent != 0.0 {
                settled = false;
                let factor = exponent.exp2();
                matrix.column_mut(k).scale_mut(factor);
                matrix.row_mut(k).scale_mut(1.0 / factor);
            }
        }
        if settled {
            break;
        }
    }
}
