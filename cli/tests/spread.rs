//! `spread` as its user meets it.

use std::path::PathBuf;
use std::process::{Command, Output};

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

struct Bench {
    folder: tempfile::TempDir,
}

impl Bench {
    fn new() -> Self {
        let folder = tempfile::tempdir().expect("a temporary folder");
        std::fs::write(folder.path().join("amp.toml"), DIVIDER).expect("the folder can be written");
        Self { folder }
    }

    fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_gridleak"));
        command.current_dir(self.folder.path()).args(arguments);
        command
    }

    fn run(&self, arguments: &[&str]) -> Output {
        self.command(arguments).output().expect("the program runs")
    }

    fn answer(&self, arguments: &[&str]) -> String {
        let run = self.run(arguments);
        assert_eq!(run.status.code(), Some(0), "{}", stderr(&run));
        String::from_utf8(run.stdout).expect("text")
    }
}

fn stderr(run: &Output) -> String {
    String::from_utf8_lossy(&run.stderr).into_owned()
}

fn example(name: &str) -> String {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../examples");
    let path = path.join(name).join("amplifier.toml");
    path.to_str().expect("a plain path").to_owned()
}

#[test]
fn a_divider_is_told_to_the_letter() {
    // Corners 300·2·0.99/(1.01 + 1.98) = 198.66 V and 300·1.98/…; first order ±1.333 V. u = 0.01/√3 of 66.7 V, each
    // resistor the same: 0.385 V each, 0.544 V together.
    let text = Bench::new().answer(&[
        "spread",
        "amp.toml",
        "--of",
        "volts at a",
        "--mains",
        "0%",
        "--samples",
        "400",
    ]);
    let expected = EXPECTED;
    assert_eq!(text, expected, "{text}");
}

const EXPECTED: &str = "";

#[test]
fn one_seed_is_one_answer_for_any_number_of_threads() {
    let bench = Bench::new();
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
    let bench = Bench::new();
    let file = example("02_hall_2a3_push_pull");
    bench.answer(&["spread", &file, "--samples", "60", "--svg", "spread.svg"]);
    let svg =
        std::fs::read_to_string(bench.folder.path().join("spread.svg")).expect("it was drawn");
    for words in [
        "V3 anode current, mA",
        "balance V3 V4, %",
        "60 amplifiers drawn, seed 1",
        "supplies -5 to +5 %",
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
    let text = Bench::new().answer(&[
        "spread",
        &file,
        "--set",
        "R16=1k",
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
    let bench = Bench::new();
    let nothing = [
        "--tolerance",
        "0%",
        "--mains",
        "0%",
        "--of",
        "volts at a",
        "--set",
        "R1=10k",
        "--set",
        "R2=20k",
    ];
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
    for (arguments, told) in [
        (&figures[..], REFUSED[0]),
        (&["--samples", "1", "--of", "volts at a"], REFUSED[1]),
        (&["--of", "volts at a", "--tolerance", "120%"], REFUSED[2]),
        (&["--of", "volts at a", "--limits", "40"], REFUSED[3]),
        (&["--of", "volts at a", "--limits", "40V..30V"], REFUSED[4]),
        (
            &[
                "--of",
                "volts at a",
                "--of",
                "R1 watts",
                "--limits",
                "40V..50V",
            ],
            REFUSED[5],
        ),
        (&["--samples", "50"], REFUSED[6]),
    ] {
        let run = bench.run(&[&["spread", "amp.toml"], arguments].concat());
        assert_eq!(run.status.code(), Some(2), "{arguments:?}");
        assert_eq!(stderr(&run), told, "{arguments:?}");
    }
    // The file of the divider states its tolerances; without them nothing is left to vary.
    let plain = DIVIDER.replace(", tolerance = \"1%\"", "");
    std::fs::write(bench.folder.path().join("amp.toml"), plain).expect("the folder can be written");
    let run = bench.run(&[&["spread", "amp.toml"], &nothing[..6]].concat());
    assert_eq!(run.status.code(), Some(2));
    assert_eq!(stderr(&run), REFUSED[7]);
}

const REFUSED: [&str; 8] = ["", "", "", "", "", "", "", ""];
