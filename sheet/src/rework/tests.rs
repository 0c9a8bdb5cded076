use models::library::Library;
use sim::amplifier::Amplifier;

use super::*;

const BASE: &str = r#"[amplifier]
title  = "Stage"
source = "invented"

[parts]
HT = { supply = "250V", positive = "ht", negative = "chassis" }
V1 = { valve = "6J5", anode = "a", grid = "g", cathode = "k" }
R1 = { resistor = "47k", between = ["ht", "a"], rating = "1W" }
R2.resistor = "1k5"
R2.between = ["k", "chassis"]
C1 = { capacitor = "1u", between = ["a", "out"] }

[parts.R3]
resistor = "470k"
between  = ["out", "chassis"]

[bench]
generator = { into = "g", resistance = "0R" }
load      = "R3"
frequency = "1kHz"
"#;

fn stack(texts: &[&str]) -> Result<Sheet, Vec<FileError>> {
    read(texts, |text| {
        crate::read_with(text, &[], &Library::default())
    })
}

/// The text at a place of the texts laid end to end.
fn at(texts: &[&str], span: &Range<usize>) -> String {
    texts.join("\n")[span.clone()].to_owned()
}

fn names(amplifier: &Amplifier) -> Vec<&str> {
    let parts = amplifier.circuit.parts();
    parts.map(|(_, part)| part.name.as_str()).collect()
}

/// What the same parts list says when it is written out by hand.
#[test]
fn a_rework_is_the_file_it_describes() {
    let rework = r#"
base = "stage.toml"
remove = ["C1"]
[amplifier]
title = "Stage, reworked"
[replace]
R1 = "22k"
V1 = { valve = "6SN7GT", anode = "a", grid = "g", cathode = "k" }
[add]
C2 = { capacitor = "2u", between = ["a", "out"] }
[bench]
distortion_limit = "3%"
"#;
    let by_hand = BASE
        .replace("title  = \"Stage\"", "title = \"Stage, reworked\"")
        .replace("47k", "22k")
        .replace("6J5", "6SN7GT")
        .replace("C1 = { capacitor = \"1u\"", "C2 = { capacitor = \"2u\"")
        .replace("[bench]", "[bench]\ndistortion_limit = \"3%\"");
    let (ours, hand) = (
        stack(&[rework, BASE]).unwrap(),
        crate::read(&by_hand, &[]).unwrap(),
    );
    assert_eq!(ours.amplifier.title, "Stage, reworked");
    assert_eq!(ours.amplifier.source, "invented");
    assert!((ours.amplifier.bench.distortion_limit - 0.03).abs() < 1e-15);
    assert_eq!(
        ours.amplifier.bench.frequency.to_bits(),
        hand.bench.frequency.to_bits()
    );
    for (_, part) in hand.circuit.parts() {
        let id = ours
            .amplifier
            .circuit
            .find_part(&part.name)
            .expect("the same parts");
        let same = ours.amplifier.circuit.part(id);
        assert_eq!(format!("{:?}", same.part), format!("{:?}", part.part));
        let nodes = |circuit: &sim::circuit::Circuit, at: &[sim::circuit::NodeId]| {
            let names = at.iter().map(|node| circuit.node_name(*node).to_owned());
            names.collect::<Vec<_>>()
        };
        assert_eq!(
            nodes(&ours.amplifier.circuit, &same.nodes),
            nodes(&hand.circuit, &part.nodes)
        );
    }
    assert_eq!(
        ours.amplifier.circuit.parts().count(),
        hand.circuit.parts().count()
    );
    let id = ours.amplifier.circuit.find_part("R3").unwrap();
    let span = &ours.spans.parts[id.index()].name;
    assert_eq!(at(&[rework, BASE], span), "R3");
}

#[test]
fn reworks_stand_on_reworks() {
    let first =
        "base = \"stage.toml\"\nadd.C2 = { capacitor = \"2u\", between = [\"a\", \"out\"] }";
    let second = "base = \"first.toml\"\nremove = [\"C1\"]\nreplace.C2 = \"3u\"";
    let both = stack(&[second, first, BASE]).unwrap();
    assert_eq!(
        names(&both.amplifier)[..6],
        ["HT", "V1", "R1", "R2", "R3", "C2"]
    );
    assert_eq!(base(second).unwrap().0, "first.toml");
    assert_eq!(base(BASE), None);
}

#[test]
fn faults_are_placed_in_the_file_they_were_written_in() {
    let rework = r#"base = "stage.toml"
remove = ["R22", "R2"]
[replace]
R2 = "1k"
R9 = "1k"
V1 = ["6J5"]
[add]
R1 = { resistor = "1k", between = ["a", "b"] }
R7 = { resistor = "1u", between = ["a", "out"] }
[parts]
"#;
    let bad = BASE.replace("rating = \"1W\"", "rateing = \"1W\"");
    let texts = [rework, &bad];
    let faults = stack(&texts).unwrap_err();
    let found: Vec<String> = faults
        .iter()
        .map(|fault| format!("{}: {}", at(&texts, &fault.span), fault.kind))
        .collect();
    assert_eq!(
        found,
        [
            "\"R22\": the base has no part R22",
            "R2: R2 is both removed and replaced",
            "R9: the base has no part R9",
            "[\"6J5\"]: `V1` must be a value, or a list of keys such as { resistor = \"47k\", between = [\"a\", \"b\"] }, not a list",
            "R1: the base has a part R1 already",
            "\"1u\": `resistor`: `1u` is in farads, not ohms",
            "parts: `parts` is no key of a rework",
            "rateing: `rateing` is no key of a resistor",
        ]
    );
}

#[test]
fn ends_left_by_a_rework_name_what_was_there() {
    let rework = "base = \"stage.toml\"\nremove = [\"C1\"]";
    let texts = [rework, BASE];
    let faults = stack(&texts).unwrap_err();
    assert_eq!(faults.len(), 1, "{faults:?}");
    assert_eq!(at(&texts, &faults[0].span), "\"out\"");
    let gone = vec!["C1".to_owned()];
    let node = "out".to_owned();
    assert_eq!(faults[0].kind, FileErrorKind::LeftOver { node, gone });
    // Without a base there is one fault, and the parts are not judged.
    let faults = stack(&["remove = [\"C1\"]"]).unwrap_err();
    assert!(matches!(
        faults[..],
        [FileError {
            kind: FileErrorKind::MissingKey { key: "base", .. },
            ..
        }]
    ));
}

#[test]
fn a_designator_that_was_removed_is_free_again() {
    let rework = r#"
base = "stage.toml"
remove = ["C1"]
[add]
C1 = { resistor = "10k", between = ["a", "out"] }
"#;
    let sheet = stack(&[rework, BASE]).unwrap_or_else(|faults| panic!("{faults:?}"));
    let circuit = &sheet.amplifier.circuit;
    let part = circuit.find_part("C1").expect("it was added");
    assert_eq!(circuit.part(part).part.ohms(), Some(10e3));
}
