//! The order in which the columns are eliminated.
//!
//! ```text
//! next = argmin_i (d_i + p_i, i),   d_i = |A_i| + |L_p \ i| + Σ_{e ∈ E_i, e ≠ p} |L_e \ L_p|
//! ```
//!
//! Symbols   i an unknown not yet eliminated;  p the one eliminated last;  `A_i` neighbours of i in the
//! ```text
//!       pattern of A + Aᵀ;  e an element, the clique left behind by an elimination, with the
//!       unknowns `L_e`;  `E_i` the elements i belongs to;  `d_i` a bound of i's degree;
//!       `p_i` penalty of an unknown with varying entries
//! ```
//! Source    Amestoy, Davis and Duff, SIAM J. Matrix Anal. Appl. 17 (1996) 886 (quotient graph,
//! ```text
//!       approximate degree);  Duff, ACM Trans. Math. Softw. 7 (1981) 315 (matching)
//! ```
//! Care      ties go to the smaller number, so that results are reproducible

use super::{Pattern, Structural};
use std::collections::BTreeSet;

/// Added to the degree of an unknown with varying entries. Two is enough to send more than half of an
/// amplifier's steps before the first valve at 2 % more fill; forcing all of them forward multiplies
/// the work instead.
const VARYING_PENALTY: usize = 2;

/// No partner, no number.
const NONE: usize = usize::MAX;

/// Checks that rows and columns can be paired off along stored entries.
pub(super) fn match_rows(pattern: &Pattern) -> Result<(), Structural> {
    let n = pattern.n;
    let mut column_of_row = vec![NONE; n]; // [n]
    // Diagonals first: they are nearly all of a matching already. Once matched a column stays so,
    // though on another row perhaps
    let mut missing = vec![true; n];
    for column in 0..n {
        if pattern.column(column).binary_search(&column).is_ok() {
            column_of_row[column] = column;
            missing[column] = false;
        }
    }
    let mut seen = vec![NONE; n]; // [n] by row: the column whose search was here last
    let mut path: Vec<(usize, usize)> = Vec::new(); // column, its next entry
    for start in (0..n).filter(|&column| missing[column]) {
        // A free row for `start`, moving the columns in the way on to other rows
        path.clear();
        path.push((start, pattern.column_starts[start]));
        let mut found = false;
        while let Some((column, entry)) = path.last_mut() {
            if *entry == pattern.column_starts[*column + 1] {
                path.pop();
                continue;
            }
            let row = pattern.rows[*entry];
            *entry += 1;
            if seen[row] == start {
                continue;
            }
            seen[row] = start;
            if column_of_row[row] == NONE {
                found = true;
                break;
            }
            let next = column_of_row[row];
            path.push((next, pattern.column_starts[next]));
        }
        if !found {
            return Err(Structural { column: start });
        }
        for &(column, next_entry) in &path {
            column_of_row[pattern.rows[next_entry - 1]] = column;
        }
    }
    Ok(())
}

/// The columns by ascending degree, `[n]`; `varying[i]` `[n]` penalises an unknown. About O(fill).
pub(super) fn minimum_degree(pattern: &Pattern, varying: &[bool]) -> Vec<u32> {
    let n = pattern.n;
    let mut graph = Quotient::new(pattern);
    let penalty = |i: usize| if varying[i] { VARYING_PENALTY } else { 0 };
    let mut queue: BTreeSet<(usize, usize)> =
        (0..n).map(|i| (graph.degree[i] + penalty(i), i)).collect();
    let mut order = Vec::with_capacity(n);
    while let Some((_, p)) = queue.pop_first() {
        order.push(p as u32);
        graph.gather(p);
        let before: Vec<(usize, usize)> = graph.members[p]
            .iter()
            .map(|&i| (graph.degree[i] + penalty(i), i))
            .collect();
        graph.update(p, n - order.len());
        for (key, i) in before {
            let new_key = graph.degree[i] + penalty(i);
            if new_key != key {
                queue.remove(&(key, i));
                queue.insert((new_key, i));
            }
        }
    }
    order
}

/// The graph of the partly eliminated matrix, with cliques kept as elements.
struct Quotient {
    neighbours: Vec<Vec<usize>>,  // [n] plain neighbours of each unknown
    elements: Vec<Vec<usize>>,    // [n] elements each unknown belongs to
    members: Vec<Vec<usize>>,     // [n] unknowns of each element; empty once absorbed
    degree: Vec<usize>,           // [n]
    mark: Vec<usize>,             // [n] last elimination whose clique this unknown joined
    outside: Vec<(usize, usize)>, // [n] by element: elimination, |L_e \ L_p|
}

impl Quotient {
    fn new(pattern: &Pattern) -> Self {
        let n = pattern.n;
        let mut neighbours = vec![Vec::new(); n];
        for column in 0..n {
            for &row in pattern.column(column) {
                if row != column {
                    neighbours[row].push(column);
                    neighbours[column].push(row);
                }
            }
        }
        for list in &mut neighbours {
            list.sort_unstable();
            list.dedup();
        }
        Self {
            degree: neighbours.iter().map(Vec::len).collect(),
            neighbours,
            elements: vec![Vec::new(); n],
            members: vec![Vec::new(); n],
            mark: vec![NONE; n],
            outside: vec![(NONE, 0); n],
        }
    }

    /// Forms the clique `L_p` of an eliminated unknown and absorbs the elements it swallows.
    fn gather(&mut self, p: usize) {
        let mut clique = Vec::new();
        self.mark[p] = p;
        for i in std::mem::take(&mut self.neighbours[p]) {
            if self.mark[i] != p {
                self.mark[i] = p;
                clique.push(i);
            }
        }
        for e in std::mem::take(&mut self.elements[p]) {
            for i in std::mem::take(&mut self.members[e]) {
                if self.mark[i] != p {
                    self.mark[i] = p;
                    clique.push(i);
                }
            }
        }
        self.members[p] = clique;
    }

    /// Brings the lists and degrees of the clique's unknowns up to date; `left` unknowns remain.
    fn update(&mut self, p: usize, left: usize) {
        let clique = std::mem::take(&mut self.members[p]);
        // |L_e \ L_p| by subtracting every shared unknown once
        for &i in &clique {
            let members = &self.members;
            self.elements[i].retain(|&e| !members[e].is_empty());
            for &e in &self.elements[i] {
                let (at, count) = self.outside[e];
                let count = if at == p {
                    count
                } else {
                    self.members[e].len()
                };
                self.outside[e] = (p, count - 1);
            }
        }
        for &i in &clique {
            // Elements inside the new clique add nothing and are absorbed
            let (outside, members) = (&self.outside, &mut self.members);
            let mut sum = 0;
            self.elements[i].retain(|&e| {
                if outside[e].1 == 0 {
                    members[e].clear();
                    return false;
                }
                sum += outside[e].1;
                true
            });
            self.elements[i].push(p);
            let mark = &self.mark;
            self.neighbours[i].retain(|&j| mark[j] != p);
            let inside = clique.len() - 1;
            self.degree[i] = (self.neighbours[i].len() + inside + sum)
                .min(self.degree[i] + inside)
                .min(left - 1);
        }
        self.members[p] = clique;
    }
}
