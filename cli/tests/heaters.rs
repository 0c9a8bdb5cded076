//! Heaters, their windings, cathodes and hum pots, as the user meets them.

use serde_json::Value;

mod bench;

use bench::Bench;

/// A stage and its follower in one envelope on the second of two windings of 6.3 V, the rectifier on the first; both
/// windings carry more than they may. The pot across the heater is off its middle.
const TWO_WINDINGS: &str = r#"[amplifier]
title  = "Two windings of one voltage"
source = "own design, invented for this test"
[parts]
M1  = { mains = "230V", frequency = "50Hz", between = ["l", "n"] }
T1  = { mains_transformer = "230V", primary = ["l", "n"], secondaries = [ { volts = "250-0-250V", nodes = ["x", "chassis", "y"], current = "60mA", resistance = "250R" }, { volts = "6.3V", nodes = ["r1", "r2"], current = "0.97A" }, { volts = "6.3V", nodes = ["h1", "h2"], current = "0.5A" } ] }
V2  = { valve = "EZ81", anodes = ["x", "y"], cathode = "ht0", heater = ["r1", "r2"] }
C1  = { electrolytic = "32u", positive = "ht0", negative = "chassis", rating = "450V" }
R1  = { resistor = "4k7", between = ["ht0", "ht"], rating = "5W" }
C2  = { electrolytic = "32u", positive = "ht", negative = "chassis", rating = "450V" }
V1a = { valve = "6SN7GT", envelope = "V1", anode = "a1", grid = "g", cathode = "k1", heater = ["h1", "h2"] }
R2  = { resistor = "68k", between = ["a1", "ht"], rating = "1W" }
R3  = { resistor = "2k2", between = ["k1", "chassis"] }
R4  = { resistor = "470k", between = ["g", "chassis"] }
V1b = { valve = "6SN7GT", envelope = "V1", anode = "ht", grid = "a1", cathode = "k2" }
R5  = { resistor = "33k", between = ["k2", "chassis"], rating = "2W" }
C3  = { capacitor = "1u", between = ["k2", "out"], rating = "400V" }
R6  = { resistor = "100k", between = ["out", "chassis"] }
VR1 = { pot = "100R", ends = ["h1", "h2"], wiper = "chassis", law = "linear", setting = "40%" }
[bench]
generator = { into = "g", resistance = "600R" }
load = "R6"
"#;

const REWORK: &str = r#"base = "amp.toml"
[replace]
VR1 = { pot = "100R", ends = ["h1", "h2"], wiper = "chassis", law = "linear", setting = "50%" }
"#;

fn bench() -> Bench {
    Bench::with(&[("amp.toml", TWO_WINDINGS), ("rework.toml", REWORK)])
}

fn row<'a>(answer: &'a Value, name: &str) -> &'a Value {
    let rows = answer["answer"]["figures"].as_array().expect("figures");
    let found = rows.iter().find(|row| row["figure"] == name);
    found.unwrap_or_else(|| panic!("no row {name}"))
}

/// Rms amperes of the winding of T1 that is called so.
fn amps(answer: &Value, winding: &str) -> f64 {
    let windings = answer["answer"]["windings"].as_array().expect("windings");
    let found = windings.iter().find(|at| at["winding"] == winding);
    let found = found.unwrap_or_else(|| panic!("no winding {winding}"));
    found["current"]["value"].as_f64().expect("a figure")
}

#[test]
fn windings_of_one_voltage_are_told_apart_by_where_they_end() {
    let bench = bench();
    let volts = bench.json(&["voltages", "amp.toml", "--json"]);
    let (rectifier, heater) = (amps(&volts, "6.3V at r1-r2"), amps(&volts, "6.3V at h1-h2"));
    // 1 A of an EZ81, 0.6 A of a 6SN7GT and 63 mA of the pot, at about 2 % more than 6.3 V.
    assert!((rectifier / 1.0 - 1.0).abs() < 0.05, "{rectifier}");
    assert!((heater / 0.663 - 1.0).abs() < 0.05, "{heater}");
    let card = bench.json(&["compare", "amp.toml", "rework.toml", "--json"]);
    for (wire, amps) in [("h1-h2", heater), ("r1-r2", rectifier)] {
        let volts = row(&card, &format!("heater volts, {wire}"))["values"][0].as_f64();
        let load = row(&card, &format!("load of the winding, {wire}"))["values"][0].as_f64();
        let exact = volts.expect("volts") * amps;
        assert!(
            (load.expect("a load") / exact - 1.0).abs() < 1e-6,
            "{wire}: {load:?}, {exact}"
        );
    }
    let found = bench.answer(&["check", "amp.toml"]);
    for at in ["6.3V at r1-r2", "6.3V at h1-h2"] {
        assert!(found.contains(at), "{at} is missing:\n{found}");
    }
}

#[test]
fn a_winding_with_a_centre_tap_has_its_load() {
    let tapped = TWO_WINDINGS
        .replace(
            r#"{ volts = "6.3V", nodes = ["h1", "h2"], current = "0.5A" }"#,
            r#"{ volts = "3.15-0-3.15V", nodes = ["h1", "chassis", "h2"], current = "0.5A" }"#,
        )
        .replace("VR1 = ", "# ");
    let bench = Bench::with(&[("amp.toml", &tapped), ("other.toml", &tapped)]);
    let card = bench.json(&["compare", "amp.toml", "other.toml", "--json"]);
    let load = &row(&card, "load of the winding, h1-h2")["values"][0];
    let volts = &row(&card, "heater volts, h1-h2")["values"][0];
    let (load, volts) = (
        load.as_f64().expect("a load"),
        volts.as_f64().expect("volts"),
    );
    // Nothing but the heater hangs on it: 10.5 Ω of a 6SN7GT.
    let exact = volts * volts / (6.3 / 0.6);
    assert!((load / exact - 1.0).abs() < 1e-3, "{load} of {exact}");
}

#[test]
fn heater_to_cathode_volts_are_told_of_the_section_that_has_them() {
    let bench = bench();
    let text = bench.answer(&["voltages", "amp.toml"]);
    assert!(text.contains("V1b: heater-cathode voltage"), "{text}");
    assert!(!text.contains("V1a: heater-cathode voltage"), "{text}");
    // The peak of the drop stands beside the mean of the current.
    let header = text.lines().find(|line| line.contains("rectifier  type"));
    let header = header.expect("a table of rectifiers");
    assert!(
        header.contains("mean current") && header.contains("peak drop"),
        "{header}"
    );
    let found = bench.answer(&["check", "amp.toml"]);
    assert!(found.contains("V1b: heater-to-cathode volts"), "{found}");
    assert!(!found.contains("V1a: heater-to-cathode volts"), "{found}");
}

#[test]
fn hum_tells_both_cathodes_of_an_envelope_apart_and_names_the_pot() {
    let bench = bench();
    let answer = bench.json(&["hum", "amp.toml", "--json"]);
    let causes = answer["answer"]["causes"].as_array().expect("causes");
    let share = |kind: &str, name: &str| {
        let found = causes
            .iter()
            .find(|cause| cause["kind"] == kind && cause["name"] == name);
        found.and_then(|cause| cause["share"].as_f64())
    };
    let (first, second) = (share("heater", "V1a"), share("heater", "V1b"));
    let (first, second) = (first.expect("V1a"), second.expect("V1b"));
    // What leaks to the first cathode is amplified, that to the second is not.
    assert!(first > 10.0 * second.abs(), "{first} and {second}");
    let pot = share("balance", "VR1").expect("the pot");
    assert!(pot > 10.0 * second.abs(), "{pot}");
    let text = bench.answer(&["hum", "amp.toml"]);
    assert!(text.contains("hum pot VR1 off its middle"), "{text}");
    // In the middle it is no cause.
    let text = bench.answer(&["hum", "rework.toml"]);
    assert!(!text.contains("VR1 off its middle"), "{text}");
}

#[test]
fn compare_shows_settings_and_no_rows_that_are_nothing() {
    let bench = bench();
    let text = bench.answer(&["compare", "amp.toml", "rework.toml"]);
    for setting in [
        "wiper at 40.0 % of the track",
        "wiper at 50.0 % of the track",
    ] {
        assert!(text.contains(setting), "{text}");
    }
    // A follower into 100 kΩ never gives a watt.
    assert!(!text.contains("at 1 W"), "{text}");
}
