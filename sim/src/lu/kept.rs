//! The factors of many matrices of one pattern, kept side by side: the steps of a cycle, to go through it again.
//!
//! Care   a layout is kept once for all matrices that share it; `8·entries` bytes for each matrix beside it

use super::Factors;
use super::pivot::Choice;
use super::plan::Plan;
use super::solve;

/// Factors of matrices in the order in which they were kept.
#[derive(Clone, Debug, Default)]
pub struct KeptFactors {
    layouts: Vec<(Choice, Plan)>,
    /// By matrix: its layout, and where its entries begin.
    places: Vec<(usize, usize)>,
    lu: Vec<f64>,
}

impl KeptFactors {
    /// Keeps the factors as they stand.
    ///
    /// # Panics
    /// Without a successful factorisation.
    pub fn keep(&mut self, factors: &Factors<f64>) {
        factors.assert_factored();
        let known = self
            .layouts
            .last()
            .is_some_and(|(c, _)| *c == factors.choice);
        if !known {
            let layout = (factors.choice.clone(), factors.plan.clone());
            self.layouts.push(layout);
        }
        self.places.push((self.layouts.len() - 1, self.lu.len()));
        self.lu.extend_from_slice(&factors.lu);
    }

    /// b ← A⁻¹ b with matrix number `k`; `b`, `room` `[n]` or longer, `room` for scratch.
    ///
    /// # Panics
    /// When there is no such matrix, or `b` or `room` is too short.
    pub fn solve<const W: usize>(&self, k: usize, b: &mut [[f64; W]], room: &mut [[f64; W]]) {
        let (plan, lu) = self.of(k);
        solve::solve(plan, lu, b, room);
    }

    /// b ← A⁻ᵀ b, else as [`KeptFactors::solve`].
    ///
    /// # Panics
    /// As [`KeptFactors::solve`].
    pub fn solve_transposed<const W: usize>(
        &self,
        k: usize,
        b: &mut [[f64; W]],
        room: &mut [[f64; W]],
    ) {
        let (plan, lu) = self.of(k);
        solve::solve_transposed(plan, lu, b, room);
    }

    fn of(&self, k: usize) -> (&Plan, &[f64]) {
        let (layout, start) = self.places[k];
        (&self.layouts[layout].1, &self.lu[start..])
    }
}
