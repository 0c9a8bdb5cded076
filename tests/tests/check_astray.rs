//! `measure::check` names the part that is joined astray or stands the wrong way round, and accuses none where only a limit
//! is passed by a little.
//!
//! The witness is the planting itself: who plants knows the answer. All circuits are our own inventions.

use checks::checked::{check, check_all, of, told, with};
use checks::examples::text_of_parts;
use measure::judged::check::{Check, Code, Finding, Weight};

/// Two pairs of EL84 in parallel push-pull, each valve with a trimmer for its bias, on the mains.
fn hall() -> String {
    text_of_parts(
        r#"
M1 = { mains = "230V", frequency = "50Hz", between = ["l", "n"], resistance = "1R" }
T2 = { mains_transformer = "230V", primary = ["l", "n"], secondaries = [ { volts = "215V", nodes = ["x", "y"], current = "500mA", resistance = "15R" }, { volts = "6.3V", nodes = ["h1", "h2"], current = "5A", resistance = "0.02R" } ] }
D1 = { bridge = "silicon", between = ["x", "y"], positive = "ht0", negative = "chassis" }
C20 = { electrolytic = "100u", positive = "ht0", negative = "chassis", rating = "400V" }
R40 = { resistor = "47R", between = ["ht0", "ht1"], rating = "5W" }
C21 = { electrolytic = "47u", positive = "ht1", negative = "chassis", rating = "400V" }
R41 = { resistor = "10k", between = ["ht1", "ht2"], rating = "2W" }
C22 = { electrolytic = "22u", positive = "ht2", negative = "chassis", rating = "400V" }
R42 = { resistor = "33k", between = ["ht2", "ht3"], rating = "1W" }
C23 = { electrolytic = "22u", positive = "ht3", negative = "chassis", rating = "400V" }
R43 = { resistor = "220k", between = ["ht0", "chassis"], rating = "2W" }
R44 = { resistor = "100R", between = ["h1", "chassis"], rating = "0.5W" }
R45 = { resistor = "100R", between = ["h2", "chassis"], rating = "0.5W" }
BI = { supply = "24V", positive = "chassis", negative = "neg", resistance = "200R" }
VR1 = { pot = "500k", ends = ["in", "chassis"], wiper = "g1", law = "log", setting = "80%" }
V1 = { valve = "EF86", anode = "a1", screen = "s1", grid = "g1", cathode = "k1", heater = ["h1", "h2"] }
R2 = { resistor = "220k", between = ["a1", "ht3"], rating = "0.5W" }
R3 = { resistor = "1M", between = ["s1", "ht3"], rating = "0.5W" }
C1 = { capacitor = "0.1u", between = ["s1", "chassis"], rating = "400V" }
R4 = { resistor = "2k2", between = ["k1", "chassis"], rating = "0.5W" }
C2 = { electrolytic = "47u", positive = "k1", negative = "chassis", rating = "25V" }
C3 = { capacitor = "47n", between = ["a1", "g2"], rating = "400V" }
R5 = { resistor = "1M", between = ["g2", "t"], rating = "0.5W" }
R6 = { resistor = "1M", between = ["g3", "t"], rating = "0.5W" }
C4 = { capacitor = "0.1u", between = ["g3", "chassis"], rating = "400V" }
V2a = { valve = "ECC82", envelope = "V2", anode = "a2", grid = "g2", cathode = "k2", heater = ["h1", "h2", "h1"] }
V2b = { valve = "ECC82", envelope = "V2", anode = "a3", grid = "g3", cathode = "k2" }
R7 = { resistor = "680R", between = ["k2", "t"], rating = "0.5W" }
R8 = { resistor = "10k", between = ["t", "chassis"], rating = "2W" }
R9 = { resistor = "33k", between = ["a2", "ht2"], rating = "1W" }
R10 = { resistor = "33k", between = ["a3", "ht2"], rating = "1W" }
C5 = { capacitor = "0.22u", between = ["a2", "g4"], rating = "400V" }
C6 = { capacitor = "0.22u", between = ["a2", "g5"], rating = "400V" }
C7 = { capacitor = "0.22u", between = ["a3", "g6"], rating = "400V" }
C8 = { capacitor = "0.22u", between = ["a3", "g7"], rating = "400V" }
R11 = { resistor = "220k", between = ["g4", "b4"], rating = "0.5W" }
R12 = { resistor = "220k", between = ["g5", "b5"], rating = "0.5W" }
R13 = { resistor = "220k", between = ["g6", "b6"], rating = "0.5W" }
R14 = { resistor = "220k", between = ["g7", "b7"], rating = "0.5W" }
VR4 = { pot = "22k", ends = ["neg", "p4"], wiper = "b4", law = "linear", setting = "30%" }
VR5 = { pot = "22k", ends = ["neg", "p5"], wiper = "b5", law = "linear", setting = "30%" }
VR6 = { pot = "22k", ends = ["neg", "p6"], wiper = "b6", law = "linear", setting = "30%" }
VR7 = { pot = "22k", ends = ["neg", "p7"], wiper = "b7", law = "linear", setting = "30%" }
R15 = { resistor = "10k", between = ["p4", "chassis"], rating = "0.5W" }
R16 = { resistor = "10k", between = ["p5", "chassis"], rating = "0.5W" }
R17 = { resistor = "10k", between = ["p6", "chassis"], rating = "0.5W" }
R18 = { resistor = "10k", between = ["p7", "chassis"], rating = "0.5W" }
V4 = { valve = "EL84", anode = "ap", screen = "ht1", grid = "g4", cathode = "chassis", heater = ["h1", "h2"] }
V5 = { valve = "EL84", anode = "ap", screen = "ht1", grid = "g5", cathode = "chassis", heater = ["h1", "h2"] }
V6 = { valve = "EL84", anode = "aq", screen = "ht1", grid = "g6", cathode = "chassis", heater = ["h1", "h2"] }
V7 = { valve = "EL84", anode = "aq", screen = "ht1", grid = "g7", cathode = "chassis", heater = ["h1", "h2"] }
T1 = { transformer = "4k : 8R", primary = ["ap", "ht0", "aq"], secondary = ["chassis", "out"], primary_inductance = "40H", leakage_inductance = "15mH", capacitance = "500p", primary_resistance = "120R", secondary_resistance = "0.4R", saturates = "25W at 35Hz", core_loss = "60k" }
LS1 = { resistor = "8R", between = ["out", "chassis"], rating = "40W" }
"#,
        ("in", "10k"),
        "LS1",
    )
}

/// A triode with another on its anode, whose choke is fed through R9: a little hot, and far from its heater.
fn direct() -> String {
    text_of_parts(
        r#"
HT = { supply = "430V", positive = "ht1", negative = "chassis", resistance = "60R" }
C5 = { electrolytic = "47u", positive = "ht1", negative = "chassis", rating = "500V" }
R9 = { resistor = "3k3", between = ["ht1", "ht2"], rating = "5W" }
C6 = { electrolytic = "33u", positive = "ht2", negative = "chassis", rating = "500V" }
R10 = { resistor = "27k", between = ["ht2", "ht3"], rating = "2W" }
C7 = { electrolytic = "33u", positive = "ht3", negative = "chassis", rating = "500V" }
R1 = { resistor = "220k", between = ["g1", "chassis"] }
V1a = { valve = "6SN7GT", envelope = "V1", anode = "a1", grid = "g1", cathode = "k1" }
R2 = { resistor = "47k", between = ["a1", "ht3"], rating = "2W" }
R3 = { resistor = "1k2", between = ["k1", "chassis"] }
C1 = { electrolytic = "100u", positive = "k1", negative = "chassis", rating = "16V" }
V1b = { valve = "6SN7GT", envelope = "V1", anode = "a2", grid = "a1", cathode = "k2" }
R4 = { resistor = "11k", between = ["k2", "chassis"], rating = "5W" }
C2 = { electrolytic = "100u", positive = "k2", negative = "chassis", rating = "250V" }
L1 = { choke = "60H", between = ["ht2", "a2"], resistance = "1k" }
C3 = { capacitor = "0.22u", between = ["a2", "out"], rating = "630V" }
R5 = { resistor = "470k", between = ["out", "chassis"] }
"#,
        ("g1", "600R"),
        "R5",
    )
}

/// A triode whose grid stands on an anode, and draws some microamperes.
fn short_of_bias() -> String {
    text_of_parts(
        r#"
HT = { supply = "320V", positive = "ht", negative = "chassis", resistance = "60R" }
C9 = { electrolytic = "100u", positive = "ht", negative = "chassis", rating = "400V" }
R1 = { resistor = "470k", between = ["g1", "chassis"], rating = "0.5W" }
V1a = { valve = "6CG7", envelope = "V1", anode = "a1", grid = "g1", cathode = "k1" }
R2 = { resistor = "39k", between = ["a1", "ht"], rating = "2W" }
R3 = { resistor = "820R", between = ["k1", "chassis"], rating = "0.5W" }
R4 = { resistor = "8k2", between = ["k1", "out"], rating = "1W" }
V1b = { valve = "6CG7", envelope = "V1", anode = "a2", grid = "a1", cathode = "k2" }
R5 = { resistor = "39k", between = ["a2", "ht"], rating = "1W" }
R6 = { resistor = "36k", between = ["k2", "chassis"], rating = "1W" }
C1 = { capacitor = "1u", between = ["a2", "out"], rating = "400V" }
R7 = { resistor = "22k", between = ["out", "chassis"], rating = "1W" }
"#,
        ("g1", "600R"),
        "R7",
    )
}

/// The finding of that kind that names a part.
fn naming<'a>(answer: &'a Check, code: Code, part: &str) -> &'a Finding {
    let mut found = of(answer, code).into_iter();
    let named = found.find(|finding| finding.parts.iter().any(|of| of == part));
    named.unwrap_or_else(|| panic!("{code:?} {part}: {:#?}", told(answer)))
}

#[test]
fn what_passes_a_limit_by_a_little_accuses_no_value() {
    for text in [direct(), short_of_bias()] {
        let answer = check(&text, &[]);
        assert!(!answer.findings.is_empty());
        for code in [Code::ResistorValue, Code::CathodeResistor, Code::WrongNode] {
            assert!(of(&answer, code).is_empty(), "{:#?}", told(&answer));
        }
        // Nothing is left out for it.
        assert!(
            answer
                .left_out
                .iter()
                .all(|of| of.reason == "left out by --quick"),
            "{:#?}",
            answer.left_out
        );
    }
}

#[test]
fn a_sound_amplifier_with_trimmers_raises_no_alarm() {
    let answer = check(&hall(), &[]);
    assert!(
        answer.findings.iter().all(|of| of.weight == Weight::Remark),
        "{:#?}",
        told(&answer)
    );
}

#[test]
fn a_part_joined_astray_is_named() {
    for (part, line, code, named) in [
        // From the anode of the other half.
        (
            "C6",
            r#"C6 = { capacitor = "0.22u", between = ["a3", "g5"], rating = "400V" }"#,
            Code::InPhase,
            "V5",
        ),
        (
            "C6",
            r#"C6 = { capacitor = "0.22u", between = ["a3", "g5"], rating = "400V" }"#,
            Code::InPhase,
            "C6",
        ),
        // The screen to the anode.
        (
            "C1",
            r#"C1 = { capacitor = "0.1u", between = ["s1", "a1"], rating = "400V" }"#,
            Code::WrongNode,
            "C1",
        ),
        // The bypass at the anode.
        (
            "C2",
            r#"C2 = { electrolytic = "47u", positive = "a1", negative = "chassis", rating = "25V" }"#,
            Code::WrongNode,
            "C2",
        ),
        // The bridge and the bias supply turned.
        (
            "D1",
            r#"D1 = { bridge = "silicon", between = ["x", "y"], positive = "chassis", negative = "ht0" }"#,
            Code::WrongNode,
            "D1",
        ),
        (
            "BI",
            r#"BI = { supply = "24V", positive = "neg", negative = "chassis", resistance = "200R" }"#,
            Code::WrongNode,
            "BI",
        ),
        // Wiper and end of the volume control exchanged, and both ends at one node.
        (
            "VR1",
            r#"VR1 = { pot = "500k", ends = ["in", "g1"], wiper = "chassis", law = "log", setting = "80%" }"#,
            Code::WrongNode,
            "VR1",
        ),
        (
            "VR4",
            r#"VR4 = { pot = "22k", ends = ["p4", "p4"], wiper = "b4", law = "linear", setting = "30%" }"#,
            Code::WrongNode,
            "VR4",
        ),
        // The ends of a trimmer exchanged.
        (
            "VR5",
            r#"VR5 = { pot = "22k", ends = ["p5", "neg"], wiper = "b5", law = "linear", setting = "42%" }"#,
            Code::HalvesDiffer,
            "VR5",
        ),
        // Nano for micro.
        (
            "C22",
            r#"C22 = { electrolytic = "22n", positive = "ht2", negative = "chassis", rating = "400V" }"#,
            Code::CapacitorValue,
            "C22",
        ),
        // One heater of six not drawn.
        (
            "V1",
            r#"V1 = { valve = "EF86", anode = "a1", screen = "s1", grid = "g1", cathode = "k1" }"#,
            Code::HeaterWiring,
            "V1",
        ),
    ] {
        let text = with(&hall(), part, line);
        naming(&check(&text, &[]), code, named);
    }
    // Nothing ties the heaters to the chassis.
    let text = with(&with(&hall(), "R44", ""), "R45", "");
    naming(&check(&text, &[]), Code::HeaterWiring, "T2");
}

#[test]
fn the_valve_against_its_fellow_is_named_with_its_own_coupling_and_no_other() {
    let text = hall().replace(r#"["a2", "g5"]"#, r#"["a3", "g5"]"#);
    let answer = check(&text, &[]);
    let found = naming(&answer, Code::InPhase, "V5");
    assert!(
        found.what.contains("is driven against V4"),
        "{}",
        found.what
    );
    assert!(found.look.contains("C6"), "{}", found.look);
    // Its drive over that of V4: the anode it hangs on now drives three grids, the other one.
    let share = found.value.expect("a figure");
    assert!((-1.3..-0.5).contains(&share), "{share}");
    for code in [Code::InPhase, Code::NoDrive] {
        assert!(
            of(&answer, code).iter().all(|of| of.parts[0] == "V5"),
            "{:#?}",
            told(&answer)
        );
    }
}

#[test]
fn grid_current_is_told_with_the_resistor_that_brings_it() {
    let text = with(
        &hall(),
        "R13",
        r#"R13 = { resistor = "220k", between = ["g6", "ht3"], rating = "0.5W" }
R19 = { resistor = "100k", between = ["b6", "chassis"], rating = "0.5W" }"#,
    );
    let answer = check(&text, &[]);
    let found = naming(&answer, Code::GridCurrent, "V6");
    assert!(
        found.look.contains("R13") && found.look.contains("`ht3`"),
        "{}",
        found.look
    );
}

#[test]
fn a_reservoir_on_the_winding_is_told_where_it_leads() {
    let text = text_of_parts(
        r#"
M1 = { mains = "230V", frequency = "50Hz", between = ["l", "n"], resistance = "2R" }
T2 = { mains_transformer = "230V", primary = ["l", "n"], secondaries = [ { volts = "230-0-230V", nodes = ["x", "chassis", "y"], current = "80mA", resistance = "150R" } ] }
D1 = { diode = "silicon", anodes = ["x", "y"], cathode = "ht0" }
C6 = { electrolytic = "1u", positive = "x", negative = "chassis", rating = "400V" }
R7 = { resistor = "1k", between = ["ht0", "ht"], rating = "5W" }
C7 = { electrolytic = "32u", positive = "ht", negative = "chassis", rating = "350V" }
V1 = { valve = "ECC82", anode = "a1", grid = "g1", cathode = "k1" }
R1 = { resistor = "1M", between = ["g1", "chassis"], rating = "0.5W" }
R2 = { resistor = "1k5", between = ["k1", "chassis"], rating = "0.5W" }
R3 = { resistor = "47k", between = ["a1", "ht"], rating = "2W" }
C2 = { capacitor = "0.22u", between = ["a1", "out"], rating = "400V" }
R4 = { resistor = "470k", between = ["out", "chassis"], rating = "0.5W" }
"#,
        ("g1", "600R"),
        "R4",
    );
    let answer = check(&text, &[]);
    let found = naming(&answer, Code::Reversed, "C6");
    assert!(
        found.look.contains("`x` is an end of a winding of T2"),
        "{}",
        found.look
    );
}

#[test]
fn a_stabiliser_the_wrong_way_round_is_named_as_that() {
    let text = |anode: &str, cathode: &str| {
        text_of_parts(
            &format!(
                r#"
HT = {{ supply = "320V", positive = "ht", negative = "chassis", resistance = "100R" }}
R5 = {{ resistor = "6k8", between = ["ht", "st"], rating = "3W" }}
V2 = {{ valve = "0A2", anode = "{anode}", cathode = "{cathode}" }}
V1 = {{ valve = "ECC83", anode = "a1", grid = "g1", cathode = "k1" }}
R1 = {{ resistor = "1M", between = ["g1", "chassis"], rating = "0.5W" }}
R2 = {{ resistor = "1k5", between = ["k1", "chassis"], rating = "0.5W" }}
R3 = {{ resistor = "100k", between = ["a1", "st"], rating = "1W" }}
C2 = {{ capacitor = "0.22u", between = ["a1", "out"], rating = "400V" }}
R4 = {{ resistor = "1M", between = ["out", "chassis"], rating = "0.5W" }}
"#
            ),
            ("g1", "600R"),
            "R4",
        )
    };
    let right = check(&text("st", "chassis"), &[]);
    assert!(of(&right, Code::Reversed).is_empty(), "{:#?}", told(&right));
    let answer = check(&text("chassis", "st"), &[]);
    let found = naming(&answer, Code::Reversed, "V2");
    assert_eq!(found.weight, Weight::DoesNotWork);
    assert!(
        of(&answer, Code::OverRating)
            .iter()
            .all(|of| !of.what.contains("goes out"))
    );
}

/// Two EL84 behind two ECC82 with a bypass each, of which one is misprinted.
fn one_bypass(first: &str, second: &str) -> String {
    text_of_parts(
        &format!(
            r#"
HT = {{ supply = "300V", positive = "ht", negative = "chassis", resistance = "50R" }}
T0 = {{ transformer = "10k : 10k", primary = ["in", "chassis"], secondary = ["g1", "chassis", "g2"], primary_inductance = "50H" }}
R1 = {{ resistor = "220k", between = ["g1", "chassis"], rating = "0.5W" }}
R2 = {{ resistor = "220k", between = ["g2", "chassis"], rating = "0.5W" }}
V1a = {{ valve = "ECC82", envelope = "V1", anode = "a1", grid = "g1", cathode = "k1" }}
V1b = {{ valve = "ECC82", envelope = "V1", anode = "a2", grid = "g2", cathode = "k2" }}
R3 = {{ resistor = "1k5", between = ["k1", "chassis"], rating = "0.5W" }}
R4 = {{ resistor = "1k5", between = ["k2", "chassis"], rating = "0.5W" }}
C1 = {{ electrolytic = "{first}", positive = "k1", negative = "chassis", rating = "25V" }}
C2 = {{ electrolytic = "{second}", positive = "k2", negative = "chassis", rating = "25V" }}
R5 = {{ resistor = "47k", between = ["a1", "ht"], rating = "1W" }}
R6 = {{ resistor = "47k", between = ["a2", "ht"], rating = "1W" }}
C3 = {{ capacitor = "0.1u", between = ["a1", "g3"], rating = "400V" }}
C4 = {{ capacitor = "0.1u", between = ["a2", "g4"], rating = "400V" }}
R7 = {{ resistor = "470k", between = ["g3", "chassis"], rating = "0.5W" }}
R8 = {{ resistor = "470k", between = ["g4", "chassis"], rating = "0.5W" }}
V3 = {{ valve = "EL84", anode = "a3", screen = "ht", grid = "g3", cathode = "k3" }}
V4 = {{ valve = "EL84", anode = "a4", screen = "ht", grid = "g4", cathode = "k3" }}
R9 = {{ resistor = "130R", between = ["k3", "chassis"], rating = "3W" }}
T1 = {{ transformer = "8k : 8R", primary = ["a3", "ht", "a4"], secondary = ["out", "chassis"], primary_inductance = "50H", leakage_inductance = "20mH", primary_resistance = "200R", secondary_resistance = "0.4R" }}
LS1 = {{ resistor = "8R", between = ["out", "chassis"], rating = "20W" }}
"#
        ),
        ("in", "600R"),
        "LS1",
    )
}

#[test]
fn a_capacitor_given_another_value_has_the_losses_of_that() {
    // 100 nF are assumed to have hundreds of ohms in series; 100 µF with them would bypass next to nothing.
    let answer = check(&one_bypass("100n", "100u"), &[]);
    let found = naming(&answer, Code::HalvesDiffer, "C1");
    let mended = found.corrections.iter().find(|of| of.part == "C1");
    let mended = mended
        .and_then(|of| of.balance.as_ref())
        .expect("a balance");
    assert!(mended.of_gains() < 0.02, "{mended:?}");
}

#[test]
fn feedback_with_little_margin_is_told_with_the_margins() {
    // Three equal corners of coupling inside the loop: with as much feedback little is left at the bottom.
    let text = |back: &str| {
        text_of_parts(
            &format!(
                r#"
HT = {{ supply = "300V", positive = "ht", negative = "chassis" }}
V1 = {{ valve = "ECC83", anode = "a1", grid = "g1", cathode = "k1" }}
R1 = {{ resistor = "1M", between = ["g1", "chassis"], rating = "0.5W" }}
R2 = {{ resistor = "1k5", between = ["k1", "chassis"], rating = "0.5W" }}
R3 = {{ resistor = "100k", between = ["a1", "ht"], rating = "1W" }}
C1 = {{ capacitor = "22n", between = ["a1", "g2"], rating = "400V" }}
V2 = {{ valve = "ECC83", anode = "a2", grid = "g2", cathode = "k2" }}
R4 = {{ resistor = "1M", between = ["g2", "chassis"], rating = "0.5W" }}
R5 = {{ resistor = "1k5", between = ["k2", "chassis"], rating = "0.5W" }}
R6 = {{ resistor = "100k", between = ["a2", "ht"], rating = "1W" }}
C2 = {{ capacitor = "22n", between = ["a2", "g3"], rating = "400V" }}
R7 = {{ resistor = "1M", between = ["g3", "chassis"], rating = "0.5W" }}
V3 = {{ valve = "ECC82", anode = "ht", grid = "g3", cathode = "k3" }}
R8 = {{ resistor = "2k2", between = ["k3", "chassis"], rating = "2W" }}
C3 = {{ capacitor = "0.22u", between = ["k3", "out"], rating = "400V" }}
R9 = {{ resistor = "100k", between = ["out", "chassis"], rating = "0.5W" }}
R10 = {{ resistor = "{back}", between = ["out", "k1"], rating = "0.5W" }}
"#
            ),
            ("g1", "600R"),
            "R9",
        )
    };
    let little = check_all(&text("150k"), &[], false);
    let found = naming(&little, Code::LittleMargin, "R10");
    assert!(found.what.contains("margin of"), "{}", found.what);
    assert!(
        found.why.contains("30°") && found.why.contains("6 dB"),
        "{}",
        found.why
    );
    let much = check_all(&text("470k"), &[], false);
    assert!(
        of(&much, Code::LittleMargin).is_empty(),
        "{:#?}",
        told(&much)
    );
}

#[test]
fn coupling_capacitors_of_which_one_thing_is_found_are_one_finding() {
    // 1 nF into 220 kΩ and more: some hundred hertz.
    let small = ["C5", "C6", "C7", "C8"].map(|part| (part, "1n"));
    let answer = check(&hall(), &small);
    let found = of(&answer, Code::CouplingCorner);
    let [found] = found[..] else {
        panic!("{:#?}", told(&answer))
    };
    assert_eq!(found.parts, ["C5", "C6", "C7", "C8"]);
    // Two are told by themselves.
    let answer = check(&hall(), &small[..2]);
    assert_eq!(
        of(&answer, Code::CouplingCorner).len(),
        2,
        "{:#?}",
        told(&answer)
    );
}

#[test]
fn a_heater_in_series_on_half_its_volts_is_told_how_to_be_joined() {
    let text = hall().replace(r#"heater = ["h1", "h2", "h1"]"#, r#"heater = ["h1", "h2"]"#);
    let answer = check(&text, &[]);
    let found = naming(&answer, Code::OverRating, "V2a");
    assert!(
        found.look.contains(r#"["h1", "h2", "h1"]"#),
        "{}",
        found.look
    );
}
