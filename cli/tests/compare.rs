//! `compare` against the single commands: the same figures to the last digit, of both files.

use std::path::Path;
use std::process::{Command, Output};

use serde_json::Value;

const BASE: &str = "examples/02_hall_2a3_push_pull/amplifier.toml";
const REWORK: &str = "examples/05_hall_2a3_to_6l6/amplifier.toml";

fn run(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_gridleak"))
        .current_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join(".."))
        .args(arguments)
        .output()
        .expect("the program runs")
}

fn answer(arguments: &[&str]) -> Value {
    let output = run(&[arguments, &["--json"]].concat());
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let document: Value = serde_json::from_slice(&output.stdout).expect("JSON");
    document["answer"].clone()
}

/// Figures of one file by the single commands, under the names of `compare`.
fn single(file: &str) -> Vec<(String, f64)> {
    let mut figures: Vec<(String, Value)> = Vec::new();
    let rest = answer(&["voltages", file]);
    for valve in rest["valves"].as_array().expect("valves") {
        let part = valve["part"].as_str().expect("a designator");
        figures.push((
            format!("{part} anode volts"),
            valve["v_ak"]["value"].clone(),
        ));
        figures.push((format!("{part} grid volts"), valve["v_gk"].clone()));
        figures.push((format!("{part} anode current"), valve["i_a"].clone()));
        figures.push((format!("{part} anode watts"), valve["p_a"]["value"].clone()));
        if !valve["p_s"].is_null() {
            figures.push((
                format!("{part} screen watts"),
                valve["p_s"]["value"].clone(),
            ));
        }
    }
    let power = answer(&["power", file]);
    let harmonics = ["second", "third", "fourth", "fifth"];
    for (at, level) in [
        ("at 1 W", &power["one_watt"]),
        ("at limit", &power["rated"]),
    ] {
        figures.push((format!("THD {at}"), level["thd"].clone()));
        for (k, ordinal) in harmonics.iter().enumerate() {
            figures.push((
                format!("{ordinal} harmonic {at}"),
                level["harmonics"][k].clone(),
            ));
        }
    }
    figures.push(("power".to_owned(), power["rated"]["power"].clone()));
    figures.push((
        "sensitivity".to_owned(),
        power["rated"]["drive_rms"].clone(),
    ));
    let response = &answer(&["response", file])["curves"][0];
    let falls = response["falls"].as_array().expect("limits");
    let band = falls.last().expect("3 dB");
    figures.push(("gain".to_owned(), response["gain"].clone()));
    figures.push(("bass limit".to_owned(), band["lower"].clone()));
    figures.push(("treble limit".to_owned(), band["upper"].clone()));
    let impedance = answer(&["impedance", file]);
    let at = &impedance["at_test"];
    figures.push((
        "output impedance".to_owned(),
        at["output"]["magnitude"].clone(),
    ));
    figures.push(("damping factor".to_owned(), at["damping"].clone()));
    figures
        .into_iter()
        .map(|(name, value)| {
            let value = value.as_f64();
            (
                name.clone(),
                value.unwrap_or_else(|| panic!("{file}: {name}")),
            )
        })
        .collect()
}

#[test]
fn the_figures_are_those_of_the_single_commands() {
    let compared = answer(&["compare", BASE, REWORK]);
    let rows = compared["figures"].as_array().expect("rows");
    for (k, file) in [BASE, REWORK].into_iter().enumerate() {
        let figures = single(file);
        assert!(figures.len() > 35, "{}", figures.len());
        for (name, value) in figures {
            let row = rows
                .iter()
                .find(|row| row["figure"] == name.as_str())
                .unwrap_or_else(|| panic!("{name} is not compared"));
            let ours = row["values"][k].as_f64().expect("a figure");
            assert_eq!(
                ours.to_bits(),
                value.to_bits(),
                "{file}: {name} {ours} {value}"
            );
        }
    }
    // The sheets' heaters: two 6SN7GT of 0.6 A, two 2A3 of 2.5 A and two 6L6GC of 0.9 A.
    let heaters = |figure: &str| {
        let row = rows.iter().find(|row| row["figure"] == figure);
        let values = row.unwrap_or_else(|| panic!("{figure}"))["values"].clone();
        [0, 1].map(|k| values[k].as_f64())
    };
    let near = |found: Option<f64>, wanted: f64| {
        assert!(
            (found.expect("a current") - wanted).abs() < 1e-9,
            "{found:?}"
        );
    };
    let [first, second] = heaters("heater current, 6.3 V, not drawn");
    near(first, 1.2);
    near(second, 3.0);
    let [first, second] = heaters("heater current, 2.5 V, not drawn");
    near(first, 5.0);
    assert_eq!(second, None);
    let kinds: Vec<String> = compared["files"][1]["changes"]
        .as_array()
        .expect("changes")
        .iter()
        .map(|change| format!("{} {}", change["part"], change["kind"]).replace('"', ""))
        .collect();
    assert_eq!(
        kinds,
        [
            "V3 rewired",
            "V4 rewired",
            "R13 value",
            "R14 added",
            "R15 added",
            "R16 added"
        ]
    );
}

#[test]
fn what_was_written_is_what_was_asked() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = |name: &str| folder.path().join(name).display().to_string();
    let (csv, svg) = (path("a.csv"), path("a.svg"));
    let run = run(&["compare", BASE, REWORK, BASE, "--csv", &csv, "--svg", &svg]);
    assert!(run.status.success());
    let text = String::from_utf8(run.stdout).expect("text");
    assert!(text.contains("C has the parts of A."), "{text}");
    let sheet = std::fs::read_to_string(csv).expect("it was written");
    assert!(sheet.lines().count() > 40 && sheet.contains("Power and distortion,\"power\",W,"));
    let picture = std::fs::read_to_string(svg).expect("it was written");
    assert!(picture.contains("6L6GC as triodes") && picture.contains("gain, dB"));
}
