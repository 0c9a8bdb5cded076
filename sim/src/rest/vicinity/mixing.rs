//! Corrections mixed: the next place is where what the last ones left is least.
//!
//! Source   Anderson, J. ACM 12 (1965) 547 (from memory)

use nalgebra::{DMatrix, DVector};

/// Corrections remembered.
const REMEMBERED: usize = 5;

/// Corrections and where they were made, so that the next undoes what these left.
#[derive(Debug, Default)]
pub(super) struct Mixing {
    /// Place and correction, the last one behind.
    known: Vec<(Vec<f64>, Vec<f64>)>,
}

impl Mixing {
    /// The next place from one and its correction: of all mixtures of those known the one whose correction is least, each
    /// entry weighed by its `weight`.
    pub(super) fn next(
        &mut self,
        at: Vec<f64>,
        step: Vec<f64>,
        weight: impl Fn(usize) -> f64,
    ) -> Vec<f64> {
        let weighed: Vec<f64> = (0..step.len()).map(|k| weight(k).powi(2)).collect();
        let product = |a: &[f64], b: &[f64]| -> f64 {
            let each = a.iter().zip(b).zip(&weighed);
            each.map(|((a, b), weight)| weight * a * b).sum()
        };
        let differences: Vec<(Vec<f64>, Vec<f64>)> = self
            .known
            .iter()
            .map(|(place, correction)| (less(&at, place), less(&step, correction)))
            .collect();
        let count = differences.len();
        let normal = DMatrix::from_fn(count, count, |i, j| {
            product(&differences[i].1, &differences[j].1)
        });
        let side = DVector::from_fn(count, |i, _| product(&differences[i].1, &step));
        let mut next: Vec<f64> = at.iter().zip(&step).map(|(x, step)| x + step).collect();
        if count > 0 {
            // Of differences that are nearly alike only what sets them apart from rounding counts.
            let least = 1e-10 * normal.amax();
            let shares = normal.svd(true, true).solve(&side, least);
            let shares = shares.unwrap_or_else(|_| DVector::zeros(count));
            for (share, (place, correction)) in shares.iter().zip(&differences) {
                for (next, (place, correction)) in next.iter_mut().zip(place.iter().zip(correction))
                {
                    *next -= share * (place + correction);
                }
            }
        }
        self.known.push((at, step));
        if self.known.len() > REMEMBERED {
            self.known.remove(0);
        }
        next
    }
}

/// a − b.
fn less(a: &[f64], b: &[f64]) -> Vec<f64> {
    a.iter().zip(b).map(|(a, b)| a - b).collect()
}
