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

/// Columns that are followed beside each other: one solution with the factors serves all of them.
const BESIDE: usize = 8;

/// So many columns, `[n]` or `[n+1]`.
type Columns = Vec<[f64; BESIDE]>;

/// The derivative of charge and rate with respect to the start, column by column.
#[derive(Clone, Debug, Default)]
pub(crate) struct Sensitivity {
    n: usize,
    /// The unknowns that store something: rows and columns of the monodromy matrix.
    pub(crate) stores: Vec<usize>,
    /// `[columns / BESIDE][n]` each: at the start of the step, in its middle, at its end.
    start: Slopes,
    middle: Slopes,
    end: Slopes,
    x: Vec<Columns>,
    /// `[n]` Scratch of solutions.
    room: Columns,
}

#[derive(Clone, Debug, Default)]
struct Slopes {
    q: Vec<Columns>,
    rate: Vec<Columns>,
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
        let blocks = columns.unwrap_or(stores.len()).div_ceil(BESIDE);
        let columns = |rows: usize| vec![vec![[0.0; BESIDE]; rows]; blocks];
        let slopes = || Slopes {
            q: columns(n),
            rate: columns(n),
        };
        Self {
            n,
            start: slopes(),
            middle: slopes(),
            end: slopes(),
            x: columns(n + 1),
            room: vec![[0.0; BESIDE]; n],
            stores,
        }
    }

    /// Back to the start of a period: δx_0 = identity on the stores.
    pub(crate) fn begin(&mut self, system: &System) {
        for (block, stores) in self.stores.chunks(BESIDE).enumerate() {
            let x = &mut self.x[block];
            x.fill([0.0; BESIDE]);
            for (lane, &store) in stores.iter().enumerate() {
                x[store][lane] = 1.0;
            }
            system.charge_beside(x, &mut self.start.q[block]);
            self.start.rate[block].fill([0.0; BESIDE]);
        }
    }

    /// Back to the start of a period with one change of it, `[stores]`.
    pub(crate) fn begin_along(&mut self, system: &System, direction: &[f64]) {
        let x = &mut self.x[0];
        x.fill([0.0; BESIDE]);
        for (&store, change) in self.stores.iter().zip(direction) {
            x[store][0] = *change;
        }
        system.charge_beside(x, &mut self.start.q[0]);
        self.start.rate[0].fill([0.0; BESIDE]);
    }

    /// What became of that change, `[stores]`.
    pub(crate) fn end(&self) -> impl Iterator<Item = f64> {
        self.stores.iter().map(|&store| self.x[0][store][0])
    }

    /// Follows a stage just solved; the factors in `ws` are its own.
    pub(crate) fn stage(&mut self, system: &System, stage: Stage, alpha: f64, ws: &Workspace) {
        for block in 0..self.x.len() {
            let x = &mut self.x[block];
            let (q, rate) = (&self.start.q[block], &self.start.rate[block]);
            // x holds −δpast before the solve.
            let into = match stage {
                Stage::Opening => {
                    for (x, q) in x.iter_mut().zip(q) {
                        *x = q.map(|q| alpha * q);
                    }
                    &mut self.end
                }
                Stage::Middle => {
                    for ((x, q), rate) in x.iter_mut().zip(q).zip(rate) {
                        for ((x, q), rate) in x.iter_mut().zip(q).zip(rate) {
                            *x = alpha * q + rate;
                        }
                    }
                    &mut self.middle
                }
                Stage::End(a, b) => {
                    for ((x, middle), q) in x.iter_mut().zip(&self.middle.q[block]).zip(q) {
                        for ((x, middle), q) in x.iter_mut().zip(middle).zip(q) {
                            *x = -(a * middle + b * q);
                        }
                    }
                    &mut self.end
                }
            };
            // δrate = alpha·δq + δpast.
            let (q, rate) = (&mut into.q[block], &mut into.rate[block]);
            rate.copy_from_slice(&x[..self.n]);
            ws.factors.solve_beside(&mut x[..self.n], &mut self.room);
            system.charge_beside(x, q);
            for (rate, q) in rate.iter_mut().zip(q) {
                for (rate, q) in rate.iter_mut().zip(q) {
                    *rate = alpha * *q - *rate;
                }
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
        DMatrix::from_fn(m, m, |row, column| {
            self.x[column / BESIDE][self.stores[row]][column % BESIDE]
        })
    }
}
