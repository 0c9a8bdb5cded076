//! `check`: its exit status, and lines in the file.

use std::path::Path;

mod bench;

use bench::in_repository;

const MISPRINT: &str = "examples/07_misprint/amplifier.toml";

#[test]
fn findings_are_an_answer_and_strict_makes_them_a_failure() {
    assert_eq!(
        in_repository(&["check", "--quick", MISPRINT]).status.code(),
        Some(0)
    );
    let strict = in_repository(&["check", "--quick", "--strict", MISPRINT]);
    assert_eq!(strict.status.code(), Some(1));
    let words = String::from_utf8_lossy(&strict.stderr).into_owned();
    assert!(words.contains("check-strict"), "{words}");
    let mended = [
        "check", "--quick", "--strict", MISPRINT, "--set", "R12=470k",
    ];
    assert_eq!(in_repository(&mended).status.code(), Some(0));
}

#[test]
fn a_finding_names_the_lines_of_its_parts() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let text = std::fs::read_to_string(root.join(MISPRINT)).expect("the example is there");
    let line = |part: &str| {
        text.lines()
            .position(|line| line.starts_with(part))
            .expect("listed")
            + 1
    };
    let answer =
        String::from_utf8(in_repository(&["check", "--quick", MISPRINT]).stdout).expect("text");
    let wanted = format!("[halves-differ] lines {}, {}", line("R11 "), line("R12 "));
    assert!(answer.contains(&wanted), "{wanted}: {answer}");
}
