//! When new pivots are asked for.

use super::super::GROWTH_LIMIT;
use super::super::amplifier::amplifier;
use super::{Case, factored};

#[test]
fn growth_asks_for_new_pivots() {
    let case = Case::dense(2, &[1.0, 1.0, 1.0, -1.0]);
    let (symbolic, mut factors) = factored(&case);
    // Column-wise: a00, a10, a01, a11
    let values = [1e-13, 1.0, 1.0, 1.0];
    factors.refactor_varying(&symbolic, &values).unwrap();
    assert!(factors.growth() > GROWTH_LIMIT);
    let mut x = [1.0, 2.0];
    factors.solve(&mut x);
    assert!(case.backward(&values, &x, &[1.0, 2.0], false) > 1e-8 || factors.growth() > 1e12);
    let rcond = factors.rcond();
    factors.factor(&symbolic, &values).unwrap();
    assert!((factors.growth() - 1.0).abs() < 1e-15);
    assert!(factors.rcond() > 1e6 * rcond);
    case.solves(&mut factors, &values, 1e-15);
    // A varying entry that is large itself is no growth, a head that has grown is
    let case = Case::dense(2, &[1.0, 0.5, 0.5, -1.0]);
    let (symbolic, mut factors) = factored(&case);
    factors
        .refactor_varying(&symbolic, &[1e6, 0.5, 0.5, -1e6])
        .unwrap();
    assert!((factors.growth() - 1.0).abs() < 1e-6);
    let mut case = case;
    case.varying.fill(false);
    let (symbolic, mut factors) = factored(&case);
    factors.refactor_varying(&symbolic, &case.values).unwrap();
    assert_eq!((factors.head(), factors.growth() > 0.0), (2, false));
    factors.refactor(&symbolic, &[1e6, 0.5, 0.5, -1e6]).unwrap();
    assert!(factors.growth() > GROWTH_LIMIT);
    // No entry that is no number escapes
    let (_, good) = factored(&Case::new(amplifier(3, 2)));
    for entry in 0..good.lu.len() {
        let mut factors = good.clone();
        factors.lu[entry] = f64::NAN;
        assert!(factors.growth().is_infinite(), "entry {entry}");
    }
}
