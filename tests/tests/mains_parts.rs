//! Mains transformers, smoothing filters, series capacitors and stabilisers against closed forms.
//!
//! Over 400 lines because each check brings its circuit.

use checks::examples::Opened;
use models::library;
use sim::operating_point::operating_point;
use sim::parts::{Part, Waveform};
use sim::periodic::{Period, Settling, settle};
use sim::spectrum::Spectrum;
use sim::transient::{Method, transient};
use sim::{System, Tolerances};

const MAINS: f64 = 50.0;

fn settled(system: &System) -> Period {
    let mut ws = system.workspace();
    operating_point(system, &Tolerances::default(), &mut ws).expect("rest");
    let settling = Settling {
        samples: 1024,
        ..Settling::default()
    };
    settle(
        system,
        1.0 / MAINS,
        &settling,
        &Tolerances::default(),
        &mut ws,
    )
    .expect("a settled period")
}

/// Volts between two nodes over the period.
fn volts(opened: &Opened, period: &Period, a: &str, b: &str) -> Vec<f64> {
    let at = |name| {
        let node = opened
            .amplifier
            .circuit
            .find_node(name)
            .expect("the node is drawn");
        opened.system.voltage_of(node) as usize
    };
    let (a, b) = (at(a), at(b));
    period.of(|x| x[a] - x[b])
}

fn current(opened: &Opened, period: &Period, part: &str) -> Vec<f64> {
    let part = opened
        .amplifier
        .circuit
        .find_part(part)
        .expect("the part is drawn");
    period.unknown(opened.system.currents_of(part)[0])
}

fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|value| value * value).sum::<f64>() / values.len() as f64).sqrt()
}

#[track_caller]
fn assert_near(found: f64, wanted: f64, relative: f64) {
    assert!(
        (found / wanted - 1.0).abs() < relative,
        "{found} for {wanted}: {:+.3} %",
        100.0 * (found / wanted - 1.0)
    );
}

// Mains transformers ──────────────────────────────────────────────────────────────────────────────

/// What a transformer is asked to: its leakage is in quadrature with the drop, 1 % of the volts or
/// 5e-5 of them, and the magnetising current through the primary's resistance another 1e-3.
const VOLTS: f64 = 5e-3;

/// One transformer, one load for each secondary: the whole HT winding and the heaters.
fn transformer(line: &str, ht_ohms: f64, heater_ohms: f64, set: &[(&str, &str)]) -> Opened {
    Opened::supply(
        &format!(
            r#"
M1 = {{ mains = "230V", frequency = "50Hz", between = ["l", "n"] }}
T2 = {{ {line} }}
R1 = {{ resistor = "{ht_ohms}R", between = ["x", "y"] }}
R2 = {{ resistor = "{heater_ohms}R", between = ["h1", "h2"] }}
R3 = {{ resistor = "100R", between = ["h1", "chassis"] }}
"#
        ),
        set,
    )
}

/// Loads that draw nothing.
const OPEN: f64 = 100e6;

const STATED_ON_LOAD: &str = r#"mains_transformer = "230V", primary = ["l", "n"], taps = ["200V", "220V", "230V", "240V"], secondaries = [ { volts = "320-0-320V", nodes = ["x", "chassis", "y"], current = "120mA" }, { volts = "6.3V", nodes = ["h1", "h2"], current = "3A" } ], regulation = "8%", magnetising_current = "70mA""#;

#[test]
fn volts_on_load_are_those_stated() {
    let at = transformer(STATED_ON_LOAD, 640.0 / 0.12, 6.3 / 3.0, &[]);
    let period = settled(&at.system);
    assert_near(rms(&volts(&at, &period, "x", "chassis")), 320.0, VOLTS);
    assert_near(rms(&volts(&at, &period, "x", "y")), 640.0, VOLTS);
    assert_near(rms(&volts(&at, &period, "h1", "h2")), 6.3, VOLTS);
}

#[test]
fn volts_off_load_are_higher_by_the_regulation() {
    let at = transformer(STATED_ON_LOAD, OPEN, OPEN, &[]);
    let period = settled(&at.system);
    assert_near(
        rms(&volts(&at, &period, "x", "chassis")),
        1.08 * 320.0,
        VOLTS,
    );
    assert_near(rms(&volts(&at, &period, "h1", "h2")), 1.08 * 6.3, VOLTS);
}

#[test]
fn the_current_off_load_is_the_one_stated() {
    let at = transformer(STATED_ON_LOAD, OPEN, OPEN, &[]);
    let period = settled(&at.system);
    // The primary's resistance and leakage take 1 % of the volts, and near the bend the magnetising
    // current moves by twice as much.
    assert_near(rms(&current(&at, &period, "M1")), 70e-3, 0.03);
}

#[test]
fn volts_stated_off_load_and_ohms_by_the_meter() {
    let line = r#"mains_transformer = "230V", primary = ["l", "n"], primary_resistance = "15R", secondaries = [ { off_load = "340-0-340V", nodes = ["x", "chassis", "y"], current = "120mA", resistance = "140R" }, { off_load = "6.9V", nodes = ["h1", "h2"], resistance = "0.1R" } ]"#;
    let off = transformer(line, OPEN, OPEN, &[]);
    let period = settled(&off.system);
    assert_near(rms(&volts(&off, &period, "x", "chassis")), 340.0, VOLTS);
    assert_near(rms(&volts(&off, &period, "h1", "h2")), 6.9, VOLTS);
    // On load by hand: n = 680/230; R' = n² 15 + 140 = 271 Ω in series with 6 kΩ.
    let on = transformer(line, 6e3, OPEN, &[]);
    let period = settled(&on.system);
    let ohms = (680.0_f64 / 230.0).powi(2) * 15.0 + 140.0;
    assert_near(
        rms(&volts(&on, &period, "x", "y")),
        680.0 * 6e3 / (6e3 + ohms),
        VOLTS,
    );
}

#[test]
fn a_tap_changes_the_turns_of_the_primary() {
    for (tap, ratio) in [("220V", 230.0 / 220.0), ("240V", 230.0 / 240.0)] {
        let at = transformer(STATED_ON_LOAD, OPEN, OPEN, &[("T2", tap)]);
        let period = settled(&at.system);
        assert_near(
            rms(&volts(&at, &period, "h1", "h2")),
            1.08 * 6.3 * ratio,
            VOLTS,
        );
    }
    // The same ratio by the mains.
    let at = transformer(STATED_ON_LOAD, OPEN, OPEN, &[("M1", "253V")]);
    let period = settled(&at.system);
    assert_near(
        rms(&volts(&at, &period, "h1", "h2")),
        1.08 * 6.3 * 1.1,
        VOLTS,
    );
    let mains = at.amplifier.mains.expect("the file has a mains");
    let figures = [mains.nominal, mains.low, mains.high, mains.frequency];
    for (found, wanted) in figures.into_iter().zip([230.0, 207.0, 253.0, 50.0]) {
        assert_near(found, wanted, 1e-12);
    }
}

/// A valve rectifier behind leakage inductance, reservoir, choke.
const SUPPLY: &str = r#"
M1 = { mains = "230V", frequency = "50Hz", between = ["l", "n"], resistance = "0.5R" }
T2 = { mains_transformer = "230V", primary = ["l", "n"], secondaries = [ { volts = "320-0-320V", nodes = ["x", "chassis", "y"], current = "120mA", resistance = "60R" } ], regulation = "8%" }
V2 = { valve = "GZ34", anodes = ["x", "y"], cathode = "ht0" }
C1 = { capacitor = "32u", between = ["ht0", "chassis"] }
L1 = { choke = "10H", between = ["ht0", "ht1"], resistance = "200R", saturates = "150mA" }
C2 = { capacitor = "32u", between = ["ht1", "chassis"] }
R1 = { resistor = "3k3", between = ["ht1", "chassis"] }
"#;

#[test]
fn a_rectifier_that_cuts_off_behind_leakage_settles() {
    for (parts, set) in [
        (SUPPLY.to_owned(), "GZ34"),
        (
            SUPPLY.replace("valve = \"GZ34\", anodes", "diode = \"silicon\", anodes"),
            "silicon",
        ),
    ] {
        let at = Opened::supply(&parts, &[]);
        let period = settled(&at.system);
        let ht = volts(&at, &period, "ht0", "chassis");
        let dc = ht.iter().sum::<f64>() / ht.len() as f64;
        // Between the mean and the peak of 320 V to 346 V rms.
        assert!((300.0..480.0).contains(&dc), "{set}: {dc}");
        // Each anode carries half the load: its half of the winding passes it as direct current.
        let load = volts(&at, &period, "ht1", "chassis");
        let load = load.iter().sum::<f64>() / load.len() as f64 / 3.3e3;
        let half = at.amplifier.circuit.find_part("T2").expect("T2");
        let amps = period.unknown(at.system.currents_of(half)[1]);
        let amps = amps.iter().sum::<f64>() / amps.len() as f64;
        assert_near(amps.abs(), 0.5 * load, 5e-3);
    }
}

#[test]
fn the_windings_behind_a_rectifier_and_no_others_get_a_capacitance() {
    let at = Opened::supply(SUPPLY, &[]);
    let id = at.amplifier.circuit.find_part("T2").expect("T2");
    let Part::Transformer(transformer) = &at.amplifier.circuit.part(id).part else {
        panic!("T2 is a transformer");
    };
    let own: Vec<bool> = transformer
        .windings
        .iter()
        .map(|w| w.capacitance > 0.0)
        .collect();
    assert_eq!(own, [false, true, true]);
    // R = √(L/C)
    let w = &transformer.windings[1];
    assert_near(w.capacitance_loss.powi(2) * w.capacitance, w.leakage, 1e-9);
    // The choke is behind a reservoir; before one it is cut off.
    let choke = |opened: &Opened| {
        let id = opened.amplifier.circuit.find_part("L1").expect("L1");
        match &opened.amplifier.circuit.part(id).part {
            Part::Inductor(choke) => choke.capacitance,
            _ => panic!("L1 is a choke"),
        }
    };
    assert!(choke(&at).abs() < 1e-15);
    let choke_input = SUPPLY.replace(
        "C1 = { capacitor = \"32u\", between = [\"ht0\", \"chassis\"] }\n",
        "",
    );
    assert!(choke(&Opened::supply(&choke_input, &[])) > 0.0);
}

#[test]
fn the_explained_file_runs_with_its_mains() {
    // With its 50 Hz at work for ten periods, the capacitances of its windings stated and assumed.
    let stated = include_str!("../../cli/src/amplifier_file.toml");
    let assumed = stated.replace(", capacitance = \"300p\", capacitance_loss = \"10k\"", "");
    assert_ne!(stated, assumed);
    for text in [stated, &assumed] {
        let at = Opened::read(text, &[]);
        let mut ws = at.driven(0.1).expect("rest");
        let run = (0.0, 0.2, 1.0 / 48e3);
        let ignore = &mut |_: f64, _: &[f64]| ();
        let tolerances = Tolerances::default();
        transient(
            &at.system,
            Method::TrBdf2,
            run,
            true,
            &tolerances,
            &mut ws,
            ignore,
        )
        .expect("a run to its end");
    }
}

// Filters ─────────────────────────────────────────────────────────────────────────────────────────

#[test]
fn ripple_behind_a_choke() {
    // Full-wave rectified: mean 2 Vm/π, second harmonic 4 Vm/(3π). 10 H and 32 µF loaded with 5 kΩ at
    // ω = 2π·100: |Z/(jωL + r + Z)|, Z = R ‖ 1/jωC. 1 %: the diodes take 0.9 V of 300 V from the mean,
    // hardly anything from the ripple.
    let (henries, farads, load, series) = (10.0, 32e-6, 5e3, 100.0);
    let at = Opened::supply(
        r#"
U1 = { ac_supply = "300V", frequency = "50Hz", between = ["x", "y"] }
R2 = { resistor = "1M", between = ["x", "chassis"] }
D1 = { bridge = "silicon", between = ["x", "y"], positive = "raw", negative = "chassis" }
L1 = { inductor = "10H", between = ["raw", "ht"], resistance = "100R" }
C1 = { capacitor = "32u", between = ["ht", "chassis"] }
R1 = { resistor = "5k", between = ["ht", "chassis"] }
"#,
        &[],
    );
    let period = settled(&at.system);
    let spectrum = Spectrum::of_period(&volts(&at, &period, "ht", "chassis"));
    let peak = 300.0 * std::f64::consts::SQRT_2;
    let mean = 2.0 * peak / std::f64::consts::PI * load / (load + series);
    assert_near(spectrum.mean, mean, 0.01);
    let omega = std::f64::consts::TAU * 100.0;
    // (jωL + r)(1/R + jωC) + 1
    let re = 1.0 + series / load - omega * omega * henries * farads;
    let im = omega * (henries / load + series * farads);
    let ripple = 4.0 * peak / (3.0 * std::f64::consts::PI) / re.hypot(im);
    assert_near(spectrum.harmonics[1].amplitude, ripple, 0.01);
}

#[test]
fn ripple_behind_a_resistor() {
    // 1 kΩ and 32 µF behind the reservoir, 10 kΩ of load: 1/|1 + r/R + jωrC| at 100 Hz.
    let at = Opened::supply(
        r#"
U1 = { ac_supply = "300V", frequency = "50Hz", between = ["x", "chassis"], resistance = "100R" }
U2 = { ac_supply = "300V", frequency = "50Hz", between = ["chassis", "y"], resistance = "100R" }
D1 = { diode = "silicon", anodes = ["x", "y"], cathode = "ht0" }
C1 = { capacitor = "16u", between = ["ht0", "chassis"] }
R2 = { resistor = "1k", between = ["ht0", "ht"] }
C2 = { capacitor = "32u", between = ["ht", "chassis"] }
R1 = { resistor = "10k", between = ["ht", "chassis"] }
"#,
        &[],
    );
    let period = settled(&at.system);
    let second = |node: &str| {
        Spectrum::of_period(&volts(&at, &period, node, "chassis")).harmonics[1].amplitude
    };
    let omega = std::f64::consts::TAU * 100.0;
    let divider = 1.0 / 1.1_f64.hypot(omega * 1e3 * 32e-6);
    // Linear parts at one frequency: what is left is the error of 512 steps a cycle, (2π/512)²/12.
    assert_near(second("ht") / second("ht0"), divider, 1e-3);
}

#[test]
fn a_reservoir_discharges_into_its_bleeder() {
    // 32 µF into 220 kΩ: 7.04 s. The diode's reverse current of 1e-12 A is nothing beside it.
    let at = Opened::supply(
        r#"
HT = { supply = "400V", positive = "raw", negative = "chassis", resistance = "10R" }
D1 = { diode = "silicon", anode = "raw", cathode = "ht" }
C1 = { capacitor = "32u", between = ["ht", "chassis"] }
R1 = { resistor = "220k", between = ["ht", "chassis"] }
"#,
        &[],
    );
    let mut ws = at.system.workspace();
    operating_point(&at.system, &Tolerances::default(), &mut ws).expect("rest");
    let ht = at.amplifier.circuit.find_part("HT").expect("HT");
    for (part, waveform) in at.system.sources().zip(&mut ws.waveforms) {
        if part == ht {
            *waveform = Waveform::Dc(0.0);
        }
    }
    let node = at.amplifier.circuit.find_node("ht").expect("ht");
    let out = at.system.voltage_of(node) as usize;
    let (tau, tolerances) = (32e-6 * 220e3, Tolerances::default());
    // The diode is cut off in the first of some short steps.
    let run = (0.0, 0.01, 1e-4);
    let ignore = &mut |_: f64, _: &[f64]| ();
    transient(
        &at.system,
        Method::TrBdf2,
        run,
        false,
        &tolerances,
        &mut ws,
        ignore,
    )
    .expect("a run");
    let start = ws.x[out];
    let mut seen = Vec::new();
    let run = (0.0, 3.0 * tau, 0.05);
    transient(
        &at.system,
        Method::TrBdf2,
        run,
        false,
        &tolerances,
        &mut ws,
        &mut |t: f64, x: &[f64]| {
            seen.push((t, x[out]));
        },
    )
    .expect("a run to its end");
    assert!(seen.len() > 400);
    for (t, v) in seen {
        // Steps of τ/140 by a method of second order: 3 t/τ (1/140)²/24 at most.
        assert_near(v, start * (-t / tau).exp(), 1e-4);
    }
}

// Capacitors in series ────────────────────────────────────────────────────────────────────────────

/// Two electrolytics across 540 V, one leaking 0.2 mA at 450 V, the other ten times that.
fn series_pair(sharing: &str) -> Opened {
    Opened::supply(
        &format!(
            r#"
HT = {{ supply = "540V", positive = "ht", negative = "chassis", resistance = "10R" }}
C1 = {{ electrolytic = "100u", positive = "ht", negative = "mid", rating = "450V", leakage = "0.2mA", tolerance = "20%" }}
C2 = {{ electrolytic = "100u", positive = "mid", negative = "chassis", rating = "450V", leakage = "2mA", tolerance = "20%" }}
{sharing}
R3 = {{ resistor = "100M", between = ["mid", "chassis"] }}
"#
        ),
        &[],
    )
}

#[test]
fn a_series_pair_with_and_without_sharing_resistors() {
    let middle = |at: &Opened| {
        let mut ws = at.system.workspace();
        operating_point(&at.system, &Tolerances::default(), &mut ws).expect("rest");
        let node = at.amplifier.circuit.find_node("mid").expect("mid");
        ws.x[at.system.voltage_of(node) as usize]
    };
    // By hand: conductances 0.2 mA/450 V = 0.444 µS and 4.444 µS; alone they share 540 V as 10 : 1. The
    // 100 MΩ that keeps the middle from floating and the 10 Ω of the supply are 3e-3 of the leakage.
    let alone = middle(&series_pair(""));
    assert_near(alone, 540.0 / 11.0, 5e-3);
    // With 22 kΩ across each, 45.45 µS: 540 (45.899)/(95.798) = 258.7 V below, 281.3 V above.
    let shared = middle(&series_pair(
        "R1 = { resistor = \"22k\", between = [\"ht\", \"mid\"], rating = \"5W\" }\nR2 = { resistor = \"22k\", between = [\"mid\", \"chassis\"], rating = \"5W\" }",
    ));
    assert_near(shared, 258.73, 1e-3);
    let upper = 540.0 - shared;
    assert_near(upper * upper / 22e3, 3.597, 2e-3);
    assert_near(shared * shared / 22e3, 3.043, 2e-3);
}

#[test]
fn at_switch_on_a_series_pair_shares_by_its_capacitances() {
    // −20 % above, +20 % below: 540 V share as 120 : 80, whatever the sharing resistors of 22 kΩ, whose
    // 2 s are long beside the 5 ms of charging through 100 Ω.
    let at = Opened::supply(
        r#"
U1 = { signal = "540V", wave = "square", frequency = "1Hz", positive = "ht", negative = "chassis", resistance = "100R" }
C1 = { capacitor = "80u", between = ["ht", "mid"] }
C2 = { capacitor = "120u", between = ["mid", "chassis"] }
R1 = { resistor = "22k", between = ["ht", "mid"] }
R2 = { resistor = "22k", between = ["mid", "chassis"] }
"#,
        &[],
    );
    let mut ws = at.system.workspace();
    operating_point(&at.system, &Tolerances::default(), &mut ws).expect("rest");
    let tolerances = Tolerances::default();
    transient(
        &at.system,
        Method::TrBdf2,
        (0.0, 0.05, 1e-4),
        false,
        &tolerances,
        &mut ws,
        &mut |_: f64, _: &[f64]| (),
    )
    .expect("a run to its end");
    let at_node = |name| {
        let node = at
            .amplifier
            .circuit
            .find_node(name)
            .expect("the node is drawn");
        ws.x[at.system.voltage_of(node) as usize]
    };
    assert_near(at_node("ht") - at_node("mid"), 324.0, 0.01);
    assert_near(at_node("mid"), 216.0, 0.01);
}

// Stabilisers and fields ──────────────────────────────────────────────────────────────────────────

#[test]
fn a_stabiliser_keeps_its_volts() {
    // 0D3 from 300 V through 5 kΩ, 10 mA of load: by hand (300 − v)/5k − v/15k = (v − v0)/r with the
    // line of the valve file; the bend is 0.1 V wide, so nothing of it is left at 10 mA.
    let at = Opened::supply(
        r#"
HT = { supply = "300V", positive = "ht", negative = "chassis" }
R1 = { resistor = "5k", between = ["ht", "s"] }
V1 = { valve = "0D3", anode = "s", cathode = "chassis" }
R2 = { resistor = "15k", between = ["s", "chassis"] }
"#,
        &[],
    );
    let answer = at
        .ask(&measure::at_rest::voltages::VoltagesOf)
        .expect("voltages at rest");
    let tube = library::find("0D3")
        .expect("0D3")
        .discharge
        .clone()
        .expect("a discharge");
    let v_0 = tube.voltage - tube.slope_ohms * tube.current;
    let (supply, load, slope) = (1.0 / 5e3, 1.0 / 15e3, 1.0 / tube.slope_ohms);
    let volts = (300.0 * supply + v_0 * slope) / (supply + load + slope);
    let stabiliser = &answer.stabilisers[0];
    assert_near(stabiliser.volts, volts, 1e-4);
    assert_near(stabiliser.current.value, (volts - v_0) * slope, 1e-3);
    assert!(!stabiliser.goes_out() && !stabiliser.current.is_over());
}

#[test]
fn a_field_is_a_choke_known_by_its_ohms() {
    let at = Opened::supply(
        r#"
HT = { supply = "300V", positive = "raw", negative = "chassis" }
L1 = { field = "1k", between = ["raw", "ht"] }
R1 = { resistor = "5k", between = ["ht", "chassis"] }
"#,
        &[],
    );
    let id = at.amplifier.circuit.find_part("L1").expect("L1");
    let Part::Inductor(field) = &at.amplifier.circuit.part(id).part else {
        panic!("a field is a choke");
    };
    assert_near(field.resistance, 1e3, 1e-12);
    assert!(at.amplifier.notes.iter().any(|note| note.part == "L1"));
}

#[test]
fn the_current_off_load_has_the_core_loss_in_it() {
    // An ammeter reads the root of both squares: 230 V/3.2 kΩ = 72 mA in phase, and of 100 mA 69.5 mA across.
    let line = STATED_ON_LOAD.replace(
        r#"magnetising_current = "70mA""#,
        r#"magnetising_current = "100mA", core_loss = "3k2""#,
    );
    let at = transformer(&line, OPEN, OPEN, &[]);
    let period = settled(&at.system);
    // As in the case before, for the primary's resistance.
    assert_near(rms(&current(&at, &period, "M1")), 100e-3, 0.03);
}
