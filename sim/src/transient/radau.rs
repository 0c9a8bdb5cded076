//! One step of Radau IIA(5): three stages solved together by a full Newton iteration.
//!
//! ```text
//! f(X_i, t_i) + (1/h) Σ_j ω_ij (C·X_j − q_n) = 0,   ω = A⁻¹,   i = 1, 2, 3;   x_{n+1} = X_3
//! ```
//!
//! Symbols   A  Runge-Kutta matrix of Radau IIA(5);  X_i  unknowns at t_n + c_i h
//! Source    Hairer & Wanner, Solving Ordinary Differential Equations II, 1996, IV.5 (from memory);
//!           the order is observed by test
//! Care      Frozen Jacobians do not survive grid conduction, so every iteration factors anew: this
//!           is the method for reference solutions, not for speed.

use nalgebra::Matrix3;

use super::trail::Trail;
use crate::lu::{Factors, Pattern, Symbolic};
use crate::system::{Formula, System};
use crate::workspace::Workspace;

/// Iterations before the step is given up and halved.
const MOST_ITERATIONS: u32 = 25;

/// Abscissae of the three stages.
fn abscissae() -> [f64; 3] {
    let root = 6.0_f64.sqrt();
    [(4.0 - root) / 10.0, (4.0 + root) / 10.0, 1.0]
}

/// ω = A⁻¹
#[rustfmt::skip]
fn inverse_matrix() -> Matrix3<f64> {
    let root = 6.0_f64.sqrt();
    let a = Matrix3::new(
        (88.0 - 7.0 * root) / 360.0,     (296.0 - 169.0 * root) / 1800.0, (-2.0 + 3.0 * root) / 225.0,
        (296.0 + 169.0 * root) / 1800.0, (88.0 + 7.0 * root) / 360.0,     (-2.0 - 3.0 * root) / 225.0,
        (16.0 - root) / 36.0,            (16.0 + root) / 36.0,            1.0 / 9.0,
    );
    a.try_inverse().expect("the matrix of Radau IIA is invertible")
}

/// Work space and factors of the three-stage system.
#[derive(Clone, Debug)]
pub(super) struct Radau {
    omega: Matrix3<f64>,
    c: [f64; 3],
    pattern: Pattern,
    symbolic: Symbolic,
    factors: Factors<f64>,
    factored: bool,
    /// For entry k of the big pattern: stage row, stage column and the entry of the small pattern.
    origin: Vec<(usize, usize, usize)>,
    values: Vec<f64>,
    stage_values: [Vec<f64>; 3],
    x: [Vec<f64>; 3],
    q: [Vec<f64>; 3],
    right: Vec<f64>,
    past: Vec<f64>,
}

impl Radau {
    pub(super) fn new(system: &System) -> Self {
        let n = system.len();
        let small = system.pattern();
        // Unknowns interleaved, 3·k + stage, so that the ordering sees small dense blocks.
        let mut column_starts = vec![0];
        let mut rows = Vec::new();
        let mut origin = Vec::new();
        for column in 0..n {
            let range = small.column_starts[column]..small.column_starts[column + 1];
            for stage_column in 0..3 {
                for entry in range.clone() {
                    let stored = system.storage().data()[entry] != 0.0;
                    for stage_row in 0..3 {
                        // Off-diagonal blocks hold C alone.
                        if stage_row == stage_column || stored {
                            rows.push(3 * small.rows[entry] + stage_row);
                            origin.push((stage_row, stage_column, entry));
                        }
                    }
                }
                column_starts.push(rows.len());
            }
        }
        let pattern = Pattern {
            n: 3 * n,
            column_starts,
            rows,
        };
        let varying = vec![true; pattern.rows.len()];
        let symbolic = Symbolic::analyse(&pattern, &varying)
            .expect("every row has a diagonal entry in the pattern");
        Self {
            omega: inverse_matrix(),
            c: abscissae(),
            factors: Factors::new(&symbolic),
            values: vec![0.0; pattern.rows.len()],
            pattern,
            symbolic,
            factored: false,
            origin,
            stage_values: std::array::from_fn(|_| vec![0.0; small.rows.len()]),
            x: std::array::from_fn(|_| vec![0.0; n + 1]),
            q: std::array::from_fn(|_| vec![0.0; n]),
            right: vec![0.0; 3 * n],
            past: vec![0.0; n],
        }
    }

    /// Advances `ws.x` by `h`; on failure names the unknown that moved most.
    pub(super) fn step(
        &mut self,
        system: &System,
        (t, h): (f64, f64),
        q_old: &[f64],
        trail: &Trail,
        ws: &mut Workspace,
    ) -> Result<(), u32> {
        let n = system.len();
        for (stage, c) in self.x.iter_mut().zip(self.c) {
            stage.copy_from_slice(&ws.x);
            trail.extrapolate(t, t + c * h, stage);
        }
        let old = std::mem::take(&mut ws.x);
        ws.x = old.clone();
        let mut previous = f64::INFINITY;
        let mut worst = 0;
        for _ in 0..MOST_ITERATIONS {
            self.assemble(system, (t, h), q_old, ws);
            if let Err(at) = self.factor(ws) {
                ws.x = old;
                return Err(at);
            }
            self.factors.solve(&mut self.right);
            let mut size = 0.0_f64;
            for k in 0..n {
                for stage in 0..3 {
                    let change = self.right[3 * k + stage];
                    let scale = ws.relative * self.x[stage][k].abs() + ws.absolute[k];
                    if change.abs() / scale > size {
                        size = change.abs() / scale;
                        worst = k as u32;
                    }
                    self.x[stage][k] -= change;
                }
            }
            // Converged to tolerance, or to rounding: a small correction that no longer shrinks.
            if size <= 1.0 || (size < 1e4 && size > 0.5 * previous) {
                ws.x.copy_from_slice(&self.x[2]);
                return Ok(());
            }
            if !size.is_finite() {
                break;
            }
            previous = size;
        }
        ws.x = old;
        Err(worst)
    }

    /// Residual into `right`, Jacobian into `values`.
    fn assemble(&mut self, system: &System, (t, h): (f64, f64), q_old: &[f64], ws: &mut Workspace) {
        let n = system.len();
        for stage in 0..3 {
            self.past.fill(0.0);
            system.sources_into(t + self.c[stage] * h, 1.0, &ws.waveforms, &mut self.past);
            ws.x.copy_from_slice(&self.x[stage]);
            system.assemble(Formula::new(0.0, &self.past), ws);
            self.stage_values[stage].copy_from_slice(&ws.values[..system.entries()]);
            for k in 0..n {
                self.right[3 * k + stage] = ws.residual[k];
            }
            system.charge(&self.x[stage], &mut self.q[stage]);
            for (q, old) in self.q[stage].iter_mut().zip(q_old) {
                *q -= old;
            }
        }
        for k in 0..n {
            for i in 0..3 {
                let moved: f64 = (0..3).map(|j| self.omega[(i, j)] * self.q[j][k]).sum();
                self.right[3 * k + i] += moved / h;
            }
        }
        let storage = system.storage().data();
        for (value, &(i, j, entry)) in self.values.iter_mut().zip(&self.origin) {
            let own = if i == j {
                self.stage_values[i][entry]
            } else {
                0.0
            };
            *value = own + self.omega[(i, j)] / h * storage[entry];
        }
    }

    fn factor(&mut self, ws: &mut Workspace) -> Result<(), u32> {
        ws.counts.refactorisations += 1;
        if self.factored
            && self.factors.refactor(&self.symbolic, &self.values).is_ok()
            && self.factors.growth() <= crate::lu::GROWTH_LIMIT
        {
            return Ok(());
        }
        ws.counts.factorisations += 1;
        self.factored = false;
        self.factors
            .factor(&self.symbolic, &self.values)
            .map_err(|singular| (singular.column / 3) as u32)?;
        self.factored = true;
        debug_assert_eq!(self.pattern.n, self.right.len());
        Ok(())
    }
}
