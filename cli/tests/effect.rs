//! `effect` as its user meets it.

use std::process::Output;

mod bench;

use bench::{in_repository, stderr};

const CROSSED: &str = "examples/08_cross_connected_capacitors/amplifier.toml";

fn run(arguments: &[&str]) -> Output {
    in_repository(&[&["effect", CROSSED], arguments].concat())
}

fn answer(arguments: &[&str]) -> String {
    bench::answer(&run(arguments))
}

#[test]
fn what_cannot_be_taken_out_is_told_all_at_once() {
    let run = run(&["--part", "LS1,C5,C5,GB", "--short", "V3,T1,C55"]);
    assert_eq!(run.status.code(), Some(2));
    assert!(run.stdout.is_empty());
    let expected = "\
error[cannot-ask]: LS1 is the load of the bench, in which the figures are stated
  help: `gridleak feedback` tells what an open output does

error[cannot-ask]: C5 is named twice
  help: a part is opened or shorted once; ask twice for both

error[cannot-ask]: GB is a supply, which cannot be taken out
  help: write what takes its place into a rework file, and `gridleak compare` the two

error[cannot-ask]: V3 is a valve and cannot be shorted
  help: --open V3 takes it out of its socket

error[cannot-ask]: T1 is a transformer, which cannot be taken out
  help: write what takes its place into a rework file, and `gridleak compare` the two

error[unknown-part]: there is no part C55
  help: did you mean C5?
";
    assert_eq!(stderr(&run).trim_end(), expected.trim_end());
}

#[test]
fn questions_that_cannot_be_asked_are_refused_before_anything_is_measured() {
    for (arguments, expected) in [
        (
            &["--part", "C5", "--together"][..],
            "error[cannot-ask]: --together takes two parts or more\n  help: name them with --part, --open or --short\n",
        ),
        (
            &["--svg", "all.svg"],
            "error[cannot-ask]: --svg draws the parts named, six cases at most\n  help: name what is to be drawn: --part C7,C8, or several at once with --together\n",
        ),
        (
            &["--through", "R99"],
            "error[unknown-part]: --through R99: there is no such part\n  help: name the resistor or capacitor that leads from the output back into the amplifier\n",
        ),
    ] {
        let run = run(arguments);
        assert_eq!(run.status.code(), Some(2));
        assert_eq!(stderr(&run).trim_end(), expected.trim_end());
    }
}

#[test]
fn a_part_with_its_like_in_the_other_half_is_told_alone_and_with_it() {
    let text = answer(&["--part", "C5", "--quick"]);
    let words: Vec<&str> = text.split_whitespace().collect();
    let text = words.join(" ");
    assert!(text.contains("Compared with C5 opened."), "{text}");
    assert!(text.contains("Compared with C5 and C6 opened."), "{text}");
    // Both at once move more than one alone, and so come first.
    let place = |words: &str| text.find(words).expect("it is there");
    assert!(place("C5 and C6 raise the treble limit") < place("C5 raises the treble limit"));
    assert!(!text.contains("THD at 1 W"), "left out by --quick: {text}");
}

#[test]
fn everything_is_told_when_nothing_is_named() {
    let text = answer(&[]);
    for words in [
        "  R2        33.0 kΩ  opened     no direct current leaves the cathodes of V1a and V1b",
        "  R8, R9    100 kΩ   opened     no direct current reaches the anodes of V2a and V2b",
        "  C5, C6",
        "No figure moves by more than",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
}

#[test]
fn the_picture_has_a_curve_with_and_one_without() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join("both.svg");
    let path = path.to_str().expect("a plain path");
    answer(&["--part", "C5,C6", "--together", "--quick", "--svg", path]);
    let picture = std::fs::read_to_string(path).expect("it was written");
    assert!(picture.contains("as drawn") && picture.contains("C5 and C6 opened"));
}
