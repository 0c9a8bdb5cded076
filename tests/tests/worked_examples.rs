//! Worked examples with printed answers: closed forms met, readings of real valves predicted.
//!
//! The list with sources is `checks::published::worked`; the answers are also on `VALIDATION.md`.

#![allow(
    clippy::print_stdout,
    reason = "the answers are of interest when one is off"
)]

use std::collections::BTreeSet;

use checks::published::worked::{SOURCES, all};

#[test]
fn worked_examples_come_out_as_printed() {
    let mut faults = Vec::new();
    let mut held = 0;
    let mut numbers = BTreeSet::new();
    for example in all() {
        numbers.insert(example.number());
        let Ok(ours) = example.ours else { continue };
        let off = ours / example.published - 1.0;
        println!(
            "{}: {} printed, {ours:.3} ours",
            example.what, example.published
        );
        let Some((tolerance, why)) = example.tolerance else {
            continue;
        };
        held += 1;
        // Not a number is a fault too.
        if off.is_nan() || off.abs() > tolerance {
            faults.push(format!(
                "{}: {:+.2} %, held to {tolerance}: {why}",
                example.what,
                100.0 * off
            ));
        }
    }
    let named: Vec<u8> = SOURCES.iter().map(|(number, _)| *number).collect();
    assert!(
        numbers.iter().eq(&named),
        "each example names its source: {numbers:?}, {named:?}"
    );
    assert!(held > 20, "{held} are held");
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}
