//! A switch in standby: what an open contact leaves without a path for direct current stands where leakage leaves it,
//! which is said; and `check` does not blame valves that are switched off.

use std::fs;

use checks::examples::Opened;
use checks::source::root;
use measure::UnderTest;
use measure::judged::check::CheckOf;
use sheet::FileErrorKind;
use sim::amplifier::NoteKind;
use sim::circuit::CircuitError;
use sim::parts::Switch;

fn text(name: &str) -> String {
    let file = root().join(format!("tests/answers/once_refused/{name}.toml"));
    fs::read_to_string(file).expect("it is there")
}

/// The valves that are told to hang on the open contact.
fn left(opened: &Opened) -> Vec<String> {
    let notes = opened.amplifier.notes.iter();
    let left = notes.filter_map(|note| match &note.kind {
        NoteKind::LeftByOpenContact { valves } if note.part == "S1" => Some(valves.clone()),
        NoteKind::LeftByOpenContact { .. }
        | NoteKind::Assumed { .. }
        | NoteKind::NeverSaturates
        | NoteKind::NoCoreLoss
        | NoteKind::FilamentCentre
        | NoteKind::FittedOnReading { .. }
        | NoteKind::GridCurrentOf { .. } => None,
    });
    left.flatten().collect()
}

#[test]
fn an_open_contact_and_a_leaking_capacitor_divide_the_high_tension() {
    // A cut-off triode takes nothing: 300 V on 100 GΩ of the contact and 1 GΩ of the capacitor, 450 V at 0.45 µA.
    let text = r#"
[amplifier]
title = "A triode in standby"
source = "own"
[parts]
HT1 = { supply = "300V", positive = "ht", negative = "chassis" }
S1  = { switch = "standby", common = "ht", positions = { play = "htb", standby = [] } }
C1  = { electrolytic = "10u", positive = "htb", negative = "chassis", rating = "450V", leakage = "0.45uA" }
R1  = { resistor = "100k", between = ["htb", "a"] }
V1  = { valve = "12AX7", anode = "a", grid = "g", cathode = "chassis" }
B1  = { supply = "100V", positive = "chassis", negative = "b" }
R2  = { resistor = "1M", between = ["b", "g"] }
C2  = { capacitor = "0.1u", between = ["in", "g"] }
R3  = { resistor = "1M", between = ["in", "chassis"] }
C3  = { capacitor = "0.1u", between = ["a", "out"] }
RL  = { resistor = "1M", between = ["out", "chassis"] }
[bench]
generator = { into = "in", resistance = "600R" }
load      = "RL"
"#;
    let opened = Opened::read(text, &[]);
    let of = UnderTest::find(&opened.amplifier, &opened.system).expect("it rests");
    let node = opened
        .amplifier
        .circuit
        .nodes()
        .find(|(_, name)| *name == "htb");
    let at = opened.system.voltage_of(node.expect("it is there").0) as usize;
    let volts = of.rest.mean(|x| x[at]);
    let leak = 1e9;
    let divided = 300.0 * leak / (leak + Switch::OPEN);
    // A node without any other path is tied to the chassis by 1 TΩ: a thousandth of what leaks.
    assert!(
        (volts / divided - 1.0).abs() < 2e-3,
        "{volts} V, {divided} V"
    );
    assert_eq!(left(&opened), ["V1"]);
}

#[test]
fn an_amplifier_in_standby_has_volts_and_says_what_they_rest_on() {
    for (name, off) in [
        ("standby_reservoir", &["V1a", "V1b", "V2", "V3"][..]),
        ("standby_output", &["V2", "V3"][..]),
    ] {
        let text = text(name);
        let opened = Opened::read(&text, &[]);
        assert_eq!(left(&opened), off, "{name}");
        let set = [("S1", "play")];
        assert!(left(&Opened::read(&text, &set)).is_empty(), "{name}");
    }
}

#[test]
fn valves_that_are_switched_off_are_not_blamed() {
    for name in ["standby_reservoir", "standby_output"] {
        let opened = Opened::read(&text(name), &[]);
        let check = opened.ask(&CheckOf::default()).expect("it rests");
        let off = left(&opened);
        let blamed = check
            .findings
            .iter()
            .find(|found| found.parts.iter().any(|part| off.contains(part)));
        assert!(
            blamed.is_none(),
            "{name}: {}",
            blamed.map_or("", |it| &it.what)
        );
        let said = |question: &str| {
            let mut left = check.left_out.iter();
            left.any(|left| left.question == question && left.reason.contains("open contact of S1"))
        };
        assert!(
            said("full drive") && said("drives"),
            "{name}: {:?}",
            check.left_out
        );
    }
}

#[test]
fn what_no_contact_joins_is_still_a_fault() {
    // The anode resistor lifted: no position of the switch feeds it.
    let text = text("standby_output");
    let line = text
        .lines()
        .find(|line| line.starts_with("R5 "))
        .expect("it is there");
    let cut = text.replace(line, &line.replace("\"ht3\"", "\"ht9\""));
    let cut = cut.replace(r#"["z1", "ht3"]"#, r#"["z1", "ht9"]"#);
    let faults = sheet::read(&cut, &[]).expect_err("the anode hangs");
    let hangs = |kind: &FileErrorKind| {
        matches!(kind, FileErrorKind::Circuit(CircuitError::NoDcPath { .. }))
    };
    assert!(faults.iter().any(|fault| hangs(&fault.kind)), "{faults:?}");
}
