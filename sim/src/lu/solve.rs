//! Solutions with the factors at hand.
//!
//! ```text
//! L y = P b,  U z = y,  x = Q z;     Uᵀ w = Qᵀ b,  Lᵀ v = w,  x = Pᵀ v
//! ```
//!
//! Symbols   P, Q the orders of rows and columns;  b the right side, x the solution
//! Source    Gilbert and Peierls, SIAM J. Sci. Stat. Comput. 9 (1988) 862
//! Care      the transposed solution does not conjugate
//!
//! Several right sides beside each other, `[f64; W]` for each row, cost little more than one: the factors are read
//! once, and the lanes share a vector instruction.

use super::plan::Plan;
use super::{Entry, Factors};

/// What stands in one row of a right side: a number, or several beside each other.
pub(super) trait Side<T>: Copy {
    /// self − by·other.
    #[must_use]
    fn less(self, by: T, other: Self) -> Self;
    /// by·self.
    #[must_use]
    fn times(self, by: T) -> Self;
}

impl<T: Entry> Side<T> for T {
    #[inline]
    fn less(mut self, by: T, other: Self) -> Self {
        self -= by * other;
        self
    }

    #[inline]
    fn times(self, by: T) -> Self {
        self * by
    }
}

impl<const W: usize> Side<f64> for [f64; W] {
    #[inline]
    fn less(mut self, by: f64, other: Self) -> Self {
        for (lane, other) in self.iter_mut().zip(other) {
            *lane -= by * other;
        }
        self
    }

    #[inline]
    fn times(self, by: f64) -> Self {
        self.map(|lane| lane * by)
    }
}

impl<T: Entry> Factors<T> {
    /// b ← A⁻¹ b; `b` `[n]` or longer, the first n used. O(nnz(L + U)).
    ///
    /// # Panics
    /// Without a successful factorisation, or when `b` is too short.
    pub fn solve(&mut self, b: &mut [T]) {
        self.assert_factored();
        solve(&self.plan, &self.lu, b, &mut self.scratch);
    }

    /// b ← A⁻ᵀ b; `b` `[n]` or longer, the first n used. O(nnz(L + U)).
    ///
    /// # Panics
    /// Without a successful factorisation, or when `b` is too short.
    pub fn solve_transposed(&mut self, b: &mut [T]) {
        self.assert_factored();
        solve_transposed(&self.plan, &self.lu, b, &mut self.scratch);
    }

    pub(super) fn assert_factored(&self) {
        assert!(
            self.is_factored(),
            "solve follows a successful factorisation"
        );
    }
}

impl Factors<f64> {
    /// b ← A⁻¹ b for several right sides at once; `b` `[n]` or longer, the first n used; `room` `[n]`.
    ///
    /// # Panics
    /// Without a successful factorisation, or when `b` or `room` is too short.
    pub fn solve_beside<const W: usize>(&self, b: &mut [[f64; W]], room: &mut [[f64; W]]) {
        self.assert_factored();
        solve(&self.plan, &self.lu, b, room);
    }
}

/// b ← A⁻¹ b with the factors `lu` as `plan` lays them out; `b`, `x` `[n]` or longer, `x` for scratch.
pub(super) fn solve<T: Copy, V: Side<T>>(plan: &Plan, lu: &[T], b: &mut [V], x: &mut [V]) {
    let n = plan.row_of_step.len();
    let (rows, b, x) = (&plan.rows[..], &mut b[..n], &mut x[..n]);
    for (x, &row) in x.iter_mut().zip(&plan.row_of_step) {
        *x = b[row as usize];
    }
    for (step, column) in plan.columns.iter().enumerate() {
        let y = x[step];
        for (&l, &i) in lu[column.lower()].iter().zip(&rows[column.lower()]) {
            x[i as usize] = x[i as usize].less(l, y);
        }
    }
    let back = |first: usize, last: usize, x: &mut [V]| {
        for (step, column) in plan.columns[first..last].iter().enumerate().rev() {
            let z = x[first + step].times(lu[column.pivot as usize]);
            x[first + step] = z;
            for (&u, &j) in lu[column.upper()].iter().zip(&rows[column.upper()]) {
                x[j as usize] = x[j as usize].less(u, z);
            }
        }
    };
    back(plan.head, plan.columns.len(), x);
    for (k, ends) in plan.border.windows(2).enumerate() {
        let z = x[plan.head + k];
        let upper = ends[0] as usize..ends[1] as usize;
        for (&u, &j) in lu[upper.clone()].iter().zip(&rows[upper]) {
            x[j as usize] = x[j as usize].less(u, z);
        }
    }
    back(0, plan.head, x);
    for (&x, &column) in x.iter().zip(&plan.column_of_step) {
        b[column as usize] = x;
    }
}

/// b ← A⁻ᵀ b, else as [`solve`].
pub(super) fn solve_transposed<T: Copy, V: Side<T>>(
    plan: &Plan,
    lu: &[T],
    b: &mut [V],
    x: &mut [V],
) {
    let n = plan.row_of_step.len();
    let (rows, b, x) = (&plan.rows[..], &mut b[..n], &mut x[..n]);
    for (x, &column) in x.iter_mut().zip(&plan.column_of_step) {
        *x = b[column as usize];
    }
    for (step, column) in plan.columns.iter().enumerate() {
        let mut sum = x[step];
        if let Some(k) = step.checked_sub(plan.head) {
            let upper = plan.border[k] as usize..plan.border[k + 1] as usize;
            for (&u, &j) in lu[upper.clone()].iter().zip(&rows[upper]) {
                sum = sum.less(u, x[j as usize]);
            }
        }
        for (&u, &j) in lu[column.upper()].iter().zip(&rows[column.upper()]) {
            sum = sum.less(u, x[j as usize]);
        }
        x[step] = sum.times(lu[column.pivot as usize]);
    }
    for (step, column) in plan.columns.iter().enumerate().rev() {
        let mut sum = x[step];
        for (&l, &i) in lu[column.lower()].iter().zip(&rows[column.lower()]) {
            sum = sum.less(l, x[i as usize]);
        }
        x[step] = sum;
    }
    for (&x, &row) in x.iter().zip(&plan.row_of_step) {
        b[row as usize] = x;
    }
}
