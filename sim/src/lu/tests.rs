//! Checks against a dense factorisation, which shares no code with this one.

mod any;
mod growth;
mod refusals;

use super::amplifier::{Random, Triplet, amplifier, summed};
use super::*;
use nalgebra::{Complex, DMatrix, DVector};

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
        let [direct, transposed] = self.errors(factors, values);
        assert!(direct <= bound, "backward error {direct:e}");
        assert!(
            transposed <= bound,
            "transposed backward error {transposed:e}"
        );
    }

    /// The backward errors of a solution and of a transposed one.
    fn errors(&self, factors: &mut Factors<f64>, values: &[f64]) -> [f64; 2] {
        let b: Vec<f64> = (0..self.pattern.n)
            .map(|i| ((i * 7 + 3) % 11) as f64 - 4.5)
            .collect();
        let (mut x, mut y) = (b.clone(), b.clone());
        factors.solve(&mut x);
        factors.solve_transposed(&mut y);
        [
            self.backward(values, &x, &b, false),
            self.backward(values, &y, &b, true),
        ]
    }

    /// Both solutions have a residual small against the largest unknown, rows scaled.
    fn solves_scaled(&self, factors: &mut Factors<f64>, values: &[f64], bound: f64) {
        let mut scales = vec![0.0; self.pattern.n];
        pivot::row_scales(&self.analyse(), values, &mut scales);
        let mut scaled = values.to_vec();
        for (value, &row) in scaled.iter_mut().zip(&self.pattern.rows) {
            *value *= scales[row];
        }
        let matrix = self.matrix(&scaled);
        let b = DVector::from_fn(self.pattern.n, |i, _| (i as f64 + 1.0).sin());
        let mut x = DVector::from_fn(self.pattern.n, |i, _| b[i] / scales[i]);
        factors.solve(x.as_mut_slice());
        let error = (&matrix * &x - &b).amax() / (x.amax() + b.amax());
        assert!(error <= bound, "{error:e}");
        let mut x = b.clone();
        factors.solve_transposed(x.as_mut_slice());
        x.iter_mut().zip(&scales).for_each(|(x, scale)| *x /= scale);
        let error = (matrix.transpose() * &x - &b).amax() / (x.amax() + b.amax());
        assert!(error <= bound, "transposed {error:e}");
    }

    /// Solutions agree with the dense factorisation within `bound` of the largest unknown.
    fn agrees(&self, factors: &mut Factors<f64>, values: &[f64], bound: f64) {
        let matrix = self.matrix(values);
        let b = DVector::from_fn(self.pattern.n, |i, _| (i as f64 + 1.0).sin());
        for (matrix, transposed) in [(matrix.clone(), false), (matrix.transpose(), true)] {
            let expected = matrix.lu().solve(&b).unwrap();
            let mut x = b.as_slice().to_vec();
            if transposed {
                factors.solve_transposed(&mut x);
            } else {
                factors.solve(&mut x);
            }
            let error = (DVector::from_vec(x) - &expected).amax() / expected.amax();
            assert!(error <= bound, "transposed {transposed}: {error:e}");
        }
    }
}

/// A whole number below `n`.
fn below(random: &mut Random, n: usize) -> usize {
    random.next();
    (random.0 >> 11) as usize % n
}

fn factored(case: &Case) -> (Symbolic, Factors<f64>) {
    let symbolic = case.analyse();
    let mut factors = Factors::new(&symbolic);
    factors.factor(&symbolic, &case.values).unwrap();
    (symbolic, factors)
}

fn lu_close(a: &Factors<f64>, b: &Factors<f64>) {
    assert_eq!(a.lu.len(), b.lu.len());
    for (a, b) in a.lu.iter().zip(b.lu.iter()) {
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

/// Named shapes: arrow both ways, tridiagonal, ideal source, transformer.
#[test]
fn shapes() {
    let n = 30;
    let diagonal = |i: usize| (i, i, 4.0 + i as f64 * 0.1, false);
    let arrow = (1..n).flat_map(|i| [(0, i, 1.0, false), (i, 0, -0.5, false)]);
    let last = (0..n - 1).flat_map(|i| [(n - 1, i, 1.0, false), (i, n - 1, -0.5, true)]);
    let band = (1..n).flat_map(|i| [(i - 1, i, 1.0, false), (i, i - 1, -2.0, false)]);
    for off in [
        arrow.collect::<Vec<_>>(),
        last.collect(),
        band.clone().collect(),
    ] {
        let case = Case::new((n, (0..n).map(diagonal).chain(off).collect()));
        let (_, mut factors) = factored(&case);
        assert!(
            factors.entries() <= case.pattern.nnz() + 6,
            "hardly any fill in trees"
        );
        case.agrees(&mut factors, &case.values, 1e-13);
        case.solves(&mut factors, &case.values, 1e-15);
    }
    // Zero diagonal throughout
    let case = Case::new((n, band.collect()));
    let (_, mut factors) = factored(&case);
    case.agrees(&mut factors, &case.values, 1e-9);
    // A source of 1 V on node 0, an ideal transformer 10:1 from node 0 to node 1, a load there
    let case = Case::new((
        4,
        vec![
            (0, 0, 1e-12, false),
            (0, 2, 1.0, false),
            (0, 3, 1.0, false),
            (1, 1, 0.125, true),
            (1, 3, -10.0, false),
            (2, 0, 1.0, false),
            (3, 0, 1.0, false),
            (3, 1, -10.0, false),
        ],
    ));
    let (_, mut factors) = factored(&case);
    let mut x = [0.0, 0.0, 1.0, 0.0, 99.0];
    factors.solve(&mut x);
    let expected = [1.0, 0.1, -1e-12 - 0.00125, 0.00125, 99.0];
    for (x, expected) in x.iter().zip(expected) {
        assert!((x - expected).abs() < 1e-15, "{x} {expected}");
    }
}

#[test]
fn complex_against_dense() {
    let case = Case::new(amplifier(4, 5));
    let symbolic = case.analyse();
    let mut values: Vec<Complex<f64>> = case
        .values
        .iter()
        .zip(&case.pattern.rows)
        .map(|(&v, &row)| Complex::new(v, 0.3 * v * (row as f64).cos()))
        .collect();
    let mut factors = Factors::new(&symbolic);
    factors.factor(&symbolic, &values).unwrap();
    for (value, _) in values
        .iter_mut()
        .zip(&case.varying)
        .filter(|(_, varying)| **varying)
    {
        *value *= Complex::new(0.9, 0.4);
    }
    factors.refactor_varying(&symbolic, &values).unwrap();
    let b = DVector::from_fn(symbolic.n(), |i, _| Complex::new(1.0, i as f64));
    for (matrix, transposed) in [
        (case.matrix(&values), false),
        (case.matrix(&values).transpose(), true),
    ] {
        let expected = matrix.lu().solve(&b).unwrap();
        let mut x = b.as_slice().to_vec();
        if transposed {
            factors.solve_transposed(&mut x);
        } else {
            factors.solve(&mut x);
        }
        let error = (DVector::from_vec(x) - &expected).camax() / expected.camax();
        assert!(error < 1e-9, "transposed {transposed}: {error:e}");
    }
    let purely_imaginary = Case::new((1, vec![(0, 0, 1.0, true)])).analyse();
    let mut one = Factors::new(&purely_imaginary);
    one.factor(&purely_imaginary, &[Complex::i()]).unwrap();
    let mut x = [Complex::new(2.0, 0.0)];
    one.solve(&mut x);
    assert_eq!(x[0], Complex::new(0.0, -2.0));
    values[3].im = f64::NAN;
    assert!(factors.refactor(&symbolic, &values).is_err());
}

#[test]
fn nothing_and_one() {
    let (symbolic, mut factors) = factored(&Case::new((0, vec![])));
    factors.refactor(&symbolic, &[]).unwrap();
    factors.refactor_varying(&symbolic, &[]).unwrap();
    factors.solve(&mut []);
    factors.solve_transposed(&mut []);
    assert_eq!(
        (factors.rcond(), factors.growth(), factors.entries()),
        (1.0, 0.0, 0)
    );
    for varies in [false, true] {
        let case = Case::new((1, vec![(0, 0, 4.0, varies)]));
        let symbolic = case.analyse();
        let mut factors = Factors::new(&symbolic);
        assert!(factors.growth() <= 0.0);
        factors.refactor_varying(&symbolic, &[4.0, 7.0]).unwrap();
        let mut x = [2.0, 5.0];
        factors.solve(&mut x);
        factors.solve_transposed(&mut x);
        assert_eq!(x.map(f64::to_bits), [0.125, 5.0].map(f64::to_bits));
        assert_eq!(
            (factors.head(), factors.rcond()),
            (usize::from(!varies), 1.0)
        );
    }
}

#[test]
fn large_ones_are_ordered_with_little_fill() {
    let case = Case::new(amplifier(1250, 1));
    let (_, mut factors) = factored(&case);
    assert_eq!(case.pattern.n, 10_000);
    assert!(factors.entries() < 2 * case.pattern.nnz());
    case.solves(&mut factors, &case.values, BACKWARD);
    // One hub for all
    let n = 10_000;
    let spokes = (1..n).flat_map(|i| {
        [
            (0, i, 1.0, false),
            (i, 0, 1.0, false),
            (i, i, 4.0, i % 2 == 0),
        ]
    });
    let case = Case::new((n, spokes.chain([(0, 0, 1e5, false)]).collect()));
    let (_, factors) = factored(&case);
    assert!(factors.entries() <= case.pattern.nnz() + 6);
}
