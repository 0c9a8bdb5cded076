//! `measure::check` on slips that the wiring shows: a capacitor shorted by a wire, one that smooths a supply to the wrong place,
//! and a resistor of one of several valves in parallel that is not like those of its fellows.
//!
//! The witness is the planting itself: who plants knows the answer. All circuits are our own inventions.

use std::fs;

use checks::answers::folder;
use checks::checked::{check_all, of, told, with};
use checks::examples::EXAMPLES;
use measure::judged::check::{Check, Code};

fn check(text: &str) -> Check {
    check_all(text, &[], true)
}

fn example(start: &str) -> String {
    let mut examples = EXAMPLES.iter();
    let found = examples.find(|example| example.name.starts_with(start));
    found.expect("it is there").text()
}

/// An amplifier of `tests/answers/`.
fn answers(name: &str) -> String {
    let mut all = folder("tests/answers").into_iter();
    let asked = all.find(|asked| asked.name == name).expect("it is there");
    fs::read_to_string(asked.file).expect("it is text")
}

#[test]
fn a_shorted_capacitor_is_named_and_not_what_follows() {
    for (capacitor, ends) in [("C3", r#"["a2", "c3"]"#), ("C5", r#"["k3", "chassis"]"#)] {
        let wire = format!("W1 = {{ resistor = \"1mR\", between = {ends} }}\n[bench]");
        let answer = check(&example("03_").replace("[bench]", &wire));
        let first = &answer.findings[0];
        assert_eq!(first.code, Code::CarriesNothing, "{:?}", told(&answer));
        assert_eq!(first.parts, [capacitor, "W1"], "{:?}", told(&answer));
        assert!(!first.explains.is_empty(), "{:?}", told(&answer));
        for code in [
            Code::WrongNode,
            Code::CouplingCorner,
            Code::BypassCorner,
            Code::OneHalfOnly,
        ] {
            assert!(of(&answer, code).is_empty(), "{:?}", told(&answer));
        }
    }
}

#[test]
fn a_resistor_that_a_current_is_measured_by_shorts_nothing() {
    let sense = "C10 = { capacitor = \"10u\", between = [\"k3\", \"q\"], rating = \"25V\" }\nR20 = { resistor = \"1R\", between = [\"q\", \"k3\"], rating = \"0.5W\" }\nR21 = { resistor = \"10k\", between = [\"q\", \"chassis\"], rating = \"0.5W\" }\n[bench]";
    let answer = check(&example("03_").replace("[bench]", sense));
    let found = of(&answer, Code::CarriesNothing);
    assert!(found.is_empty(), "{:?}", told(&answer));
}

#[test]
fn a_smoothing_capacitor_that_returns_elsewhere_than_its_likes_is_named() {
    let capacitor = |name: &str, ends: [&str; 2]| {
        let [positive, negative] = ends;
        format!(
            "{name} = {{ electrolytic = \"16u\", positive = \"{positive}\", negative = \"{negative}\", rating = \"450V\", leakage = \"0.3mA\" }}"
        )
    };
    for (name, ends) in [
        // To the cathode of a stage that has another supply; across the resistor that feeds it.
        ("C8", ["ht2", "k3"]),
        ("C8", ["ht1", "ht2"]),
        ("C9", ["ht2", "ht3"]),
    ] {
        let answer = check(&with(&example("03_"), name, &capacitor(name, ends)));
        let found = of(&answer, Code::WrongNode);
        let parts: Vec<_> = found.iter().map(|of| of.parts.as_slice()).collect();
        assert_eq!(parts, [[name]], "{ends:?}: {:?}", told(&answer));
    }
    // The supply of the output stage returned to its own cathodes is there on purpose.
    let answer = check(&with(
        &example("03_"),
        "C7",
        &capacitor("C7", ["ht1", "k3"]),
    ));
    assert!(
        of(&answer, Code::WrongNode).is_empty(),
        "{:?}",
        told(&answer)
    );
}

#[test]
fn a_valve_in_parallel_that_is_not_like_its_fellow_is_named() {
    let text = answers("08_output_transformerless");
    for (part, like, slip) in [
        (
            "R9",
            "R8",
            r#"R9  = { resistor = "10k", between = ["c3", "g4"], rating = "0.5W" }"#,
        ),
        (
            "R11",
            "R10",
            r#"R11 = { resistor = "1k", between = ["s4", "a3"], rating = "1W" }"#,
        ),
    ] {
        let answer = check(&with(&text, part, slip));
        let found = of(&answer, Code::HalvesDiffer);
        assert!(found.len() == 1, "{part}: {:?}", told(&answer));
        assert_eq!(found[0].parts, [like, part], "{:?}", told(&answer));
    }
    // What its own halves show is told once.
    let slip = r#"R15 = { resistor = "15k", between = ["c1", "g7"], rating = "0.5W" }"#;
    let answer = check(&with(&answers("04_parallel_push_pull_el34"), "R15", slip));
    let found = of(&answer, Code::HalvesDiffer);
    assert!(found.len() == 1, "{:?}", told(&answer));
}

#[test]
fn no_amplifier_of_ours_has_such_a_slip() {
    for asked in folder("tests/answers") {
        let text = fs::read_to_string(&asked.file).expect("it is text");
        let answer = check(&text);
        let mut slips = answer.findings.iter().filter(|of| {
            [Code::CarriesNothing, Code::WrongNode].contains(&of.code)
                || of.what.contains("in parallel with it")
        });
        assert!(
            slips.next().is_none(),
            "{}: {:?}",
            asked.name,
            told(&answer)
        );
    }
}
