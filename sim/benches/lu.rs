//! What one factorisation and one solution cost, on matrices like those of valve amplifiers.
//!
//! The shared generator stands for chains of 5 to 40 valves with an output transformer.

#[path = "../src/lu/amplifier.rs"]
mod amplifier;

use divan::{Bencher, black_box};
use sim::lu::{Factors, Pattern, Symbolic};

/// Unknowns.
const SIZES: [usize; 4] = [40, 80, 160, 320];

fn main() {
    divan::main();
}

struct Case {
    pattern: Pattern,
    values: Vec<f64>,
    varying: Vec<bool>,
    symbolic: Symbolic,
    factors: Factors<f64>,
}

fn case(n: usize) -> Case {
    let (n, triplets) = amplifier::amplifier(n / 8, 1);
    let starts = (0..=n)
        .map(|c| triplets.partition_point(|t| t.1 < c))
        .collect();
    let pattern = Pattern {
        n,
        column_starts: starts,
        rows: triplets.iter().map(|t| t.0).collect(),
    };
    let values: Vec<f64> = triplets.iter().map(|t| t.2).collect();
    let varying: Vec<bool> = triplets.iter().map(|t| t.3).collect();
    let symbolic = Symbolic::analyse(&pattern, &varying).expect("an amplifier has a solution");
    let mut factors = Factors::new(&symbolic);
    factors
        .factor(&symbolic, &values)
        .expect("an amplifier has a solution");
    Case {
        pattern,
        values,
        varying,
        symbolic,
        factors,
    }
}

#[divan::bench(args = SIZES)]
fn analyse(bencher: Bencher, n: usize) {
    let case = case(n);
    bencher.bench_local(|| Symbolic::analyse(black_box(&case.pattern), &case.varying));
}

#[divan::bench(args = SIZES)]
fn factor(bencher: Bencher, n: usize) {
    let mut case = case(n);
    bencher.bench_local(|| case.factors.factor(&case.symbolic, black_box(&case.values)));
}

#[divan::bench(args = SIZES)]
fn refactor(bencher: Bencher, n: usize) {
    let mut case = case(n);
    bencher.bench_local(|| {
        case.factors
            .refactor(&case.symbolic, black_box(&case.values))
    });
}

#[divan::bench(args = SIZES)]
fn refactor_varying(bencher: Bencher, n: usize) {
    let mut case = case(n);
    bencher.bench_local(|| {
        case.factors
            .refactor_varying(&case.symbolic, black_box(&case.values))
    });
}

#[divan::bench(args = SIZES)]
fn solve(bencher: Bencher, n: usize) {
    let mut case = case(n);
    let right: Vec<f64> = (0..n).map(|i| (i as f64).sin()).collect();
    let mut b = right.clone();
    bencher.bench_local(|| {
        b.copy_from_slice(&right);
        case.factors.solve(black_box(&mut b));
    });
}

#[divan::bench(args = SIZES)]
fn growth(bencher: Bencher, n: usize) {
    let case = case(n);
    bencher.bench_local(|| black_box(&case.factors).growth());
}
