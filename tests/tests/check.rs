//! `measure::check` on amplifiers with a fault planted in a known place, and on the same without it.
//!
//! The witness is the planting itself: who plants knows the answer. The circuits are the examples and
//! variants made from them by exchanging lines; the plantings are slips of the pen (a zero more or less,
//! digits exchanged, two values exchanged, another type of valve).
//!
//! Over 400 lines because each planting brings its lines.

use checks::examples::{Opened, text_of_parts};
use measure::Measurement;
use measure::judged::check::{Check, CheckOf, Code, Finding};
use sheet::read;
use sim::System;
use sim::amplifier::Amplifier;

const QUICK: CheckOf = CheckOf { quick: true };

fn example(name: &str) -> String {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../examples/");
    std::fs::read_to_string(format!("{folder}{name}/amplifier.toml")).expect("the example is there")
}

fn read_set(text: &str, set: &[(&str, &str)]) -> Amplifier {
    let set: Vec<(String, String)> = set
        .iter()
        .map(|(part, value)| ((*part).to_owned(), (*value).to_owned()))
        .collect();
    read(text, &set).unwrap_or_else(|faults| panic!("{faults:#?}"))
}

fn check(text: &str, set: &[(&str, &str)]) -> Check {
    let amplifier = read_set(text, set);
    let system = System::of(&amplifier.circuit).expect("it compiles");
    QUICK
        .about(&amplifier, &system)
        .unwrap_or_else(|error| panic!("{set:?}: {error}"))
}

fn of(answer: &Check, code: Code) -> Vec<&Finding> {
    let findings = answer.findings.iter();
    findings.filter(|finding| finding.code == code).collect()
}

/// The text with lines exchanged; each must be there.
fn exchanged(text: &str, lines: &[(&str, &str)]) -> String {
    let mut made = text.to_owned();
    for (part, new) in lines {
        let mut found = false;
        let kept: Vec<String> = made
            .lines()
            .map(|line| {
                let this = line
                    .split('=')
                    .next()
                    .is_some_and(|name| name.trim() == *part);
                found |= this;
                if this {
                    (*new).to_owned()
                } else {
                    line.to_owned()
                }
            })
            .collect();
        assert!(found, "no line {part}");
        made = kept.join("\n");
    }
    made
}

/// The EL84 amplifier with a long-tailed pair in place of the concertina.
fn long_tailed() -> String {
    exchanged(
        &example("03_el84_push_pull_feedback"),
        &[
            (
                "V1b",
                r#"V1b = { valve = "ECC83", envelope = "V4", anode = "a2", grid = "a1", cathode = "k2" }
V1c = { valve = "ECC83", envelope = "V4", anode = "b2", grid = "gg", cathode = "k2" }
R20 = { resistor = "68k", between = ["k2", "chassis"], rating = "0.5W" }
R21 = { resistor = "1M", between = ["a1", "gg"], rating = "0.5W" }
C20 = { capacitor = "0.1u", between = ["gg", "chassis"], rating = "400V" }"#,
            ),
            (
                "R8",
                r#"R8 = { resistor = "100k", between = ["b2", "ht2"], rating = "1W" }"#,
            ),
            (
                "C4",
                r#"C4 = { capacitor = "0.1u", between = ["b2", "c4"], rating = "400V" }"#,
            ),
        ],
    )
}

/// The same behind a capacitor, with feedback at the lower end of the tail, where the second grid is held as well.
fn long_tailed_with_feedback_at_its_tail() -> String {
    exchanged(
        &long_tailed(),
        &[
            (
                "V1b",
                r#"V1b = { valve = "ECC83", envelope = "V4", anode = "a2", grid = "gd", cathode = "k2" }"#,
            ),
            (
                "R20",
                r#"R20 = { resistor = "22k", between = ["tail", "ft"], rating = "0.5W" }
R24 = { resistor = "1k2", between = ["k2", "tail"], rating = "0.5W" }
R25 = { resistor = "4k7", between = ["ft", "chassis"], rating = "0.5W" }
R27 = { resistor = "220k", between = ["out", "ft"], rating = "0.5W" }
R28 = { resistor = "1M", between = ["gd", "tail"], rating = "0.5W" }
C24 = { capacitor = "22n", between = ["a1", "gd"], rating = "400V" }"#,
            ),
            (
                "R21",
                r#"R21 = { resistor = "1M", between = ["gg", "tail"], rating = "0.5W" }"#,
            ),
            (
                "C20",
                r#"C20 = { capacitor = "0.1u", between = ["gg", "ft"], rating = "400V" }"#,
            ),
        ],
    )
}

/// The push-pull amplifier with a cathode resistor and capacitor for each output valve.
fn own_cathodes() -> String {
    exchanged(
        &example("03_el84_push_pull_feedback"),
        &[
            (
                "V3",
                r#"V3 = { valve = "EL84", anode = "a4", screen = "s4", grid = "g4", cathode = "k4" }"#,
            ),
            (
                "R13",
                r#"R13 = { resistor = "270R", between = ["k3", "chassis"], rating = "3W" }
R23 = { resistor = "270R", between = ["k4", "chassis"], rating = "3W" }
C23 = { electrolytic = "100u", positive = "k4", negative = "chassis", rating = "25V" }"#,
            ),
        ],
    )
}

/// The push-pull amplifier with a floating paraphase: the second half is driven from the middle of both grid leaks.
fn paraphase() -> String {
    exchanged(
        &example("03_el84_push_pull_feedback"),
        &[
            (
                "V1b",
                r#"V1b = { valve = "ECC83", envelope = "V1", anode = "a2", grid = "j", cathode = "k2" }"#,
            ),
            (
                "R7",
                r#"R7 = { resistor = "270k", between = ["a2", "ht3"], rating = "1W" }"#,
            ),
            (
                "R8",
                r#"R8 = { resistor = "1k2", between = ["k2", "chassis"], rating = "1W" }
C20 = { electrolytic = "50u", positive = "k2", negative = "chassis", rating = "12V" }
R20 = { resistor = "270k", between = ["j", "chassis"], rating = "0.5W" }"#,
            ),
            ("C2", ""),
            ("R6", ""),
            (
                "C3",
                r#"C3 = { capacitor = "0.1u", between = ["a1", "c3"], rating = "400V" }"#,
            ),
            (
                "C4",
                r#"C4 = { capacitor = "0.1u", between = ["a2", "c4"], rating = "400V" }"#,
            ),
            (
                "R9",
                r#"R9 = { resistor = "470k", between = ["c3", "j"], rating = "0.5W" }"#,
            ),
            (
                "R10",
                r#"R10 = { resistor = "390k", between = ["c4", "j"], rating = "0.5W" }"#,
            ),
            (
                "R16",
                r#"R16 = { resistor = "22k", between = ["out", "f"], rating = "0.5W" }"#,
            ),
        ],
    )
}

/// The push-pull amplifier with a plain paraphase: the second half is driven from a tap of the first half's grid leak.
fn tapped_paraphase() -> String {
    exchanged(
        &paraphase(),
        &[
            (
                "V1b",
                r#"V1b = { valve = "ECC83", envelope = "V1", anode = "a2", grid = "t", cathode = "k2" }"#,
            ),
            (
                "R9",
                r#"R9 = { resistor = "460k", between = ["c3", "t"], rating = "0.5W" }"#,
            ),
            (
                "R20",
                r#"R20 = { resistor = "8k2", between = ["t", "chassis"], rating = "0.5W" }"#,
            ),
            (
                "R10",
                r#"R10 = { resistor = "470k", between = ["c4", "chassis"], rating = "0.5W" }"#,
            ),
            // Both grids at resistors to the chassis, which are no pair.
            (
                "R2",
                r#"R2 = { resistor = "10R", between = ["in", "g1"], rating = "0.5W" }
R22 = { resistor = "1M", between = ["g1", "chassis"], rating = "0.5W" }"#,
            ),
        ],
    )
}

/// The EL84 amplifier with feedback from one output anode to the first cathode besides.
fn one_sided_feedback() -> String {
    exchanged(
        &example("03_el84_push_pull_feedback"),
        &[(
            "C6",
            r#"C6 = { capacitor = "0.1u", between = ["a4", "x"], rating = "630V" }
R26 = { resistor = "470k", between = ["x", "f"], rating = "0.5W" }"#,
        )],
    )
}

/// The 2A3 amplifier with two valves on each side, each behind its own stopper.
fn parallel() -> String {
    exchanged(
        &example("02_hall_2a3_push_pull"),
        &[
            (
                "V3",
                r#"V3 = { valve = "2A3", anode = "a5", grid = "p5", cathode = "chassis" }
R30 = { resistor = "1k", between = ["g5", "p5"], rating = "0.5W" }
V5 = { valve = "2A3", anode = "a5", grid = "q5", cathode = "chassis" }
R31 = { resistor = "1k", between = ["g5", "q5"], rating = "0.5W" }"#,
            ),
            (
                "V4",
                r#"V4 = { valve = "2A3", anode = "a6", grid = "p6", cathode = "chassis" }
R32 = { resistor = "1k", between = ["g6", "p6"], rating = "0.5W" }
V6 = { valve = "2A3", anode = "a6", grid = "q6", cathode = "chassis" }
R33 = { resistor = "1k", between = ["g6", "q6"], rating = "0.5W" }"#,
            ),
        ],
    )
}

/// A cathode follower hangs on one driver's anode, and either anode has a branch with a purpose of its own: nothing in
/// one is the like of anything in the other.
fn follower_on_one_side() -> String {
    example("02_hall_2a3_push_pull").replace(
        "# Output pair",
        r#"V9 = { valve = "6J5", anode = "ht2", grid = "a3", cathode = "k9" }
R90 = { resistor = "100k", between = ["k9", "chassis"] }
C20 = { capacitor = "100p", between = ["a3", "x20"], rating = "400V" }
R20 = { resistor = "22k", between = ["x20", "chassis"] }
C21 = { capacitor = "0.1u", between = ["a4", "x21"], rating = "400V" }
R21 = { resistor = "470k", between = ["x21", "chassis"] }
# Output pair"#,
    )
}

/// Name, text, and the loads it trims on purpose.
fn balanced() -> Vec<(&'static str, String, usize)> {
    vec![
        (
            "concertina, drivers, 2A3",
            example("02_hall_2a3_push_pull"),
            0,
        ),
        ("concertina, EL84", example("03_el84_push_pull_feedback"), 0),
        ("on its mains", example("04_hall_2a3_on_its_mains"), 0),
        ("long-tailed pair", long_tailed(), 0),
        (
            "long-tailed pair with feedback at its tail",
            long_tailed_with_feedback_at_its_tail(),
            0,
        ),
        ("own cathodes", own_cathodes(), 0),
        ("floating paraphase", paraphase(), 1),
        ("two on each side", parallel(), 0),
        ("tapped paraphase", tapped_paraphase(), 0),
        ("feedback from one side", one_sided_feedback(), 0),
        ("a follower on one side", follower_on_one_side(), 0),
    ]
}

/// Which circuit, what is planted, and the part that answers it in the other half.
const PLANTED: [(usize, &str, &str, &str); 43] = [
    (0, "R3", "2k2", "R4"),
    (0, "R4", "27k", "R3"),
    (0, "C2", "0.01u", "C3"),
    (0, "C3", "1u", "C2"),
    (0, "R5", "47k", "R6"),
    (0, "R6", "740k", "R5"),
    (0, "R8", "4k7", "R9"),
    (0, "R9", "74k", "R8"),
    (0, "C4", "2.5u", "C5"),
    (0, "C5", "0.52u", "C4"),
    (0, "R10", "1M", "R11"),
    (0, "R11", "10k", "R10"),
    (0, "V2b", "6SL7GT", "V2a"),
    (1, "R7", "10k", "R8"),
    (1, "R8", "120k", "R7"),
    (1, "C3", "1u", "C4"),
    (1, "C4", "0.01u", "C3"),
    (1, "R9", "47k", "R10"),
    (1, "R10", "740k", "R9"),
    (1, "R11", "47k", "R12"),
    (1, "R12", "470R", "R11"),
    (1, "R14", "1k", "R15"),
    (1, "R15", "10R", "R14"),
    (1, "V3", "6V6GT", "V2"),
    (2, "R9", "4k7", "R8"),
    (2, "C5", "0.52u", "C4"),
    (3, "R7", "10k", "R8"),
    (3, "R8", "1M", "R7"),
    (3, "C4", "0.01u", "C3"),
    (3, "R11", "470R", "R12"),
    (3, "R15", "1k", "R14"),
    (5, "R13", "27R", "R23"),
    (5, "R23", "720R", "R13"),
    (5, "C23", "10u", "C5"),
    (5, "V2", "EL34", "V3"),
    (6, "R12", "470R", "R11"),
    (6, "C4", "1u", "C3"),
    (6, "R10", "39k", "R9"),
    (7, "R10", "10k", "R11"),
    (7, "C5", "0.025u", "C4"),
    (4, "R7", "10k", "R8"),
    (4, "R21", "100k", "R28"),
    (4, "C4", "0.01u", "C3"),
];

#[test]
fn the_halves_of_balanced_amplifiers_as_drawn_raise_no_alarm() {
    for (name, text, trimmed) in balanced() {
        let answer = check(&text, &[]);
        assert!(!answer.halves.is_empty(), "{name}: no halves");
        for code in [Code::HalvesDiffer, Code::OneHalfOnly] {
            let found = of(&answer, code);
            assert!(found.is_empty(), "{name}: {found:#?}");
        }
        let remarks = of(&answer, Code::UnequalLoads);
        assert_eq!(remarks.len(), trimmed, "{name}: {remarks:#?}");
    }
}

#[test]
fn every_planted_value_is_found_with_its_like_and_nothing_else_is() {
    let circuits = balanced();
    let mut missed = Vec::new();
    for (circuit, part, value, like) in PLANTED {
        let (name, text, _) = &circuits[circuit];
        let answer = check(text, &[(part, value)]);
        let found: Vec<&Finding> = of(&answer, Code::HalvesDiffer);
        let both = |finding: &&&Finding| {
            let parts = &finding.parts;
            parts.len() == 2 && parts.iter().any(|p| p == part) && parts.iter().any(|p| p == like)
        };
        let hit = found.iter().find(both);
        if hit.is_none() || found.len() != 1 || !of(&answer, Code::OneHalfOnly).is_empty() {
            let told: Vec<&Vec<String>> = found.iter().map(|finding| &finding.parts).collect();
            missed.push(format!("{name}, {part} = {value}: {told:?}"));
            continue;
        }
        // Each correction says what it does.
        let corrections = &hit.expect("just seen").corrections;
        assert_eq!(corrections.len(), 2, "{name}, {part}");
        let mended = corrections
            .iter()
            .find(|c| c.part == part && c.like == like);
        assert!(
            mended.is_some_and(|c| c.balance.is_some()),
            "{name}, {part} = {value}"
        );
    }
    assert!(missed.is_empty(), "{missed:#?}");
}

#[test]
fn the_right_correction_gives_the_balance_of_the_amplifier_without_the_fault() {
    let text = example("02_hall_2a3_push_pull");
    let answer = check(&text, &[("R11", "10k")]);
    let found = of(&answer, Code::HalvesDiffer);
    let mended = found[0].corrections.iter().find(|c| c.part == "R11");
    let balance = mended.and_then(|c| c.balance.as_ref()).expect("it rests");
    let drawn = found[0].drawn.as_ref().expect("it rests");
    // Like circuits in both halves: what is left is the concertina's cathode against its anode, whose
    // gains differ by 1/mu of a stage (a part in twenty at most).
    assert!(balance.of_currents() < 1e-6, "{balance:?}");
    assert!(balance.of_gains() < 0.05, "{balance:?}");
    // 10 kΩ for 100 kΩ behind an anode resistance of some 8 kΩ takes a good part of the gain.
    assert!(drawn.of_gains() > 0.2, "{drawn:?}");
}

#[test]
fn a_valve_of_other_electrodes_is_found_and_not_put_into_the_other_socket() {
    let triode = r#"V3 = { valve = "6J5", anode = "a4", grid = "g4", cathode = "k3" }"#;
    let text = exchanged(
        &example("03_el84_push_pull_feedback"),
        &[("V3", triode), ("R15", "")],
    );
    let answer = check(&text, &[]);
    let found = of(&answer, Code::HalvesDiffer);
    let valves = found
        .iter()
        .find(|finding| finding.parts[0] == "V2" || finding.parts[0] == "V3");
    let valves = valves.expect("the valves differ");
    assert!(
        valves.drawn.is_some() && valves.corrections.is_empty(),
        "{valves:#?}"
    );
}

#[test]
fn two_exchanged_values_are_two_findings() {
    let text = example("02_hall_2a3_push_pull");
    // R5 (470k) and R11 (100k) exchanged.
    let answer = check(&text, &[("R5", "100k"), ("R11", "470k")]);
    let mut parts: Vec<&Vec<String>> = of(&answer, Code::HalvesDiffer)
        .iter()
        .map(|f| &f.parts)
        .collect();
    parts.sort();
    assert_eq!(
        parts,
        [
            &["R10", "R11"].map(str::to_owned).to_vec(),
            &["R5", "R6"].map(str::to_owned).to_vec()
        ]
    );
}

#[test]
fn a_part_that_only_one_half_has_is_found() {
    let text = exchanged(&own_cathodes(), &[("C23", "")]);
    let answer = check(&text, &[]);
    let alone = of(&answer, Code::OneHalfOnly);
    assert_eq!(alone.len(), 1, "{alone:#?}");
    assert_eq!(alone[0].parts, ["C5"]);
    assert!(of(&answer, Code::HalvesDiffer).is_empty());
}

#[test]
fn a_long_tailed_pair_may_have_loads_a_little_unequal() {
    // Common practice, no source: 82k and 100k.
    for text in [long_tailed(), long_tailed_with_feedback_at_its_tail()] {
        let answer = check(&text, &[("R7", "82k")]);
        assert!(of(&answer, Code::HalvesDiffer).is_empty());
        assert_eq!(of(&answer, Code::UnequalLoads).len(), 1);
    }
    // The same in a pair that is driven on both sides is a difference.
    let both = check(&example("02_hall_2a3_push_pull"), &[("R8", "39k")]);
    assert_eq!(of(&both, Code::HalvesDiffer).len(), 1);
}

#[test]
fn parts_are_judged_at_full_drive_too() {
    // A load of 5 W, and a capacitor of 20 V across it: nothing with no signal.
    let text = example("02_hall_2a3_push_pull")
        .replace("rating = \"25W\"", "rating = \"5W\"")
        .replace(
            "LS1 =",
            "C20 = { capacitor = \"1n\", between = [\"out\", \"chassis\"], rating = \"20V\" }\nLS1 =",
        );
    let opened = Opened::read(&text, &[]);
    let answer = CheckOf { quick: false }
        .about(&opened.amplifier, &opened.system)
        .expect("it rests");
    let figure = |part: &str| {
        let all = of(&answer, Code::OverRating);
        let finding = all.iter().find(|finding| finding.parts == [part]);
        let finding = finding.unwrap_or_else(|| panic!("{part} is not over"));
        assert!(finding.what.contains("into the load"), "{}", finding.what);
        finding.value.expect("a figure")
    };
    let power = opened.ask(&opened.bench()).expect("it plays");
    let level = power.rated.expect("5 % is reached");
    // What the load turns to heat is the output power; each search meets 5 % to 1e-4 of it.
    assert!((figure("LS1") / level.power - 1.0).abs() < 1e-3);
    // The peak of a sine of that power; 5 % of harmonics may add up or cut it.
    let peak = (2.0 * 15.0 * level.power).sqrt();
    assert!(
        (figure("C20") / peak - 1.0).abs() < 0.08,
        "{} {peak}",
        figure("C20")
    );
}

#[test]
fn a_single_ended_amplifier_has_no_halves() {
    let text = example("01_single_ended_6v6");
    let answer = check(&text, &[]);
    assert!(answer.halves.is_empty());
    for code in [Code::HalvesDiffer, Code::OneHalfOnly, Code::UnequalLoads] {
        assert!(of(&answer, code).is_empty());
    }
}

/// Two triode stages of our own with faults of every other kind; `lines` go before the supply.
fn stages(lines: &str) -> String {
    let parts = format!(
        r#"
V1 = {{ valve = "ECC83", anode = "a", grid = "g", cathode = "k" }}
R1 = {{ resistor = "100k", between = ["a", "ht"], rating = "1W" }}
R2 = {{ resistor = "1k5", between = ["k", "chassis"], rating = "0.5W" }}
R3 = {{ resistor = "1M", between = ["g", "chassis"], rating = "0.5W" }}
C2 = {{ capacitor = "22n", between = ["a", "b"], rating = "400V" }}
R4 = {{ resistor = "470k", between = ["b", "chassis"], rating = "0.5W" }}
V2 = {{ valve = "ECC83", anode = "c", grid = "b", cathode = "d" }}
R5 = {{ resistor = "100k", between = ["c", "ht"], rating = "1W" }}
R6 = {{ resistor = "1k5", between = ["d", "chassis"], rating = "0.5W" }}
C3 = {{ capacitor = "0.1u", between = ["c", "out"], rating = "400V" }}
R7 = {{ resistor = "470k", between = ["out", "chassis"], rating = "0.5W" }}
{lines}
HT = {{ supply = "250V", positive = "ht", negative = "chassis" }}
"#
    );
    text_of_parts(&parts, ("g", "600R"), "R7")
}

#[test]
fn two_plain_stages_are_found_faultless() {
    let answer = check(&stages(""), &[]);
    assert!(answer.findings.is_empty(), "{:#?}", answer.findings);
}

#[test]
fn each_planted_fault_of_a_stage_is_found_by_its_name() {
    for (lines, set, code, part) in [
        ("", ("C2", "470p"), Code::CouplingCorner, "C2"),
        ("", ("R4", "22M"), Code::GridLeak, "V2"),
        ("", ("R2", "150k"), Code::AnodeLoad, "R1"),
        ("", ("R2", "15R"), Code::GridCurrent, "V1"),
        // Two decades: with one less what is found is gone.
        ("", ("R5", "10M"), Code::ResistorValue, "R5"),
        (
            "R8 = { resistor = \"1k\", between = [\"a\", \"x\"] }\nR9 = { resistor = \"1k\", between = [\"x\", \"a\"] }",
            ("R1", "100k"),
            Code::CarriesNothing,
            "R8",
        ),
        (
            "C8 = { electrolytic = \"47u\", positive = \"ht\", negative = \"m\", rating = \"350V\", leakage = \"0.1mA\" }\nC9 = { electrolytic = \"47u\", positive = \"m\", negative = \"chassis\", rating = \"350V\", leakage = \"0.1mA\" }",
            ("R1", "100k"),
            Code::NoSharing,
            "C8",
        ),
        (
            r#"C8 = { electrolytic = "0.1u", positive = "k", negative = "chassis", rating = "25V" }"#,
            ("R1", "100k"),
            Code::BypassCorner,
            "C8",
        ),
        (
            "S1 = { switch = \"off\", common = \"ht\", positions = { on = \"chassis\", off = [] } }",
            ("R1", "100k"),
            Code::SwitchShorts,
            "HT",
        ),
        ("", ("R1", "4k7"), Code::AnodeLoad, "R1"),
        (
            r#"C8 = { electrolytic = "10u", positive = "chassis", negative = "k", rating = "25V" }"#,
            ("R1", "100k"),
            Code::Reversed,
            "C8",
        ),
        (
            r#"R8 = { resistor = "22k", between = ["ht", "chassis"], rating = "1W" }"#,
            ("R1", "100k"),
            Code::OverRating,
            "R8",
        ),
        (
            r#"R8 = { resistor = "22k", between = ["ht", "chassis"] }"#,
            ("R1", "100k"),
            Code::RatingNeeded,
            "R8",
        ),
    ] {
        let answer = check(&stages(lines), &[set]);
        let named = of(&answer, code)
            .iter()
            .any(|f| f.parts.iter().any(|p| p == part));
        assert!(named, "{code:?} of {part}: {:#?}", answer.findings);
    }
}

#[test]
fn corners_and_leaks_are_their_closed_forms() {
    let answer = check(&stages(""), &[("C2", "470p")]);
    let corner = of(&answer, Code::CouplingCorner)[0]
        .value
        .expect("a figure");
    // The leak of 470 kΩ and, in series, less than the anode load of 100 kΩ.
    let of_ohms = |ohms: f64| 1.0 / (std::f64::consts::TAU * ohms * 470e-12);
    assert!(
        corner > of_ohms(570e3) && corner < of_ohms(470e3),
        "{corner}"
    );
    // Stopper and leak add: 22 MΩ, whatever the generator.
    let answer = check(&stages(""), &[("R4", "22M")]);
    let ohms = of(&answer, Code::GridLeak)[0].value.expect("a figure");
    // Grid current at rest has a slope of its own, which takes up to a tenth at so many megohms.
    assert!((ohms / 22e6 - 1.0).abs() < 0.1, "{ohms}");
}

#[test]
fn a_reservoir_discharges_as_resistance_and_capacitance_say() {
    let line = "C8 = { electrolytic = \"47u\", positive = \"ht\", negative = \"chassis\", rating = \"450V\", leakage = \"1mA\" }\nR8 = { resistor = \"2M2\", between = [\"ht\", \"chassis\"], rating = \"0.5W\" }";
    let amplifier = read_set(&stages(line), &[]);
    let system = System::of(&amplifier.circuit).expect("it compiles");
    let answer = CheckOf { quick: false }
        .about(&amplifier, &system)
        .expect("it rests");
    let time = of(&answer, Code::StaysCharged)[0]
        .value
        .expect("it discharges");
    // RC ln(250/50); steps of a twentieth of the time passed are read to a part in a hundred, and the
    // coupling capacitors add a share of 0.122/47 of the capacitance at most.
    let exact = 2.2e6 * 47e-6 * 5.0_f64.ln();
    assert!((time / exact - 1.0).abs() < 0.015, "{time} {exact}");
}

#[test]
fn what_high_mains_alone_overloads_is_told_with_its_watts() {
    // 230²/1000 = 52.9 W and 253²/1000 = 64.0 W, where 60 W are allowed.
    let parts = "M1 = { mains = \"230V\", frequency = \"50Hz\", between = [\"l\", \"chassis\"], high = \"253V\", resistance = \"0.1mR\" }
R1 = { resistor = \"1k\", between = [\"l\", \"chassis\"], rating = \"60W\" }
RL = { resistor = \"1k\", between = [\"in\", \"chassis\"] }";
    let amplifier = read_set(&text_of_parts(parts, ("in", "600R"), "RL"), &[]);
    let system = System::of(&amplifier.circuit).expect("it compiles");
    let answer = CheckOf { quick: false }
        .about(&amplifier, &system)
        .expect("it rests");
    let over = of(&answer, Code::OverRating);
    let [finding] = over.as_slice() else {
        panic!("{over:#?}");
    };
    assert_eq!(finding.parts, ["R1"]);
    // The source takes a ten-millionth.
    let watts = finding.value.expect("a figure");
    assert!((watts / 64.009 - 1.0).abs() < 1e-6, "{watts}");
}

#[test]
fn watts_that_are_needed_are_twice_what_is_dissipated() {
    // 20²/1000 = 0.4 W, twice that 0.8 W: of the watts resistors are made for, 1 W.
    let parts = "HT = { supply = \"20V\", positive = \"ht\", negative = \"chassis\" }
R1 = { resistor = \"1k\", between = [\"ht\", \"chassis\"] }
RL = { resistor = \"1k\", between = [\"in\", \"chassis\"], rating = \"1W\" }";
    let answer = check(&text_of_parts(parts, ("in", "600R"), "RL"), &[]);
    let needed = of(&answer, Code::RatingNeeded);
    assert!(
        needed.iter().any(|f| f.what.contains("R1 1.00 W")),
        "{needed:#?}"
    );
}

#[test]
fn a_small_cathode_resistor_is_cathode_bias_too() {
    // 6V6GT: 0.1 MΩ with fixed bias, 0.5 MΩ with cathode bias (its valve file names the sheet). Of a shift 1/(1 + gm·R)
    // is left, much of it with 47 Ω; yet all of the bias is the drop of that resistor.
    let stage = |bias: &str| {
        let parts = format!(
            r#"HT = {{ supply = "100V", positive = "ht", negative = "chassis" }}
V1 = {{ valve = "6V6GT", anode = "ht", screen = "ht", grid = "g", cathode = "k" }}
RG = {{ resistor = "300k", between = ["g", "c"], rating = "1W" }}
{bias}
RL = {{ resistor = "1k", between = ["in", "chassis"], rating = "1W" }}"#
        );
        check(&text_of_parts(&parts, ("in", "600R"), "RL"), &[])
    };
    let cathode = "RK = { resistor = \"47R\", between = [\"k\", \"chassis\"], rating = \"5W\" }
RC = { resistor = \"1R\", between = [\"c\", \"chassis\"], rating = \"5W\" }";
    let fixed = "RK = { resistor = \"1R\", between = [\"k\", \"chassis\"], rating = \"5W\" }
BIAS = { supply = \"2V\", positive = \"chassis\", negative = \"c\" }";
    assert!(of(&stage(cathode), Code::GridLeak).is_empty());
    let answer = stage(fixed);
    let over = of(&answer, Code::GridLeak);
    assert_eq!(over.len(), 1, "{:#?}", answer.findings);
    assert_eq!(over[0].limit, Some(100e3));
}

#[test]
fn volts_the_wrong_way_round_while_valves_are_cold_are_told() {
    // Until V1 conducts its cathode is at the chassis, and the divider 10k/(240k + 10k) of 180 V √2 holds the other end of
    // C1 at 10.2 V, at the 198 V to be reckoned with at 11.2 V: that is across C1 the wrong way round. Later the cathode follows the grid, at a hundred and more.
    let parts = r#"M1 = { mains = "180V", frequency = "50Hz", between = ["l", "chassis"], resistance = "1R" }
D1 = { diode = "silicon", anode = "l", cathode = "ht" }
C8 = { electrolytic = "47u", positive = "ht", negative = "chassis", rating = "450V", leakage = "10uA" }
V1 = { valve = "6J5", anode = "ht", grid = "g", cathode = "k" }
R1 = { resistor = "100k", between = ["ht", "g"], rating = "1W" }
R2 = { resistor = "100k", between = ["g", "chassis"], rating = "1W" }
R3 = { resistor = "22k", between = ["k", "chassis"], rating = "2W" }
R4 = { resistor = "240k", between = ["ht", "d"], rating = "1W" }
R5 = { resistor = "10k", between = ["d", "chassis"], rating = "1W" }
C1 = { electrolytic = "1u", positive = "k", negative = "d", rating = "250V", leakage = "1uA" }
C2 = { capacitor = "1u", between = ["k", "out"], rating = "400V" }
RL = { resistor = "47k", between = ["out", "chassis"], rating = "1W" }"#;
    let amplifier = read_set(&text_of_parts(parts, ("g", "600k"), "RL"), &[]);
    let system = System::of(&amplifier.circuit).expect("it compiles");
    let answer = CheckOf { quick: false }
        .about(&amplifier, &system)
        .expect("it rests");
    let reversed = of(&answer, Code::Reversed);
    assert_eq!(reversed.len(), 1, "{:#?}", answer.findings);
    assert_eq!(reversed[0].parts, ["C1"]);
    let volts = reversed[0].value.expect("a figure");
    // Drop of the silicon, ripple, and the leakage of C1.
    assert!((volts / 11.20 - 1.0).abs() < 0.02, "{volts}");
}
