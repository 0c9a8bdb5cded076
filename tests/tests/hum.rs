//! The hum of circuits whose hum can be told beforehand.

#![allow(
    clippy::print_stdout,
    reason = "what was compared is of interest when a check fails"
)]

use checks::examples::Opened;
use measure::driven::hum::{CauseKind, Drive, Hum, HumOf};
use measure::driven::power::{Level, PowerOf};
use measure::instruments::valve::ValveProbe;
use measure::small_signal::response::{Output, ResponseOf};
use sim::rest::Rest;
use sim::{SimError, Tolerances};

fn file(parts: &str, generator: &str, load: &str) -> Opened {
    Opened::of_parts(parts, (generator, "600R"), load)
}

fn asked(opened: &Opened, drive: Option<Drive>) -> Result<Hum, SimError> {
    let question = HumOf {
        drive,
        ..HumOf::bench(&opened.amplifier.bench)
    };
    opened.ask(&question)
}

fn hum(opened: &Opened) -> Hum {
    asked(opened, None).expect("it settles")
}

fn rest(opened: &Opened) -> Rest {
    let mut ws = opened.system.workspace();
    Rest::find(&opened.system, &Tolerances::default(), &mut ws).expect("it settles")
}

/// Anode resistance and mutual conductance of the first valve at its mean volts.
fn slopes(opened: &Opened, rest: &Rest) -> (f64, f64) {
    let probe = &ValveProbe::all(&opened.amplifier.circuit, &opened.system)[0];
    let at = probe.at(&rest.mean_state()).currents;
    (at.ra(), at.gm())
}

fn gain(opened: &Opened, frequency: f64) -> f64 {
    let bench = &opened.amplifier.bench;
    let question = ResponseOf {
        generator: bench.generator,
        outputs: vec![Output {
            name: "load".to_owned(),
            nodes: bench.load_nodes,
        }],
        from: frequency,
        to: 2.0 * frequency,
        reference: frequency,
        target: None,
    };
    let answers = opened.ask(&question);
    10f64.powf(answers.expect("it rests")[0].gain_db / 20.0)
}

/// Two supplies of their own into two resistors and a load.
const TWO_RAILS: &str = r#"
W1 = { ac_supply = "200V", frequency = "50Hz", between = ["x", "chassis"], resistance = "100R" }
D1 = { diode = "silicon", anode = "x", cathode = "p" }
C1 = { electrolytic = "16u", positive = "p", negative = "chassis", rating = "450V" }
R1 = { resistor = "22k", between = ["p", "chassis"] }
W2 = { ac_supply = "60V", frequency = "50Hz", between = ["y", "chassis"], resistance = "50R" }
W3 = { ac_supply = "60V", frequency = "50Hz", between = ["chassis", "z"], resistance = "50R" }
D2 = { diode = "silicon", anode = "q", cathode = "y" }
D3 = { diode = "silicon", anode = "q", cathode = "z" }
C2 = { electrolytic = "10u", positive = "chassis", negative = "q", rating = "100V" }
R2 = { resistor = "4k7", between = ["q", "chassis"] }
R3 = { resistor = "1M", between = ["p", "out"] }
R4 = { resistor = "470k", between = ["q", "out"] }
R5 = { resistor = "100k", between = ["out", "chassis"] }
R6 = { resistor = "1M", between = ["in", "chassis"] }
"#;

#[test]
fn two_rails_into_resistors_add_up_to_the_hum() {
    let opened = file(TWO_RAILS, "in", "R5");
    let answer = hum(&opened);
    let parallel = |a: f64, b: f64| a * b / (a + b);
    let rest = rest(&opened);
    for (node, kind, divided) in [
        ("p", CauseKind::Rail, {
            let z = parallel(100e3, 470e3);
            z / (z + 1e6)
        }),
        ("q", CauseKind::Bias, {
            let z = parallel(100e3, 1e6);
            z / (z + 470e3)
        }),
    ] {
        let cause = answer.causes.iter().find(|cause| cause.name == node);
        let cause = cause.expect("a rail is a cause");
        let at = opened.amplifier.circuit.find_node(node).expect("a node");
        let at = opened.system.voltage_of(at) as usize;
        let exact = divided * rest.ripple(|x| x[at]);
        println!("{node}: {} V, divider {exact} V", cause.difference_rms);
        assert_eq!(cause.kind, kind);
        assert_eq!(cause.within, None);
        // The held rail takes its own ripple off the other by 300 Ω of reservoir in a megohm; the cycle
        // closes to 1e-5.
        assert!((cause.difference_rms / exact - 1.0).abs() < 1e-3);
        let alone = cause.alone_rms.expect("not within another");
        assert!((alone / exact - 1.0).abs() < 1e-3, "{alone}");
    }
    let db = answer.sum_db.expect("there is hum");
    println!("sum {db} dB, {} V left", answer.left_rms);
    // It is linear: what is left is the ripple one rail brings to the other, parts in ten thousand.
    assert!(db.abs() < 0.01);
    assert!(answer.left_rms < 1e-6 * answer.output_rms);
    // IEC 61672-1, table of A-weighting (from memory): -30.2 dB at 50 Hz, -19.1 dB at 100 Hz, as
    // printed to 0.05 dB for the exact third-octave frequencies, 50.12 Hz say: 0.03 dB more.
    for (line, db) in answer.lines.iter().zip([-30.2, -19.1]) {
        assert!(
            (20.0 * (line.a_rms / line.rms).log10() - db).abs() < 0.08,
            "{line:?}"
        );
    }
    // The total is that of its lines: beyond 1 kHz there is next to nothing of a reservoir's ripple.
    let lines = answer.lines.iter().map(|line| line.a_rms.powi(2));
    assert!((lines.sum::<f64>().sqrt() / answer.output_a_rms - 1.0).abs() < 0.01);
}

/// A cathode follower whose heater has one end at the chassis and leaks.
const LEAKY: &str = r#"
W1 = { ac_supply = "6.3V", frequency = "50Hz", between = ["h", "chassis"] }
HT = { supply = "250V", positive = "ht", negative = "chassis" }
V1 = { valve = "ECC83", anode = "ht", grid = "g", cathode = "k", heater = ["h", "chassis"], heater_leakage = "2M", heater_capacitance = "0p" }
R1 = { resistor = "2k2", between = ["k", "chassis"] }
R2 = { resistor = "1M", between = ["g", "chassis"] }
"#;

#[test]
fn leakage_from_a_heater_makes_its_volts_across_the_cathode_resistor() {
    let opened = file(LEAKY, "g", "R1");
    let answer = hum(&opened);
    let rest = rest(&opened);
    let (ra, gm) = slopes(&opened, &rest);
    // One end leaks 6.3 V/2 MΩ into the cathode's resistance: that of the valve with its grid still,
    // the resistor, and both leaks.
    let exact = 6.3 / 2e6 / (1.0 / ra + gm + 1.0 / 2.2e3 + 2.0 / 2e6);
    println!("{} V, by Ohm {exact} V", answer.output_rms);
    // The valve is linear for a millivolt to a part in a thousand.
    assert!((answer.output_rms / exact - 1.0).abs() < 2e-3);
    let [cause] = answer.causes.as_slice() else {
        panic!("{:?}", answer.causes);
    };
    assert_eq!((cause.kind, cause.name.as_str()), (CauseKind::Heater, "V1"));
    assert!(cause.share > 0.999_999 && answer.left_rms < 1e-4 * answer.output_rms);
}

#[test]
fn a_load_has_a_noise_of_its_own() {
    let answer = hum(&file(LEAKY, "g", "R1"));
    // 4kT is 1.618e-20 W/Hz at 293 K: 0.844 µV of 2.2 kΩ in 20 kHz.
    assert!(
        (answer.own_noise_of_load() / 0.8437e-6 - 1.0).abs() < 1e-3,
        "{}",
        answer.own_noise_of_load()
    );
}

#[test]
fn a_tone_that_falls_on_the_hum_is_told_from_it() {
    // A tenth of a millivolt of hum at 50 Hz beside levels from microvolts on: at 50 Hz the stage gives and distorts what it
    // does at 55 Hz, where no line of the hum is.
    let opened = file(LEAKY, "g", "R1");
    let levels = [50.0, 55.0].map(|frequency| {
        let question = PowerOf {
            frequency,
            ..opened.bench()
        };
        let answer = opened.ask(&question).expect("it answers");
        answer.levels
    });
    let [on, beside] = &levels;
    assert!(on.len() > 4 && on.len() == beside.len());
    for (on, beside) in on.iter().zip(beside) {
        let gain = |level: &Level| level.output_rms / level.drive_rms;
        let (ratio, points) = (gain(on) / gain(beside), on.thd - beside.thd);
        println!("{} V: {ratio}, {} and {}", on.drive, on.thd, beside.thd);
        // The gain where the grid takes no current goes with nothing; each level is settled to some parts in ten thousand.
        assert!((ratio - 1.0).abs() < 2e-3, "{ratio}");
        assert!(points.abs() < 1e-3 + 0.02 * beside.thd, "{points}");
    }
}

/// Hum of a preamplifier stage whose heater is drawn with its middle, on a winding with one end at the chassis.
const PARALLEL: &str = r#"
W1 = { ac_supply = "6.3V", frequency = "50Hz", between = ["h", "chassis"] }
M1 = { ac_supply = "200V", frequency = "50Hz", between = ["x", "chassis"] }
V2 = { valve = "EZ80", anode = "x", cathode = "ht", heater = ["h", "chassis"] }
C1 = { electrolytic = "50u", positive = "ht", negative = "chassis" }
V1 = { valve = "ECC83", anode = "ht", grid = "g", cathode = "k", heater = ["h", "chassis", "h"], heater_leakage = "2M" }
R1 = { resistor = "2k2", between = ["k", "chassis"] }
R2 = { resistor = "1M", between = ["g", "chassis"] }
"#;

#[test]
fn every_heater_that_alternates_is_among_the_causes() {
    let answer = hum(&file(PARALLEL, "g", "R1"));
    let mut heaters: Vec<&str> = answer
        .causes
        .iter()
        .filter(|cause| cause.kind == CauseKind::Heater)
        .map(|cause| cause.name.as_str())
        .collect();
    heaters.sort_unstable();
    assert_eq!(heaters, ["V1", "V2"]);
    assert!(
        answer.is_explained(),
        "{} V left of {} V",
        answer.left_rms,
        answer.output_rms
    );
}

#[test]
fn what_no_cause_takes_away_is_not_explained() {
    // Volts of the mains into the grid by a way of nobody's: a resistor from the winding.
    let parts = format!("{LEAKY}R7 = {{ resistor = \"1M\", between = [\"h\", \"g\"] }}\n");
    let answer = hum(&file(&parts, "g", "R1"));
    assert!(answer.left_rms > 0.5 * answer.output_rms && !answer.is_explained());
    // None of it either, without any cause at all.
    let sound = parts.replace(
        "h\", \"chassis\"], heater_leakage = \"2M\", heater_capacitance = \"0p\"",
        "h\", \"chassis\"]",
    );
    assert!(!hum(&file(&sound, "g", "R1")).is_explained());
}

/// An interstage transformer before a stage.
const INTERSTAGE: &str = r#"
M1 = { mains = "230V", frequency = "50Hz", between = ["l", "chassis"] }
R9 = { resistor = "1k", between = ["l", "chassis"] }
HT = { supply = "250V", positive = "ht", negative = "chassis" }
T1 = { transformer = "1V : 2V", primary = ["in", "chassis"], secondary = ["g", "chassis"], primary_inductance = "20H", primary_resistance = "500R", secondary_resistance = "1k", {stray} }
V1 = { valve = "ECC83", anode = "a", grid = "g", cathode = "k" }
R1 = { resistor = "100k", between = ["a", "ht"] }
R2 = { resistor = "1k5", between = ["k", "chassis"] }
R3 = { resistor = "220k", between = ["g", "chassis"] }
C2 = { capacitor = "0.1u", between = ["a", "out"] }
R4 = { resistor = "470k", between = ["out", "chassis"] }
"#;

#[test]
fn stray_volts_of_a_winding_come_out_times_the_gain() {
    let opened = file(
        &INTERSTAGE.replace("{stray}", "stray = \"0.2mV\""),
        "in",
        "R4",
    );
    let answer = hum(&opened);
    // In series with the primary is in series with the generator.
    let exact = 0.2e-3 * gain(&opened, 50.0);
    println!("{} V, times the gain {exact} V", answer.output_rms);
    // The second harmonic of half a millivolt at the grid, and steps of the transient analysis.
    assert!((answer.output_rms / exact - 1.0).abs() < 1e-3);
    let [cause] = answer.causes.as_slice() else {
        panic!("{:?}", answer.causes);
    };
    assert_eq!((cause.kind, cause.name.as_str()), (CauseKind::Stray, "T1"));
    assert!(cause.share > 0.999_999);
    // Stated by the user, and listed.
    assert!(opened.amplifier.notes.iter().any(|note| note.part == "T1"
        && matches!(
            note.kind,
            sim::amplifier::NoteKind::Assumed { key: "stray", value, .. } if (value - 0.2e-3).abs() < 1e-12
        )));
    let silent = hum(&file(
        &INTERSTAGE.replace("{stray}", "stray = \"0mV\""),
        "in",
        "R4",
    ));
    assert!(silent.causes.is_empty() && silent.output_rms < 1e-6 * answer.output_rms);
}

/// A stage without cathode resistor, from a reservoir; the coupling takes next to nothing.
const STAGE: &str = r#"
{supply}
B1 = { supply = "1.5V", positive = "chassis", negative = "b" }
V1 = { valve = "ECC83", anode = "a", grid = "g", cathode = "chassis" }
R1 = { resistor = "100k", between = ["a", "ht"] }
R3 = { resistor = "1M", between = ["g", "b"] }
C3 = { capacitor = "1u", between = ["in", "g"] }
R5 = { resistor = "10M", between = ["in", "chassis"] }
C2 = { capacitor = "0.1u", between = ["a", "out"] }
R4 = { resistor = "10M", between = ["out", "chassis"] }
"#;

const RESERVOIR: &str = r#"
W1 = { ac_supply = "220V", frequency = "50Hz", between = ["x", "chassis"], resistance = "100R" }
W2 = { ac_supply = "220V", frequency = "50Hz", between = ["chassis", "y"], resistance = "100R" }
D1 = { diode = "silicon", anodes = ["x", "y"], cathode = "ht" }
C1 = { electrolytic = "8u", positive = "ht", negative = "chassis", rating = "450V" }
R9 = { resistor = "33k", between = ["ht", "chassis"] }
"#;

#[test]
fn a_stage_divides_the_ripple_of_its_rail_by_load_and_anode_resistance() {
    let opened = file(&STAGE.replace("{supply}", RESERVOIR), "in", "R4");
    let answer = hum(&opened);
    let (ra, _) = slopes(&opened, &rest(&opened));
    // ra/(ra + R_L): a divider, the grid being still; 10 MΩ of the next grid is beside it.
    let z = ra * 10e6 / (ra + 10e6);
    let exact = -20.0 * (z / (z + 100e3)).log10();
    let rail = &answer.rails[0];
    let found = rail.rejection_db.expect("it arrives");
    println!(
        "{found} dB, divider {exact} dB; {} of {} V",
        answer.output_rms, rail.ripple
    );
    // The mean of the slopes over volts of ripple is not the slope at the mean: 0.02 dB.
    assert!((found - exact).abs() < 0.05);
    // And so does the full solve, which knows nothing of it.
    assert!((-20.0 * (answer.output_rms / rail.ripple).log10() - exact).abs() < 0.1);
    assert_eq!(answer.rails.len(), 1);
    assert!(answer.causes[0].share > 0.999_999);
}

#[test]
fn a_tone_grows_the_sidebands_that_the_gain_over_the_rail_volts_foretells() {
    let opened = file(&STAGE.replace("{supply}", RESERVOIR), "in", "R4");
    let answer = asked(&opened, Some(Drive::Volts(0.02))).expect("it settles");
    let tone = answer.with_signal.expect("it was asked for");
    assert!((tone.frequency - 1025.0).abs() < 1e-9);
    // Slow ripple moves the gain as direct volts do: each sideband is half of the relative swing.
    let rail = &answer.rails[0];
    let at = |volts: f64| {
        let supply =
            format!("HT = {{ supply = \"{volts}V\", positive = \"ht\", negative = \"chassis\" }}");
        gain(
            &file(&STAGE.replace("{supply}", &supply), "in", "R4"),
            1025.0,
        )
    };
    let (low, high) = (at(rail.volts - 1.0), at(rail.volts + 1.0));
    let slope = (high - low) / 2.0 / at(rail.volts);
    let exact = 0.5 * slope.abs() * std::f64::consts::SQRT_2 * rail.ripple_there;
    for number in [-2, 2] {
        let sideband = tone.sidebands.iter().find(|s| s.number == number);
        let ratio = sideband.expect("a sideband").rms / tone.tone_rms;
        println!("{number}: {ratio}, by slope {exact}");
        // Miller and coupling capacitances move the sideband by a per cent; the slope itself bends.
        assert!((ratio / exact - 1.0).abs() < 0.04);
    }
    // Driven to a wanted power instead: 20 µW into 10 MΩ is 14 V; the gain of small signals is off by the
    // compression alone.
    let answer = asked(&opened, Some(Drive::Power(1e-6))).expect("it settles");
    let tone = answer.with_signal.expect("it was asked for");
    assert!((tone.power / 1e-6 - 1.0).abs() < 0.02, "{}", tone.power);
}

/// Two triodes of fixed bias in push-pull, from a reservoir.
const PUSH_PULL: &str = r#"
W1 = { ac_supply = "220V", frequency = "50Hz", between = ["x", "chassis"], resistance = "50R" }
W2 = { ac_supply = "220V", frequency = "50Hz", between = ["chassis", "y"], resistance = "50R" }
D1 = { diode = "silicon", anodes = ["x", "y"], cathode = "ht" }
C1 = { electrolytic = "100u", positive = "ht", negative = "chassis", rating = "450V" }
B1 = { supply = "50V", positive = "chassis", negative = "b" }
V1 = { valve = "2A3", anode = "a1", grid = "g1", cathode = "chassis" }
V2 = { valve = "2A3", anode = "a2", grid = "g2", cathode = "chassis" }
R1 = { resistor = "100k", between = ["g1", "b"] }
R2 = { resistor = "100k", between = ["g2", "b"] }
R3 = { resistor = "100k", between = ["in", "chassis"] }
T1 = { transformer = "5k : 5k", primary = ["a1", "ht", "a2"], secondary = ["out", "chassis"], primary_resistance = "1R", secondary_resistance = "1R", primary_inductance = "5000H", leakage_inductance = "1mH", core_loss = "100M" }
R4 = { resistor = "5k", between = ["out", "chassis"] }
"#;

#[test]
fn push_pull_cancels_the_ripple_until_the_pair_does_not_match() {
    let opened = file(PUSH_PULL, "in", "R4");
    let answer = hum(&opened);
    let (ra, _) = slopes(&opened, &rest(&opened));
    let ripple = answer.rails[0].ripple;
    println!("{} V of {ripple} V", answer.output_rms);
    // Two like valves leave rounding.
    assert!(answer.output_rms < 1e-5 * ripple);
    assert_eq!(answer.mismatch.len(), 2);
    for off in &answer.mismatch {
        // Ripple v at the middle and ±u at the ends, conductances g and r·g, 5 kΩ from end to end:
        // g r (v + u) - g (v - u) + 4u/R = 0.
        let r = off.ratio;
        let exact = 2.0 * ripple * ((r - 1.0) / (r + 1.0 + 4.0 * ra / 5e3)).abs();
        println!("{r}: {} V, by Kirchhoff {exact} V", off.output_rms);
        // The ripple itself moves by the 5 % of current that changes; the inductance is not infinite.
        assert!((off.output_rms / exact - 1.0).abs() < 0.06);
        assert!(off.output_rms > 1e3 * answer.output_rms);
    }
    // The stage's own rejection of what reaches both grids is that of the iron: nearly complete.
    let [stage] = answer.balanced.as_slice() else {
        panic!("{:?}", answer.balanced);
    };
    assert!(stage.rejection_db.is_none_or(|db| db > 80.0), "{stage:?}");
}

#[test]
fn without_mains_there_is_no_hum_to_measure() {
    let supply = "HT = { supply = \"250V\", positive = \"ht\", negative = \"chassis\" }";
    let opened = file(&STAGE.replace("{supply}", supply), "in", "R4");
    let error = asked(&opened, None).expect_err("nothing alternates");
    assert!(error.to_string().contains("fed from the mains"), "{error}");
}

#[test]
fn a_filament_hums_whatever_its_volts() {
    // A battery valve's filament is no signal because it is small: hum goes with the volts, on either side of the
    // three that once told supplies from signals.
    let parts = |volts: &str| {
        format!(
            r#"
V1 = {{ valve = "2A3", anode = "a", grid = "g", filament = ["f1", "f2"] }}
R1 = {{ resistor = "2k5", between = ["a", "ht"] }}
HT = {{ supply = "250V", positive = "ht", negative = "chassis" }}
BI = {{ supply = "45V", positive = "chassis", negative = "g" }}
FIL = {{ ac_supply = "{volts}", frequency = "50Hz", between = ["f1", "f2"] }}
RH1 = {{ resistor = "10R", between = ["f1", "chassis"] }}
RH2 = {{ resistor = "12R", between = ["f2", "chassis"] }}
C1 = {{ capacitor = "10u", between = ["a", "out"] }}
RL = {{ resistor = "100k", between = ["out", "chassis"] }}
RG = {{ resistor = "1k", between = ["in", "chassis"] }}
"#
        )
    };
    let hum = |volts: &str| hum(&Opened::of_parts(&parts(volts), ("in", "600R"), "RL")).output_rms;
    let (low, high) = (hum("2.0V"), hum("2.2V"));
    assert!(low > 1e-3, "{low} V");
    // The unbalanced feed of the filament makes 50 Hz in proportion; the part at 100 Hz goes with the square.
    assert!((high / low / 1.1 - 1.0).abs() < 0.06, "{low} and {high} V");
}

#[test]
fn a_bias_taken_from_the_return_of_the_supply_is_a_cause() {
    // The centre tap goes to the chassis through R4; what drops there biases the grid by way of R5 and C3.
    let opened = file(
        r#"M1 = { mains = "230V", frequency = "50Hz", between = ["l", "n"] }
T2 = { mains_transformer = "230V", primary = ["l", "n"], secondaries = [ { volts = "230-0-230V", nodes = ["x", "ct", "y"], current = "60mA", resistance = "200R" } ] }
D1 = { diode = "silicon", anode = "x", cathode = "ht" }
D2 = { diode = "silicon", anode = "y", cathode = "ht" }
C1 = { electrolytic = "100u", positive = "ht", negative = "chassis", rating = "450V" }
R4 = { resistor = "330R", between = ["ct", "chassis"], rating = "5W" }
R5 = { resistor = "47k", between = ["ct", "b"] }
C3 = { electrolytic = "2u2", positive = "chassis", negative = "b", rating = "50V" }
R1 = { resistor = "470k", between = ["g", "b"] }
C2 = { capacitor = "0.1u", between = ["in", "g"], rating = "400V" }
R2 = { resistor = "100k", between = ["in", "chassis"] }
V1 = { valve = "6J5", anode = "a", grid = "g", cathode = "chassis" }
R3 = { resistor = "22k", between = ["a", "ht"], rating = "2W" }
R6 = { resistor = "9k1", between = ["ht", "chassis"], rating = "20W" }
C4 = { capacitor = "0.1u", between = ["a", "o"], rating = "400V" }
RL = { resistor = "470k", between = ["o", "chassis"] }"#,
        "in",
        "RL",
    );
    let hum = hum(&opened);
    let bias = hum.causes.iter().find(|cause| cause.name == "b");
    let bias = bias.unwrap_or_else(|| panic!("{:#?}", hum.causes));
    assert_eq!(bias.kind, CauseKind::Bias);
    // With the reservoir and the bias still nothing else is there to hum.
    assert!(hum.is_explained(), "{} of {}", hum.left_rms, hum.output_rms);
}
