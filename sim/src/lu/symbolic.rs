//! What the pattern alone decides: the order of the columns.

use super::{Pattern, order};
use std::fmt;

/// A pattern analysed: its ordering and which of its entries vary.
#[derive(Clone, Debug)]
pub struct Symbolic {
    pub(super) pattern: Pattern,
    /// `[nnz]` Entries which change between refactorisations.
    pub(super) varying: Vec<bool>,
    /// `[n]` Rows and columns with a varying entry.
    pub(super) row_varies: Vec<bool>,
    pub(super) column_varies: Vec<bool>,
    /// `[n]` The columns in the order of their elimination.
    pub(super) order: Vec<u32>,
}

/// Rows and columns cannot be paired off along stored entries: singular for all values.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Structural {
    /// The caller's column for which no row is left.
    pub column: usize,
}

impl fmt::Display for Structural {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "the matrix is singular for all values: no row is left for column {}",
            self.column
        )
    }
}

impl std::error::Error for Structural {}

impl Symbolic {
    /// Orders the columns by minimum degree on A + Aᵀ, with a small penalty on unknowns with varying
    /// entries. `varying` `[nnz]`, by stored entry. About O(nnz(L + U)), some milliseconds at n = 10000.
    ///
    /// # Errors
    /// [`Structural`] when rows and columns cannot be paired off, whatever the values.
    ///
    /// # Panics
    /// When the pattern breaks its own rules (lengths, range, ascending rows) or `varying` is too short.
    pub fn analyse(pattern: &Pattern, varying: &[bool]) -> Result<Self, Structural> {
        let n = pattern.n;
        let nnz = pattern.nnz();
        assert!(
            pattern.column_starts.len() == n + 1
                && pattern.column_starts[0] == 0
                && pattern.column_starts[n] == nnz
                && varying.len() >= nnz,
            "lengths of the pattern"
        );
        let mut row_varies = vec![false; n];
        let mut column_varies = vec![false; n];
        for column in 0..n {
            let rows = pattern.column(column);
            assert!(
                rows.windows(2).all(|pair| pair[0] < pair[1])
                    && rows.last().is_none_or(|&last| last < n),
                "rows of column {column}"
            );
            for (&row, _) in rows
                .iter()
                .zip(&varying[pattern.entries(column)])
                .filter(|(_, v)| **v)
            {
                row_varies[row] = true;
                column_varies[column] = true;
            }
        }
        order::match_rows(pattern)?;
        let penalised: Vec<bool> = row_varies
            .iter()
            .zip(&column_varies)
            .map(|(row, column)| *row || *column)
            .collect();
        Ok(Self {
            order: order::minimum_degree(pattern, &penalised),
            pattern: pattern.clone(),
            varying: varying[..nnz].to_vec(),
            row_varies,
            column_varies,
        })
    }

    /// The number of unknowns.
    pub fn n(&self) -> usize {
        self.pattern.n
    }

    /// The number of stored entries of the matrix.
    pub fn nnz(&self) -> usize {
        self.pattern.nnz()
    }
}
