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

use std::sync::OnceLock;

use nalgebra::{DMatrix, DVector, Dyn, LU, Schur};

use super::run::Run;
use crate::krylov::Krylov;
use crate::system::System;
use crate::transient::sensitivity::Sensitivity;
use crate::workspace::Workspace;

/// What a cycle does to small changes of its start, ready to correct it.
#[derive(Debug)]
pub(crate) struct Monodromy {
    /// The unknowns that store something: rows and columns of M.
    stores: Vec<usize>,
    form: Form,
    /// The largest absolute eigenvalue, once it was asked for: levels hand the matrix on.
    largest: OnceLock<f64>,
}

/// A change of the start of a cycle.
#[derive(Debug)]
pub(super) struct Correction {
    /// `[states]`.
    by: Vec<f64>,
    /// The largest of it, each relative to the scale of its unknown and a hundredth of its value.
    pub(super) size: f64,
}

impl Correction {
    /// With so much of that, `[states]`, added.
    pub(super) fn with(mut self, states: &[f64], much: f64) -> Self {
        for (by, state) in self.by.iter_mut().zip(states) {
            *by += much * state;
        }
        self
    }
}

#[derive(Debug)]
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

/// Share of its value that a state may be off by like its swing: what stands still counts as it is.
const OF_VALUE: f64 = 0.01;

/// The slow states are enough when this share of the residual escapes them.
const ESCAPING: f64 = 0.02;

/// The largest eigenvalue is found when two products more move it by less than this share.
const STEADY: f64 = 1e-3;

/// What is mixed into the residual the subspace starts from, as a share of its length. The residual of a pair that
/// works in perfect symmetry has nothing of its antisymmetric states, and no product of it ever would.
const MIXED: f64 = 1e-3;

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
            largest: OnceLock::new(),
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
        let mut krylov = Krylov::new(&mixed(&scaled));
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
            let largest = largest(&projection);
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
            largest: OnceLock::new(),
        })
    }

    /// Whether its states are those of a circuit: that of a neighbour with a part more has others.
    pub(super) fn serves(&self, system: &System) -> bool {
        self.stores == Sensitivity::stores_of(system)
    }

    /// What would bring the start of the cycle just run to where the linear picture closes; none when there is no such
    /// place.
    pub(super) fn correction(&self, run: &Run<'_>, ws: &Workspace) -> Option<Correction> {
        let by = self.solve(residual(run, &self.stores, ws))?;
        let scales: Vec<f64> = run.scales().collect();
        let sizes = self.stores.iter().zip(&by);
        let size = sizes
            .map(|(&k, by)| by.abs() / (scales[k] + OF_VALUE * run.samples[0][k].abs()))
            .fold(0.0, f64::max);
        by.iter()
            .all(|by| by.is_finite())
            .then_some(Correction { by, size })
    }

    /// What the settled start moves by, `[states]`, where the end of a cycle from it moves by so much, `[n+1]`.
    pub(super) fn carries(&self, by: &[f64]) -> Option<Vec<f64>> {
        self.solve(self.stores.iter().map(|&k| by[k]).collect())
    }

    /// Moves a start, `[n+1]`, by so much of that, `[states]`.
    pub(super) fn move_by(&self, by: &[f64], much: f64, start: &mut [f64]) {
        for (&k, by) in self.stores.iter().zip(by) {
            start[k] += much * by;
        }
    }

    /// Moves the start of the next cycle by that.
    pub(super) fn correct(&self, correction: &Correction, run: &mut Run<'_>, ws: &mut Workspace) {
        let end = ws.x.clone();
        for (&k, by) in self.stores.iter().zip(&correction.by) {
            ws.x[k] = run.samples[0][k] + by;
        }
        run.corrected_from(end, ws);
    }

    /// (1 − M)⁻¹ r.
    fn solve(&self, residual: Vec<f64>) -> Option<Vec<f64>> {
        if residual.is_empty() {
            // Nothing is stored, nothing corrected; the library asks for one row.
            return Some(residual);
        }
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

    /// The largest absolute eigenvalue.
    pub(super) fn multiplier(&self) -> f64 {
        *self.largest.get_or_init(|| match &self.form {
            Form::Whole { matrix, .. } => largest(matrix),
            Form::Slow { projection, .. } => largest(projection),
        })
    }
}

/// The vector with something of every state in it: shares that have no symmetry, the fractional parts of multiples of
/// the golden ratio.
fn mixed(residual: &[f64]) -> Vec<f64> {
    const GOLDEN: f64 = 0.618_033_988_749_894_9;
    let square: f64 = residual.iter().map(|r| r * r).sum();
    let size = (square / residual.len().max(1) as f64).sqrt();
    residual
        .iter()
        .enumerate()
        .map(|(k, r)| r + MIXED * size * (2.0 * ((k + 1) as f64 * GOLDEN).fract() - 1.0))
        .collect()
}

/// The largest absolute eigenvalue.
///
/// Source   where the QR iteration does not converge: Gelfand's formula, ρ(A) = lim ‖Aᵏ‖^(1/k) (textbook), which with
///          k = 2¹⁶ is above it by no more than the logarithm of the condition of A's eigenvectors over k
fn largest(matrix: &DMatrix<f64>) -> f64 {
    if matrix.is_empty() {
        // Nothing is stored, nothing can grow; the library asks for one row.
        return 0.0;
    }
    match Schur::try_new(matrix.clone(), 1e-12, 10_000) {
        Some(schur) => schur
            .complex_eigenvalues()
            .iter()
            .map(|z| z.norm())
            .fold(0.0, f64::max),
        None => by_squaring(matrix),
    }
}

fn by_squaring(matrix: &DMatrix<f64>) -> f64 {
    const SQUARINGS: i32 = 16;
    let mut power = matrix.clone();
    // ln of the scale taken out of each power, which the next squaring doubles.
    let mut logarithm = 0.0;
    for _ in 0..=SQUARINGS {
        let size = power.norm();
        if size == 0.0 {
            return 0.0;
        }
        power /= size;
        logarithm = 2.0 * logarithm + size.ln();
        power = &power * &power;
    }
    (logarithm / f64::from(SQUARINGS).exp2()).exp()
}

/// Φ(x) − x of the cycle just run, on the states.
fn residual(run: &Run<'_>, stores: &[usize], ws: &Workspace) -> Vec<f64> {
    stores
        .iter()
        .map(|&k| ws.x[k] - run.samples[0][k])
        .collect()
}

#[cfg(test)]
mod tests {
    use super::{by_squaring, largest, mixed};
    use nalgebra::DMatrix;

    #[test]
    fn the_largest_eigenvalue_is_had_by_either_way() {
        // A rotation by 1 rad that grows by 0.999 a turn, coupled strongly to a state of 0.5: far from normal.
        let (c, s) = (0.999 * 1.0_f64.cos(), 0.999 * 1.0_f64.sin());
        let matrix = DMatrix::from_row_slice(3, 3, &[c, -s, 1e3, s, c, -1e3, 0.0, 0.0, 0.5]);
        // Rounding of the first, ln(1e3)/2¹⁶ of the second.
        assert!((largest(&matrix) - 0.999).abs() < 1e-9);
        assert!((by_squaring(&matrix) - 0.999).abs() < 2e-4);
        assert!(by_squaring(&DMatrix::zeros(2, 2)) < f64::MIN_POSITIVE);
        let shift = DMatrix::from_row_slice(2, 2, &[0.0, 1.0, 0.0, 0.0]);
        assert!(by_squaring(&shift) < f64::MIN_POSITIVE);
    }

    #[test]
    fn what_is_symmetric_is_mixed_with_what_is_not() {
        let start = mixed(&[1.0, 1.0, 0.5, 0.5]);
        assert!((start[0] - start[1]).abs() > 1e-4 && (start[2] - start[3]).abs() > 1e-4);
    }
}
