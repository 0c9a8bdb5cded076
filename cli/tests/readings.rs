//! `readings` and `choose` as their user meets them.

use std::path::Path;

mod bench;

use bench::{Bench, stderr};

/// 170 V behind 68 kΩ, as two resistors make it.
const DIVIDER: &str = r#"[amplifier]
title  = "Divider"
source = "own design, invented for this test"
[parts]
HT = { supply = "340V", positive = "ht", negative = "chassis" }
R1 = { resistor = "136k", between = ["ht", "a"], tolerance = "5%" }
R2 = { resistor = "136k", between = ["a", "chassis"] }
C1 = { capacitor = "2u", between = ["a", "chassis"] }
RL = { resistor = "1k", between = ["in", "chassis"] }
[bench]
generator = { into = "in", resistance = "600R" }
load = "RL"
"#;

fn divider(readings: &str) -> Bench {
    Bench::with(&[("amp.toml", DIVIDER), ("taken.csv", readings)])
}

#[test]
fn three_meters_show_what_ohms_law_says() {
    // V·R_m/(R_m + R_s) of 170 V behind 68 kΩ, three figures: the whole answer to the letter.
    let bench = divider("");
    let text = bench.answer(&[
        "readings",
        "amp.toml",
        "--meter",
        "500 ohms per volt",
        "--meter",
        "1000 ohms per volt",
        "--meter",
        "20k/V",
        "--meter",
        "10M",
        "--csv",
        "chart.csv",
    ]);
    let rows: Vec<Vec<&str>> = text
        .lines()
        .map(|line| {
            line.split("  ")
                .map(str::trim)
                .filter(|c| !c.is_empty())
                .collect()
        })
        .collect();
    let row = |name: &str| {
        rows.iter()
            .find(|row| row.first() == Some(&name))
            .expect(name)
    };
    assert_eq!(
        row("a"),
        &[
            "a", "a", "170 V", "12.7 V", "21.1 V", "68.0 kΩ", "110 V", "250 V", "134 V", "250 V",
            "168 V", "250 V", "169 V"
        ]
    );
    let csv = std::fs::read_to_string(bench.path("chart.csv")).expect("it was written");
    let line = csv
        .lines()
        .find(|line| line.starts_with("a,a,"))
        .expect("the point");
    let shown: f64 = line
        .split(',')
        .nth(6)
        .and_then(|f| f.parse().ok())
        .expect("volts");
    // The solver's tolerance on such volts
    assert!(
        (shown / (170.0 * 125.0 / 193.0) - 1.0).abs() < 1e-9,
        "{line}"
    );
}

#[test]
fn a_low_reading_points_at_what_makes_it_low() {
    // R1 at double: 340/(1 + 2) = 113 V on a meter that loads next to nothing.
    let bench = divider("a, 113V\nht, 340V\n");
    let text = bench.answer(&[
        "readings",
        "amp.toml",
        "--meter",
        "10M",
        "--taken",
        "taken.csv",
    ]);
    assert!(
        text.contains("1 of 2 readings outside what tolerances can do"),
        "{text}"
    );
    // 340 V over 113 V is 1 + s of R1 at s times its value, and 1 + 1/s of R2: 2.01 and 0.50. The band is what the
    // tolerances make of it.
    let percent = |part: &str| -> f64 {
        let (_, behind) = text
            .split_once(&format!("{part} at "))
            .unwrap_or_else(|| panic!("{part}: {text}"));
        let (percent, behind) = behind.split_once(" % of its value (").expect("a size");
        assert!(behind.starts_with(|c: char| c.is_ascii_digit()), "{behind}");
        percent.parse().expect("a number")
    };
    assert!((percent("R1") / 201.0 - 1.0).abs() < 0.02, "{text}");
    assert!((percent("R2") / 50.0 - 1.0).abs() < 0.03, "{text}");
    assert!(text.contains("not a diagnosis"), "{text}");
    let within = divider("a, 165V\n");
    let text = within.answer(&["readings", "amp.toml", "--taken", "taken.csv"]);
    assert!(
        text.contains(
            "All 1 readings are within their bands: nothing that they can show is wrong."
        ),
        "{text}"
    );
    assert!(!text.contains("Single faults"), "{text}");
    assert!(text.contains("cannot show"), "{text}");
    assert!(text.contains("  open or dried up: C1\n"), "{text}");
}

#[test]
fn every_fault_of_the_readings_is_told_at_once() {
    let bench = divider("b, 113V\na, 113\n");
    let run = bench.run(&["readings", "amp.toml", "--taken", "taken.csv"]);
    assert_eq!(run.status.code(), Some(2));
    let told = stderr(&run);
    assert!(
        told.contains("taken.csv: line 1: no electrode or node `b`"),
        "{told}"
    );
    assert!(
        told.contains("taken.csv: line 2: `113` has no unit"),
        "{told}"
    );
    for arguments in [
        ["--meter", "slow"],
        ["--meter", "1e-308/V"],
        ["--ranges", "10"],
        ["--range", "1e-308V"],
        ["--tolerance", "200%"],
    ] {
        let run = bench.run(&[&["readings", "amp.toml"], &arguments[..]].concat());
        assert_eq!(run.status.code(), Some(2), "{arguments:?}");
    }
}

#[test]
fn a_value_is_chosen_with_its_neighbours() {
    // 340·R/(136 k + R) = 100 V is 56.67 kΩ; twice 100²/56.67 k = 176 mW is under half a watt
    let bench = divider("");
    let text = bench.answer(&[
        "choose",
        "amp.toml",
        "--part",
        "R2",
        "--so-that",
        "volts at a = 100V",
    ]);
    let expected = "\
Divider
Source: own design, invented for this test

R2 = 56.7 kΩ gives volts at a = 100 V.
Now: 136 kΩ, 170 V.
";
    assert!(text.starts_with(expected), "{text}");
    let rest = "
  value    series  volts at a  off target
  56.0 kΩ     E12      99.2 V      -0.8 %
  62.0 kΩ     E24       106 V      +6.5 %
  68.0 kΩ     E12       113 V     +13.3 %
  176 mW dissipated with no signal: 500 mW or more, 2 times that.
";
    let squeezed = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(squeezed(&text).contains(&squeezed(rest)), "{text}");
}

#[test]
fn what_no_value_gives_is_an_answer_of_no() {
    let bench = divider("");
    // 340² / (4 · 136 k) = 212 mW is the most there is.
    let arguments = [
        "choose",
        "amp.toml",
        "--part",
        "R2",
        "--so-that",
        "R2 watts = 0.3W",
    ];
    let run = bench.run(&arguments);
    assert_eq!(run.status.code(), Some(1));
    let text = String::from_utf8(run.stdout.clone()).expect("text");
    assert!(
        text.contains("No value of R2 between 136 Ω and 136 MΩ"),
        "{text}"
    );
    assert!(text.contains("to 212 mW at 13"), "{text}");
    assert!(
        stderr(&run).contains("error[not-reached]"),
        "{}",
        stderr(&run)
    );
    for arguments in [
        ["--part", "R7", "--so-that", "volts at a = 100V"],
        ["--part", "R2", "--so-that", "volts at a = 100"],
        ["--part", "R2", "--so-that", "volts at x = 100V"],
    ] {
        let run = bench.run(&[&["choose", "amp.toml"], &arguments[..]].concat());
        assert_eq!(run.status.code(), Some(2), "{arguments:?}");
    }
}

#[test]
fn power_and_distortion_can_be_asked_for() {
    let example = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../examples/01_single_ended_6v6/amplifier.toml");
    let example = example.to_str().expect("a plain path");
    let bench = divider("");
    for (part, wanted, between, target) in [
        ("HT", "power = 4W", "260V..360V", 4.0),
        ("R5", "THD at 1 W = 4%", "150R..500R", 0.04),
    ] {
        let text = bench.answer(&[
            "choose",
            example,
            "--part",
            part,
            "--so-that",
            wanted,
            "--between",
            between,
            "--json",
            "--svg",
            "curve.svg",
            "--overwrite",
        ]);
        let value: serde_json::Value = serde_json::from_str(&text).expect("JSON");
        let solutions = value["answer"]["solutions"].as_array().expect("a list");
        assert!(!solutions.is_empty(), "{text}");
        for solution in solutions {
            let gives = solution["gives"].as_f64().expect("a figure");
            assert!((gives / target - 1.0).abs() < 1e-3, "{text}");
        }
        let svg = std::fs::read_to_string(bench.path("curve.svg")).expect("it was drawn");
        assert!(svg.contains("</svg>"));
    }
}

/// A stage and its follower, whose heaters have direct current of a rectifier of their own.
const HEATED_BY_DC: &str = r#"[amplifier]
title  = "Stage and follower, heaters on direct current"
source = "own design, invented for this test"
[parts]
M1  = { mains = "230V", frequency = "50Hz", between = ["l", "n"] }
T1  = { mains_transformer = "230V", primary = ["l", "n"], secondaries = [ { volts = "200V", nodes = ["x", "y"], current = "40mA", resistance = "200R" }, { volts = "9V", nodes = ["q1", "q2"], current = "1A" } ] }
D1  = { bridge = "silicon", between = ["x", "y"], positive = "ht0", negative = "chassis" }
C1  = { electrolytic = "47u", positive = "ht0", negative = "chassis", rating = "400V" }
R1  = { resistor = "4k7", between = ["ht0", "ht"], rating = "2W" }
C2  = { electrolytic = "47u", positive = "ht", negative = "chassis", rating = "400V" }
D2  = { bridge = "silicon", between = ["q1", "q2"], positive = "d0", negative = "chassis" }
C3  = { electrolytic = "4700u", positive = "d0", negative = "chassis", rating = "25V" }
R2  = { resistor = "15R", between = ["d0", "hp"], rating = "5W" }
C4  = { electrolytic = "2200u", positive = "hp", negative = "chassis", rating = "16V" }
V1a = { valve = "ECC82", envelope = "V1", anode = "a1", grid = "g", cathode = "k1", heater = ["hp", "chassis", "hp"] }
R3  = { resistor = "33k", between = ["a1", "ht"], rating = "1W" }
R4  = { resistor = "1k2", between = ["k1", "chassis"] }
C5  = { electrolytic = "100u", positive = "k1", negative = "chassis", rating = "16V" }
R5  = { resistor = "470k", between = ["g", "chassis"] }
V1b = { valve = "ECC82", envelope = "V1", anode = "ht", grid = "a1", cathode = "k2" }
R6  = { resistor = "27k", between = ["k2", "chassis"], rating = "2W" }
C6  = { capacitor = "1u", between = ["k2", "out"], rating = "400V" }
R7  = { resistor = "100k", between = ["out", "chassis"] }
[bench]
generator = { into = "g", resistance = "600R" }
load = "R7"
"#;

/// The first single fault that is named, of these readings on that file.
fn named_first(readings: &str) -> String {
    let bench = Bench::with(&[("amp.toml", HEATED_BY_DC), ("taken.txt", readings)]);
    let answer = bench.json(&["readings", "amp.toml", "--taken", "taken.txt", "--json"]);
    let first = &answer["answer"]["verdict"]["explained_by"][0];
    let word = |key: &str| first[key].as_str().unwrap_or("nothing").to_owned();
    format!("{} {}", word("part"), word("fault"))
}

#[test]
fn a_valve_whose_heater_has_no_volts_is_cold() {
    // What `voltages` says with R3 at 72 kΩ, rounded. A short across the heater supply pulls the high tension down as far,
    // but leaves no valve that would conduct.
    let found =
        named_first("V1a anode, 84.2V, 10M\nV1a cathode, 2.91V, 10M\nV1b cathode, 92V, 10M\n");
    assert!(found.starts_with("R3 at 2"), "{found}");
    // Nothing conducts: the anode at the rail, cathodes at nothing.
    let found = named_first(
        "V1a anode, 300V, 10M\nV1a cathode, 0.02V, 10M\nV1b cathode, 0.05V, 10M\nht, 300V, 10M\n",
    );
    let heater = ["C3 short-circuited", "C4 short-circuited", "R2 open"];
    assert!(heater.contains(&found.as_str()), "{found}");
}
