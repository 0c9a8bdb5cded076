//! Drawings that nobody thought of: a few hundred here, any number by `cargo run --release -p checks --example
//! random`, which also says how to draw a case again that fails.

use std::panic::{AssertUnwindSafe, catch_unwind};

use checks::random::case::{Kind, Outcome};

/// Any; another finds others.
const SEED: u64 = 20;

/// Judges the first cases of a kind and gives how many were answered.
fn answered(word: &str, count: u64) -> usize {
    let found = Kind::ALL.into_iter().find(|(name, _)| *name == word);
    let (_, kind) = found.expect("a kind of case");
    let mut wrong = Vec::new();
    let mut answered = 0;
    for number in 0..count {
        let text = kind.text(SEED, number);
        match catch_unwind(AssertUnwindSafe(|| kind.judge(&text))) {
            Ok(Ok(outcome)) => answered += usize::from(outcome == Outcome::Answered),
            Ok(Err(what)) => wrong.push(format!("{word} {number} {SEED}: {what}")),
            Err(_) => wrong.push(format!("{word} {number} {SEED}: a panic")),
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    answered
}

#[test]
fn random_circuits_balance_at_every_node() {
    // What is drawn is legal, and nearly all of it has a rest: 97 in a hundred of ten thousand.
    let answered = answered("circuits", 2000);
    assert!(answered > 1900, "{answered} answered");
}

#[test]
fn random_circuits_on_the_mains_balance_at_every_node() {
    assert!(answered("mains", 20) > 15);
}

#[test]
fn spoilt_files_are_answered_or_refused_at_a_place() {
    for (word, count) in [
        ("files", 8000),
        ("reworks", 1000),
        ("readings", 2000),
        ("targets", 2000),
        ("traced", 150),
        ("valves", 1500),
    ] {
        let answered = answered(word, count);
        // Neither all nor none is refused, or nothing is tried.
        assert!(
            answered > 0 && answered < count as usize,
            "{word}: {answered} of {count} answered"
        );
    }
}
