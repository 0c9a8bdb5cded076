//! Sparse LU factorisation for one fixed pattern and ever new values.
//!
//! ```text
//! A[row_i, column_j] = Σ_k L_ik U_kj,   L_kk = 1
//! ```
//!
//! Symbols   A the caller's matrix, n·n;  `row_k`, `column_k` the pivot of elimination step k;
//! ```text
//!       L, U triangular factors in the order of the steps;  nnz stored entries of A
//! ```
//! Source    Gilbert and Peierls, SIAM J. Sci. Stat. Comput. 9 (1988) 862 (left-looking elimination);
//! ```text
//!       Davis and Palamadai Natarajan, ACM Trans. Math. Softw. 37 (2010) 36 (ordering once,
//!       pivots rarely, values often);  Amestoy, Davis and Duff, SIAM J. Matrix Anal. Appl. 17
//!       (1996) 886 (degrees);  head and tail: ours, see `plan`
//! ```
//! Valid     square, structurally nonsingular; zero diagonals and rows in mixed units are welcome
//! Care      the pivots of one set of values serve others only while [`Factors::growth`] stays small
//!
//! Three speeds, from rare to frequent:
//!
//! - [`Symbolic::analyse`] orders the columns, once per pattern;
//! - [`Factors::factor`] chooses the pivots and lays out the factors;
//! - [`Factors::refactor`] takes new values with the old pivots, and [`Factors::refactor_varying`]
//!   does so when only the entries announced as varying have changed: the *head*, the steps which no
//!   varying entry reaches, and its whole contribution to the *tail* are then kept.
//!
//! # Scaling
//!
//! Rows are compared after division by their largest entry, and nowhere else does a scale enter:
//! elimination with given pivots commutes with row scaling (by powers of two even bit for bit), so
//! scaled values would cost time and change no digit.

#[cfg(test)]
mod amplifier;
mod entry;
mod factors;
mod growth;
mod kept;
mod order;
mod pivot;
mod plan;
mod reach;
mod room;
mod solve;
mod symbolic;
#[cfg(test)]
mod tests;

pub use entry::Entry;
pub use factors::Factors;
pub use growth::GROWTH_LIMIT;
pub use kept::KeptFactors;
pub use pivot::{CANCELLATION, THRESHOLD};
pub use symbolic::{Structural, Symbolic};

use std::fmt;

/// Where the entries of a square sparse matrix are, column by column.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Pattern {
    /// Number of rows and of columns.
    pub n: usize,
    /// `[n+1]` Entries `column_starts[c]..column_starts[c + 1]` belong to column `c`.
    pub column_starts: Vec<usize>,
    /// `[nnz]` The row of each entry, ascending within a column, without duplicates.
    pub rows: Vec<usize>,
}

impl Pattern {
    /// The number of stored entries.
    pub fn nnz(&self) -> usize {
        self.rows.len()
    }

    /// The rows of one column, ascending.
    pub fn column(&self, column: usize) -> &[usize] {
        &self.rows[self.entries(column)]
    }

    /// The column an entry belongs to.
    pub(crate) fn column_of(&self, entry: usize) -> usize {
        self.column_starts.partition_point(|&start| start <= entry) - 1
    }

    /// The numbers of the entries of one column.
    pub(crate) fn entries(&self, column: usize) -> std::ops::Range<usize> {
        self.column_starts[column]..self.column_starts[column + 1]
    }
}

/// No usable pivot was left in a column: zero, cancelled to rounding, or not finite.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Singular {
    /// The caller's column, that is, the unknown which the equations do not determine.
    pub column: usize,
}

impl fmt::Display for Singular {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "the matrix is singular: no usable pivot in column {}",
            self.column
        )
    }
}

impl std::error::Error for Singular {}
