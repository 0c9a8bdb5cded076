//! `explain json` against what `--json` prints: every key is documented and every documented key occurs.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::process::Command;

use serde_json::Value;

/// Capacitors in series, a stabiliser, a bridge, and one capacitor that keeps its charge.
const SUPPLY: &str = r#"
[amplifier]
title = "Supply"
source = "own design, invented for this test"
[parts]
M1 = { mains = "230V", frequency = "50Hz", between = ["l", "chassis"] }
T1 = { mains_transformer = "230V", taps = ["230V", "250V"], primary = ["l", "chassis"], secondaries = [ { volts = "300V", nodes = ["x", "y"], current = "80mA" }, { volts = "50V", nodes = ["b", "chassis"], current = "20mA" } ] }
D1 = { bridge = "silicon", between = ["x", "y"], positive = "ht", negative = "chassis" }
C8 = { capacitor = "100p", between = ["x", "chassis"], esr = "1k" }
C9 = { capacitor = "100p", between = ["y", "chassis"], esr = "1k" }
C1 = { electrolytic = "47u", positive = "ht", negative = "mid", rating = "350V" }
C2 = { electrolytic = "47u", positive = "mid", negative = "chassis", rating = "350V" }
R1 = { resistor = "220k", between = ["ht", "mid"], rating = "1W" }
R2 = { resistor = "220k", between = ["mid", "chassis"], rating = "1W" }
R3 = { resistor = "12k", between = ["ht", "st"], rating = "10W" }
V1 = { valve = "0A2", anode = "st", cathode = "chassis" }
D2 = { diode = "silicon", anode = "b", cathode = "keeps" }
C3 = { capacitor = "47u", between = ["keeps", "chassis"], rating = "100V" }
R4 = { resistor = "100M", between = ["keeps", "chassis"] }
[bench]
generator = { into = "st", resistance = "10k" }
load = "R4"
"#;

/// A stage with a valve whose noise is published.
const QUIET: &str = r#"
[amplifier]
title = "Microphone stage"
source = "own design, invented for this test"
[parts]
HT = { supply = "250V", positive = "ht", negative = "chassis" }
V1 = { valve = "EF86", anode = "a", screen = "s", grid = "g", cathode = "k" }
R1 = { resistor = "100k", between = ["a", "ht"] }
R2 = { resistor = "390k", between = ["s", "ht"] }
C1 = { capacitor = "0.1u", between = ["s", "k"] }
R3 = { resistor = "1k", between = ["k", "chassis"] }
R4 = { resistor = "1M", between = ["g", "chassis"] }
[bench]
generator = { into = "g", resistance = "600R" }
load = "R1"
"#;

/// Key, whether it is a list, and unit or structure.
type Keys = BTreeMap<String, (bool, String)>;

fn run(arguments: &[&str]) -> String {
    let output = Command::new(env!("CARGO_BIN_EXE_gridleak"))
        .current_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join(".."))
        .args(arguments)
        .output()
        .expect("the program runs");
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    String::from_utf8(output.stdout).expect("text")
}

/// The structures of the page: a name and a colon, then a line a key.
fn structures(page: &str) -> BTreeMap<String, Keys> {
    let mut found: BTreeMap<String, Keys> = BTreeMap::new();
    let mut name = String::new();
    for line in page.lines() {
        if let Some(row) = line.strip_prefix("  ") {
            let mut cells = row
                .split("  ")
                .map(str::trim)
                .filter(|cell| !cell.is_empty());
            let mut cell = || {
                cells
                    .next()
                    .unwrap_or_else(|| panic!("three columns: {row}"))
            };
            let (key, unit, meaning) = (cell(), cell(), cell());
            assert!(!meaning.is_empty());
            let plain = key.trim_end_matches("[]").to_owned();
            let list = key.ends_with("[]");
            let before = found
                .get_mut(&name)
                .expect("a key stands in a structure")
                .insert(plain, (list, unit.to_owned()));
            assert!(before.is_none(), "{name}: {key} stands twice");
        } else if let Some(heading) = line.strip_suffix(':') {
            heading.clone_into(&mut name);
            assert!(found.insert(name.clone(), Keys::new()).is_none(), "{name}");
        }
    }
    found
}

/// Walks a value of a structure; what is wrong with it and which keys occurred.
fn walk(
    value: &Value,
    structure: &str,
    command: &str,
    page: &BTreeMap<String, Keys>,
    seen: &mut BTreeSet<String>,
    faults: &mut BTreeSet<String>,
) {
    let Value::Object(object) = value else {
        faults.insert(format!("{structure} is no structure in the output"));
        return;
    };
    for (key, value) in object {
        let Some((list, unit)) = page[structure].get(key) else {
            faults.insert(format!("{structure}: `{key}` is not documented"));
            continue;
        };
        seen.insert(format!("{structure}: {key}"));
        if value.is_array() != *list {
            faults.insert(format!("{structure}: `{key}` is a list, or is not"));
            continue;
        }
        let unit = unit.split(", ").next().unwrap_or_default();
        let inner = if unit == "answer" { command } else { unit };
        let items = value
            .as_array()
            .map_or(std::slice::from_ref(value), Vec::as_slice);
        for item in items.iter().filter(|item| !item.is_null()) {
            if page.contains_key(inner) {
                walk(item, inner, command, page, seen, faults);
            } else {
                let fits = match inner {
                    "text" => item.is_string(),
                    "true or false" => item.is_boolean(),
                    _ => item.is_number() || item.is_array(),
                };
                if !fits {
                    faults.insert(format!("{structure}: `{key}` is no {inner}"));
                }
            }
        }
    }
}

/// A supply of our own: half-wave, silicon, with a load.
const MAINS_FED: &str = r#"
[amplifier]
title = "Supply"
source = "own design, invented for this test"
[parts]
AC = { ac_supply = "30V", frequency = "50Hz", between = ["x", "chassis"], resistance = "5R" }
D1 = { diode = "silicon", anode = "x", cathode = "out" }
C1 = { electrolytic = "1000u", positive = "out", negative = "chassis", rating = "63V" }
R1 = { resistor = "470R", between = ["out", "chassis"], rating = "5W" }
[bench]
generator = { into = "out", resistance = "100k" }
load = "R1"
"#;

/// A rectifier valve on the mains, of our own.
const SWITCHED: &str = r#"
[amplifier]
title = "Supply to switch on"
source = "own design, invented for this test"
[parts]
M1 = { mains = "230V", frequency = "50Hz", between = ["x", "chassis"], resistance = "200R" }
V1 = { valve = "EZ80", anode = "x", cathode = "out", warm_up = "1s" }
C1 = { electrolytic = "16u", positive = "out", negative = "chassis", rating = "450V" }
R1 = { resistor = "10k", between = ["out", "chassis"], rating = "12W" }
[bench]
generator = { into = "out", resistance = "100k" }
load = "R1"
"#;

/// A pair with crossover distortion, of our own.
const COLD: &str = r#"
[amplifier]
title = "Pair biased too near cut-off"
source = "own design, invented for this test"
[parts]
V1 = { valve = "6L6GC", anode = "a1", screen = "s", grid = "g1", cathode = "chassis" }
V2 = { valve = "6L6GC", anode = "a2", screen = "s", grid = "g2", cathode = "chassis" }
T1 = { transformer = "6k6 : 8R", primary = ["a1", "ht", "a2"], secondary = ["out", "chassis"], primary_inductance = "60H", leakage_inductance = "25mH", capacitance = "1n", primary_resistance = "200R", secondary_resistance = "0.3R", core_loss = "75k" }
T2 = { transformer = [{ name = "primary", nodes = ["in", "chassis"], turns = "100", resistance = "10R" }, { name = "s1", nodes = ["g1", "gb"], turns = "100", resistance = "10R" }, { name = "s2", nodes = ["gb", "g2"], turns = "100", resistance = "10R" }], primary_inductance = "100H", leakage_inductance = "1mH", capacitance = "10p", core_loss = "1M" }
LS1 = { resistor = "8R", between = ["out", "chassis"] }
HT = { supply = "400V", positive = "ht", negative = "chassis", resistance = "10R" }
SC = { supply = "300V", positive = "s", negative = "chassis", resistance = "10R" }
BI = { supply = "40V", positive = "chassis", negative = "gb", resistance = "10R" }
[bench]
generator = { into = "in", resistance = "100R" }
load = "LS1"
distortion_limit = "10%"
"#;

/// Commands that are no question.
const NO_QUESTION: [&str; 3] = ["explain", "completions", "help"];

/// The commands that the help lists.
fn commands(help: &str) -> Vec<&str> {
    let commands = help.lines().skip_while(|line| *line != "Commands:").skip(1);
    let commands = commands.take_while(|line| !line.is_empty());
    // What a command answers may go on in the next line, further in.
    let names: Vec<&str> = commands
        .filter_map(|line| line.strip_prefix("  ")?.split(' ').next())
        .filter(|name| !name.is_empty())
        .collect();
    assert!(names.len() > 20, "{names:?}");
    names
}

#[test]
fn every_key_of_the_json_is_documented_and_every_documented_key_occurs() {
    let page = structures(&run(&["explain", "json"]));
    assert!(page.len() > 15, "{}", page.len());
    // A rectifier valve stands in no example, so the file that holds every part goes with one.
    let folder = tempfile::tempdir().expect("a temporary folder");
    let every = folder.path().join("every.toml");
    std::fs::write(&every, run(&["explain", "file"])).expect("the folder can be written");
    let every = every.to_str().expect("a plain path");
    let example = "examples/01_single_ended_6v6/amplifier.toml";
    let unstable = "examples/03_el84_push_pull_feedback/amplifier.toml";
    let mains_fed = folder.path().join("mains_fed.toml");
    std::fs::write(&mains_fed, MAINS_FED).expect("the folder can be written");
    let mains_fed = mains_fed.to_str().expect("a plain path");
    let switched = folder.path().join("switched.toml");
    std::fs::write(&switched, SWITCHED).expect("the folder can be written");
    let switched = switched.to_str().expect("a plain path");
    let cold = folder.path().join("cold.toml");
    std::fs::write(&cold, COLD).expect("the folder can be written");
    let cold = cold.to_str().expect("a plain path");
    let quiet = folder.path().join("quiet.toml");
    std::fs::write(&quiet, QUIET).expect("the folder can be written");
    let quiet = quiet.to_str().expect("a plain path");
    let supply = folder.path().join("supply.toml");
    std::fs::write(&supply, SUPPLY).expect("the folder can be written");
    let supply = supply.to_str().expect("a plain path");
    let [output, residual, ideal] =
        ["out.wav", "residual.wav", "ideal.wav"].map(|name| folder.path().join(name));
    let [output, residual, ideal] =
        [&output, &residual, &ideal].map(|path| path.to_str().expect("a plain path"));
    let audition = folder.path().join("audition");
    let audition = audition.to_str().expect("a plain path");
    let taken = folder.path().join("taken.csv");
    // An output valve that draws too little, so that there is something to point at.
    std::fs::write(
        &taken,
        "V2 anode, 270V, 20k/V, 500V\nV2 cathode, 7V\nht, 268V\n",
    )
    .expect("the folder can be written");
    let taken = taken.to_str().expect("a plain path");
    let mains = "examples/04_hall_2a3_on_its_mains/amplifier.toml";
    let mut seen = BTreeSet::new();
    let mut faults = BTreeSet::new();
    let mut asked = BTreeSet::new();
    for (command, file, more) in [
        ("voltages", every, &["--set", "AC=0V", "--set", "M1=0V"][..]),
        ("voltages", example, &[]),
        ("voltages", mains_fed, &[]),
        // Too much feedback, so that there is something that grows.
        ("voltages", unstable, &["--set", "R16=470R"]),
        // Goes to and fro.
        ("voltages", unstable, &["--set", "R16=270R"]),
        ("power", example, &["--at", "1W,2V"]),
        // Pairs biased too cold: with much feedback it bursts, without there is crossover distortion.
        ("power", unstable, &["--set", "R13=1k", "--set", "R16=500R"]),
        ("power", cold, &[]),
        // A core that saturates, powers that are not reached; tones of a short common period.
        (
            "distortion",
            example,
            &["--frequencies", "20Hz", "--modulation-tones", "400Hz,7kHz"],
        ),
        ("waveform", example, &["--for", "1ms"]),
        (
            "waveform",
            unstable,
            &[
                "--set", "R13=1k", "--set", "R16=500R", "--for", "3ms", "--drive", "0.8V",
            ],
        ),
        (
            "response",
            unstable,
            &["--steps", "R16=2k2,2k7", "--target", "riaa"],
        ),
        ("impedance", example, &["--to", "1kHz"]),
        (
            "listen",
            "examples/02_hall_2a3_push_pull/amplifier.toml",
            &[
                "examples/recordings/plucked.wav",
                "-o",
                output,
                "--residual",
                residual,
                "--ideal",
                ideal,
                "--box",
                "55Hz,Q=0.7",
            ],
        ),
        (
            "audition",
            "examples/02_hall_2a3_push_pull/amplifier.toml",
            &[
                "examples/recordings/plucked.wav",
                "-o",
                audition,
                "--for",
                "0.5s",
            ],
        ),
        ("readings", example, &["--taken", taken]),
        (
            "choose",
            example,
            &["--part", "R5", "--so-that", "V2 anode current = 40mA"],
        ),
        ("effect", unstable, &[]),
        ("spread", example, &["--samples", "50"]),
        ("noise", example, &["--rated", "3W"]),
        ("noise", quiet, &["--input", "5mV"]),
        ("feedback", unstable, &[]),
        ("switch-on", switched, &["--silicon"]),
        (
            "hum",
            "examples/04_hall_2a3_on_its_mains/amplifier.toml",
            &["--rated", "10W", "--drive", "0.05V"],
        ),
        ("supply", mains, &["--drive", "0.1V"]),
        ("supply", supply, &[]),
        (
            "compare",
            "examples/02_hall_2a3_push_pull/amplifier.toml",
            &["examples/05_hall_2a3_to_6l6/amplifier.toml"],
        ),
        (
            "curves",
            "EL84",
            &[
                "--load",
                "5k",
                "--supply",
                "300V",
                "--cathode-resistor",
                "150R",
            ],
        ),
        (
            "curves",
            "6L6",
            &[
                "--pair", "--load", "6k6", "--supply", "360V", "--bias", "-22V",
            ],
        ),
        ("curves", example, &["V2", "--drive", "1V"]),
        ("check", "examples/07_misprint/amplifier.toml", &["--quick"]),
        ("valves", "6L6", &[]),
        ("valves show", "6L6", &[]),
        ("valves show", "KT66", &[]),
        ("valves show", "EF86", &[]),
        ("valves show", "5U4G", &[]),
        ("valves show", "0A2", &[]),
        ("valves like", "2A3", &[]),
        ("valves like", "GZ34", &[]),
        ("valves like", "0A2", &[]),
        ("fit", "examples/valves/traced_triode.csv", &[]),
        ("fit", "models/valves/6V6GT.toml", &[]),
    ] {
        let words: Vec<&str> = command.split(' ').collect();
        asked.insert(words[0]);
        let text = run(&[&words[..], &[file, "--json"], more].concat());
        let value: Value = serde_json::from_str(&text).expect("JSON");
        walk(&value, "document", command, &page, &mut seen, &mut faults);
    }
    for command in commands(&run(&["--help"])) {
        if !NO_QUESTION.contains(&command) && !asked.contains(command) {
            faults.insert(format!("`{command} --json` is not asked here"));
        }
    }
    for (structure, keys) in &page {
        for key in keys.keys() {
            if !seen.contains(&format!("{structure}: {key}")) {
                faults.insert(format!(
                    "{structure}: `{key}` is documented and never occurs"
                ));
            }
        }
    }
    assert!(faults.is_empty(), "{faults:#?}");
}
