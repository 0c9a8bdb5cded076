//! The monodromy matrix M = ∂Φ/∂x of a cycle, and the corrections of its start.
//!
//! ```text
//! (1 − M) d = Φ(x) − x
//! ```
//!
//! With few states M is made whole. With many, most of what is put in is gone after a cycle and only a
//! handful of slow states (bias, supply) come back; these are found as a Krylov subspace, corrected by
//! Newton's method, and the rest by the cycle itself.
//!
//! Symbols   M `[states × states]`;  V basis of the slow states;  H = VᵀMV
//! Source    whole: Aprille & Trick, Proc. IEEE 60 (1972) 108;  products of M: Telichevesky, Kundert &
//!           White, Proc. DAC 1995, 480;  slow part: Shroff & Keller, SIAM J. Numer. Anal. 30 (1993)
//!           1099 (all from memory)

use nalgebra::{DMatrix, DVector, Dyn, LU, Schur};

use super::run::Run;
use crate::krylov::Krylov;
use crate::transient::sensitivity::Sensitivity;
use crate::workspace::Workspace;

/// What a cycle does to small changes of its start, ready to correct it.
pub(super) struct Monodromy {
    /// The unknowns that store something: rows and columns of M.
    stores: Vec<usize>,
    form: Form,
}

enum Form {
    Whole {
        matrix: DMatrix<f64>,
        factors: LU<f64, Dyn, Dyn>,
    },
    Slow {
        krylov: Krylov,
        projection: DMatrix<f64>,
        factors: LU<f64, Dyn, Dyn>,
        /// `[states]` swing of each state, the unit it is measured in.
        scales: Vec<f64>,
    },
}

/// The slow states are enough when this share of the residual escapes them.
const ESCAPING: f64 = 0.02;

/// The largest eigenvalue is found when two products more move it by less than this share.
const STEADY: f64 = 1e-3;

/// Slow states sought at most; an amplifier has a bias or supply time constant for each capacitor that
/// is large for the period.
const MOST_SLOW: usize = 60;

impl Monodromy {
    /// The whole matrix from a sensitivity that has followed the cycle from the identity.
    pub(super) fn whole(sensitivity: &Sensitivity) -> Option<Self> {
        let matrix = sensitivity.matrix();
        let factors = (DMatrix::identity(matrix.nrows(), matrix.ncols()) - &matrix).lu();
        (factors.is_invertible() && matrix.iter().all(|value| value.is_finite())).then(|| Self {
            stores: sensitivity.stores.clone(),
            form: Form::Whole { matrix, factors },
        })
    }

    /// The slow part, as far as it takes part in the residual of the cycle just run.
    pub(super) fn slow(run: &mut Run<'_>, ws: &mut Workspace) -> Option<Self> {
        let mut sensitivity = Sensitivity::single(run.system);
        let stores = sensitivity.stores.clone();
        let all: Vec<f64> = run.scales().collect();
        let scales: Vec<f64> = stores.iter().map(|&k| all[k]).collect();
        let residual = residual(run, &stores, ws);
        let scaled: Vec<f64> = residual.iter().zip(&scales).map(|(r, s)| r / s).collect();
        let mut krylov = Krylov::new(&scaled);
        let mut factors = None;
        let mut before = [f64::INFINITY; 2];
        while krylov.products() < MOST_SLOW {
            let Some(next) = krylov.next() else { break };
            let direction: Vec<f64> = next.iter().zip(&scales).map(|(v, s)| v * s).collect();
            sensitivity.begin_along(run.system, &direction);
            run.carry(&mut sensitivity, ws).ok()?;
            let product: Vec<f64> = sensitivity.end().zip(&scales).map(|(v, s)| v / s).collect();
            if product.iter().any(|value| !value.is_finite()) {
                return None;
            }
            krylov.push(product);
            let m = krylov.products();
            let projection = krylov.projection();
            let solved = (DMatrix::identity(m, m) - &projection).lu();
            let escaping = solved
                .solve(&krylov.along(&scaled))
                .map_or(f64::INFINITY, |y| krylov.escaping(&y));
            // Before it has found its eigenvalue the projection of a matrix far from normal may show one
            // above any that the matrix has.
            let largest = largest(&projection).unwrap_or(f64::INFINITY);
            let steady = before.iter().all(|b| (b / largest - 1.0).abs() < STEADY);
            before = [before[1], largest];
            factors = solved.is_invertible().then_some((projection, solved));
            if escaping <= ESCAPING && steady {
                break;
            }
        }
        let (projection, factors) = factors?;
        Some(Self {
            stores,
            form: Form::Slow {
                krylov,
                projection,
                factors,
                scales,
            },
        })
    }

    /// Moves the start of the next cycle to where the linear picture closes; false when it cannot.
    pub(super) fn correct(&self, run: &mut Run<'_>, ws: &mut Workspace) -> bool {
        let Some(correction) = self.solve(residual(run, &self.stores, ws)) else {
            return false;
        };
        if correction.iter().any(|value| !value.is_finite()) {
            return false;
        }
        let end = ws.x.clone();
        for (&k, correction) in self.stores.iter().zip(&correction) {
            ws.x[k] = run.samples[0][k] + correction;
        }
        run.corrected_from(end, ws);
        true
    }

    /// (1 − M)⁻¹ r.
    fn solve(&self, residual: Vec<f64>) -> Option<Vec<f64>> {
        match &self.form {
            Form::Whole { factors, .. } => factors
                .solve(&DVector::from_vec(residual))
                .map(|d| d.as_slice().to_vec()),
            Form::Slow {
                krylov,
                factors,
                scales,
                ..
            } => {
                let mut d: Vec<f64> = residual.iter().zip(scales).map(|(r, s)| r / s).collect();
                let along = krylov.along(&d);
                let slow = factors.solve(&along)?;
                // What lies outside the subspace is taken as gone after the cycle.
                krylov.add(&(slow - along), &mut d);
                for (d, scale) in d.iter_mut().zip(scales) {
                    *d *= scale;
                }
                Some(d)
            }
        }
    }

    /// The largest eigenvalue, if the iteration for it converges.
    pub(super) fn multiplier(&self) -> Option<f64> {
        let matrix = match &self.form {
            Form::Whole { matrix, .. } => matrix,
            Form::Slow { projection, .. } => projection,
        };
        largest(matrix)
    }
}

/// The largest absolute eigenvalue, if the iteration for it converges.
fn largest(matrix: &DMatrix<f64>) -> Option<f64> {
    if matrix.is_empty() {
        // Nothing is stored, nothing can grow; the library asks for one row.
        return Some(0.0);
    }
    let schur = Schur::try_new(matrix.clone(), 1e-12, 10_000)?;
    schur
        .complex_eigenvalues()
        .iter()
        .map(|z| z.norm())
        .reduce(f64::max)
}

/// Φ(x) − x of the cycle just run, on the states.
fn residual(run: &Run<'_>, stores: &[usize], ws: &Workspace) -> Vec<f64> {
    stores
        .iter()
        .map(|&k| ws.x[k] - run.samples[0][k])
        .collect()
}
