//! `measure::check` on where the signal goes: pairs driven alike, valves that get none of it, screens at the wrong tap,
//! and halves that hang on different supplies.
//!
//! The witness is the planting itself: who plants knows the answer. All circuits are our own inventions.

use checks::checked::{amplifier, check_all, of, told, with};
use checks::examples::text_of_parts;
use measure::Measurement;
use measure::driven::power::PowerOf;
use measure::judged::check::{Check, Code, Weight};
use sim::System;

fn check(text: &str) -> Check {
    check_all(text, &[], true)
}

/// A pair of EL34 with their screens on taps and a fixed bias, behind a pair of triodes that splits the phase.
fn chapel() -> String {
    text_of_parts(
        r#"
V1 = { valve = "ECC83", anode = "a1", grid = "g1", cathode = "k1" }
R1 = { resistor = "1M", between = ["g1", "chassis"], rating = "0.5W" }
R2 = { resistor = "1k5", between = ["k1", "chassis"], rating = "0.5W" }
R3 = { resistor = "220k", between = ["a1", "ht3"], rating = "1W" }
C1 = { capacitor = "47n", between = ["a1", "g2"], rating = "630V" }
V2a = { valve = "ECC82", envelope = "V2", anode = "a2", grid = "g2", cathode = "k2" }
V2b = { valve = "ECC82", envelope = "V2", anode = "a3", grid = "g3", cathode = "k2" }
R4 = { resistor = "1M", between = ["g2", "t"], rating = "0.5W" }
R5 = { resistor = "1M", between = ["g3", "t"], rating = "0.5W" }
C2 = { capacitor = "0.22u", between = ["g3", "chassis"], rating = "630V" }
R6 = { resistor = "1k2", between = ["k2", "t"], rating = "0.5W" }
R7 = { resistor = "18k", between = ["t", "chassis"], rating = "2W" }
R8 = { resistor = "47k", between = ["a2", "ht2"], rating = "2W" }
R9 = { resistor = "47k", between = ["a3", "ht2"], rating = "2W" }
C3 = { capacitor = "0.22u", between = ["a2", "g4"], rating = "630V" }
C4 = { capacitor = "0.22u", between = ["a3", "g5"], rating = "630V" }
R10 = { resistor = "270k", between = ["g4", "bias"], rating = "0.5W" }
R11 = { resistor = "270k", between = ["g5", "bias"], rating = "0.5W" }
V3 = { valve = "EL34", anode = "a4", screen = "s4", grid = "g4", cathode = "k4" }
V4 = { valve = "EL34", anode = "a5", screen = "s5", grid = "g5", cathode = "k5" }
R12 = { resistor = "12R", between = ["k4", "chassis"], rating = "1W" }
R13 = { resistor = "12R", between = ["k5", "chassis"], rating = "1W" }
R14 = { resistor = "150R", between = ["s4", "u4"], rating = "3W" }
R15 = { resistor = "150R", between = ["s5", "u5"], rating = "3W" }
T1 = { transformer = "6k6 : 8R", primary = ["a4", "u4", "ht1", "u5", "a5"], primary_taps = ["30%", "50%", "70%"], secondary = ["out", "chassis"], primary_resistance = "160R", secondary_resistance = "0.3R", primary_inductance = "70H", leakage_inductance = "12mH", capacitance = "500p", saturates = "45W at 25Hz", core_loss = "120k" }
LS1 = { resistor = "8R", between = ["out", "chassis"], rating = "60W" }
BIAS = { supply = "36V", positive = "chassis", negative = "bias" }
HT1 = { supply = "410V", positive = "ht1", negative = "chassis", resistance = "60R" }
R16 = { resistor = "12k", between = ["ht1", "ht2"], rating = "5W" }
C5 = { electrolytic = "47u", positive = "ht2", negative = "chassis", rating = "500V", leakage = "0.4mA" }
R17 = { resistor = "27k", between = ["ht2", "ht3"], rating = "2W" }
C6 = { electrolytic = "22u", positive = "ht3", negative = "chassis", rating = "500V", leakage = "0.2mA" }
"#,
        ("g1", "600R"),
        "LS1",
    )
}

/// Its output pair doubled, each valve with a cathode resistor, on two reservoirs in series.
fn chapel_with_four() -> String {
    let text = with(
        &chapel(),
        "HT1",
        r#"HT1 = { supply = "410V", positive = "ht0", negative = "chassis", resistance = "60R" }
R25 = { resistor = "15R", between = ["ht0", "ht1"], rating = "5W" }
C7 = { electrolytic = "220u", positive = "ht1", negative = "m", rating = "300V", leakage = "0.4mA" }
C8 = { electrolytic = "220u", positive = "m", negative = "chassis", rating = "300V", leakage = "0.4mA" }
R23 = { resistor = "150k", between = ["ht1", "m"], rating = "1W" }
R24 = { resistor = "150k", between = ["m", "chassis"], rating = "1W" }"#,
    );
    with(
        &text,
        "R13",
        r#"R13 = { resistor = "12R", between = ["k5", "chassis"], rating = "1W" }
V5 = { valve = "EL34", anode = "a4", screen = "s6", grid = "g4", cathode = "k6" }
V6 = { valve = "EL34", anode = "a5", screen = "s7", grid = "g5", cathode = "k7" }
R19 = { resistor = "12R", between = ["k6", "chassis"], rating = "1W" }
R20 = { resistor = "12R", between = ["k7", "chassis"], rating = "1W" }
R21 = { resistor = "150R", between = ["s6", "u4"], rating = "3W" }
R22 = { resistor = "150R", between = ["s7", "u5"], rating = "3W" }"#,
    )
}

/// Two triodes with a volume control between them, into a line.
fn line_stage() -> String {
    text_of_parts(
        r#"
V1a = { valve = "ECC82", envelope = "V1", anode = "a1", grid = "g1", cathode = "k1" }
R1 = { resistor = "470k", between = ["g1", "chassis"], rating = "0.5W" }
R2 = { resistor = "1k8", between = ["k1", "chassis"], rating = "0.5W" }
R3 = { resistor = "68k", between = ["a1", "ht"], rating = "1W" }
C1 = { capacitor = "0.1u", between = ["a1", "v"], rating = "400V" }
VR1 = { pot = "220k", ends = ["v", "chassis"], wiper = "g2", law = "linear", setting = "100%" }
V1b = { valve = "ECC82", envelope = "V1", anode = "a2", grid = "g2", cathode = "k2" }
R4 = { resistor = "1k8", between = ["k2", "chassis"], rating = "0.5W" }
R5 = { resistor = "68k", between = ["a2", "ht"], rating = "1W" }
C2 = { capacitor = "2u", between = ["a2", "out"], rating = "400V" }
R6 = { resistor = "47k", between = ["out", "chassis"], rating = "0.5W" }
HT = { supply = "260V", positive = "ht", negative = "chassis" }
"#,
        ("g1", "600R"),
        "R6",
    )
}

#[test]
fn amplifiers_whose_signal_goes_where_it_should_raise_no_alarm() {
    for text in [chapel(), chapel_with_four(), line_stage()] {
        let answer = check(&text);
        for code in [
            Code::InPhase,
            Code::NoDrive,
            Code::WrongTap,
            Code::HalvesDiffer,
        ] {
            assert!(of(&answer, code).is_empty(), "{:?}", told(&answer));
        }
    }
}

#[test]
fn a_pair_driven_in_phase_is_named_first_with_what_its_grids_hang_on() {
    let slip = r#"C4 = { capacitor = "0.22u", between = ["a2", "g5"], rating = "630V" }"#;
    let answer = check_all(&with(&chapel(), "C4", slip), &[], false);
    let [first, ..] = &answer.findings[..] else {
        panic!("nothing found");
    };
    assert_eq!(first.code, Code::InPhase, "{:?}", told(&answer));
    assert_eq!(first.parts, ["V3", "V4", "C3", "C4"]);
    assert!(
        first.what.contains("currents cancel in T1"),
        "{}",
        first.what
    );
    // No level is sought where none can be had, and no rating is told of one.
    let mut left = answer.left_out.iter();
    assert!(left.any(|left| left.question == "full drive"));

    // Halves that are quite alike leave exactly nothing.
    let unlike = r#"R13 = { resistor = "13R", between = ["k5", "chassis"], rating = "1W" }"#;
    let wired = amplifier(&with(&with(&chapel(), "C4", slip), "R13", unlike), &[]);
    let system = System::of(&wired.circuit).expect("it compiles");
    let power = PowerOf::bench(&wired.bench)
        .about(&wired, &system)
        .expect("a level");
    assert!(power.silent && power.levels.len() == 1);
    let why = power.ended_early.expect("a reason");
    assert!(why.contains("driven in phase"), "{why}");
}

#[test]
fn a_grid_that_no_signal_reaches_is_named_with_what_hangs_there() {
    // One half alone.
    let answer = check(&with(&chapel(), "C4", ""));
    let found = of(&answer, Code::NoDrive);
    assert!(found.len() == 1, "{:?}", told(&answer));
    assert_eq!(
        (&found[0].parts[0][..], found[0].weight),
        ("V4", Weight::DoesNotWork)
    );
    assert!(
        found[0].parts.contains(&"R11".to_owned()),
        "{:?}",
        found[0].parts
    );

    // Its capacitor at a rail, behind a stopper.
    let text = with(
        &chapel(),
        "V4",
        r#"V4 = { valve = "EL34", anode = "a5", screen = "s5", grid = "g6", cathode = "k5" }
R18 = { resistor = "2k2", between = ["g5", "g6"], rating = "0.5W" }"#,
    );
    let slip = r#"C4 = { capacitor = "0.22u", between = ["ht2", "g5"], rating = "630V" }"#;
    let answer = check(&with(&text, "C4", slip));
    let found = of(&answer, Code::NoDrive);
    assert!(found.len() == 1, "{:?}", told(&answer));
    let look = &found[0].look;
    assert!(
        found[0].parts[0] == "V4" && look.contains("where C4 should come from"),
        "{look}"
    );

    // All that comes after the first valve.
    let answer = check(&with(&chapel(), "C1", ""));
    let found = of(&answer, Code::NoDrive);
    assert!(found.len() == 1, "{:?}", told(&answer));
    assert!(
        ["V2a", "V2b"].contains(&&found[0].parts[0][..]),
        "{:?}",
        told(&answer)
    );

    // A volume control whose ends are exchanged.
    let slip = r#"VR1 = { pot = "220k", ends = ["chassis", "v"], wiper = "g2", law = "linear", setting = "100%" }"#;
    let answer = check(&with(&line_stage(), "VR1", slip));
    let found = of(&answer, Code::NoDrive);
    assert!(found.len() == 1, "{:?}", told(&answer));
    assert_eq!(found[0].parts, ["V1b", "VR1", "C1"]);
}

#[test]
fn a_valve_that_is_cut_off_is_told_and_not_the_drive_that_is_lost_with_it() {
    // The leak of one grid of the pair that splits the phase ends at the chassis: that valve is far below its cathode.
    let slip = r#"R5 = { resistor = "1M", between = ["g3", "chassis"], rating = "0.5W" }"#;
    let answer = check(&with(&chapel(), "R5", slip));
    assert!(of(&answer, Code::NoDrive).is_empty(), "{:?}", told(&answer));
    let found = of(&answer, Code::WrongNode);
    assert!(
        found.len() == 1 && found[0].parts == ["R5"],
        "{:?}",
        told(&answer)
    );
    let explains = |start: &str| found[0].explains.iter().any(|of| of.starts_with(start));
    assert!(
        explains("V2b ") && explains("V4 gets next to nothing"),
        "{:?}",
        found[0].explains
    );
}

#[test]
fn a_screen_on_the_tap_of_the_other_half_is_named() {
    let to = |part: &str, screen: &str, node: &str| {
        format!(
            r#"{part} = {{ resistor = "150R", between = ["{screen}", "{node}"], rating = "3W" }}"#
        )
    };
    let one = with(&chapel(), "R15", &to("R15", "s5", "u4"));
    let both = with(&one, "R14", &to("R14", "s4", "u5"));
    for (text, valves) in [(one, vec!["V4"]), (both, vec!["V3", "V4"])] {
        let answer = check(&text);
        let found = of(&answer, Code::WrongTap);
        let named: Vec<&str> = found.iter().map(|of| of.parts[0].as_str()).collect();
        assert_eq!(named, valves, "{:?}", told(&answer));
    }
    // On its own anode, a triode beside one with a tap.
    let answer = check(&with(&chapel(), "R15", &to("R15", "s5", "a5")));
    let found = of(&answer, Code::HalvesDiffer);
    assert!(
        found.len() == 1 && found[0].parts[..2] == ["V4", "R15"],
        "{:?}",
        told(&answer)
    );
}

#[test]
fn a_part_that_ends_at_another_supply_than_its_like_is_named() {
    let slip = r#"R11 = { resistor = "270k", between = ["g5", "chassis"], rating = "0.5W" }"#;
    let answer = check(&with(&chapel(), "R11", slip));
    let found = of(&answer, Code::HalvesDiffer);
    assert!(found.len() == 1, "{:?}", told(&answer));
    assert_eq!(found[0].parts, ["R11", "R10"]);
    let explains = &found[0].explains;
    assert!(
        explains
            .iter()
            .any(|of| of.starts_with("V4: anode dissipation")),
        "{explains:?}"
    );

    // Nothing else shows of this one.
    let slip = r#"R9 = { resistor = "47k", between = ["a3", "ht1"], rating = "2W" }"#;
    let answer = check(&with(&chapel(), "R9", slip));
    let found = of(&answer, Code::HalvesDiffer);
    assert!(
        found.len() == 1 && found[0].parts == ["R8", "R9"],
        "{:?}",
        told(&answer)
    );
}

#[test]
fn halves_of_valves_in_parallel_on_reservoirs_in_series_are_compared() {
    let slip = r#"R20 = { resistor = "1k2", between = ["k7", "chassis"], rating = "1W" }"#;
    let answer = check(&with(&chapel_with_four(), "R20", slip));
    assert!(answer.halves.len() == 1);
    let found = of(&answer, Code::HalvesDiffer);
    assert!(found.len() == 1, "{:?}", told(&answer));
    assert!(
        found[0].parts.contains(&"R20".to_owned()),
        "{:?}",
        found[0].parts
    );
}
