//! `switch-on` as its user meets it.

use std::path::Path;
use std::process::{Command, Output};

/// A rectifier valve that is warm before its load, and a reservoir for less than the winding's peak.
const SUPPLY: &str = r#"
[amplifier]
title = "Supply to switch on"
source = "own design, invented for this test"
[parts]
M1 = { mains = "230V", frequency = "50Hz", between = ["x", "chassis"], resistance = "200R" }
V1 = { valve = "EZ80", anode = "x", cathode = "ht", warm_up = "0.5s" }
C1 = { electrolytic = "16u", positive = "ht", negative = "chassis", rating = "300V" }
V2 = { valve = "6J5", anode = "a", grid = "chassis", cathode = "k", warm_up = "2s" }
R1 = { resistor = "10k", between = ["a", "ht"] }
R2 = { resistor = "1k", between = ["k", "chassis"] }
[bench]
generator = { into = "ht", resistance = "1M" }
load = "R1"
"#;

fn run(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_gridleak"))
        .current_dir(folder)
        .args(arguments)
        .output()
        .expect("the program runs")
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("text")
}

#[test]
fn what_is_over_comes_first_and_the_files_are_written() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let at = folder.path();
    std::fs::write(at.join("amp.toml"), SUPPLY).expect("the folder can be written");
    let words = [
        "switch-on",
        "amp.toml",
        "--silicon",
        "--csv",
        "out.csv",
        "--svg",
        "out.svg",
    ];
    let first = run(at, &words);
    assert!(first.status.success(), "{}", text(&first.stderr));
    let said = text(&first.stdout);
    for words in [
        "Switched on from cold, mains 230 V",
        "The HT, on C1, stays within 1 % of its resting value from",
        // The peak of the mains, 325 V, less what silicon and 200 Ω take of the leakage.
        "C1 with silicon: 32",
    ] {
        assert!(said.contains(words), "{words}\n{said}");
    }
    let over = said.find("OVER THE RATING").expect("C1 is over");
    assert!(over < said.find("Capacitors").expect("a table"));
    let csv = std::fs::read_to_string(at.join("out.csv")).expect("written");
    assert!(csv.starts_with(
        "time [s],C1 least [V],C1 greatest [V],C1 with silicon least [V],C1 with silicon greatest [V]\n0.02,"
    ));
    let svg = std::fs::read_to_string(at.join("out.svg")).expect("written");
    for words in [
        "Supply to switch on, with silicon rectifiers",
        "time, s",
        "dashed: rating",
    ] {
        assert!(svg.contains(words), "`{words}` is not in the picture");
    }
    let again = run(at, &words);
    assert_eq!(again.status.code(), Some(2), "{}", text(&again.stderr));
}

#[test]
fn without_mains_or_rectifier_valve_it_says_so() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let at = folder.path();
    let still = SUPPLY.replace(
        "M1 = { mains = \"230V\", frequency = \"50Hz\", between = [\"x\", \"chassis\"], resistance = \"200R\" }",
        "M1 = { supply = \"230V\", positive = \"x\", negative = \"chassis\" }",
    );
    std::fs::write(at.join("still.toml"), still).expect("the folder can be written");
    let bridge = SUPPLY.replace(
        "V1 = { valve = \"EZ80\", anode = \"x\", cathode = \"ht\", warm_up = \"0.5s\" }",
        "V1 = { diode = \"silicon\", anode = \"x\", cathode = \"ht\" }",
    );
    std::fs::write(at.join("bridge.toml"), bridge).expect("the folder can be written");
    for (words, id) in [
        (&["switch-on", "still.toml"][..], "error[no-mains]"),
        (
            &["switch-on", "bridge.toml", "--silicon"],
            "error[no-rectifier-valve]",
        ),
    ] {
        let found = run(at, words);
        assert_eq!(found.status.code(), Some(1));
        let said = text(&found.stderr);
        assert!(said.contains(id) && said.contains("help:") && found.stdout.is_empty());
    }
    let hot = run(at, &["switch-on", "bridge.toml", "--hot"]);
    assert!(text(&hot.stdout).contains("valves hot"));
}
