//! Random circuits and spoilt files put to the program: what it exits with and what it says. The library is asked far
//! more of them by `tests/tests/random.rs`.

use std::path::Path;
use std::time::Duration;

use checks::random::program::Program;

/// Any; another finds others.
const SEED: u64 = 20;

/// Long enough for the busiest machine: what is asked here takes milliseconds.
const PATIENCE: Duration = Duration::from_mins(10);

#[test]
fn the_program_answers_or_says_where_and_why_not() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let program = Program {
        path: Path::new(env!("CARGO_BIN_EXE_gridleak")),
        folder: folder.path(),
        longest: PATIENCE,
    };
    let mut wrong = Vec::new();
    for number in 0..150 {
        if let Err(what) = program.judge(SEED, number, false) {
            wrong.push(format!("program {number} {SEED}: {what}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
