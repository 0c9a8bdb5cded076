//! Few moments of a cycle that stand for all: those whose slopes lie farthest apart.
//!
//! Source   Gonzalez, Theor. Comput. Sci. 38 (1985) 293 (from memory)

use crate::lu::Pattern;

/// Moments chosen of a cycle at most. An amplifier has a handful of states, each valve cut off, amplifying, or drawing grid
/// current, but a dozen moments saw nothing grow in a cycle in which every moment by itself showed fifteen e-folds; by
/// forty-eight all were seen, within a third. On its mains, where each is dearer, two dozen saw all that did.
const MOMENTS: usize = 48;
const MOMENTS_OF_MANY: usize = 24;

/// Unknowns from which they are many.
const MANY: usize = 80;

/// Slopes nearer than this share of their largest over the cycle count as the same.
const SAME: f64 = 0.03;

/// How much farther apart than others those of a rectifier count as the same, which is open or closed: it has no gain, and
/// what stands before it decides what it carries.
const OPEN_OR_CLOSED: f64 = 15.0;

/// Share of what stands beside a slope below which it is nothing.
const NEGLIGIBLE: f64 = 1e-3;

/// How far apart the slopes `[nnz]` of two moments are.
pub(super) struct Metric {
    /// `[nnz]` what each slope counts against.
    sizes: Vec<f64>,
    /// The slopes that change over the cycle, and those that do not.
    varying: Vec<usize>,
    fixed: Vec<usize>,
    unknowns: usize,
}

impl Metric {
    /// For a cycle with these slopes, `[samples][nnz]`; `rectifies` `[≥ nnz]` tells which belong to rectifiers alone.
    pub(super) fn of(pattern: &Pattern, rectifies: &[bool], slopes: &[Vec<f64>]) -> Self {
        let entries = slopes[0].len();
        let most: Vec<f64> = (0..entries)
            .map(|e| slopes.iter().map(|s| s[e].abs()).fold(0.0, f64::max))
            .collect();
        let least = least(pattern, &most);
        let sizes: Vec<f64> = (0..entries)
            .map(|e| most[e].max(least[e]) * if rectifies[e] { OPEN_OR_CLOSED } else { 1.0 })
            .collect();
        // Most entries are resistors and never change.
        let moves = |s: &Vec<f64>, e: usize| (s[e] - slopes[0][e]).abs() > SAME * sizes[e];
        let (varying, fixed) = (0..entries).partition(|&e| slopes.iter().any(|s| moves(s, e)));
        Self {
            sizes,
            varying,
            fixed,
            unknowns: pattern.column_starts.len() - 1,
        }
    }

    fn between(&self, a: &[f64], b: &[f64]) -> f64 {
        let apart = |&e: &usize| (a[e] - b[e]).abs() / self.sizes[e];
        self.varying.iter().map(apart).fold(0.0, f64::max)
    }

    /// Whether a moment is one of a circuit like that of the cycle: what stands still there has these slopes.
    fn is_of_it(&self, moment: &[f64], cycle: &[f64]) -> bool {
        let same = |&e: &usize| (moment[e] - cycle[e]).abs() <= SAME * self.sizes[e];
        self.fixed.iter().all(same)
    }
}

/// Moments that stand for a cycle.
pub(super) struct Apart {
    /// The samples chosen.
    pub(super) moments: Vec<usize>,
    /// `[samples]` which of those chosen is nearest, by its place; none where one of those known is.
    pub(super) nearest: Vec<Option<usize>>,
    /// Which of those known stand for a sample.
    pub(super) used: Vec<usize>,
    /// How far the farthest sample is from what stands for it.
    radius: f64,
}

impl Apart {
    /// Of a cycle with slopes `[samples][nnz]`.
    pub(super) fn of(metric: &Metric, slopes: &[Vec<f64>]) -> Self {
        Self::within(SAME, metric, slopes, &[])
    }

    /// Those needed beside others that are known, `[known][nnz]`, to stand for the cycle as closely as these.
    pub(super) fn beside(&self, known: &[&[f64]], metric: &Metric, slopes: &[Vec<f64>]) -> Self {
        Self::within(SAME.max(self.radius), metric, slopes, known)
    }

    fn within(radius: f64, metric: &Metric, slopes: &[Vec<f64>], known: &[&[f64]]) -> Self {
        let mut from = vec![f64::INFINITY; slopes.len()];
        let mut used = Vec::new();
        for (k, moment) in known.iter().enumerate() {
            if !metric.is_of_it(moment, &slopes[0]) {
                continue;
            }
            let mut serves = false;
            for (from, s) in from.iter_mut().zip(slopes) {
                let distance = metric.between(s, moment);
                serves |= distance <= radius && *from > radius;
                *from = from.min(distance);
            }
            if serves {
                used.push(k);
            }
        }
        let most = if metric.unknowns < MANY {
            MOMENTS
        } else {
            MOMENTS_OF_MANY
        };
        let mut moments = Vec::new();
        let mut nearest = vec![None; slopes.len()];
        let farthest = |from: &[f64]| {
            // The first of those that lie equally far.
            let samples = (0..from.len()).rev();
            samples.max_by(|&a, &b| from[a].total_cmp(&from[b]))
        };
        while let Some(next) = farthest(&from).filter(|&k| from[k] > radius)
            && moments.len() < most
        {
            for k in 0..slopes.len() {
                let distance = metric.between(&slopes[k], &slopes[next]);
                if distance < from[k] {
                    (from[k], nearest[k]) = (distance, Some(moments.len()));
                }
            }
            moments.push(next);
        }
        Self {
            moments,
            nearest,
            used,
            radius: from.iter().copied().fold(0.0, f64::max),
        }
    }
}

/// `[nnz]` how large each slope counts as at least: so much of what both its unknowns have at their own place. That of the
/// grid of a valve far from conducting moves by decades, and is nothing beside its leak.
fn least(pattern: &Pattern, most: &[f64]) -> Vec<f64> {
    let n = pattern.column_starts.len() - 1;
    let mut own = vec![0.0; n];
    let mut places = vec![(0, 0); most.len()];
    for column in 0..n {
        let start = pattern.column_starts[column];
        for (k, &row) in pattern.column(column).iter().enumerate() {
            places[start + k] = (row, column);
            if row == column {
                own[row] = most[start + k];
            }
        }
    }
    let beside = |&(row, column): &(usize, usize)| f64::sqrt(own[row] * own[column]);
    places.iter().map(|at| NEGLIGIBLE * beside(at)).collect()
}

#[cfg(test)]
mod tests {
    use super::{Apart, MOMENTS, Metric};

    /// Of two slopes, the first of which stands still.
    fn metric(slopes: &[Vec<f64>]) -> Metric {
        Metric {
            sizes: vec![7.0, 5.01],
            varying: vec![1],
            fixed: vec![0],
            unknowns: 2,
        }
        .checked(slopes)
    }

    impl Metric {
        fn checked(self, slopes: &[Vec<f64>]) -> Self {
            assert!(slopes.iter().all(|s| s.len() == self.sizes.len()));
            self
        }
    }

    fn slopes(second: &[f64]) -> Vec<Vec<f64>> {
        second.iter().map(|&g| vec![7.0, g]).collect()
    }

    #[test]
    fn moments_that_differ_stand_for_those_near_them() {
        let slopes = slopes(&[1.0, 1.001, 5.0, 5.01, 0.0, 1.0]);
        let found = Apart::of(&metric(&slopes), &slopes);
        assert_eq!(found.moments, [0, 3, 4]);
        assert_eq!(found.nearest, [0, 0, 1, 1, 2, 0].map(Some));
        assert!(found.used.is_empty());
    }

    #[test]
    fn what_is_known_stands_for_what_is_near_it_and_of_another_circuit_for_nothing() {
        let slopes = slopes(&[1.0, 1.001, 5.0, 5.01, 0.0, 1.0]);
        let metric = metric(&slopes);
        let known: [&[f64]; 3] = [&[7.0, 4.99], &[7.0, 100.0], &[8.0, 1.0]];
        let found = Apart::of(&metric, &slopes).beside(&known, &metric, &slopes);
        // The second is farther from the fifth than the first.
        assert_eq!(found.moments, [4, 1]);
        assert_eq!(found.used, [0]);
        let (first, second) = (Some(0), Some(1));
        assert_eq!(found.nearest, [second, second, None, None, first, second]);
    }

    #[test]
    fn no_more_is_asked_beside_what_is_known_than_without_it() {
        // Four hundred slopes evenly apart, more than forty-eight stand for within one of a hundred.
        let even: Vec<f64> = (0..400).map(|k| f64::from(k) * 0.5).collect();
        let slopes = slopes(&even);
        let metric = metric(&slopes);
        let fresh = Apart::of(&metric, &slopes);
        assert_eq!(fresh.moments.len(), MOMENTS);
        let known: Vec<&[f64]> = fresh.moments.iter().map(|&k| &slopes[k][..]).collect();
        let beside = fresh.beside(&known, &metric, &slopes);
        assert!(beside.moments.is_empty());
        // Of those known the last ones stand for nothing that others do not stand for already.
        assert!(!beside.used.is_empty() && beside.used.len() <= MOMENTS);
    }
}
