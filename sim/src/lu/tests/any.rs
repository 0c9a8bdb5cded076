//! Random patterns, and random numberings of an amplifier.

use super::super::amplifier::{Random, Triplet, amplifier, summed};
use super::{BACKWARD, Case, below, factored};
use proptest::prelude::*;

/// Square patterns with a full diagonal of pivots hidden by a permutation of the rows.
fn any_case() -> impl Strategy<Value = Case> {
    (1_usize..24, any::<u64>(), 0_usize..6, 0.0..1.0_f64).prop_map(|(n, seed, density, share)| {
        let mut random = Random(seed | 1);
        let mut below = |n: usize| below(&mut random, n);
        let mut rows: Vec<usize> = (0..n).collect();
        (1..n).for_each(|i| rows.swap(i, below(i + 1)));
        let mut triplets: Vec<Triplet> = Vec::new();
        for (column, &row) in rows.iter().enumerate() {
            triplets.push((row, column, 3.0, false));
            for _ in 0..density {
                triplets.push((below(n), column, 0.0, false));
            }
        }
        let mut triplets = summed(triplets);
        let scales: Vec<f64> = (0..n).map(|_| random.log(1e-6, 1e6)).collect();
        for (row, _, value, varying) in &mut triplets {
            *value = (*value + random.next() - 0.5) * scales[*row];
            *varying = random.next() < share;
        }
        Case::new((n, triplets))
    })
}

impl std::fmt::Debug for Case {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:?} {:?} {:?}", self.pattern, self.values, self.varying)
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn any_pattern_and_any_varying_part(case in any_case(), change in 0.5..2.0_f64) {
        let (symbolic, mut factors) = factored(&case);
        case.solves_scaled(&mut factors, &case.values, 1e-12);
        prop_assert!((factors.growth() - 1.0).abs() < 1e-12);
        prop_assert!(factors.rcond() > 0.0 && factors.rcond() <= 1.0);

        let mut values = case.values.clone();
        for (value, _) in values.iter_mut().zip(&case.varying).filter(|(_, varying)| **varying) {
            *value *= change;
        }
        let mut full = factors.clone();
        prop_assert_eq!(
            factors.refactor_varying(&symbolic, &values),
            full.refactor(&symbolic, &values)
        );
        prop_assert_eq!(&factors.lu, &full.lu);
        if factors.growth() < 100.0 {
            case.solves_scaled(&mut factors, &values, 1e-10);
        }
        // Back again: the same factors as from the choice of pivots
        factors.refactor_varying(&symbolic, &case.values).unwrap();
        full.factor(&symbolic, &case.values).unwrap();
        prop_assert_eq!(&factors.lu, &full.lu);
    }

    #[test]
    fn renumbering_changes_nothing_but_the_numbers(seed in 1_u64..1_000_000) {
        let (n, triplets) = amplifier(3, 7);
        let mut random = Random(seed);
        let mut shuffled = || {
            let mut list: Vec<usize> = (0..n).collect();
            (1..n).for_each(|i| list.swap(i, below(&mut random, i + 1)));
            list
        };
        let (rows, columns) = (shuffled(), shuffled());
        let alike = triplets.iter().map(|&(r, c, v, varies)| (rows[r], rows[c], v, varies));
        let alike = Case::new((n, alike.collect()));
        let [direct, transposed] = alike.errors(&mut factored(&alike).1, &alike.values);
        prop_assert!(direct < BACKWARD, "{direct:e}");
        // Rows are scaled and columns are not, which the transposed solution pays for
        prop_assert!(transposed < 1e-7, "{transposed:e}");
        let moved = triplets.iter().map(|&(r, c, v, varies)| (rows[r], columns[c], v, varies));
        let (case, moved) = (Case::new((n, triplets.clone())), Case::new((n, moved.collect())));
        let (_, mut factors) = factored(&case);
        let (_, mut moved_factors) = factored(&moved);
        // The diagonal is gone, and the ordering without its guide
        let [direct, transposed] = moved.errors(&mut moved_factors, &moved.values);
        prop_assert!(direct < 1e-9 && transposed < 1e-6, "{direct:e} {transposed:e}");
        let mut x: Vec<f64> = (0..n).map(|i| i as f64 - 3.5).collect();
        let mut y = vec![0.0; n];
        (0..n).for_each(|i| y[rows[i]] = x[i]);
        factors.solve(&mut x);
        moved_factors.solve(&mut y);
        let size = x.iter().fold(0.0_f64, |most, x| most.max(x.abs()));
        for i in 0..n {
            prop_assert!((y[columns[i]] - x[i]).abs() <= 1e-8 * size);
        }
    }
}
