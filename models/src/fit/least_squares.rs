//! Least squares with priors: Levenberg's and Marquardt's damped steps, Huber's weights.

use nalgebra::{DMatrix, DVector};

use super::Parameters;
use super::figures::{compare_points, compare_row};
use super::priors::Prior;
use super::traces::Traces;
use crate::data::Point;

/// Residuals, in widths, beyond which the loss grows linearly.
const HUBER: f64 = 2.0;

/// The weighted problem at one set of logarithms.
pub(super) struct Problem<'a> {
    pub(super) points: &'a [Point],
    pub(super) traces: &'a Traces,
    pub(super) priors: Vec<Prior>,
    /// Any parameters of the law that is fitted.
    pub(super) shape: Parameters,
}

/// Where the iteration ended.
pub(super) struct Least {
    pub(super) parameters: Parameters,
    /// J'WJ there, with the priors, `[parameters · parameters]`.
    pub(super) normal: DMatrix<f64>,
    pub(super) iterations: u32,
}

impl Problem<'_> {
    fn at(&self, logs: &DVector<f64>) -> Parameters {
        let values: Vec<f64> = logs.iter().map(|log| log.exp()).collect();
        self.shape.with(&values)
    }

    /// Residuals of the figures and traced rows, then of the priors, in widths.
    fn residuals(&self, logs: &DVector<f64>) -> DVector<f64> {
        let parameters = self.at(logs);
        let mut all: Vec<f64> = compare_points(&parameters, self.points)
            .iter()
            .map(|r| r.weighted)
            .collect();
        for (index, row) in self.traces.rows.iter().enumerate() {
            all.extend(
                compare_row(&parameters, self.traces, index, row)
                    .into_iter()
                    .flatten()
                    .map(|r| r.weighted),
            );
        }
        let priors = self.priors.iter().zip(logs.iter());
        all.extend(priors.map(|(prior, log)| (log - prior.centre.ln()) / prior.width));
        DVector::from_vec(all)
    }

    /// Huber loss of the figures plus squares of the priors.
    fn loss(&self, residuals: &DVector<f64>) -> f64 {
        let figures = residuals.len() - self.priors.len();
        let huber = |r: f64| {
            if r.abs() <= HUBER {
                r * r
            } else {
                HUBER * (2.0 * r.abs() - HUBER)
            }
        };
        residuals
            .iter()
            .enumerate()
            .map(|(i, r)| if i < figures { huber(*r) } else { r * r })
            .sum()
    }

    /// Derivatives with respect to the logarithms by central differences, `[residuals · parameters]`.
    fn jacobian(&self, logs: &DVector<f64>) -> DMatrix<f64> {
        const STEP: f64 = 1e-5;
        let columns: Vec<_> = (0..logs.len())
            .map(|j| {
                let (mut up, mut down) = (logs.clone(), logs.clone());
                up[j] += STEP;
                down[j] -= STEP;
                (self.residuals(&up) - self.residuals(&down)) / (2.0 * STEP)
            })
            .collect();
        DMatrix::from_columns(&columns)
    }

    /// J'WJ and J'W r.
    fn normal(
        &self,
        logs: &DVector<f64>,
        residuals: &DVector<f64>,
    ) -> (DMatrix<f64>, DVector<f64>) {
        let figures = residuals.len() - self.priors.len();
        let weight = |i: usize, r: f64| {
            if i < figures {
                (HUBER / r.abs().max(HUBER)).sqrt()
            } else {
                1.0
            }
        };
        let weights = DVector::from_iterator(
            residuals.len(),
            residuals.iter().enumerate().map(|(i, r)| weight(i, *r)),
        );
        let mut weighted = self.jacobian(logs);
        for (mut row, w) in weighted.row_iter_mut().zip(weights.iter()) {
            row *= *w;
        }
        let right = weighted.tr_mul(&residuals.component_mul(&weights));
        (weighted.tr_mul(&weighted), right)
    }

    /// From the centre of the priors to the least loss.
    pub(super) fn solve(&self) -> Least {
        const MOST_ITERATIONS: u32 = 500;
        const DONE: f64 = 1e-10;
        let centres = self.priors.iter().map(|prior| prior.centre.ln());
        let mut logs = DVector::from_iterator(self.priors.len(), centres);
        let mut residuals = self.residuals(&logs);
        let mut loss = self.loss(&residuals);
        let (mut normal, mut right) = self.normal(&logs, &residuals);
        let mut lambda = 1e-3;
        let mut iterations = 0;
        while iterations < MOST_ITERATIONS {
            iterations += 1;
            let Some(step) = step(&normal, &right, lambda) else {
                break;
            };
            let trial = &logs + &step;
            let trial_residuals = self.residuals(&trial);
            let trial_loss = self.loss(&trial_residuals);
            if trial_loss <= loss {
                (logs, residuals, loss) = (trial, trial_residuals, trial_loss);
                (normal, right) = self.normal(&logs, &residuals);
                lambda = (lambda / 5.0).max(1e-12);
                if step.amax() < DONE {
                    break;
                }
            } else {
                lambda *= 4.0;
                if lambda > 1e12 {
                    break;
                }
            }
        }
        Least {
            parameters: self.at(&logs),
            normal,
            iterations,
        }
    }
}

/// One damped step of the re-weighted normal equations.
fn step(normal: &DMatrix<f64>, right: &DVector<f64>, lambda: f64) -> Option<DVector<f64>> {
    let mut damped = normal.clone();
    for j in 0..damped.nrows() {
        damped[(j, j)] *= 1.0 + lambda;
    }
    damped.cholesky().map(|factors| -factors.solve(right))
}

#[cfg(all(test, feature = "files"))]
mod tests {
    use super::*;
    use crate::fit::priors::{self, Expectations};
    use crate::library;

    #[test]
    fn no_step_from_the_fit_lessens_its_loss() {
        // At a minimum of the loss no parameter moved by itself lessens it. Of points beyond two widths, whose loss is
        // Huber's, there are some on most sheets.
        let (traces, expected) = (Traces::default(), Expectations::default());
        let mut beyond = 0;
        for name in ["12AT7", "6V6GT", "EL34"] {
            let valve = library::find(name).expect("it is in the library");
            let problem = Problem {
                points: &valve.points,
                traces: &traces,
                priors: priors::priors(&valve.points, &traces, valve.class, &expected),
                shape: priors::shape_of(valve.class, &expected).expect("it has a law"),
            };
            let found = problem.solve().parameters.values();
            let logs = DVector::from_iterator(found.len(), found.iter().map(|value| value.ln()));
            let least = problem.residuals(&logs);
            beyond += least.iter().filter(|r| r.abs() > HUBER).count();
            for (j, step) in (0..logs.len()).flat_map(|j| [(j, 1e-4), (j, -1e-4)]) {
                let mut moved = logs.clone();
                moved[j] += step;
                let more = problem.loss(&problem.residuals(&moved)) - problem.loss(&least);
                assert!(more >= 0.0, "{name}, {j}: {more}");
            }
        }
        assert!(beyond > 0, "nothing is weighted");
    }
}
