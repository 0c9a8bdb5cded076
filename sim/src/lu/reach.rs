//! Which rows of a column become nonzero.
//!
//! ```text
//! reach(k) = all rows connected to a stored entry of column k through columns of L
//! ```
//!
//! Symbols   k the column in work;  an edge leads from the pivot row of step j to the rows of L(:,j)
//! Source    Gilbert and Peierls, SIAM J. Sci. Stat. Comput. 9 (1988) 862
//! Care      rows are the caller's; values never enter, so cancellation removes nothing

use super::room::Roomy;

/// Marks a row without a step.
pub(super) const NONE: u32 = u32::MAX;

/// The pattern of L in the making, and who is the pivot row of which step.
#[derive(Clone, Debug)]
pub(super) struct Reach {
    /// `[n]` The step whose pivot a row is, or [`NONE`].
    pub(super) step_of_row: Vec<u32>,
    /// `[steps+1]`, `[nnz(L)]` Rows below the pivot, step by step.
    pub(super) starts: Roomy<usize>,
    pub(super) lower: Roomy<u32>,
    /// Rows reached last, every row before the rows it depends on: eliminate in reverse.
    pub(super) reached: Roomy<u32>,
    seen: Vec<u32>,            // [n] last column to reach a row
    path: Roomy<(u32, usize)>, // row, its next edge
}

impl Reach {
    pub(super) fn new(n: usize) -> Self {
        Self {
            step_of_row: vec![NONE; n],
            starts: Roomy::with_capacity(n + 1),
            lower: Roomy::default(),
            reached: Roomy::with_capacity(n),
            seen: vec![NONE; n],
            path: Roomy::with_capacity(n),
        }
    }

    /// Forgets all steps.
    pub(super) fn clear(&mut self) {
        self.step_of_row.fill(NONE);
        self.seen.fill(NONE);
        self.starts.clear();
        self.starts.push(0);
        self.lower.clear();
    }

    /// The rows below the pivot of a step.
    pub(super) fn below(&self, step: u32) -> std::ops::Range<usize> {
        self.starts[step as usize]..self.starts[step as usize + 1]
    }

    /// Fills `reached` for the column with number `tag`, which has stored entries in `rows`.
    pub(super) fn column(&mut self, tag: u32, rows: &[usize]) {
        self.reached.clear();
        for &row in rows {
            self.visit(tag, row as u32);
            while let Some((row, edge)) = self.path.pop() {
                let step = self.step_of_row[row as usize];
                if step == NONE || edge == self.below(step).end {
                    self.reached.push(row);
                    continue;
                }
                self.path.push((row, edge + 1));
                self.visit(tag, self.lower[edge]);
            }
        }
    }

    fn visit(&mut self, tag: u32, row: u32) {
        if self.seen[row as usize] != tag {
            self.seen[row as usize] = tag;
            let step = self.step_of_row[row as usize];
            let first = if step == NONE {
                0
            } else {
                self.below(step).start
            };
            self.path.push((row, first));
        }
    }

    /// Ends a step: its pivot row, all other rows reached without a step going to L.
    pub(super) fn close(&mut self, pivot: u32) {
        let step = self.starts.len() - 1;
        for &row in self.reached.iter() {
            if row != pivot && self.step_of_row[row as usize] == NONE {
                self.lower.push(row);
            }
        }
        self.step_of_row[pivot as usize] = step as u32;
        self.starts.push(self.lower.len());
    }
}
