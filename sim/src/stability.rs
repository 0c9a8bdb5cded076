//! Whether a circuit stays at rest: its natural frequencies at an operating point.
//!
//! ```text
//! (G + s·C) x = 0   ⇔   G⁻¹C x = μ x,   s = −1/μ;   at rest only if every Re s < 0
//! ```
//!
//! Symbols   G  slopes ∂f/∂x at the operating point;  C  storage matrix;  s  natural frequency, 1/s
//! Source    linearised circuit equations; textbook
//! Care      dense, O(n³). Modes faster than rounding of G⁻¹C can tell from zero are left out: with
//!           seconds of bias time constant these lie above some hundred megahertz.

use nalgebra::{Complex, DMatrix, Schur};
use serde::Serialize;

use crate::error::SimError;
use crate::system::{System, Workspace};

/// A natural frequency that grows.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Growing {
    /// Oscillation, Hz; zero for a state that runs away without swinging.
    pub frequency: f64,
    /// Growth, 1/s: e-fold in its reciprocal.
    pub rate: f64,
}

/// Whether the operating point in `ws.x` is one the circuit stays in: an amplifier that oscillates by
/// itself is told at once and not after hundreds of cycles that never close.
///
/// # Errors
/// [`SimError::Oscillates`] when a disturbance of it grows.
pub fn rests(system: &System, ws: &Workspace) -> Result<(), SimError> {
    match growing(system, &mut ws.clone()) {
        None => Ok(()),
        Some(growing) => Err(SimError::Oscillates {
            frequency: Some(growing.frequency),
            rate: growing.rate,
        }),
    }
}

/// The fastest growing natural frequency at the solution in `ws.x`, if any grows.
pub fn growing(system: &System, ws: &mut Workspace) -> Option<Growing> {
    let x = ws.x.clone();
    growing_over(system, &[x], ws)
}

/// The same for the mean slopes of a mains period, `samples` `[samples][n+1]`.
pub fn growing_over(system: &System, samples: &[Vec<f64>], ws: &mut Workspace) -> Option<Growing> {
    let slopes = system.mean_slopes(samples, ws);
    fastest(&frequencies_of(system, &slopes, 0, &[])?)
}

/// The fastest growing of some natural frequencies s, 1/s.
pub fn fastest(modes: &[Complex<f64>]) -> Option<Growing> {
    modes
        .iter()
        .filter(|s| s.re > 0.0)
        .max_by(|a, b| a.re.total_cmp(&b.re))
        .map(|s| Growing {
            frequency: s.im.abs() / std::f64::consts::TAU,
            rate: s.re,
        })
}

/// What is added to one entry of the linearised equations.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Change {
    /// Row of the entry.
    pub row: usize,
    /// Its column.
    pub column: usize,
    /// To the slopes G.
    pub slope: f64,
    /// To the storage C.
    pub stored: f64,
}

/// All natural frequencies s, 1/s, that rounding does not hide; none when G has no inverse.
pub fn natural_frequencies(system: &System, ws: &mut Workspace) -> Option<Vec<Complex<f64>>> {
    natural_frequencies_changed(system, ws, 0, &[])
}

/// Natural frequencies with `extra` unknowns after those of the system and with changed entries.
pub fn natural_frequencies_changed(
    system: &System,
    ws: &mut Workspace,
    extra: usize,
    changes: &[Change],
) -> Option<Vec<Complex<f64>>> {
    let x = ws.x.clone();
    let slopes = system.mean_slopes(&[x], ws);
    frequencies_of(system, &slopes, extra, changes)
}

/// Of the circuit with these slopes, `[nnz]`.
fn frequencies_of(
    system: &System,
    slopes: &[f64],
    extra: usize,
    changes: &[Change],
) -> Option<Vec<Complex<f64>>> {
    let n = system.len() + extra;
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
    for change in changes {
        slopes[(change.row, change.column)] += change.slope;
        storage[(change.row, change.column)] += change.stored;
    }
    let mut modes = slopes.lu().solve(&storage)?;
    balance(&mut modes);
    let noise = 10.0 * f64::EPSILON * n as f64 * modes.norm();
    let schur = Schur::try_new(modes, f64::EPSILON, 100 * n.max(1))?;
    Some(
        schur
            .complex_eigenvalues()
            .iter()
            .filter(|mu| mu.re.abs() > noise && mu.norm() > CHAINED * noise)
            .map(|mu| -mu.inv())
            .collect(),
    )
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

#[cfg(test)]
mod tests {
    use super::{growing, natural_frequencies};
    use crate::parts::Part;
    use crate::{Circuit, NodeId};
    use models::transistor::Transistor;

    #[test]
    fn a_tuned_circuit_has_its_textbook_frequency() {
        // s = −R/2L ± √((R/2L)² − 1/LC)
        let (r, l, c) = (20.0, 1e-3, 1e-9);
        let mut circuit = Circuit::new();
        let a = circuit.node("a");
        circuit
            .add("L1", Part::inductor(l, r), &[a, NodeId::CHASSIS])
            .expect("well formed");
        circuit
            .add("C1", Part::capacitor(c), &[a, NodeId::CHASSIS])
            .expect("well formed");
        let system = circuit.compile().expect("well formed");
        let mut ws = system.workspace();
        let modes = natural_frequencies(&system, &mut ws).expect("it has a rest");
        assert_eq!(modes.len(), 2);
        let (re, im) = (
            -r / (2.0 * l),
            (1.0 / (l * c) - (r / (2.0 * l)).powi(2)).sqrt(),
        );
        for mode in modes {
            // A dozen digits: two unknowns, rounding of a square root near 1e6.
            assert!((mode.re / re - 1.0).abs() < 1e-9, "{mode}");
            assert!((mode.im.abs() / im - 1.0).abs() < 1e-12, "{mode}");
        }
        assert_eq!(growing(&system, &mut ws), None);
    }

    #[test]
    fn a_feedback_pair_runs_away_at_its_textbook_rate() {
        // Each collector drives the other base across R ‖ C: with slopes g at rest and base currents left
        // out, C s = −1/R ± g, so the antisymmetric mode grows at (gR − 1)/RC.
        let (r, c, i_s, v_t) = (1e3, 1e-6, 1e-4, 0.025);
        let mut circuit = Circuit::new();
        let (a, b) = (circuit.node("a"), circuit.node("b"));
        for (name, at) in [("A", a), ("B", b)] {
            let part = Part::resistor(r);
            circuit
                .add(&format!("R{name}"), part, &[at, NodeId::CHASSIS])
                .expect("well formed");
            circuit
                .add(
                    &format!("C{name}"),
                    Part::capacitor(c),
                    &[at, NodeId::CHASSIS],
                )
                .expect("well formed");
        }
        let transistor = || {
            Part::Device(
                Transistor {
                    alpha: 1.0,
                    i_s,
                    v_t,
                }
                .into(),
            )
        };
        circuit
            .add("Q1", transistor(), &[a, b, NodeId::CHASSIS])
            .expect("well formed");
        circuit
            .add("Q2", transistor(), &[b, a, NodeId::CHASSIS])
            .expect("well formed");
        let system = circuit.compile().expect("well formed");
        let mut ws = system.workspace();
        let found = growing(&system, &mut ws).expect("gR is 4");
        let exact = (i_s / v_t * r - 1.0) / (r * c);
        assert!(
            (found.rate / exact - 1.0).abs() < 1e-9,
            "{found:?}, not {exact}"
        );
        assert!(found.frequency.abs() < 1e-6, "it does not swing: {found:?}");
    }
}
