//! How far the factors can be trusted.
//!
//! ```text
//! growth = max_k g_k / max(g_k at the choice of pivots, max_{i varying} s_i |a_ik|),
//! g_k = max_i s_i |f_ik|,   f_ik = u_ik above, u_kk on, l_ik u_kk below the diagonal
//! ```
//!
//! Symbols   k column, i row;  f the entries the elimination passed through;  `s_i` reciprocal of the
//! ```text
//!       largest magnitude in row i when the pivots were chosen
//! ```
//! Source    Wilkinson, J. ACM 8 (1961) 281 (the backward error is bounded by rounding times growth)
//! Care      a proxy: it sees the last value of every entry, not those in between

use super::{Entry, Factors};

/// Choose new pivots when [`Factors::growth`] is beyond this. Rounding times it is 2·10⁻¹², which keeps
/// the backward error under 10⁻¹¹; valves passing from cut-off to saturation stay well inside it, as
/// their own entries count on both sides of the ratio.
pub const GROWTH_LIMIT: f64 = 1e4;

impl<T: Entry> Factors<T> {
    /// Growth of the entries, column by column, against the last choice of pivots: 1 just after
    /// [`factor`](Self::factor), beyond [`GROWTH_LIMIT`] when new pivots are due, infinite when an
    /// entry is not a number. Scaling all values counts as growth; without pivots it is 0. After
    /// [`refactor_varying`](Self::refactor_varying) the tail's growth, as the head is what it was.
    /// O(nnz(L + U)).
    pub fn growth(&self) -> f64 {
        let mut growth = 0.0_f64;
        // Varying entries lie in the tail, columns ascending
        let mut varying = self.plan.varying.iter().zip(&self.varying).peekable();
        for step in self.changed..self.plan.columns.len() {
            let end = self.plan.columns[step].end as usize;
            let mut bound = self.reference[step];
            while let Some(((_, place), value)) =
                varying.next_if(|((_, place), _)| self.plan.third + (*place as usize) < end)
            {
                let row = self.plan.rows[self.plan.third + *place as usize];
                bound = bound.max(value.magnitude() * self.scale[row as usize]);
            }
            growth = growth.max(self.largest(step) / bound);
        }
        growth
    }

    /// An estimate of the reciprocal condition number, `min |u_kk| / max |u_kk|` with rows scaled as
    /// when the pivots were chosen; 1 for n = 0. Usually optimistic. O(n).
    pub fn rcond(&self) -> f64 {
        let (mut least, mut most) = (f64::INFINITY, 0.0_f64);
        for (column, scale) in self.plan.columns.iter().zip(&self.scale) {
            let pivot = scale / self.lu[column.pivot as usize].magnitude();
            least = least.min(pivot);
            most = most.max(pivot);
        }
        if most > 0.0 { least / most } else { 1.0 }
    }

    /// Takes the present factors for the reference of later growth.
    pub(super) fn set_reference(&mut self) {
        for step in 0..self.reference.len() {
            self.reference[step] = self.largest(step);
        }
    }

    /// The largest entry passed through in a column, rows scaled.
    fn largest(&self, step: usize) -> f64 {
        let column = self.plan.columns[step];
        // Bits of numbers without a sign order like the numbers, NaN last
        let sized = |places: std::ops::Range<usize>| {
            let sizes = self.lu[places.clone()].iter().zip(&self.plan.rows[places]);
            sizes.fold(0, |most, (value, &row)| {
                most.max((value.magnitude() * self.scale[row as usize]).to_bits())
            })
        };
        let border = match step.checked_sub(self.plan.head) {
            Some(k) => self.plan.border[k] as usize..self.plan.border[k + 1] as usize,
            None => 0..0,
        };
        let pivot = self.lu[column.pivot as usize].magnitude().recip();
        let below = f64::from_bits(sized(column.lower()).max(self.scale[step].to_bits())) * pivot;
        let largest = f64::from_bits(
            sized(border)
                .max(sized(column.upper()))
                .max(below.to_bits()),
        );
        if largest.is_nan() {
            f64::INFINITY
        } else {
            largest
        }
    }
}
