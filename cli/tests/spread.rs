//! `spread` as its user meets it.

mod bench;

use bench::{Bench, example, stderr};

/// Two resistors and a supply: everything about it is known in closed form.
const DIVIDER: &str = r#"[amplifier]
title  = "Divider"
source = "own design, invented for this test"
[parts]
HT = { supply = "300V", positive = "ht", negative = "chassis" }
R1 = { resistor = "10k", between = ["ht", "a"], tolerance = "1%" }
R2 = { resistor = "20k", between = ["a", "chassis"], tolerance = "1%" }
RL = { resistor = "1k", between = ["in", "chassis"] }
[bench]
generator = { into = "in", resistance = "600R" }
load = "RL"
"#;

fn divider() -> Bench {
    Bench::with(&[("amp.toml", DIVIDER)])
}

#[test]
fn a_divider_is_told_to_the_letter() {
    // Corners 300·2·0.99/(1.01 + 1.98) = 198.66 V and 300·1.98/…; first order ±1.333 V. u = 0.01/√3 of 66.7 V, each
    // resistor the same: 0.385 V each, 0.544 V together.
    let text = divider().answer(&[
        "spread",
        "amp.toml",
        "--of",
        "volts at a",
        "--mains",
        "0%",
        "--samples",
        "400",
    ]);
    assert_eq!(text, EXPECTED, "{text}");
}

/// What was worked out above, and what these 400 make of it.
const EXPECTED: &str = "\
Divider
Source: own design, invented for this test

volts at a: 200.00 V as drawn; nine of ten amplifiers between 199.17 V and 200.86 V.

Conditions: 400 amplifiers drawn, seed 1; 2 values, each anywhere within its tolerance alike (rectangular),
  independent of the others; resistances ±10 %, capacitances ±20 %, inductances ±20 % where the file says nothing;
  valves ±10 % in current and gm, ±5 % in mu, each section by itself; supplies as in the file; load as in the file.

Distribution, and the standard error that so many samples leave (-: too few to tell)
  figure         drawn      mean       sd     2.5 %       5 %      50 %      95 %    97.5 %     least  greatest
  volts at a  200.00 V  200.03 V   510 mV  199.07 V  199.17 V  200.04 V  200.86 V  201.00 V  198.74 V  201.26 V
    ±                    25.5 mV  15.3 mV   83.6 mV   36.3 mV   36.2 mV   28.4 mV   69.0 mV

Worst case, every value at the end of its tolerance
  figure        lowest  first order   highest  first order  samples beyond
  volts at a  198.66 V     198.67 V  201.33 V     201.33 V               0
  Corners of first order, solved in full, each value then tried elsewhere from there; the worst where the
  figure goes one way in every value.

What spreads volts at a: shares of the variance, first-order; u is half the tolerance band over √3
  part  value          low    high   share  by one u
  R2    resistance  -1.0 %  +1.0 %  50.0 %   +385 mV
  R1    resistance  -1.0 %  +1.0 %  50.0 %   -385 mV

";

#[test]
fn one_seed_is_one_answer_for_any_number_of_threads() {
    let bench = divider();
    let file = example("02_hall_2a3_push_pull");
    let ask = |threads: &str, seed: &str| {
        let arguments = ["spread", &file, "--samples", "60", "--json", "--seed", seed];
        let run = bench
            .command(&arguments)
            .env("RAYON_NUM_THREADS", threads)
            .output();
        run.expect("the program runs").stdout
    };
    let one = ask("1", "5");
    assert!(one.len() > 1000);
    assert_eq!(one, ask("2", "5"));
    assert_ne!(one, ask("2", "6"));
}

#[test]
fn a_picture_shows_every_figure_with_its_conditions() {
    let bench = divider();
    let file = example("02_hall_2a3_push_pull");
    bench.answer(&["spread", &file, "--samples", "60", "--svg", "spread.svg"]);
    let svg = std::fs::read_to_string(bench.path("spread.svg")).expect("it was drawn");
    for words in [
        "V3 anode current, mA",
        "balance V3 V4, %",
        "60 amplifiers drawn, seed 1",
        "supplies -5 to +5 % together",
        "worst corners",
        "limit",
    ] {
        assert!(svg.contains(words), "{words}");
    }
    let run = bench.run(&["spread", &file, "--samples", "60", "--svg", "spread.svg"]);
    assert!(stderr(&run).contains("spread.svg cannot be written: it exists already"));
}

#[test]
fn a_figure_that_some_amplifiers_have_not_is_told() {
    // So much feedback that it depends on the parts whether the amplifier oscillates.
    let file = example("03_el84_push_pull_feedback");
    let text = divider().answer(&[
        "spread",
        &file,
        "--set",
        "R16=820R",
        "--of",
        "V3 anode current",
        "--samples",
        "60",
    ]);
    assert!(text.contains("MISSING in "), "{text}");
    assert!(text.contains(" do not stay at rest"), "{text}");
}

#[test]
fn questions_that_make_no_sense_are_refused_in_words() {
    let bench = divider();
    let figures = [
        "--of",
        "loudness",
        "--of",
        "R7 watts",
        "--of",
        "volts at b",
        "--of",
        "R1 anode watts",
    ];
    let run = bench.run(&[&["spread", "amp.toml"], &figures[..]].concat());
    assert_eq!(run.status.code(), Some(2));
    let told = stderr(&run);
    let errors: Vec<&str> = told.lines().filter(|l| l.starts_with("error")).collect();
    assert_eq!(
        errors,
        [
            "error[bad-value]: no figure is called `loudness`",
            "error[unknown-part]: no part `R7`",
            "error[unknown-node]: no node `b`",
            "error[cannot-ask]: R1 is a resistor, which has no anode watts",
        ]
    );
    let volts = ["--of", "volts at a"];
    let form = "write LOW..HIGH with units, e.g. 40mA..60mA, or one end: ..60mA";
    for (arguments, error, help) in [
        (
            &["--samples", "1"][..],
            "error[out-of-bounds]: --samples 1 makes no sense",
            "write 2 to 100000",
        ),
        (
            &["--samples", "10000000"],
            "error[out-of-bounds]: --samples 10000000 makes no sense",
            "write 2 to 100000",
        ),
        (
            &["--tolerance", "120%"],
            "error[out-of-bounds]: --tolerance 120% leaves nothing",
            "write less than 100 %",
        ),
        (
            &["--limits", "40"],
            "error[bad-value]: --limits 40 is not LOW..HIGH",
            form,
        ),
        (
            &["--limits", "40V..30V"],
            "error[bad-value]: --limits 40V..30V leaves nothing",
            form,
        ),
        (
            &["--of", "R1 watts", "--limits", "40V..50V"],
            "error[cannot-ask]: --limits are those of one figure",
            "name one with --of",
        ),
    ] {
        let run = bench.run(&[&["spread", "amp.toml"], &volts[..], arguments].concat());
        assert_eq!(run.status.code(), Some(2), "{arguments:?}");
        assert_eq!(stderr(&run), format!("{error}\n  help: {help}\n\n"));
    }
    let run = bench.run(&["spread", "amp.toml"]);
    assert_eq!(
        stderr(&run),
        "error[cannot-ask]: the amplifier has no valve to look at\n  help: name a figure: --of \"volts at a\", say\n\n"
    );
    // The file of the divider states its tolerances; without them nothing is left to vary.
    let plain = DIVIDER.replace(", tolerance = \"1%\"", "");
    std::fs::write(bench.path("amp.toml"), plain).expect("the folder can be written");
    let run = bench.run(&[
        "spread",
        "amp.toml",
        "--tolerance",
        "0%",
        "--mains",
        "0%",
        "--of",
        "volts at a",
    ]);
    assert_eq!(run.status.code(), Some(2));
    assert_eq!(
        stderr(&run),
        "error[cannot-ask]: every tolerance is zero: all amplifiers are as drawn\n  help: leave one of the tolerances above zero\n\n"
    );
}
