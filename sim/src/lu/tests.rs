//! Checks against a dense factorisation, which shares no code with this one.

use super::amplifier::{Random, Triplet, amplifier, summed};
use super::*;
use nalgebra::{Complex, DMatrix, DVector};
use proptest::prelude::*;

/// Componentwise backward error promised for amplifier-like matrices.
const BACKWARD: f64 = 1e-11;

pub(super) struct Case {
    pub(super) pattern: Pattern,
    pub(super) values: Vec<f64>,
    pub(super) varying: Vec<bool>,
}

impl Case {
    pub(super) fn new((n, triplets): (usize, Vec<Triplet>)) -> Self {
        let triplets = summed(triplets);
        let column_starts = (0..=n)
            .map(|c| triplets.partition_point(|&(_, column, ..)| column < c))
            .collect();
        Self {
            pattern: Pattern {
                n,
                column_starts,
                rows: triplets.iter().map(|t| t.0).collect(),
            },
            values: triplets.iter().map(|t| t.2).collect(),
            varying: triplets.iter().map(|t| t.3).collect(),
        }
    }

    pub(super) fn dense(n: usize, entries: &[f64]) -> Self {
        let all = entries
            .iter()
            .enumerate()
            .map(|(k, &v)| (k / n, k % n, v, true));
        Self::new((n, all.filter(|t| t.2 != 0.0).collect()))
    }

    pub(super) fn analyse(&self) -> Symbolic {
        Symbolic::analyse(&self.pattern, &self.varying).unwrap()
    }

    pub(super) fn matrix<T: Entry + nalgebra::Scalar>(&self, values: &[T]) -> DMatrix<T> {
        let n = self.pattern.n;
        let mut matrix = DMatrix::from_element(n, n, T::default());
        for column in 0..n {
            for entry in self.pattern.entries(column) {
                matrix[(self.pattern.rows[entry], column)] = values[entry];
            }
        }
        matrix
    }

    /// The largest componentwise backward error `|b − A x| / (|A| |x| + |b|)` of a solution.
    pub(super) fn backward(&self, values: &[f64], x: &[f64], b: &[f64], transposed: bool) -> f64 {
        let n = self.pattern.n;
        let (mut residual, mut size): (Vec<f64>, Vec<f64>) =
            (b[..n].to_vec(), b[..n].iter().map(|b| b.abs()).collect());
        for column in 0..n {
            for entry in self.pattern.entries(column) {
                let row = self.pattern.rows[entry];
                let (i, j) = if transposed {
                    (column, row)
                } else {
                    (row, column)
                };
                residual[i] -= values[entry] * x[j];
                size[i] += (values[entry] * x[j]).abs();
            }
        }
        let ratios = residual
            .iter()
            .zip(&size)
            .filter(|(_, s)| **s > 0.0)
            .map(|(r, s)| r.abs() / s);
        ratios.fold(0.0, |most, ratio| if ratio <= most { most } else { ratio })
    }

    /// Both solutions have a small backward error.
    fn solves(&self, factors: &mut Factors<f64>, values: &[f64], bound: f64) {
        let b: Vec<f64> = (0..self.pattern.n)
            .map(|i| ((i * 7 + 3) % 11) as f64 - 4.5)
            .collect();
        let mut x = b.clone();
        factors.solve(&mut x);
        let error = self.backward(values, &x, &b, false);
        assert!(error <= bound, "backward error {error:e}");
        let mut x = b.clone();
        factors.solve_transposed(&mut x);
        let error = self.backward(values, &x, &b, true);
        assert!(error <= bound, "transposed backward error {error:e}");
    }

    /// Solutions agree with the dense factorisation within `bound` of the largest unknown.
    fn agrees(&self, factors: &mut Factors<f64>, values: &[f64], bound: f64) {
        let matrix = self.matrix(values);
        let b = DVector::from_fn(self.pattern.n, |i, _| (i as f64 + 1.0).sin());
        for (matrix, transposed) in [(matrix.clone(), false), (matrix.transpose(), true)] {
            let expected = matrix.lu().solve(&b).unwrap();
            let mut x = b.as_slice().to_vec();
            if transposed {
                factors.solve_transposed(&mut x)
            } else {
                factors.solve(&mut x)
            }
            let error = (DVector::from_vec(x) - &expected).amax() / expected.amax();
            assert!(error <= bound, "transposed {transposed}: {error:e}");
        }
    }
}

fn factored(case: &Case) -> (Symbolic, Factors<f64>) {
    let symbolic = case.analyse();
    let mut factors = Factors::new(&symbolic);
    factors.factor(&symbolic, &case.values).unwrap();
    (symbolic, factors)
}

fn lu_close(a: &Factors<f64>, b: &Factors<f64>) {
    assert_eq!(a.lu.len(), b.lu.len());
    for (a, b) in a.lu.iter().zip(&b.lu) {
        assert!((a - b).abs() <= 1e-12 * a.abs().max(b.abs()), "{a} {b}");
    }
}

#[test]
fn amplifiers_at_every_operating_point() {
    for stages in [2, 5, 10, 40] {
        let case = Case::new(amplifier(stages, 1));
        let (symbolic, mut factors) = factored(&case);
        println!(
            "n {} nnz {} lu {} head {} rcond {:e}",
            symbolic.n(),
            symbolic.nnz(),
            factors.entries(),
            factors.head(),
            factors.rcond()
        );
        assert!(factors.head() * 3 > symbolic.n(), "head {}", factors.head());
        assert!(factors.entries() < 2 * symbolic.nnz());
        case.solves(&mut factors, &case.values, BACKWARD);
        if stages <= 10 {
            case.agrees(&mut factors, &case.values, 1e-9);
        }
        for seed in 2..40 {
            let values = Case::new(amplifier(stages, seed)).values;
            factors.refactor_varying(&symbolic, &values).unwrap();
            assert!(factors.growth() < GROWTH_LIMIT);
            case.solves(&mut factors, &values, BACKWARD);
            let mut full = factors.clone();
            full.refactor(&symbolic, &values).unwrap();
            assert_eq!(full.lu, factors.lu);
        }
    }
}

#[test]
fn refactor_repeats_factor_and_takes_all_values() {
    let case = Case::new(amplifier(6, 3));
    let (symbolic, first) = factored(&case);
    let mut again = first.clone();
    let doubled: Vec<f64> = case.values.iter().map(|v| 2.0 * v).collect();
    again.refactor(&symbolic, &doubled).unwrap();
    case.solves(&mut again, &doubled, BACKWARD);
    assert_ne!(again.lu, first.lu);
    assert!((again.growth() - 2.0).abs() < 1e-9, "{}", again.growth());
    again.refactor(&symbolic, &case.values).unwrap();
    assert_eq!(again.lu, first.lu);
    assert!((again.growth() - 1.0).abs() < 1e-12);
    lu_close(&again, &first);
}

#[test]
fn constant_entries_are_taken_from_the_last_refactor() {
    let case = Case::new(amplifier(4, 3));
    let (symbolic, mut factors) = factored(&case);
    let expected = factors.lu.clone();
    let mut values = case.values.clone();
    for (value, varying) in values.iter_mut().zip(&case.varying) {
        if !varying {
            *value = f64::from_bits(value.to_bits() ^ 1);
        }
    }
    factors.refactor_varying(&symbolic, &values).unwrap();
    assert_eq!(factors.lu, expected);
    factors.refactor(&symbolic, &values).unwrap();
    assert_ne!(factors.lu, expected);
}
