//! What must not change an amplifier does not: other names, another order, a resistor in two halves, parts that do
//! nothing; and time that runs ten times faster changes frequencies alone. On amplifiers composed by lot and on the
//! examples; any number by `cargo run --release -p checks --example random -- amplifiers 300 SEED`.

use checks::examples::EXAMPLES;
use checks::random::same::{STILL, drawn, faster, figures_of, judge, judge_driven, same};

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
}
