//! What is refused, and which column is named.

use super::super::amplifier::amplifier;
use super::super::{Factors, Pattern, Singular, Structural, Symbolic};
use super::{Case, factored};

#[test]
fn structurally_singular_names_the_column() {
    let analyse = |n, places: &[(usize, usize)]| {
        let case = Case::new((n, places.iter().map(|&(r, c)| (r, c, 1.0, false)).collect()));
        Symbolic::analyse(&case.pattern, &case.varying)
    };
    // Column 1 empty; columns 1 and 2 on the one row 2; a path of exchanges that succeeds
    let empty = analyse(3, &[(0, 0), (1, 0), (2, 2)]).unwrap_err();
    assert_eq!(empty, Structural { column: 1 });
    assert_eq!(
        analyse(3, &[(0, 0), (2, 1), (2, 2), (1, 0)])
            .unwrap_err()
            .column,
        1
    );
    assert!(analyse(3, &[(0, 0), (1, 0), (0, 1), (2, 1), (1, 2)]).is_ok());
    assert!(empty.to_string().contains("column 1"));
}

#[test]
fn numerically_singular_names_the_column() {
    // Unknowns 1 and 2 float together: one of them is named; unknown 0 never
    let case = Case::dense(3, &[2.0, 0.0, 0.0, 0.0, 0.3, -0.3, 0.0, -0.3, 0.3]);
    let symbolic = case.analyse();
    let mut factors = Factors::new(&symbolic);
    let error = factors.factor(&symbolic, &case.values).unwrap_err();
    assert_eq!(error, Singular { column: 2 });
    assert!(error.to_string().contains("column 2"));
    assert!(!factors.is_factored());
    // A column of zeros, and a row of zeros
    let mut values = case.values.clone();
    values[0] = 0.0;
    assert_eq!(
        factors.factor(&symbolic, &values),
        Err(Singular { column: 0 })
    );
    // Cancellation to rounding, 0.1 + 0.2 − 0.3 ≠ 0, is singular too
    values = vec![1.0, 0.3, -0.3, -0.3, 0.1 + 0.2];
    assert_eq!(
        factors.factor(&symbolic, &values),
        Err(Singular { column: 2 })
    );
    // Pivots no longer there: head and tail
    values = vec![2.0, 0.3, -0.3, -0.3, 0.4];
    factors.refactor(&symbolic, &values).unwrap();
    assert!(factors.is_factored());
    let singular = vec![2.0, 0.3, -0.3, -0.3, 0.3];
    assert_eq!(
        factors.refactor_varying(&symbolic, &singular),
        Err(Singular { column: 2 })
    );
    assert!(!factors.is_factored());
    factors.refactor_varying(&symbolic, &values).unwrap();
    case.solves(&mut factors, &values, 1e-15);
    let mut constant = Case::dense(3, &[2.0, 0.0, 0.0, 0.0, 0.3, -0.3, 0.0, -0.3, 0.4]);
    constant.varying.fill(false);
    let (symbolic, mut factors) = factored(&constant);
    assert_eq!(factors.head(), 3);
    assert_eq!(
        factors.refactor(&symbolic, &singular),
        Err(Singular { column: 2 })
    );
    factors.refactor_varying(&symbolic, &values).unwrap();
    case.solves(&mut factors, &values, 1e-15);
    // A reciprocal beyond the numbers
    values[0] = f64::MIN_POSITIVE / 8.0;
    assert_eq!(
        factors.refactor(&symbolic, &values),
        Err(Singular { column: 0 })
    );
    assert_eq!(
        factors.factor(&symbolic, &values),
        Err(Singular { column: 0 })
    );
    let tiny = f64::MIN_POSITIVE / 8.0;
    let case = Case::dense(2, &[tiny, 1.0, tiny, -1.0]);
    let symbolic = case.analyse();
    let error = Factors::new(&symbolic).factor(&symbolic, &case.values);
    assert_eq!(error, Err(Singular { column: 0 }));
}

#[test]
fn values_that_are_no_numbers_name_their_column() {
    let case = Case::new(amplifier(3, 9));
    let (symbolic, good) = factored(&case);
    for bad in [f64::NAN, f64::INFINITY] {
        for column in 0..symbolic.n() {
            for entry in case.pattern.entries(column) {
                let mut values = case.values.clone();
                values[entry] = bad;
                let mut factors = good.clone();
                assert_eq!(factors.factor(&symbolic, &values), Err(Singular { column }));
                assert!(!factors.is_factored());
                assert_eq!(
                    factors.refactor(&symbolic, &values),
                    Err(Singular { column })
                );
                let mut factors = good.clone();
                if case.varying[entry] {
                    assert_eq!(
                        factors.refactor_varying(&symbolic, &values),
                        Err(Singular { column })
                    );
                    assert!(!factors.is_factored());
                } else {
                    assert_eq!(factors.refactor_varying(&symbolic, &values), Ok(()));
                }
            }
        }
    }
}

#[test]
fn rules_of_the_pattern_are_checked() {
    let good = Pattern {
        n: 2,
        column_starts: vec![0, 1, 2],
        rows: vec![0, 1],
    };
    let refused = |pattern: Pattern, varying: usize| {
        std::panic::catch_unwind(|| Symbolic::analyse(&pattern, &vec![false; varying])).is_err()
    };
    assert!(!refused(good.clone(), 2));
    assert!(refused(good.clone(), 1));
    assert!(refused(
        Pattern {
            rows: vec![0, 2],
            ..good.clone()
        },
        2
    ));
    assert!(refused(
        Pattern {
            rows: vec![1, 0],
            column_starts: vec![0, 0, 2],
            n: 2
        },
        2
    ));
    assert!(refused(
        Pattern {
            column_starts: vec![0, 1],
            ..good.clone()
        },
        2
    ));
    let symbolic = Symbolic::analyse(&good, &[true; 2]).unwrap();
    let mut factors = Factors::<f64>::new(&symbolic);
    assert!(std::panic::catch_unwind(move || factors.solve(&mut [0.0; 2])).is_err());
}
