//! `compare` against the single commands: the same figures to the last digit, of both files.

use serde_json::Value;

mod bench;

use bench::in_repository;

const BASE: &str = "examples/02_hall_2a3_push_pull/amplifier.toml";
const REWORK: &str = "examples/05_hall_2a3_to_6l6/amplifier.toml";

fn answer(arguments: &[&str]) -> Value {
    let output = in_repository(&[arguments, &["--json"]].concat());
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
    if file == BASE {
        // Of one file: `distortion` measures much besides.
        let distortion = answer(&["distortion", file, "--frequencies", "1kHz"]);
        figures.push((
            "this power down to".to_owned(),
            distortion["bass_limits"][0]["frequency"].clone(),
        ));
    }
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
            "R10 value",
            "R11 value",
            "V3 rewired",
            "V4 rewired",
            "R13 value",
            "R14 added",
            "R15 added",
            "R16 added"
        ]
    );
}

/// One triode with its heater and a hum pot on a winding made for 1 A; the HT is ideal.
const HEATED: &str = r#"
[amplifier]
title  = "One triode, its heater on the mains"
source = "made up for this check"
[parts]
M1  = { mains = "230V", frequency = "50Hz", between = ["l", "n"], resistance = "1R" }
T2  = { mains_transformer = "230V", primary = ["l", "n"], secondaries = [ { volts = "6.3V", nodes = ["h1", "h2"], current = "1A" } ], regulation = "8%", primary_resistance = "60R", magnetising_current = "20mA", core_loss = "2W at 230V", leakage_inductance = "40mH", saturates = "300V", frequency = "50Hz" }
VR1 = { pot = "100R", ends = ["h1", "h2"], wiper = "chassis", setting = "50%" }
V1  = { valve = "6J5", anode = "a", grid = "in", cathode = "k", heater = ["h1", "h2"] }
R1  = { resistor = "47k", between = ["a", "ht"] }
R2  = { resistor = "1k5", between = ["k", "chassis"] }
R3  = { resistor = "470k", between = ["in", "chassis"] }
C1  = { capacitor = "1u", between = ["a", "out"] }
R4  = { resistor = "100k", between = ["out", "chassis"] }
HT  = { supply = "250V", positive = "ht", negative = "chassis" }
[bench]
generator = { into = "in", resistance = "600R" }
load      = "R4"
frequency = "1kHz"
"#;

#[test]
fn a_heater_winding_is_told_its_load() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let file = folder.path().join("heated.toml").display().to_string();
    std::fs::write(&file, HEATED).expect("it can be written");
    let compared = answer(&["compare", &file, &file]);
    let figure = |name: &str, of: &str| {
        let rows = compared["figures"].as_array().expect("rows");
        let row = rows.iter().find(|row| row["figure"] == name);
        row.unwrap_or_else(|| panic!("{name}"))[of][0].as_f64()
    };
    let rest = answer(&["voltages", &file]);
    let volts = rest["heaters"][0]["volts"].as_f64().expect("volts");
    let windings = rest["windings"].as_array().expect("windings");
    let winding = windings.iter().find(|at| at["current"]["limit"] == 1.0);
    let amps = winding.expect("the winding of 1 A")["current"]["value"].as_f64();
    let load = figure("load of the winding, h1-h2", "values").expect("a figure");
    assert_eq!(load.to_bits(), (volts * amps.expect("amperes")).to_bits());
    assert_eq!(figure("load of the winding, h1-h2", "limits"), Some(volts));
    // The heater of 6.3 V and 0.3 A beside the pot; 20 MΩ and 10 pF to the cathode are a millionth of it. Settled to
    // 1e-6 of the swing, the rms of 256 samples or more.
    let exact = volts * volts * (0.3 / 6.3 + 1.0 / 100.0);
    assert!((load / exact - 1.0).abs() < 1e-4, "{load} for {exact}");
}

#[test]
fn what_was_written_is_what_was_asked() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = |name: &str| folder.path().join(name).display().to_string();
    let (csv, svg) = (path("a.csv"), path("a.svg"));
    let run = in_repository(&["compare", BASE, REWORK, BASE, "--csv", &csv, "--svg", &svg]);
    assert!(run.status.success());
    let text = String::from_utf8(run.stdout).expect("text");
    assert!(text.contains("C has the parts of A."), "{text}");
    let sheet = std::fs::read_to_string(csv).expect("it was written");
    assert!(sheet.lines().count() > 40 && sheet.contains("Power and distortion,\"power\",W,"));
    let picture = std::fs::read_to_string(svg).expect("it was written");
    assert!(picture.contains("6L6GC as triodes") && picture.contains("gain, dB"));
}
