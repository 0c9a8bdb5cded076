//! `measure::check` on stages that are unusual and right, which must raise no alarm, and on slips of which much
//! follows, which must be named in its place.
//!
//! The witness is the planting itself: who plants knows the answer. All circuits are our own inventions.

use checks::checked::{amplifier, of, told, with};
use checks::examples::text_of_parts;
use measure::Measurement;
use measure::judged::check::{Check, CheckOf, Code, Weight};
use sheet::read;
use sim::System;

fn check_all(text: &str, set: &[(&str, &str)], quick: bool) -> Check {
    let amplifier = amplifier(text, set);
    let system = System::of(&amplifier.circuit).expect("it compiles");
    CheckOf { quick }
        .about(&amplifier, &system)
        .unwrap_or_else(|error| panic!("{set:?}: {error}"))
}

fn check(text: &str, set: &[(&str, &str)]) -> Check {
    check_all(text, set, true)
}

/// Two triodes with a follower behind them, coupled directly.
fn follower() -> String {
    text_of_parts(
        r#"
V1a = { valve = "ECC83", envelope = "V1", anode = "a1", grid = "g1", cathode = "k1" }
R1 = { resistor = "47k", between = ["g1", "chassis"], rating = "0.5W" }
R2 = { resistor = "2k2", between = ["k1", "chassis"], rating = "0.5W" }
R3 = { resistor = "150k", between = ["a1", "ht"], rating = "1W" }
V2a = { valve = "ECC82", envelope = "V2", anode = "hf", grid = "a1", cathode = "kf" }
R4 = { resistor = "1k", between = ["hf", "ht"], rating = "1W" }
C1 = { capacitor = "0.1u", between = ["hf", "chassis"], rating = "400V" }
R5 = { resistor = "39k", between = ["kf", "chassis"], rating = "2W" }
C2 = { capacitor = "1u", between = ["kf", "out"], rating = "400V" }
R6 = { resistor = "470k", between = ["out", "chassis"], rating = "0.5W" }
HT = { supply = "270V", positive = "ht", negative = "chassis" }
"#,
        ("g1", "600R"),
        "R6",
    )
}

/// A follower whose grid leak ends at a tap of its cathode resistors.
fn bootstrapped() -> String {
    text_of_parts(
        r#"
V1 = { valve = "ECC82", anode = "ht", grid = "g", cathode = "k" }
C1 = { capacitor = "22n", between = ["in", "g"], rating = "400V" }
R1 = { resistor = "1M", between = ["g", "x"], rating = "0.5W" }
R2 = { resistor = "1k8", between = ["k", "x"], rating = "0.5W" }
R3 = { resistor = "33k", between = ["x", "chassis"], rating = "3W" }
C2 = { capacitor = "1u", between = ["k", "out"], rating = "400V" }
R4 = { resistor = "470k", between = ["out", "chassis"], rating = "0.5W" }
R5 = { resistor = "10M", between = ["in", "chassis"], rating = "0.5W" }
HT = { supply = "250V", positive = "ht", negative = "chassis" }
"#,
        ("in", "600R"),
        "R4",
    )
}

fn cascode() -> String {
    text_of_parts(
        r#"
V1 = { valve = "ECC88", envelope = "E1", anode = "m", grid = "g", cathode = "k" }
V2 = { valve = "ECC88", envelope = "E1", anode = "a", grid = "gu", cathode = "m" }
R1 = { resistor = "470k", between = ["g", "chassis"], rating = "0.5W" }
R2 = { resistor = "680R", between = ["k", "chassis"], rating = "0.5W" }
R3 = { resistor = "15k", between = ["a", "ht"], rating = "2W" }
R4 = { resistor = "470k", between = ["ht", "gu"], rating = "0.5W" }
R5 = { resistor = "220k", between = ["gu", "chassis"], rating = "0.5W" }
C1 = { capacitor = "0.47u", between = ["gu", "chassis"], rating = "400V" }
C2 = { capacitor = "0.1u", between = ["a", "out"], rating = "400V" }
R6 = { resistor = "1M", between = ["out", "chassis"], rating = "0.5W" }
HT = { supply = "250V", positive = "ht", negative = "chassis" }
"#,
        ("g", "600R"),
        "R6",
    )
}

/// A triode with a triode above it that holds the current; the leak of the upper one ends at the lower one's anode.
fn source_above() -> String {
    text_of_parts(
        r#"
V1 = { valve = "ECC82", envelope = "E1", anode = "a", grid = "g", cathode = "k" }
V2 = { valve = "ECC82", envelope = "E1", anode = "ht", grid = "gu", cathode = "ku" }
R1 = { resistor = "470k", between = ["g", "chassis"], rating = "0.5W" }
R2 = { resistor = "1k5", between = ["k", "chassis"], rating = "0.5W" }
R3 = { resistor = "1k5", between = ["ku", "a"], rating = "0.5W" }
R4 = { resistor = "1M", between = ["gu", "a"], rating = "0.5W" }
C3 = { capacitor = "0.1u", between = ["a", "out"], rating = "400V" }
R6 = { resistor = "1M", between = ["out", "chassis"], rating = "0.5W" }
HT = { supply = "300V", positive = "ht", negative = "chassis" }
"#,
        ("g", "600R"),
        "R6",
    )
}

/// A long-tailed pair above a triode that holds its current, hung on a negative supply.
fn sink_below() -> String {
    text_of_parts(
        r#"
V1a = { valve = "ECC81", envelope = "V1", anode = "a1", grid = "g1", cathode = "k" }
V1b = { valve = "ECC81", envelope = "V1", anode = "a2", grid = "g2", cathode = "k" }
V2 = { valve = "ECC82", anode = "k", grid = "gs", cathode = "ks" }
R1 = { resistor = "470k", between = ["g1", "chassis"], rating = "0.5W" }
R2 = { resistor = "470k", between = ["g2", "chassis"], rating = "0.5W" }
R3 = { resistor = "47k", between = ["a1", "ht"], rating = "2W" }
R4 = { resistor = "47k", between = ["a2", "ht"], rating = "2W" }
R5 = { resistor = "1k5", between = ["ks", "neg"], rating = "0.5W" }
R6 = { resistor = "100k", between = ["gs", "neg"], rating = "0.5W" }
C1 = { capacitor = "0.1u", between = ["a1", "o1"], rating = "400V" }
C2 = { capacitor = "0.1u", between = ["a2", "o2"], rating = "400V" }
R8 = { resistor = "470k", between = ["o1", "chassis"], rating = "0.5W" }
R9 = { resistor = "470k", between = ["o2", "chassis"], rating = "0.5W" }
HT = { supply = "300V", positive = "ht", negative = "chassis" }
BIAS = { supply = "110V", positive = "chassis", negative = "neg" }
"#,
        ("g1", "600R"),
        "R9",
    )
}

/// Two 6L6GC biased from a supply of their own, driven by a long-tailed pair.
fn public_address() -> String {
    text_of_parts(
        r#"
V1 = { valve = "6SL7GT", anode = "a1", grid = "g1", cathode = "k1" }
R1 = { resistor = "1M", between = ["g1", "chassis"], rating = "0.5W" }
R2 = { resistor = "2k2", between = ["k1", "chassis"], rating = "0.5W" }
C1 = { electrolytic = "25u", positive = "k1", negative = "chassis", rating = "25V" }
R3 = { resistor = "220k", between = ["a1", "ht3"], rating = "1W" }
C2 = { capacitor = "47n", between = ["a1", "gp"], rating = "400V" }
R4 = { resistor = "1M", between = ["gp", "t"], rating = "0.5W" }
R5 = { resistor = "1M", between = ["gn", "t"], rating = "0.5W" }
C3 = { capacitor = "0.1u", between = ["gn", "chassis"], rating = "400V" }
V2a = { valve = "6SN7GT", envelope = "V2", anode = "ap", grid = "gp", cathode = "kt" }
V2b = { valve = "6SN7GT", envelope = "V2", anode = "an", grid = "gn", cathode = "kt" }
R6 = { resistor = "1k2", between = ["kt", "t"], rating = "0.5W" }
R7 = { resistor = "15k", between = ["t", "chassis"], rating = "2W" }
R8 = { resistor = "47k", between = ["ap", "ht2"], rating = "2W" }
R9 = { resistor = "47k", between = ["an", "ht2"], rating = "2W" }
C4 = { capacitor = "0.1u", between = ["ap", "g3"], rating = "630V" }
C5 = { capacitor = "0.1u", between = ["an", "g4"], rating = "630V" }
R10 = { resistor = "82k", between = ["g3", "bias"], rating = "0.5W" }
R11 = { resistor = "82k", between = ["g4", "bias"], rating = "0.5W" }
V3 = { valve = "6L6GC", anode = "a3", screen = "s3", grid = "g3", cathode = "chassis" }
V4 = { valve = "6L6GC", anode = "a4", screen = "s4", grid = "g4", cathode = "chassis" }
R12 = { resistor = "470R", between = ["s3", "ht1"], rating = "5W" }
R13 = { resistor = "470R", between = ["s4", "ht1"], rating = "5W" }
T1 = { transformer = "6k6 : 16R", primary = ["a3", "ht0", "a4"], secondary = ["chassis", "o4", "o8", "o16"], secondary_taps = ["4R", "8R"], primary_resistance = "150R", secondary_resistance = "0.6R", primary_inductance = "25H", leakage_inductance = "20mH", capacitance = "500p", saturates = "40W at 40Hz", core_loss = "90k" }
R19 = { resistor = "1k", between = ["o16", "chassis"], rating = "1W" }
R20 = { resistor = "1k", between = ["o4", "chassis"], rating = "1W" }
LS1 = { resistor = "8R", between = ["o8", "chassis"], rating = "60W" }
HT = { supply = "390V", positive = "ht0", negative = "chassis", resistance = "60R" }
L1 = { choke = "5H", between = ["ht0", "ht1"], resistance = "120R", saturates = "150mA" }
C6 = { electrolytic = "47u", positive = "ht1", negative = "chassis", rating = "500V", leakage = "0.3mA" }
R14 = { resistor = "10k", between = ["ht1", "ht2"], rating = "2W" }
C7 = { electrolytic = "22u", positive = "ht2", negative = "chassis", rating = "500V", leakage = "0.3mA" }
R15 = { resistor = "22k", between = ["ht2", "ht3"], rating = "1W" }
C8 = { electrolytic = "22u", positive = "ht3", negative = "chassis", rating = "450V", leakage = "0.3mA" }
R16 = { resistor = "220k", between = ["ht0", "chassis"], rating = "2W" }
B1 = { supply = "50V", positive = "chassis", negative = "gb0", resistance = "1k" }
C9 = { electrolytic = "47u", positive = "chassis", negative = "gb0", rating = "100V", leakage = "0.1mA" }
R17 = { resistor = "6k8", between = ["gb0", "bias"], rating = "0.5W" }
C10 = { electrolytic = "47u", positive = "chassis", negative = "bias", rating = "100V", leakage = "0.1mA" }
R18 = { resistor = "27k", between = ["bias", "chassis"], rating = "0.5W" }
"#,
        ("g1", "600R"),
        "LS1",
    )
}

/// One EL84 on its mains.
fn on_its_mains() -> String {
    text_of_parts(
        r#"
M1 = { mains = "230V", frequency = "50Hz", between = ["l", "n"], resistance = "2R" }
T2 = { mains_transformer = "230V", primary = ["l", "n"], taps = ["200V", "215V", "230V", "245V"], primary_resistance = "20R", secondaries = [ { name = "HT", volts = "230-0-230V", nodes = ["x", "chassis", "y"], current = "80mA", resistance = "150R" }, { name = "heaters", volts = "6.3V", nodes = ["h1", "h2"], current = "1.2A", resistance = "0.2R" } ] }
D1 = { diode = "silicon", anodes = ["x", "y"], cathode = "ht0" }
C6 = { electrolytic = "32u", positive = "ht0", negative = "chassis", rating = "350V", leakage = "0.3mA" }
R7 = { resistor = "1k", between = ["ht0", "ht"], rating = "5W" }
C7 = { electrolytic = "32u", positive = "ht", negative = "chassis", rating = "350V", leakage = "0.3mA" }
V1 = { valve = "ECC83", anode = "a1", grid = "g1", cathode = "k1", heater = ["h1", "h2", "h1"] }
R1 = { resistor = "1M", between = ["g1", "chassis"], rating = "0.5W" }
R2 = { resistor = "1k8", between = ["k1", "chassis"], rating = "0.5W" }
C1 = { electrolytic = "25u", positive = "k1", negative = "chassis", rating = "25V" }
R3 = { resistor = "150k", between = ["a1", "ht"], rating = "1W" }
C2 = { capacitor = "47n", between = ["a1", "g2"], rating = "400V" }
R4 = { resistor = "470k", between = ["g2", "chassis"], rating = "0.5W" }
V2 = { valve = "EL84", anode = "a2", screen = "ht", grid = "g2", cathode = "k2", heater = ["h1", "h2"] }
R5 = { resistor = "220R", between = ["k2", "chassis"], rating = "2W" }
C3 = { electrolytic = "100u", positive = "k2", negative = "chassis", rating = "25V" }
R8 = { resistor = "100R", between = ["h1", "chassis"], rating = "0.5W" }
R9 = { resistor = "100R", between = ["h2", "chassis"], rating = "0.5W" }
R10 = { resistor = "220k", between = ["ht0", "chassis"], rating = "2W" }
T1 = { transformer = "5k : 5R", primary = ["ht", "a2"], secondary = ["out", "chassis"], primary_resistance = "350R", secondary_resistance = "0.3R", primary_inductance = "9H", leakage_inductance = "60mH", capacitance = "300p", saturates = "120mA", core_loss = "60k" }
LS1 = { resistor = "5R", between = ["out", "chassis"], rating = "10W" }
"#,
        ("g1", "600R"),
        "LS1",
    )
}

#[test]
fn stages_that_are_unusual_and_right_raise_no_alarm() {
    for (name, text) in [
        ("cathode follower", follower()),
        ("bootstrapped leak", bootstrapped()),
        ("cascode", cascode()),
        ("current source above", source_above()),
        ("current sink below", sink_below()),
        ("public address", public_address()),
        ("on its mains", on_its_mains()),
    ] {
        let answer = check(&text, &[]);
        let heavy: Vec<_> = answer
            .findings
            .iter()
            .filter(|finding| finding.weight != Weight::Remark)
            .collect();
        assert!(heavy.is_empty(), "{name}: {heavy:#?}");
        // --quick leaves out what takes long, and nothing else is left out.
        let others: Vec<_> = answer
            .left_out
            .iter()
            .filter(|of| of.reason != "left out by --quick")
            .collect();
        assert!(others.is_empty(), "{name}: {others:#?}");
    }
}

#[test]
fn the_load_of_a_driver_is_not_blamed_for_the_grid_current_of_its_follower() {
    // As amplifiers for guitars have it: the anode of the follower at the rail, and its grid conducts a little.
    let text = follower()
        .replace("hf\", grid", "ht\", grid")
        .replace(r#"valve = "ECC82", envelope = "V2""#, r#"valve = "ECC83""#)
        .replace("V2a", "V2")
        .replace(r#"R3 = { resistor = "150k""#, r#"R3 = { resistor = "100k""#)
        .replace(r#"R5 = { resistor = "39k""#, r#"R5 = { resistor = "100k""#);
    let answer = check(&text, &[]);
    let found = of(&answer, Code::GridCurrent);
    assert_eq!(found.len(), 1, "{answer:#?}");
    assert_eq!(found[0].weight, Weight::Doubtful);
    let look = &found[0].look;
    assert!(
        look.contains("cathode of V2") && look.contains("V1a") && !look.contains("R3"),
        "{look}"
    );
}

#[test]
fn charge_is_followed_where_hot_valves_cannot_be() {
    // No capacitor holds the high tension: it is gone at once, and the valves with it.
    for text in [cascode(), follower()] {
        let answer = check_all(&text, &[], false);
        assert!(answer.left_out.is_empty(), "{:#?}", answer.left_out);
    }
}

#[test]
fn a_bootstrapped_leak_is_judged_by_what_it_shifts() {
    // The leak shifts as much as its own resistance would; the input looks into many times that.
    let answer = check(&bootstrapped(), &[("R1", "4M7")]);
    let found = of(&answer, Code::GridLeak);
    let leak = found[0].value.expect("a figure");
    // What else is in the loop from grid to cathode is 1k8 in parallel with the follower's output.
    assert!((leak / 4.7e6 - 1.0).abs() < 2e-3, "{leak}");
    // In a plain stage with fixed bias the same holds.
    let answer = check(&public_address(), &[("R10", "470k")]);
    let found = of(&answer, Code::GridLeak);
    assert_eq!(found[0].parts, ["V3"]);
    let leak = found[0].value.expect("a figure");
    // The bias supply adds 27 kΩ in parallel with 7.8 kΩ.
    let exact = 470e3 + 1.0 / (1.0 / 27e3 + 1.0 / 7.8e3);
    assert!((leak / exact - 1.0).abs() < 1e-2, "{leak} {exact}");
}

#[test]
fn a_cathode_resistor_a_decade_off_is_named_in_place_of_what_follows() {
    for (text, part, value, valve) in [
        (follower(), "R2", "22k", "V1a"),
        (follower(), "R5", "390k", "V2a"),
        (public_address(), "R2", "22k", "V1"),
        (public_address(), "R6", "12k", "V2a"),
        (on_its_mains(), "R2", "18k", "V1"),
        (on_its_mains(), "R5", "2k2", "V2"),
        (on_its_mains(), "R5", "22R", "V2"),
    ] {
        let answer = check(&text, &[(part, value)]);
        let found = of(&answer, Code::CathodeResistor);
        assert_eq!(found.len(), 1, "{part} = {value}: {:#?}", told(&answer));
        assert_eq!(found[0].parts, [part, valve], "{value}");
        let others = [
            Code::CutOff,
            Code::AnodeLoad,
            Code::OverRating,
            Code::GridCurrent,
        ];
        for code in others {
            let left: Vec<_> = of(&answer, code);
            assert!(
                left.iter().all(|f| !f.parts.contains(&valve.to_owned())),
                "{part} = {value}: {left:#?}"
            );
        }
    }
    // Two of them are two findings.
    let answer = check(&public_address(), &[("R2", "22k"), ("R6", "12k")]);
    assert_eq!(
        of(&answer, Code::CathodeResistor).len(),
        2,
        "{:#?}",
        told(&answer)
    );
}

#[test]
fn a_link_that_is_missing_is_named_in_place_of_what_follows() {
    let text = with(&public_address(), "R17", "");
    let answer = check(&text, &[]);
    let links = of(&answer, Code::MissingLink);
    assert_eq!(links.len(), 1, "{:#?}", told(&answer));
    for part in ["B1", "C9", "V3", "V4"] {
        assert!(links[0].parts.contains(&part.to_owned()), "{part}");
    }
    assert_eq!(links[0].weight, Weight::OverRating);
    assert!(links[0].explains.len() >= 4, "{:#?}", links[0].explains);
    assert!(
        of(&answer, Code::OverRating).is_empty(),
        "{:#?}",
        told(&answer)
    );
    assert!(of(&answer, Code::GridCurrent).is_empty());
    // What is no consequence of it stays.
    let answer = check(
        &with(
            &text,
            "R14",
            r#"R14 = { resistor = "10k", between = ["ht1", "ht2"], rating = "0.1W" }"#,
        ),
        &[],
    );
    assert_eq!(
        of(&answer, Code::OverRating).len(),
        1,
        "{:#?}",
        told(&answer)
    );
}

#[test]
fn an_anode_that_nothing_feeds_is_named_with_its_rail() {
    let text = with(
        &public_address(),
        "R15",
        r#"R15 = { resistor = "22k", between = ["ht2", "hx"], rating = "1W" }
R21 = { resistor = "100k", between = ["hx", "chassis"], rating = "2W" }
R22 = { resistor = "220k", between = ["ht3", "chassis"], rating = "1W" }"#,
    );
    let answer = check(&text, &[]);
    let links = of(&answer, Code::MissingLink);
    assert_eq!(links.len(), 1, "{:#?}", told(&answer));
    assert!(links[0].what.contains("`ht3`"), "{}", links[0].what);
    assert_eq!(links[0].parts[0], "V1");
    assert!(of(&answer, Code::CutOff).is_empty());
    assert!(of(&answer, Code::AnodeLoad).is_empty());
}

#[test]
fn taps_that_suit_neither_load_nor_mains_are_named_with_the_one_that_does() {
    let text = public_address();
    let fifteen = r#"LS1 = { resistor = "15R", between = ["o8", "chassis"], rating = "60W" }"#;
    let answer = check(&with(&text, "LS1", fifteen), &[]);
    let found = of(&answer, Code::WrongTap);
    assert_eq!(found.len(), 1, "{:#?}", told(&answer));
    assert!(found[0].look.contains("`o16`"), "{}", found[0].look);
    // 15 Ω at the tap of 8 Ω.
    assert!((found[0].value.expect("a figure") - 15.0 / 8.0).abs() < 1e-9);
    // 6 Ω belongs to the tap of 8 Ω, being nearer to it than to that of 4 Ω.
    let six = r#"LS1 = { resistor = "6R", between = ["o8", "chassis"], rating = "60W" }"#;
    assert!(of(&check(&with(&text, "LS1", six), &[]), Code::WrongTap).is_empty());

    // Capacitors with no more reserve than is usual.
    let text = on_its_mains().replace("rating = \"350V\"", "rating = \"320V\"");
    assert!(check(&text, &[]).findings.is_empty());
    let answer = check(&text, &[("T2", "200V")]);
    let found = of(&answer, Code::WrongTap);
    assert_eq!(found.len(), 1, "{:#?}", told(&answer));
    assert!(found[0].look.contains("230 V"), "{}", found[0].look);
    assert!(!found[0].explains.is_empty(), "{:#?}", told(&answer));
    let left = of(&answer, Code::OverRating);
    assert!(left.is_empty(), "{left:#?}");
    // The tap for 230 V is the nearest to this mains too.
    let answer = check(&text, &[("M1", "224V")]);
    assert!(of(&answer, Code::WrongTap).is_empty());
}

#[test]
fn what_the_wiring_shows_is_told_without_a_rest() {
    // Feedback that latches could leave no rest; here the error is made up, the drawing is not.
    let text = with(
        &public_address(),
        "LS1",
        r#"LS1 = { resistor = "15R", between = ["o4", "chassis"], rating = "60W" }
R23 = { resistor = "1k", between = ["a1", "x"], rating = "1W" }
R24 = { resistor = "1k", between = ["x", "a1"], rating = "1W" }"#,
    );
    let amplifier = amplifier(&text, &[("R10", "8k2")]);
    let error = sim::SimError::Undetermined {
        unknown: "the voltage of node x".to_owned(),
    };
    let answer = CheckOf { quick: true }.unsolved(&amplifier, error);
    for code in [Code::WrongTap, Code::CarriesNothing, Code::HalvesDiffer] {
        assert_eq!(of(&answer, code).len(), 1, "{code:?}: {:#?}", told(&answer));
    }
    assert!(answer.rest.is_err());
    assert_eq!(answer.left_out.len(), 1);
}

#[test]
fn feedback_that_was_lost_is_named_with_its_part() {
    let back = |far: &str| {
        let lines = format!(
            "R2 = {{ resistor = \"2k2\", between = [\"k1\", \"f\"], rating = \"0.5W\" }}
R21 = {{ resistor = \"100R\", between = [\"f\", \"chassis\"], rating = \"0.5W\" }}
R22 = {{ resistor = \"10k\", between = [\"{far}\", \"f\"], rating = \"1W\" }}
C11 = {{ capacitor = \"100p\", between = [\"{far}\", \"f\"], rating = \"400V\" }}"
        );
        with(&public_address(), "R2", &lines)
    };
    let answer = check(&back("o16"), &[]);
    assert!(of(&answer, Code::CarriesNothing).is_empty());
    let answer = check(&back("016"), &[]);
    let found = of(&answer, Code::CarriesNothing);
    assert_eq!(found.len(), 1, "{:#?}", told(&answer));
    assert_eq!(found[0].parts, ["R22", "C11"]);
    assert!(
        found[0].why.contains("V1 takes feedback"),
        "{}",
        found[0].why
    );
    // Lost at the other end.
    let text = back("o16").replace(r#"["o16", "f"]"#, r#"["o16", "ff"]"#);
    let answer = check(
        &text.replace(r#""o8", "chassis"]"#, r#""o16", "chassis"]"#),
        &[],
    );
    let found = of(&answer, Code::CarriesNothing);
    assert_eq!(found.len(), 1, "{:#?}", told(&answer));
    assert!(found[0].why.contains("from the load"), "{}", found[0].why);
}

#[test]
fn a_winding_for_feedback_that_feeds_nothing_is_named() {
    let tertiary = |to: &str| {
        let mut text = public_address();
        for (part, line) in [
            (
                "T1",
                r#"T1 = { transformer = [ { name = "primary", nodes = ["a3", "ht0", "a4"], impedance = "6k6", resistance = "150R" }, { nodes = ["chassis", "o8"], impedance = "8R", resistance = "0.3R" }, { name = "tertiary", nodes = ["FROM", "t1"], impedance = "1R", resistance = "1R" } ], primary_inductance = "25H", leakage_inductance = "20mH", capacitance = "500p", saturates = "40W at 40Hz", core_loss = "90k" }"#,
            ),
            (
                "R19",
                r#"R19 = { resistor = "1k", between = ["t1", "FROM"], rating = "1W" }"#,
            ),
            ("R20", ""),
        ] {
            text = with(&text, part, line);
        }
        text.replace("FROM", to)
    };
    let idle = |answer: &Check| {
        let found = of(answer, Code::MissingLink);
        found
            .iter()
            .filter(|f| f.what.contains("feeds nothing"))
            .count()
    };
    assert_eq!(idle(&check(&tertiary("chassis"), &[])), 0);
    let answer = check(&tertiary("t0"), &[]);
    assert_eq!(idle(&answer), 1, "{:#?}", told(&answer));
    let links = of(&answer, Code::MissingLink);
    assert_eq!(links[0].parts, ["T1", "R19"]);
}

#[test]
fn a_tap_that_nothing_is_joined_to_is_no_fault() {
    // 8 Ω at the tap of 8 Ω, the rest of the secondary left open.
    let text = with(&with(&public_address(), "R19", ""), "R20", "");
    assert!(check(&text, &[]).findings.is_empty());
    // A primary whose second valve is missing is one.
    let faults = read(&with(&text, "V4", ""), &[]).expect_err("an end hangs");
    let once = |of: &sheet::FileError| {
        matches!(
            of.kind,
            sheet::FileErrorKind::Circuit(sim::CircuitError::UsedOnce { .. })
        )
    };
    assert!(faults.iter().any(once), "{faults:#?}");
}
