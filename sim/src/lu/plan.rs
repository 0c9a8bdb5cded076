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
use super::room::{Room, Roomy};

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
    pub(super) border: Roomy<u32>,
    /// `[entries]` The step whose row an entry is in.
    pub(super) rows: Roomy<u32>,
    /// First entry of the second and of the third section.
    pub(super) second: usize,
    pub(super) third: usize,
    /// Entry of A and its place, for entries that stay; the place counts from the start.
    pub(super) constant: Vec<(u32, u32)>,
    /// Entry of A and its place, for entries that vary; the place counts from the third section.
    pub(super) varying: Vec<(u32, u32)>,
    /// `[products]` Where each is subtracted, in three sections.
    targets: Roomy<u32>,
    /// First target of the second and of the third section.
    border_products: usize,
    tail_products: usize,
}

/// What laying out works with, kept from one time to the next.
#[derive(Clone, Debug)]
pub(super) struct Work {
    /// `[entries]` Column by column, the steps of its rows, ascending.
    steps: Roomy<u32>,
    /// `[n+1]` Where a column begins in `steps`, `[n]` and where its pivot is.
    starts: Vec<usize>,
    pivots: Vec<usize>,
    /// `[n]` By row: the step whose pivot it is.
    step_of_row: Vec<u32>,
    /// `[n]` By step or by row: a place in the column in work.
    place: Vec<u32>,
}

impl Work {
    pub(super) fn new(n: usize) -> Self {
        Self {
            steps: Roomy::default(),
            starts: vec![0; n + 1],
            pivots: vec![0; n],
            step_of_row: vec![0; n],
            place: vec![0; n],
        }
    }

    pub(super) fn reserve(&mut self, room: Room) {
        self.steps.reserve_all(room.entries);
    }

    /// The steps of the rows above the pivot of a column.
    fn upper(&self, step: usize) -> &[u32] {
        &self.steps[self.starts[step]..self.pivots[step]]
    }

    /// The steps of the rows below it.
    fn lower(&self, step: usize) -> &[u32] {
        &self.steps[self.pivots[step] + 1..self.starts[step + 1]]
    }
}

impl Plan {
    /// Lays out the factors. O(products of the elimination).
    pub(super) fn lay_out(
        &mut self,
        symbolic: &Symbolic,
        choice: &Choice,
        reach: &mut Reach,
        work: &mut Work,
    ) {
        self.row_of_step.clear();
        self.column_of_step.clear();
        for of_head in [true, false] {
            let pairs = choice.rows.iter().zip(&symbolic.order);
            for ((&row, &column), _) in pairs
                .zip(&choice.constant)
                .filter(|(_, constant)| **constant == of_head)
            {
                self.row_of_step.push(row);
                self.column_of_step.push(column);
            }
            if of_head {
                self.head = self.row_of_step.len();
            }
        }
        self.fill(symbolic, reach, work);
        self.place(work);
        self.aim(&mut work.place);
        self.entries(symbolic, &mut work.place);
    }

    /// What this layout takes.
    pub(super) fn taken(&self) -> Room {
        Room {
            entries: self.rows.len(),
            lower: self.columns.iter().map(|c| c.lower().len()).sum(),
            products: self.targets.len(),
        }
    }

    /// Reserves for layouts to come; the other vectors have the same length in all of them.
    pub(super) fn reserve(&mut self, room: Room) {
        self.border.reserve_all(self.columns.len() + 1);
        self.rows.reserve_all(room.entries);
        self.targets.reserve_all(room.products);
    }

    /// Offsets for the products inside the head, from the start of the column.
    pub(super) fn head_targets(&self) -> &[u32] {
        &self.targets[..self.border_products]
    }

    /// Offsets for the products of L11 and L21 with U12, from the second section.
    pub(super) fn border_targets(&self) -> &[u32] {
        &self.targets[self.border_products..self.tail_products]
    }

    /// Offsets for the products inside the tail, from the start of the column.
    pub(super) fn tail_targets(&self) -> &[u32] {
        &self.targets[self.tail_products..]
    }

    /// Finds the rows above and below the pivot of every column.
    fn fill(&self, symbolic: &Symbolic, reach: &mut Reach, work: &mut Work) {
        for (step, &row) in self.row_of_step.iter().enumerate() {
            work.step_of_row[row as usize] = step as u32;
        }
        reach.clear();
        work.steps.clear();
        for (step, (&row, &column)) in self
            .row_of_step
            .iter()
            .zip(&self.column_of_step)
            .enumerate()
        {
            reach.column(step as u32, symbolic.pattern.column(column as usize));
            let start = work.steps.len();
            let step_of_row = &work.step_of_row;
            work.steps
                .extend(reach.reached.iter().map(|&row| step_of_row[row as usize]));
            let steps = &mut work.steps[start..];
            steps.sort_unstable();
            let upper = steps.partition_point(|&j| (j as usize) < step);
            work.pivots[step] = start + upper;
            work.starts[step + 1] = work.steps.len();
            reach.close(row);
        }
    }

    /// Gives every entry of the factors its place.
    fn place(&mut self, work: &Work) {
        let (head, n) = (self.head, self.row_of_step.len());
        let in_head = |upper: &[u32]| upper.partition_point(|&j| (j as usize) < head);
        self.columns.clear();
        self.rows.clear();
        self.border.clear();
        for step in 0..head {
            self.place_column(step, work.upper(step), work.lower(step));
        }
        self.second = self.rows.len();
        self.border.push(self.second as u32);
        for step in head..n {
            let upper = work.upper(step);
            self.rows.extend(&upper[..in_head(upper)]);
            self.border.push(self.rows.len() as u32);
        }
        self.third = self.rows.len();
        for step in head..n {
            let upper = work.upper(step);
            self.place_column(step, &upper[in_head(upper)..], work.lower(step));
        }
    }

    fn place_column(&mut self, step: usize, upper: &[u32], lower: &[u32]) {
        let start = self.rows.len() as u32;
        let pivot = start + upper.len() as u32;
        let end = pivot + 1 + lower.len() as u32;
        self.columns.push(Column { start, pivot, end });
        self.rows.extend_from_slice(upper);
        self.rows.push(step as u32);
        self.rows.extend_from_slice(lower);
    }

    /// Finds the target of every product. `offset` `[n]`, by step, of the column in work.
    fn aim(&mut self, offset: &mut [u32]) {
        let (rows, columns) = (&self.rows[..], &self.columns[..]);
        let targets = &mut self.targets;
        targets.clear();
        let inside = |column: Column, offset: &mut [u32], targets: &mut Vec<u32>| {
            for entry in column.start..column.end {
                offset[rows[entry as usize] as usize] = entry - column.start;
            }
            for &j in &rows[column.upper()] {
                let below = &rows[columns[j as usize].lower()];
                targets.extend(below.iter().map(|&i| offset[i as usize]));
            }
        };
        let (head, tail) = columns.split_at(self.head);
        for &column in head {
            inside(column, offset, targets);
        }
        self.border_products = targets.len();
        for (column, ends) in tail.iter().zip(self.border.windows(2)) {
            let upper = ends[0] as usize..ends[1] as usize;
            for entry in upper
                .clone()
                .chain(column.start as usize..column.end as usize)
            {
                offset[rows[entry] as usize] = (entry - self.second) as u32;
            }
            for &j in &rows[upper] {
                let below = &rows[columns[j as usize].lower()];
                targets.extend(below.iter().map(|&i| offset[i as usize]));
            }
        }
        self.tail_products = targets.len();
        for &column in tail {
            inside(column, offset, targets);
        }
    }

    /// Finds the place of every entry of A. `place` `[n]`, by the caller's row, of the column in work.
    fn entries(&mut self, symbolic: &Symbolic, place: &mut [u32]) {
        self.constant.clear();
        self.varying.clear();
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
