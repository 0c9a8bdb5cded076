//! How the solution depends on where it started: the monodromy matrix, step by step.
//!
//! ```text
//! δx_0 → δq_0 = C·δx_0;  each stage:  (∂f/∂x + alpha·C) δx = −δpast,  δq = C·δx
//! ```
//!
//! Every stage of a method is linearised with the factors its Newton iteration left behind, so a
//! column costs one solve a stage. Columns belong to the unknowns that store charge or flux; the
//! others follow from them.
//!
//! Source   Aprille & Trick, Proc. IEEE 60 (1972) 108 (from memory)

use nalgebra::DMatrix;

use crate::system::System;
use crate::workspace::Workspace;

/// The derivative of charge and rate with respect to the start, column by column.
#[derive(Clone, Debug, Default)]
pub(crate) struct Sensitivity {
    n: usize,
    /// The unknowns that store something: rows and columns of the monodromy matrix.
    pub(crate) stores: Vec<usize>,
    /// `[columns][n]` each: at the start of the step, in its middle, at its end.
    start: Slopes,
    middle: Slopes,
    end: Slopes,
    x: Vec<Vec<f64>>,
}

#[derive(Clone, Debug, Default)]
struct Slopes {
    q: Vec<Vec<f64>>,
    rate: Vec<Vec<f64>>,
}

/// Which of the stored slopes a stage starts from: past = Σ weights.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Stage {
    /// Implicit Euler from the start: past = −alpha·q.
    Opening,
    /// Trapezoidal from the start to the middle: past = −alpha·q − q'.
    Middle,
    /// Second difference from start and middle: past = a·q_middle + b·q.
    End(f64, f64),
}

impl Sensitivity {
    /// Room for the whole matrix: a column for each state.
    pub(crate) fn whole(system: &System) -> Self {
        Self::new(system, None)
    }

    /// Room for one direction.
    pub(crate) fn single(system: &System) -> Self {
        Self::new(system, Some(1))
    }

    /// The unknowns that store something.
    pub(crate) fn stores_of(system: &System) -> Vec<usize> {
        system
            .storage()
            .outer_iterator()
            .enumerate()
            .filter(|(_, column)| column.iter().any(|(_, &value)| value != 0.0))
            .map(|(k, _)| k)
            .collect()
    }

    fn new(system: &System, columns: Option<usize>) -> Self {
        let n = system.len();
        let stores = Self::stores_of(system);
        let count = columns.unwrap_or(stores.len());
        let columns = || vec![vec![0.0; n]; count];
        let slopes = || Slopes {
            q: columns(),
            rate: columns(),
        };
        Self {
            n,
            start: slopes(),
            middle: slopes(),
            end: slopes(),
            x: vec![vec![0.0; n + 1]; count],
            stores,
        }
    }

    /// Back to the start of a period: δx_0 = identity on the stores.
    pub(crate) fn begin(&mut self, system: &System) {
        for (column, &store) in self.stores.iter().enumerate() {
            self.x[column].fill(0.0);
            self.x[column][store] = 1.0;
            system.charge(&self.x[column], &mut self.start.q[column]);
            self.start.rate[column].fill(0.0);
        }
    }

    /// Back to the start of a period with one change of it, `[stores]`.
    pub(crate) fn begin_along(&mut self, system: &System, direction: &[f64]) {
        let x = &mut self.x[0];
        x.fill(0.0);
        for (&store, change) in self.stores.iter().zip(direction) {
            x[store] = *change;
        }
        system.charge(x, &mut self.start.q[0]);
        self.start.rate[0].fill(0.0);
    }

    /// What became of that change, `[stores]`.
    pub(crate) fn end(&self) -> impl Iterator<Item = f64> {
        self.stores.iter().map(|&store| self.x[0][store])
    }

    /// Follows a stage just solved; the factors in `ws` are its own.
    pub(crate) fn stage(&mut self, system: &System, stage: Stage, alpha: f64, ws: &mut Workspace) {
        for column in 0..self.x.len() {
            let x = &mut self.x[column];
            let (q, rate) = (&self.start.q[column], &self.start.rate[column]);
            let into = match stage {
                Stage::Opening => {
                    for k in 0..self.n {
                        x[k] = alpha * q[k];
                    }
                    &mut self.end
                }
                Stage::Middle => {
                    for k in 0..self.n {
                        x[k] = alpha * q[k] + rate[k];
                    }
                    &mut self.middle
                }
                Stage::End(a, b) => {
                    let q_middle = &self.middle.q[column];
                    for k in 0..self.n {
                        x[k] = -(a * q_middle[k] + b * q[k]);
                    }
                    &mut self.end
                }
            };
            // δrate = alpha·δq + δpast, and x holds −δpast before the solve.
            into.rate[column].copy_from_slice(&x[..self.n]);
            ws.factors.solve(&mut x[..self.n]);
            system.charge(x, &mut into.q[column]);
            for (rate, q) in into.rate[column].iter_mut().zip(&into.q[column]) {
                *rate = alpha * q - *rate;
            }
        }
    }

    /// The step was accepted: its end is the next start.
    pub(crate) fn accept(&mut self) {
        std::mem::swap(&mut self.start, &mut self.end);
    }

    /// The monodromy matrix ∂x_end/∂x_start on the stores.
    pub(crate) fn matrix(&self) -> DMatrix<f64> {
        let m = self.stores.len();
        DMatrix::from_fn(m, m, |row, column| self.x[column][self.stores[row]])
    }
}
