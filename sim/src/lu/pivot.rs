//! The choice of the pivots.
//!
//! ```text
//! x = A(:,c) − Σ_j L(:,j) u_j;   usable: s_i |x_i| ≥ THRESHOLD · max_m s_m |x_m|
//! ```
//!
//! Symbols   c the column in work;  x its entries in rows without a pivot;  `s_i` reciprocal of the
//! ```text
//!       largest magnitude in row i of A
//! ```
//! Source    Gilbert and Peierls, SIAM J. Sci. Stat. Comput. 9 (1988) 862;  threshold: Markowitz,
//! ```text
//!       Manage. Sci. 3 (1957) 255, as bounded by Duff, Erisman and Reid, Direct Methods for
//!       Sparse Matrices (1986), ch. 5
//! ```
//! Care      the diagonal wins when usable, as it keeps the fill the ordering foresaw; otherwise the
//! ```text
//!       usable row with the fewest entries
//! ```

use super::reach::{NONE, Reach};
use super::room::Roomy;
use super::{Entry, Singular, Symbolic};

/// A pivot may be this much smaller than the largest candidate of its column, rows scaled. A tenth
/// bounds the multipliers by ten, which leaves the accuracy to the rounding of the entries, and still
/// accepts the diagonal of nearly every node.
pub const THRESHOLD: f64 = 0.1;

/// A candidate no larger than this part of the terms it was summed from is rounding and no number:
/// one unit in the last place for the subtraction and some for the terms.
pub const CANCELLATION: f64 = 4.0 * f64::EPSILON;

/// Pivots, in the order of the columns.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Choice {
    /// `[n]` The pivot row of each step.
    pub(super) rows: Vec<u32>,
    /// `[n]` Steps which no varying entry reaches.
    pub(super) constant: Vec<bool>,
}

impl Choice {
    /// Room for `n` steps, none chosen.
    pub(super) fn new(n: usize) -> Self {
        Self {
            rows: vec![NONE; n],
            constant: vec![false; n],
        }
    }
}

/// What choosing works with, kept from one time to the next.
#[derive(Clone, Debug)]
pub(super) struct Work<T> {
    /// The pattern of L in the making.
    pub(super) reach: Reach,
    /// `[nnz(L)]` The values beside `reach.lower`.
    pub(super) lower: Roomy<T>,
    /// `[n]` By row: stored entries, the column in work (zero outside of it), sums of magnitudes behind it.
    row_counts: Vec<usize>,
    x: Vec<T>,
    terms: Vec<f64>,
}

impl<T: Entry> Work<T> {
    pub(super) fn new(symbolic: &Symbolic) -> Self {
        let n = symbolic.n();
        let mut row_counts = vec![0; n];
        for &row in &symbolic.pattern.rows {
            row_counts[row] += 1;
        }
        Self {
            reach: Reach::new(n),
            lower: Roomy::default(),
            row_counts,
            x: vec![T::default(); n],
            terms: vec![0.0; n],
        }
    }
}

/// `scales` `[n]` ← the reciprocal of the largest magnitude in every row; 1 for a row of zeros.
pub(super) fn row_scales<T: Entry>(symbolic: &Symbolic, values: &[T], scales: &mut [f64]) {
    scales.fill(0.0);
    for (&row, value) in symbolic.pattern.rows.iter().zip(values) {
        scales[row] = scales[row].max(value.magnitude());
    }
    for scale in scales {
        *scale = if *scale > 0.0 { scale.recip() } else { 1.0 };
    }
}

/// Eliminates once with free choice of the pivots, which are left in `choice`. `scales` `[n]`,
/// `values` `[nnz]`, all finite.
pub(super) fn choose<T: Entry>(
    symbolic: &Symbolic,
    values: &[T],
    scales: &[f64],
    work: &mut Work<T>,
    choice: &mut Choice,
) -> Result<(), Singular> {
    let pattern = &symbolic.pattern;
    let Work {
        reach,
        lower,
        row_counts,
        x,
        terms,
    } = work;
    reach.clear();
    lower.clear();
    // A choice that failed has left its column
    x.fill(T::default());
    terms.fill(0.0);
    for (step, &column) in symbolic.order.iter().enumerate() {
        let column = column as usize;
        reach.column(step as u32, pattern.column(column));
        for entry in pattern.entries(column) {
            x[pattern.rows[entry]] = values[entry];
            terms[pattern.rows[entry]] = values[entry].magnitude();
        }
        let mut constant = !symbolic.column_varies[column];
        for &row in reach.reached.iter().rev() {
            let j = reach.step_of_row[row as usize];
            if j == NONE {
                continue;
            }
            constant &= choice.constant[j as usize];
            let u = x[row as usize];
            for (&l, &i) in lower[reach.below(j)]
                .iter()
                .zip(&reach.lower[reach.below(j)])
            {
                x[i as usize] -= l * u;
                terms[i as usize] += l.magnitude() * u.magnitude();
            }
        }
        let candidates = || {
            reach
                .reached
                .iter()
                .copied()
                .filter(|&i| reach.step_of_row[i as usize] == NONE)
        };
        let size = |i: u32| x[i as usize].magnitude() * scales[i as usize];
        let sound = |i: u32| x[i as usize].magnitude() > CANCELLATION * terms[i as usize];
        let largest = candidates()
            .filter(|&i| sound(i))
            .map(size)
            .fold(0.0, f64::max);
        let usable = |i: &u32| sound(*i) && size(*i) >= THRESHOLD * largest;
        let diagonal = candidates().find(|&i| i as usize == column).filter(usable);
        let pivot = diagonal.or_else(|| {
            candidates().filter(usable).min_by(|&a, &b| {
                let counts = row_counts[a as usize].cmp(&row_counts[b as usize]);
                counts.then(size(b).total_cmp(&size(a))).then(a.cmp(&b))
            })
        });
        let reciprocal = pivot.map(|i| x[i as usize].reciprocal());
        let (Some(pivot), Some(reciprocal)) =
            (pivot, reciprocal.filter(|r| r.magnitude().is_finite()))
        else {
            return Err(Singular { column });
        };
        reach.close(pivot);
        for &i in &reach.lower[reach.below(step as u32)] {
            lower.push(x[i as usize] * reciprocal);
        }
        for &row in reach.reached.iter() {
            x[row as usize] = T::default();
            terms[row as usize] = 0.0;
        }
        choice.rows[step] = pivot;
        choice.constant[step] = constant && !symbolic.row_varies[pivot as usize];
    }
    Ok(())
}
