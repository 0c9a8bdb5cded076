//! An amplifier of a test asked by `check`, and what it says.

use measure::Measurement;
use measure::judged::check::{Check, CheckOf, Code, Finding};
use sheet::read;
use sim::System;
use sim::amplifier::Amplifier;

/// The amplifier of a file's text, with values changed as by `--set`.
///
/// # Panics
/// Where the text has faults.
pub fn amplifier(text: &str, set: &[(&str, &str)]) -> Amplifier {
    let set: Vec<(String, String)> = set
        .iter()
        .map(|(part, value)| ((*part).to_owned(), (*value).to_owned()))
        .collect();
    read(text, &set).unwrap_or_else(|faults| panic!("{faults:#?}"))
}

/// As the program asks: an amplifier without a rest has its wiring looked at.
///
/// # Panics
/// Where the circuit does not compile.
pub fn check_all(text: &str, set: &[(&str, &str)], quick: bool) -> Check {
    let amplifier = amplifier(text, set);
    let system = System::of(&amplifier.circuit).expect("it compiles");
    let question = CheckOf { quick };
    question
        .about(&amplifier, &system)
        .unwrap_or_else(|error| question.unsolved(&amplifier, error))
}

/// As [`check_all`], quickly.
pub fn check(text: &str, set: &[(&str, &str)]) -> Check {
    check_all(text, set, true)
}

/// The findings of that kind.
pub fn of(answer: &Check, code: Code) -> Vec<&Finding> {
    let findings = answer.findings.iter();
    findings.filter(|finding| finding.code == code).collect()
}

/// All findings, in words.
pub fn told(answer: &Check) -> Vec<(Code, &str)> {
    let findings = answer.findings.iter();
    findings.map(|f| (f.code, f.what.as_str())).collect()
}

/// The text without a line, or with another in its place.
///
/// # Panics
/// Where there is no such line.
pub fn with(text: &str, part: &str, line: &str) -> String {
    let is_it = |of: &str| of.split('=').next().is_some_and(|name| name.trim() == part);
    assert!(text.lines().any(is_it), "no line {part}");
    let lines = text.lines().map(|of| if is_it(of) { line } else { of });
    lines.collect::<Vec<_>>().join("\n")
}
