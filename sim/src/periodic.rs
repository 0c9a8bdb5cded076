//! One period of the settled circuit.
//!
//! A cycle maps the state at its start to the state at its end, x ← Φ(x); settled means Φ(x) = x.
//! Plain settling waits for the slowest time constant of bias and supply; the cycles run so far also
//! tell where they are heading, and reduced-rank extrapolation jumps there:
//!
//! ```text
//! u_j = x_{j+1} − x_j,   minimise ‖Σ γ_j u_j‖ with Σ γ_j = 1,   x ← Σ γ_j x_j
//! ```
//!
//! after which cycles are run again. What is accepted is always a cycle that was really run and
//! closes on itself; the extrapolation only shortens the way.
//!
//! Source   Mesina, Comput. Methods Appl. Mech. Eng. 10 (1977) 165; Sidi, SIAM J. Numer. Anal. 23
//!          (1986) 197 (reduced-rank extrapolation; both from memory)

use nalgebra::{DMatrix, DVector};

use crate::error::SimError;
use crate::system::{System, Workspace};
use crate::tolerances::Tolerances;
use crate::transient::{Method, Stepper};

/// How a periodic steady state is sought.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settling {
    /// Samples kept of the period; the grid of the solution.
    pub samples: usize,
    /// Change from cycle to cycle that counts as settled, relative, see [`Period::residual`].
    pub periodicity: f64,
    /// Cycles after which the search is given up.
    pub most_cycles: u32,
    /// Cycles between extrapolations; 0 settles by waiting alone.
    pub extrapolate_after: u32,
}

impl Default for Settling {
    fn default() -> Self {
        Self { samples: 256, periodicity: 1e-5, most_cycles: 3000, extrapolate_after: 8 }
    }
}

/// One settled period: every unknown at every sample.
#[derive(Clone, Debug)]
pub struct Period {
    /// Length, s.
    pub duration: f64,
    /// `[samples][n+1]` the unknowns at each grid time, the end left out.
    pub samples: Vec<Vec<f64>>,
    /// Cycles run to get there.
    pub cycles: u32,
    /// Largest change of an unknown over the last cycle, relative to its swing in the cycle plus a
    /// thousandth of its largest value.
    pub residual: f64,
}

impl Period {
    /// One unknown against time, `[samples]`.
    pub fn unknown(&self, unknown: u32) -> Vec<f64> {
        self.samples.iter().map(|x| x[unknown as usize]).collect()
    }

    /// A function of the unknowns against time, `[samples]`.
    pub fn of(&self, mut figure: impl FnMut(&[f64]) -> f64) -> Vec<f64> {
        self.samples.iter().map(|x| figure(x)).collect()
    }
}

/// Runs cycles of `duration` from `ws.x` until one closes on itself.
///
/// # Errors
/// [`SimError::NotPeriodic`] after the most cycles, [`SimError::Stuck`] when a step fails.
pub fn settle(
    system: &System,
    duration: f64,
    settling: &Settling,
    tolerances: &Tolerances,
    ws: &mut Workspace,
) -> Result<Period, SimError> {
    let n = system.len();
    let mut samples = vec![vec![0.0; n + 1]; settling.samples];
    let mut stepper = Stepper::new(system, Method::TrBdf2, *tolerances, 0.0, true, ws);
    let mut starts: Vec<DVector<f64>> = vec![DVector::from_column_slice(&ws.x[..n])];
    let mut residual = f64::INFINITY;
    let mut start_of_cycle = 0.0;
    for cycle in 1..=settling.most_cycles {
        for (k, sample) in samples.iter_mut().enumerate() {
            sample.copy_from_slice(&ws.x);
            let t = start_of_cycle + duration * ((k + 1) as f64 / settling.samples as f64);
            stepper.advance(t, ws)?;
        }
        let scales = scales(&samples, n);
        residual = (0..n)
            .map(|k| (ws.x[k] - samples[0][k]).abs() / scales[k])
            .fold(0.0, f64::max);
        if residual <= settling.periodicity {
            return Ok(Period { duration, samples, cycles: cycle, residual });
        }
        starts.push(DVector::from_column_slice(&ws.x[..n]));
        start_of_cycle = f64::from(cycle) * duration;
        if settling.extrapolate_after > 0 && starts.len() > settling.extrapolate_after as usize + 1 {
            if let Some(limit) = extrapolate(&starts[1..], &scales) {
                ws.x[..n].copy_from_slice(limit.as_slice());
                stepper.restart(start_of_cycle, ws);
            }
            starts.clear();
            starts.push(DVector::from_column_slice(&ws.x[..n]));
        }
    }
    Err(SimError::NotPeriodic { cycles: settling.most_cycles, residual })
}

/// Swing of each unknown in the cycle plus a thousandth of its largest value; `[n]`.
fn scales(samples: &[Vec<f64>], n: usize) -> Vec<f64> {
    /// Keeps unknowns that are zero throughout from dividing by nothing.
    const FLOOR: f64 = 1e-9;
    (0..n)
        .map(|k| {
            let (mut least, mut most) = (f64::INFINITY, f64::NEG_INFINITY);
            for sample in samples {
                least = least.min(sample[k]);
                most = most.max(sample[k]);
            }
            (most - least) + 1e-3 * most.abs().max(least.abs()) + FLOOR
        })
        .collect()
}

/// The limit that the states at the starts of consecutive cycles are heading for.
fn extrapolate(states: &[DVector<f64>], scales: &[f64]) -> Option<DVector<f64>> {
    /// Singular values below this share of the largest are noise of the steps.
    const NOISE: f64 = 1e-7;
    let n = scales.len();
    let count = states.len() - 1;
    let difference = |j: usize, k: usize| (states[j + 1][k] - states[j][k]) / scales[k];
    // With γ_0 = 1 − Σ_{j≥1} γ_j the constraint is gone: minimise ‖u_0 + Σ_{j≥1} γ_j (u_j − u_0)‖.
    let matrix = DMatrix::from_fn(n, count - 1, |k, j| difference(j + 1, k) - difference(0, k));
    let right = DVector::from_fn(n, |k, _| -difference(0, k));
    let svd = matrix.svd(true, true);
    let largest = svd.singular_values.max();
    let gamma = svd.solve(&right, NOISE * largest).ok()?;
    let mut limit = states[0].clone();
    for (j, weight) in gamma.iter().enumerate() {
        limit += *weight * (&states[j + 1] - &states[0]);
    }
    limit.iter().all(|value| value.is_finite()).then_some(limit)
}
