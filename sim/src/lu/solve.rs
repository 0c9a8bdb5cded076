//! Solutions with the factors at hand.
//!
//! ```text
//! L y = P b,  U z = y,  x = Q z;     Uᵀ w = Qᵀ b,  Lᵀ v = w,  x = Pᵀ v
//! ```
//!
//! Symbols   P, Q the orders of rows and columns;  b the right side, x the solution
//! Source    Gilbert and Peierls, SIAM J. Sci. Stat. Comput. 9 (1988) 862
//! Care      the transposed solution does not conjugate

use super::{Entry, Factors};

impl<T: Entry> Factors<T> {
    /// b ← A⁻¹ b; `b` `[n]` or longer, the first n used. O(nnz(L + U)).
    ///
    /// # Panics
    /// Without a successful factorisation, or when `b` is too short.
    pub fn solve(&mut self, b: &mut [T]) {
        assert!(
            self.is_factored(),
            "solve follows a successful factorisation"
        );
        let plan = &self.plan;
        let (rows, lu, x) = (&plan.rows[..], &self.lu[..], &mut self.scratch[..]);
        let b = &mut b[..plan.row_of_step.len()];
        for (x, &row) in x.iter_mut().zip(&plan.row_of_step) {
            *x = b[row as usize];
        }
        for (step, column) in plan.columns.iter().enumerate() {
            let y = x[step];
            for (&l, &i) in lu[column.lower()].iter().zip(&rows[column.lower()]) {
                x[i as usize] -= l * y;
            }
        }
        let back = |first: usize, last: usize, x: &mut [T]| {
            for (step, column) in plan.columns[first..last].iter().enumerate().rev() {
                let z = x[first + step] * lu[column.pivot as usize];
                x[first + step] = z;
                for (&u, &j) in lu[column.upper()].iter().zip(&rows[column.upper()]) {
                    x[j as usize] -= u * z;
                }
            }
        };
        back(plan.head, plan.columns.len(), x);
        for (k, ends) in plan.border.windows(2).enumerate() {
            let z = x[plan.head + k];
            let upper = ends[0] as usize..ends[1] as usize;
            for (&u, &j) in lu[upper.clone()].iter().zip(&rows[upper]) {
                x[j as usize] -= u * z;
            }
        }
        back(0, plan.head, x);
        for (&x, &column) in x.iter().zip(&plan.column_of_step) {
            b[column as usize] = x;
        }
    }

    /// b ← A⁻ᵀ b; `b` `[n]` or longer, the first n used. O(nnz(L + U)).
    ///
    /// # Panics
    /// Without a successful factorisation, or when `b` is too short.
    pub fn solve_transposed(&mut self, b: &mut [T]) {
        assert!(
            self.is_factored(),
            "solve follows a successful factorisation"
        );
        let plan = &self.plan;
        let (rows, lu, x) = (&plan.rows[..], &self.lu[..], &mut self.scratch[..]);
        let b = &mut b[..plan.row_of_step.len()];
        for (x, &column) in x.iter_mut().zip(&plan.column_of_step) {
            *x = b[column as usize];
        }
        for (step, column) in plan.columns.iter().enumerate() {
            let mut sum = x[step];
            if let Some(k) = step.checked_sub(plan.head) {
                let upper = plan.border[k] as usize..plan.border[k + 1] as usize;
                for (&u, &j) in lu[upper.clone()].iter().zip(&rows[upper]) {
                    sum -= u * x[j as usize];
                }
            }
            for (&u, &j) in lu[column.upper()].iter().zip(&rows[column.upper()]) {
                sum -= u * x[j as usize];
            }
            x[step] = sum * lu[column.pivot as usize];
        }
        for (step, column) in plan.columns.iter().enumerate().rev() {
            let mut sum = x[step];
            for (&l, &i) in lu[column.lower()].iter().zip(&rows[column.lower()]) {
                sum -= l * x[i as usize];
            }
            x[step] = sum;
        }
        for (&x, &row) in x.iter().zip(&plan.row_of_step) {
            b[row as usize] = x;
        }
    }
}
