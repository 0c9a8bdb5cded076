//! Where everything goes once the pivots are chosen.
//!
//! ```text
//! ⎡ L11     ⎤ ⎡ U11 U12 ⎤
//! ⎣ L21  L22⎦ ⎣     U22 ⎦,   S0 = A22 − varying − L21 U12,   L22 U22 = S0 + varying
//! ```
//!
//! Symbols   1 the head, 2 the tail;  S0 the constant part of the tail
//! Source    fill: Gilbert and Peierls, SIAM J. Sci. Stat. Comput. 9 (1988) 862;  head and tail: ours
//! Care      purely structural: an entry that cancels for some values is still stored
//!
//! A step belongs to the head when neither its column nor its pivot row has a varying entry and its
//! column of U meets head steps only. All varying entries then lie in the tail's rows and columns, and
//! L11, L21, U11, U12 and S0 stay valid while only these entries change. Head steps go first; a head
//! column has no U entry in a tail row, so this adds fill only below the tail's own pivots.
//!
//! The factors lie in one array, in three sections: head columns (U11, pivot, L11 and L21 of each),
//! the border U12, tail columns (U22, pivot, L22 of each). Eliminating a column updates it in place:
//! for every product the plan holds the offset of the entry it is subtracted from.

use super::Symbolic;
use super::pivot::Choice;
use super::reach::Reach;

/// One column of the head or of the tail: `start..pivot` is U, `pivot + 1..end` is L.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Column {
    pub(super) start: u32,
    pub(super) pivot: u32,
    pub(super) end: u32,
}

impl Column {
    #[inline]
    pub(super) fn upper(self) -> std::ops::Range<usize> {
        self.start as usize..self.pivot as usize
    }
    #[inline]
    pub(super) fn lower(self) -> std::ops::Range<usize> {
        self.pivot as usize + 1..self.end as usize
    }
}

/// Layout of the factors for one choice of pivots.
#[derive(Clone, Debug, Default)]
pub(super) struct Plan {
    /// Steps of the head, which are the first ones.
    pub(super) head: usize,
    /// `[n]` The caller's row and column of every step.
    pub(super) row_of_step: Vec<u32>,
    pub(super) column_of_step: Vec<u32>,
    /// `[n]` By step. Those of the tail lie in the third section.
    pub(super) columns: Vec<Column>,
    /// `[tail+1]` The columns of U12, in the second section.
    pub(super) border: Vec<u32>,
    /// `[entries]` The step whose row an entry is in.
    pub(super) rows: Vec<u32>,
    /// First entry of the second and of the third section.
    pub(super) second: usize,
    pub(super) third: usize,
    /// Entry of A and its place, for entries that stay; the place counts from the start.
    pub(super) constant: Vec<(u32, u32)>,
    /// Entry of A and its place, for entries that vary; the place counts from the third section.
    pub(super) varying: Vec<(u32, u32)>,
    /// Offsets for the products inside the head, from the start of the column.
    pub(super) head_targets: Vec<u32>,
    /// Offsets for the products of L11 and L21 with U12, from the second section.
    pub(super) border_targets: Vec<u32>,
    /// Offsets for the products inside the tail, from the start of the column.
    pub(super) tail_targets: Vec<u32>,
}

impl Plan {
    /// Lays out the factors. O(products of the elimination).
    pub(super) fn new(symbolic: &Symbolic, choice: &Choice) -> Self {
        let n = symbolic.n();
        let pairs = choice
            .rows
            .iter()
            .zip(&symbolic.order)
            .zip(&choice.constant);
        let (head, tail): (Vec<_>, Vec<_>) = pairs.partition(|(_, constant)| **constant);
        let (row_of_step, column_of_step) = head
            .iter()
            .chain(&tail)
            .map(|((row, column), _)| (**row, **column))
            .unzip();
        let mut plan = Self {
            head: head.len(),
            row_of_step,
            column_of_step,
            ..Self::default()
        };
        let (uppers, lowers) = plan.fill(symbolic);
        plan.place(&uppers, &lowers);
        plan.aim(n);
        plan.entries(symbolic);
        plan
    }

    /// The steps of the rows above and below the pivot of every column, ascending.
    fn fill(&self, symbolic: &Symbolic) -> (Vec<Vec<u32>>, Vec<Vec<u32>>) {
        let n = symbolic.n();
        let mut step_of_row = vec![0_u32; n];
        for (step, &row) in self.row_of_step.iter().enumerate() {
            step_of_row[row as usize] = step as u32;
        }
        let mut reach = Reach::new(n);
        let (mut uppers, mut lowers) = (Vec::with_capacity(n), Vec::with_capacity(n));
        for (step, (&row, &column)) in self
            .row_of_step
            .iter()
            .zip(&self.column_of_step)
            .enumerate()
        {
            reach.column(step as u32, symbolic.pattern.column(column as usize));
            let mut steps: Vec<u32> = reach
                .reached
                .iter()
                .map(|&row| step_of_row[row as usize])
                .collect();
            steps.sort_unstable();
            let middle = steps.partition_point(|&j| (j as usize) < step);
            lowers.push(steps[middle + 1..].to_vec());
            steps.truncate(middle);
            uppers.push(steps);
            reach.close(row);
        }
        (uppers, lowers)
    }

    /// Gives every entry of the factors its place.
    fn place(&mut self, uppers: &[Vec<u32>], lowers: &[Vec<u32>]) {
        let head = self.head;
        let in_head = |upper: &Vec<u32>| upper.partition_point(|&j| (j as usize) < head);
        for step in 0..head {
            self.place_column(step, &uppers[step], &lowers[step]);
        }
        self.second = self.rows.len();
        self.border.push(self.second as u32);
        for upper in &uppers[head..] {
            self.rows.extend(&upper[..in_head(upper)]);
            self.border.push(self.rows.len() as u32);
        }
        self.third = self.rows.len();
        for step in head..uppers.len() {
            let upper = &uppers[step];
            self.place_column(step, &upper[in_head(upper)..], &lowers[step]);
        }
    }

    fn place_column(&mut self, step: usize, upper: &[u32], lower: &[u32]) {
        let start = self.rows.len() as u32;
        let pivot = start + upper.len() as u32;
        let end = pivot + 1 + lower.len() as u32;
        self.columns.push(Column { start, pivot, end });
        self.rows.extend(upper);
        self.rows.push(step as u32);
        self.rows.extend(lower);
    }

    /// Finds the target of every product.
    fn aim(&mut self, n: usize) {
        let mut offset = vec![0_u32; n]; // [n] by step, of the column in work
        let mut inside = |column: Column, targets: &mut Vec<u32>| {
            for entry in column.start..column.end {
                offset[self.rows[entry as usize] as usize] = entry - column.start;
            }
            for &j in &self.rows[column.upper()] {
                let below = &self.rows[self.columns[j as usize].lower()];
                targets.extend(below.iter().map(|&i| offset[i as usize]));
            }
        };
        let (head, tail) = self.columns.split_at(self.head);
        for &column in head {
            inside(column, &mut self.head_targets);
        }
        for &column in tail {
            inside(column, &mut self.tail_targets);
        }
        for (column, ends) in tail.iter().zip(self.border.windows(2)) {
            let upper = ends[0] as usize..ends[1] as usize;
            for entry in upper
                .clone()
                .chain(column.start as usize..column.end as usize)
            {
                offset[self.rows[entry] as usize] = (entry - self.second) as u32;
            }
            for &j in &self.rows[upper] {
                let below = &self.rows[self.columns[j as usize].lower()];
                self.border_targets
                    .extend(below.iter().map(|&i| offset[i as usize]));
            }
        }
    }

    /// Finds the place of every entry of A.
    fn entries(&mut self, symbolic: &Symbolic) {
        let n = symbolic.n();
        let mut place = vec![0_u32; n]; // [n] by the caller's row, of the column in work
        for (step, &column) in self.column_of_step.iter().enumerate() {
            let Column { start, end, .. } = self.columns[step];
            let border = match step.checked_sub(self.head) {
                Some(k) => self.border[k]..self.border[k + 1],
                None => 0..0,
            };
            for at in border.chain(start..end) {
                place[self.row_of_step[self.rows[at as usize] as usize] as usize] = at;
            }
            for entry in symbolic.pattern.entries(column as usize) {
                let at = place[symbolic.pattern.rows[entry]];
                if symbolic.varying[entry] {
                    self.varying.push((entry as u32, at - self.third as u32));
                } else {
                    self.constant.push((entry as u32, at));
                }
            }
        }
    }
}
