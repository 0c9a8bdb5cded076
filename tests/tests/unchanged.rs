//! What must not change an amplifier does not: other names, another order, a resistor in two halves, parts that do
//! nothing; and time that runs ten times faster changes frequencies alone. On amplifiers composed by lot and on the
//! examples; any number by `cargo run --release -p checks --example random -- amplifiers 300 SEED`.

use checks::examples::EXAMPLES;
use checks::random::same::{Figures, STILL, drawn, faster, figures_of, judge, judge_driven, same};
use sim::grown::Grown;
use sim::stability::Growing;

/// Any; another finds others.
const SEED: u64 = 21;

#[test]
fn composed_amplifiers_stay_what_they_are() {
    let mut found = Vec::new();
    for number in 0..16 {
        let (amplifier, mut dice) = drawn(SEED, number);
        match judge(&amplifier, &mut dice) {
            Ok(how) => found.push(how),
            Err(wrong) => panic!("amplifiers {number} {SEED}: {wrong}\n{}", amplifier.text()),
        }
    }
    let count = |how: &str| found.iter().filter(|found| **found == how).count();
    // Both verdicts are put to the test.
    assert!(count("stable") > 6 && count("unstable") > 0, "{found:?}");
}

#[test]
fn their_distortion_does_not_hang_on_the_grid() {
    for number in 0..4 {
        let (amplifier, _) = drawn(SEED, number);
        if let Err(wrong) = judge_driven(&amplifier) {
            panic!("amplifiers {number} {SEED}: {wrong}\n{}", amplifier.text());
        }
    }
}

/// Parts that do nothing in any drawing with a node called ht1 or ht.
const IDLE: [&str; 3] = [
    "RI = { resistor = \"10k\", between = [\"i1\", \"i2\"] }\nCI = { capacitor = \"1u\", between = [\"i1\", \"i2\"] }",
    "SI = { switch = \"off\", common = \"chassis\", positions = { on = \"i3\", off = [] } }\nCI = { capacitor = \"10u\", between = [\"i3\", \"chassis\"] }",
    "RI = { resistor = \"1000000M\", between = [\"in\", \"i4\"] }\nCI = { capacitor = \"1n\", between = [\"i4\", \"chassis\"] }",
];

#[test]
fn idle_parts_do_nothing_to_the_examples() {
    for example in EXAMPLES {
        // The third with so much feedback that it oscillates, too.
        let texts = [
            example.text(),
            example
                .text()
                .replace("R16 = { resistor = \"2k2\"", "R16 = { resistor = \"470R\""),
        ];
        for text in texts {
            let plain = figures_of(&text).expect("it rests");
            for idle in IDLE {
                let more = text.replacen("[parts]\n", &format!("[parts]\n{idle}\n"), 1);
                let found = figures_of(&more).expect("it rests");
                if let Err(wrong) = same(&plain, &found, STILL) {
                    panic!("{}, {idle}: {wrong}", example.name);
                }
            }
            let found = faster(&text, 10.0).expect("it rests");
            if let Err(wrong) = same(&plain, &found, STILL) {
                panic!("{}, ten times faster: {wrong}", example.name);
            }
        }
    }
}

#[test]
fn what_does_change_something_is_seen() {
    // A thousandth of the feedback resistor, a picofarad at a grid, and time that runs faster in the drawing alone.
    let example = EXAMPLES[2];
    let text = example.text();
    let plain = figures_of(&text).expect("it rests");
    for (old, new) in [
        (
            "R16 = { resistor = \"2k2\"",
            "R16 = { resistor = \"2.2022k\"",
        ),
        (
            "C6  = { capacitor = \"470p\"",
            "C6  = { capacitor = \"471p\"",
        ),
        ("R14 = { resistor = \"100R\"", "R14 = { resistor = \"101R\""),
    ] {
        let changed = text.replace(old, new);
        assert_ne!(changed, text, "{old}");
        let found = figures_of(&changed).expect("it rests");
        assert!(same(&plain, &found, STILL).is_err(), "{new}");
    }
    let mut slower = faster(&text, 10.0).expect("it rests");
    slower.gains.rotate_left(1);
    assert!(same(&plain, &slower, STILL).is_err());
    // What runs away as fast and comes back unevenly, between these, Hz.
    let between = |lowest: f64, highest: f64| {
        let grown = Grown {
            frequency: None,
            settles: false,
            between: Some([lowest, highest].into()),
            bursts: None,
            without_bursts: false,
        };
        let growing = Growing {
            frequency: 0.0,
            rate: 40.0,
            grown: Some(grown),
        };
        Figures {
            growing: Some(growing),
            ..plain.clone()
        }
    };
    let seen = between(6.0, 12.0);
    assert!(same(&seen, &between(11.0, 20.0), STILL).is_ok());
    assert!(same(&seen, &between(30.0, 60.0), STILL).is_err());
    assert!(same(&seen, &between(1.0, 3.0), STILL).is_err());
}

/// Two like triodes, each holding the grid of the other: either may conduct, and the other is cut off.
const EITHER: &str = r#"
[amplifier]
title = "One of two"
source = "own"
[parts]
HT  = { supply = "250V", positive = "ht", negative = "chassis" }
B   = { supply = "100V", positive = "chassis", negative = "b" }
V1a = { valve = "ECC82", envelope = "V1", anode = "a1", grid = "g1", cathode = "chassis" }
V1b = { valve = "ECC82", envelope = "V1", anode = "a2", grid = "g2", cathode = "chassis" }
R1  = { resistor = "47k", between = ["ht", "a1"] }
R2  = { resistor = "47k", between = ["ht", "a2"] }
R3  = { resistor = "470k", between = ["a1", "g2"] }
R4  = { resistor = "470k", between = ["a2", "g1"] }
R5  = { resistor = "220k", between = ["g1", "b"] }
R6  = { resistor = "220k", between = ["g2", "b"] }
R7  = { resistor = "1M", between = ["start", "g1"] }
VS  = { supply = "20V", positive = "start", negative = "chassis" }
R8  = { resistor = "1M", between = ["stop", "g2"] }
VE  = { supply = "20V", positive = "chassis", negative = "stop" }
C1  = { capacitor = "0.1u", between = ["in", "g1"] }
R9  = { resistor = "1M", between = ["in", "chassis"] }
RL  = { resistor = "1M", between = ["a1", "chassis"] }
RM  = { resistor = "1M", between = ["a2", "chassis"] }
[bench]
generator = { into = "in", resistance = "600R" }
load      = "RL"
"#;

#[test]
fn a_mirrored_rest_is_one_too_and_another_is_not() {
    let plain = figures_of(EITHER).expect("it rests");
    let other = EITHER
        .replace(r#"["start", "g1"]"#, r#"["start", "g2"]"#)
        .replace(r#"["stop", "g2"]"#, r#"["stop", "g1"]"#);
    let exchanged = figures_of(&other).expect("it rests");
    let volts = |name: &str, of: &checks::random::same::Figures| {
        let found = of.volts.iter().find(|(node, _)| node == name);
        found.expect("it is there").1
    };
    assert!(volts("a1", &plain) + 50.0 < volts("a2", &plain));
    assert!(volts("a2", &exchanged) + 50.0 < volts("a1", &exchanged));
    same(&plain, &exchanged, STILL).expect("halves that are alike have changed places");
    let (mut off, by) = (exchanged, 1e-3);
    for (name, volts) in &mut off.volts {
        if name == "a1" {
            *volts += by;
        }
    }
    assert!(same(&plain, &off, STILL).is_err());
}
