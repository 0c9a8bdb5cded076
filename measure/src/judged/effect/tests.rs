//! Each kind of part against the textbook.
//!
//! Formulas of stages: Reich, Theory and Applications of Electron Tubes, 1944; Terman, Radio Engineers' Handbook, 1943,
//! section 5 (from memory). Values of mu, ra and capacitances are those the measured valve has.
//!
//! Over 400 lines because each kind of part brings its circuit and its formula.

use std::f64::consts::TAU;

use super::figures::Reading;
use super::moves::steps;
use super::taken_out::{usual, without as taken};
use super::*;
use crate::at_rest::voltages::{ValveAtRest, VoltagesOf};
use crate::drawn;
use sheet::read;
use sim::System;
use sim::amplifier::Amplifier;
use sim::quantity::Unit;

fn file(parts: &str, load: &str, frequency: &str) -> String {
    drawn::text(parts, ("in", "0R"), load) + &format!("frequency = \"{frequency}\"\n")
}

/// A triode with fixed bias, and a capacitor C7 across its load beside a smaller one.
fn stage() -> String {
    file(
        r#"HT = { supply = "250V", positive = "ht", negative = "chassis" }
GB = { supply = "6V", positive = "chassis", negative = "b" }
C1 = { capacitor = "1000u", between = ["in", "g"] }
R1 = { resistor = "1M", between = ["g", "b"] }
V1 = { valve = "6J5", anode = "a", grid = "g", cathode = "chassis" }
R2 = { resistor = "47k", between = ["ht", "a"] }
C7 = { capacitor = "1n", between = ["a", "chassis"] }
C8 = { capacitor = "100p", between = ["a", "chassis"] }
C2 = { capacitor = "1000u", between = ["a", "out"] }
R3 = { resistor = "470k", between = ["out", "chassis"] }"#,
        "R3",
        "1kHz",
    )
}

fn ask(text: &str, named: &Named) -> (Amplifier, Effects) {
    let amplifier = read(text, &[]).unwrap();
    let question = EffectOf {
        cases: cases(&amplifier, named).unwrap(),
        path: None,
        full: false,
    };
    let system = System::of(&amplifier.circuit).unwrap();
    let answer = question.about(&amplifier, &system).unwrap();
    (amplifier, answer)
}

fn parts(names: &[&str]) -> Vec<String> {
    names.iter().map(|name| (*name).to_owned()).collect()
}

fn usually(names: &[&str]) -> Named {
    Named {
        parts: parts(names),
        ..Named::default()
    }
}

fn value(whole: &AmplifierFigures, name: &str) -> f64 {
    let found = whole.figures.iter().find(|at| at.figure == name);
    found
        .and_then(|at| at.value)
        .unwrap_or_else(|| panic!("{name}: {whole:#?}"))
}

fn valve(amplifier: &Amplifier, name: &str) -> ValveAtRest {
    let system = System::of(&amplifier.circuit).unwrap();
    let rest = VoltagesOf.about(amplifier, &system).unwrap();
    rest.valves
        .into_iter()
        .find(|valve| valve.part == name)
        .unwrap()
}

/// Anode to grid, grid to cathode and anode to cathode, F.
fn capacitances(amplifier: &Amplifier, name: &str) -> [f64; 3] {
    let part = amplifier.circuit.find_part(name).unwrap();
    let Part::Valve(valve) = &amplifier.circuit.part(part).part else {
        panic!("{name} is a valve");
    };
    let c = valve.kind.capacitances_of(valve.section);
    [c.anode_grid, c.grid_cathode, c.anode_cathode]
}

fn parallel(ohms: &[f64]) -> f64 {
    ohms.iter().map(|r| r.recip()).sum::<f64>().recip()
}

fn near(ours: f64, wanted: f64, tolerance: f64) {
    assert!(
        (ours / wanted - 1.0).abs() < tolerance,
        "{ours}, not {wanted}"
    );
}

#[test]
fn a_capacitor_across_an_anode_load_sets_the_treble_limit() {
    // f = 1/(2πRC), R = ra ‖ RL ‖ next grid leak, C with the valve's own (Terman, sec. 5)
    let (amplifier, answer) = ask(&stage(), &usually(&["C7"]));
    let rest = valve(&amplifier, "V1");
    let [cga, _, cak] = capacitances(&amplifier, "V1");
    let r = parallel(&[rest.ra, 47e3, 470e3]);
    // Half of what the gain is at 1 kHz, where it has fallen a little: x² = 1 + 2·x₁²
    let limit = |c: f64| (1.0 + 2.0 * (TAU * 1e3 * r * c).powi(2)).sqrt() / (TAU * r * c);
    let effect = &answer.cases[0];
    assert_eq!(effect.outcome, Outcome::Works);
    // The way through Cga leads to a zero at gm/(2πCga), 70 MHz: 1e-5 of the square at 0.2 MHz
    near(
        value(&answer.as_drawn, "treble limit"),
        limit(1.1e-9 + cga + cak),
        1e-4,
    );
    near(
        value(&effect.without, "treble limit"),
        limit(1e-10 + cga + cak),
        1e-4,
    );
    assert_eq!(effect.changes[0].figure, "treble limit");
    let gain = |change: &Shift| change.figure == GAIN;
    assert!(!effect.changes.iter().any(gain), "{:?}", effect.changes);
}

#[test]
fn an_opened_part_is_one_that_is_not_in_the_file() {
    // The open contact's 100 GΩ beside megohms: 1e-5 of what they do, 1e-4 dB
    let text = stage();
    let (_, answer) = ask(&text, &usually(&["C7"]));
    let line = text.lines().find(|line| line.starts_with("C7")).unwrap();
    let (_, removed) = ask(&text.replace(line, ""), &usually(&["C2"]));
    let pairs = removed
        .as_drawn
        .gains_db
        .iter()
        .zip(&answer.cases[0].without.gains_db);
    assert_eq!(answer.cases[0].without.gains_db.len(), grid().len());
    for (removed, opened) in pairs {
        assert!((removed - opened).abs() < 1e-4, "{removed} {opened}");
    }
}

#[test]
fn a_bypass_capacitor_takes_the_cathode_resistor_out_of_the_gain() {
    // A = mu·RL/(ra + RL + (mu+1)·Rk) without it, the last term gone with it (Reich)
    let text = stage()
        .replace("cathode = \"chassis\"", "cathode = \"k\"")
        .replace(r#"GB = { supply = "6V", positive = "chassis", negative = "b" }"#, "")
        .replace("[\"g\", \"b\"]", "[\"g\", \"chassis\"]")
        .replace(r#"C8 = { capacitor = "100p", between = ["a", "chassis"] }"#, "")
        .replace(
            r#"C7 = { capacitor = "1n", between = ["a", "chassis"] }"#,
            "R7 = { resistor = \"1k5\", between = [\"k\", \"chassis\"] }\nC7 = { capacitor = \"10u\", between = [\"k\", \"chassis\"] }",
        );
    let (amplifier, answer) = ask(&text, &usually(&["C7"]));
    let rest = valve(&amplifier, "V1");
    let (rl, rk, c) = (parallel(&[47e3, 470e3]), 1500.0, 10e-6);
    let degeneration = (rest.mu + 1.0) * rk;
    let k = degeneration / (rest.ra + rl);
    // |A|² against its high end: (1 + x²)/((1 + k)² + x²), x = ωRkC; half of what it is at 1 kHz
    let shape = |x2: f64| (1.0 + x2) / ((1.0 + k).powi(2) + x2);
    let at_test = shape((TAU * 1e3 * rk * c).powi(2));
    let half = 0.5 * at_test;
    let x = ((half * (1.0 + k).powi(2) - 1.0) / (1.0 - half)).sqrt();
    let decibels = |ratio: f64| 20.0 * ratio.log10();
    let gain = rest.mu * rl / (rest.ra + rl);
    let (with, without) = (&answer.as_drawn, &answer.cases[0].without);
    // 1 mdB is 1e-4: Cga at 1 kHz and the coupling capacitors are less
    assert!((value(with, GAIN) - decibels(gain * at_test.sqrt())).abs() < 1e-3);
    assert!((value(without, GAIN) - decibels(gain / (1.0 + k))).abs() < 1e-3);
    // The coupling capacitors end at a millihertz; what is left is the valve's own at 1 kHz
    near(value(with, "bass limit"), x / (TAU * rk * c), 1e-4);
    assert_eq!(answer.cases[0].parts[0].how, How::Opened);
}

#[test]
fn a_shorted_coupling_capacitor_puts_the_grid_at_the_anode() {
    // Ohm and Kirchhoff: the next grid leak now draws on the anode load, and the follower's cathode goes along
    let text = file(
        r#"HT = { supply = "300V", positive = "ht", negative = "chassis" }
GB = { supply = "4V", positive = "chassis", negative = "b" }
C1 = { capacitor = "1u", between = ["in", "g"] }
R1 = { resistor = "1M", between = ["g", "b"] }
V1 = { valve = "6J5", anode = "a", grid = "g", cathode = "chassis" }
R2 = { resistor = "47k", between = ["ht", "a"] }
C2 = { capacitor = "0.1u", between = ["a", "g2"] }
R3 = { resistor = "1M", between = ["g2", "chassis"] }
V2 = { valve = "6J5", anode = "ht", grid = "g2", cathode = "k2" }
R4 = { resistor = "47k", between = ["k2", "chassis"] }
C3 = { capacitor = "1u", between = ["k2", "out"] }
R5 = { resistor = "470k", between = ["out", "chassis"] }"#,
        "R5",
        "1kHz",
    );
    let named = Named {
        short: parts(&["C2"]),
        ..Named::default()
    };
    let (_, answer) = ask(&text, &named);
    let rest = |whole: &AmplifierFigures, of: &str| value(whole, of);
    let whole = &answer.cases[0].without;
    let anode = rest(whole, "V1 anode volts");
    // 1e-6: a wire of 10 mΩ, and the follower's grid draws picoamperes
    near(
        anode,
        300.0 - 47e3 * (rest(whole, "V1 anode current") + anode / 1e6),
        1e-6,
    );
    let cathode = 47e3 * rest(whole, "V2 anode current");
    near(rest(whole, "V2 grid volts"), anode - cathode, 1e-4);
    let before = 47e3 * rest(&answer.as_drawn, "V2 anode current");
    near(rest(&answer.as_drawn, "V2 grid volts"), -before, 1e-6);
    let changes = &answer.cases[0].changes;
    assert!(
        changes
            .iter()
            .any(|change| change.figure == "V2 anode current")
    );
    // Opened it carries no signal, and nothing is told of what leaks through
    let (_, answer) = ask(&text, &usually(&["C2"]));
    assert_eq!(answer.cases[0].outcome, Outcome::Cut);
    assert!(answer.cases[0].without.gains_db.is_empty());
}

#[test]
fn cross_connected_capacitors_cancel_the_millers() {
    // Cin = Cgk + Cga·(1 + A) + Cn·(1 − A), A the gain from grid to the own anode (Terman, neutralisation of
    // push-pull stages; Miller, Bull. Bur. Standards 15 (1920) 367; both from memory)
    let cn = 3.4e-12;
    let text = file(
        r#"HT = { supply = "250V", positive = "ht", negative = "chassis" }
GB = { supply = "6V", positive = "chassis", negative = "b" }
T1 = { transformer = [ { name = "primary", nodes = ["in", "chassis"], turns = "1000", resistance = "1R" }, { nodes = ["s1", "b"], turns = "1000", resistance = "1R" }, { nodes = ["b", "s2"], turns = "1000", resistance = "1R" } ], primary_inductance = "10000H", leakage_inductance = "1mH" }
R1 = { resistor = "1M", between = ["s1", "g1"] }
R2 = { resistor = "1M", between = ["s2", "g2"] }
V1 = { valve = "6J5", anode = "a1", grid = "g1", cathode = "chassis" }
V2 = { valve = "6J5", anode = "a2", grid = "g2", cathode = "chassis" }
R3 = { resistor = "47k", between = ["ht", "a1"] }
R4 = { resistor = "47k", between = ["ht", "a2"] }
C7 = { capacitor = "3.4p", between = ["a1", "g2"] }
C8 = { capacitor = "3.4p", between = ["a2", "g1"] }
R5 = { resistor = "1M", between = ["a1", "a2"] }"#,
        "R5",
        "50Hz",
    );
    let named = Named {
        together: true,
        ..usually(&["C7", "C8"])
    };
    let (amplifier, answer) = ask(&text, &named);
    let rest = valve(&amplifier, "V1");
    let [cga, cgk, _] = capacitances(&amplifier, "V1");
    let r = parallel(&[47e3, 500e3]);
    let a = rest.mu * r / (rest.ra + r);
    let limit = |cn: f64| {
        let cin = cgk + cga * (1.0 + a) + cn * (1.0 - a);
        1.0 / (TAU * 1e6 * cin)
    };
    let [effect] = &answer.cases[..] else {
        panic!("{:#?}", answer.cases)
    };
    // What the grids' currents do at the anodes: their 10 kΩ beside 1 MΩ, some parts of a thousand
    near(value(&answer.as_drawn, "treble limit"), limit(cn), 5e-3);
    near(value(&effect.without, "treble limit"), limit(0.0), 5e-3);
    assert!(limit(cn) > 3.0 * limit(0.0), "the case tells the two apart");
    assert_eq!(effect.changes[0].figure, "treble limit");
}

/// Two stages with every kind of resistor.
const KINDS: &str = r#"HT = { supply = "300V", positive = "ht", negative = "chassis" }
L1 = { choke = "10H", between = ["ht", "ht1"], resistance = "200R" }
C9 = { electrolytic = "16u", positive = "ht1", negative = "chassis" }
R9 = { resistor = "22k", between = ["ht1", "ht2"] }
C8 = { electrolytic = "16u", positive = "ht2", negative = "chassis" }
R8 = { resistor = "100k", between = ["ht1", "chassis"] }
GB = { supply = "60V", positive = "chassis", negative = "gb" }
V3 = { valve = "6J5", anode = "ht2", grid = "in", cathode = "k3" }
R12 = { resistor = "33k", between = ["k3", "gb"] }
R1 = { resistor = "1M", between = ["in", "chassis"] }
R2 = { resistor = "10k", between = ["in", "g1"] }
C7 = { capacitor = "5p", between = ["g1", "chassis"] }
V1 = { valve = "6J5", anode = "a1", grid = "g1", cathode = "k1" }
R3 = { resistor = "1k5", between = ["k1", "chassis"] }
R4 = { resistor = "47k", between = ["ht2", "a1"] }
C1 = { capacitor = "22n", between = ["a1", "g2"] }
R5 = { resistor = "470k", between = ["g2", "chassis"] }
V2 = { valve = "6V6GT", anode = "a2", screen = "s2", grid = "g2", cathode = "k2" }
R6 = { resistor = "270R", between = ["k2", "chassis"] }
R7 = { resistor = "1k", between = ["ht1", "s2"] }
R10 = { resistor = "47R", between = ["a2", "p"] }
R11 = { resistor = "1M", between = ["a2", "a1"] }
T1 = { transformer = "5k : 8R", primary = ["p", "ht1"], secondary = ["out", "chassis"], primary_inductance = "10H" }
LS = { resistor = "8R", between = ["out", "chassis"] }"#;

#[test]
fn each_part_is_taken_out_as_the_trade_would() {
    let amplifier = read(&file(KINDS, "LS", "1kHz"), &[]).unwrap();
    let graph = Graph::of(&amplifier.circuit, amplifier.bench.generator);
    for (part, how) in [
        ("L1", Some(How::Shorted)),
        ("C9", Some(How::Opened)),
        ("R9", Some(How::Shorted)), // between two rails
        ("R8", Some(How::Opened)),  // bleeder
        ("R1", Some(How::Opened)),
        ("R2", Some(How::Shorted)), // stopper, for all its 5 pF
        ("R3", Some(How::Shorted)),
        ("R4", Some(How::Opened)),
        ("R5", Some(How::Opened)), // leak
        ("R6", Some(How::Shorted)),
        ("R12", Some(How::Opened)), // tail
        ("R7", Some(How::Shorted)),
        ("R10", Some(How::Shorted)),
        ("R11", Some(How::Opened)), // feedback
        ("V2", Some(How::Opened)),
        ("T1", None),
        ("HT", None),
    ] {
        let id = amplifier.circuit.find_part(part).unwrap();
        assert_eq!(usual(&graph, id), how, "{part}");
    }
    let every = cases(&amplifier, &Named::default()).unwrap();
    assert_eq!(
        every.len(),
        17,
        "resistors, capacitors and the choke, but not the load"
    );
}

#[test]
fn what_is_cut_off_from_direct_current_is_told_and_not_solved() {
    let text = file(KINDS, "LS", "1kHz");
    let (_, answer) = ask(&text, &usually(&["R5"]));
    let words = |part: &str| {
        let mut cases = answer.cases.iter();
        let found = cases.find(|effect| effect.parts[0].part == part).unwrap();
        assert_eq!(found.outcome, Outcome::Unfed);
        found.words.clone().unwrap()
    };
    assert_eq!(words("R5"), "the grid of V2 floats, held by nothing");
    // Both valves that share the tail
    let shared = text.replace("cathode = \"k1\"", "cathode = \"k3\"");
    let lines = shared.lines().filter(|line| !line.starts_with("R3 "));
    let shared: Vec<&str> = lines.collect();
    let (_, answer) = ask(&shared.join("\n"), &usually(&["R12"]));
    let words = answer.cases[0].words.as_deref();
    assert_eq!(
        words,
        Some("no direct current leaves the cathodes of V3 and V1")
    );
    // The feedback resistor R11 still feeds V1 a little
    let (_, answer) = ask(
        &text.replace("[\"a2\", \"a1\"]", "[\"a2\", \"out\"]"),
        &usually(&["R4"]),
    );
    assert_eq!(
        answer.cases[0].words.as_deref(),
        Some("no direct current reaches the anode of V1")
    );
}

#[test]
fn what_cannot_be_taken_out_is_said_all_at_once() {
    let amplifier = read(&file(KINDS, "LS", "1kHz"), &[]).unwrap();
    let named = Named {
        parts: parts(&["C77", "LS", "C7", "C7", "T1"]),
        short: parts(&["V2"]),
        ..Named::default()
    };
    let faults = cases(&amplifier, &named).unwrap_err();
    let words: Vec<String> = faults.iter().map(ToString::to_string).collect();
    let expected = [
        "there is no part C77",
        "LS is the load of the bench, in which the figures are stated",
        "C7 is named twice",
        "T1 is a transformer, which cannot be taken out",
        "V2 is a valve and cannot be shorted",
    ];
    assert_eq!(words, expected);
    let alone = Named {
        together: true,
        ..usually(&["C7"])
    };
    assert_eq!(
        cases(&amplifier, &alone).unwrap_err(),
        [CaseError::Together]
    );
}

#[test]
fn a_step_is_a_step() {
    let of = |scale, value| Reading {
        group: Group::AtRest,
        figure: String::new(),
        unit: "",
        value,
        frequency: None,
        beyond: None,
        scale,
        of: Unit::Number,
    };
    let moved = |scale, a, b| steps(&of(scale, Some(a)), &of(scale, Some(b)));
    let share = Scale::Share { least: 1e-3 };
    near(moved(share, 100.0, 101.0), 1.0, 1e-9);
    assert!(moved(share, 100.0, 100.9) < 1.0 && moved(share, -100.0, -99.0) > 1.0);
    assert!(moved(share, 1e-4, 9e-4) < 1.0, "both are none");
    // What rises out of nothing counts from where figures begin: twice that.
    near(moved(share, 1e-4, 2e-3), 2_f64.ln() / 1.01_f64.ln(), 1e-9);
    assert!(moved(share, -1.0, 1.0) > 1.0, "through nought");
    near(moved(Scale::Decibels, -3.0, -3.2), 2.0, 1e-9);
    near(moved(Scale::Margin, 6.0, 8.0), 2.0, 1e-9);
    near(moved(Scale::Degrees, 60.0, 57.0), 3.0, 1e-9);
    near(moved(Scale::Points, 0.0, 0.02), 2.0, 1e-9);
    // Beyond the range: no nearer than its end
    let beyond = Reading {
        beyond: Some(1e6),
        ..of(Scale::Share { least: 0.0 }, None)
    };
    let inside = of(Scale::Share { least: 0.0 }, Some(0.999e6));
    assert!(steps(&beyond, &inside) < 1.0);
    assert!(steps(&of(share, None), &of(share, Some(1.0))) > 100.0);
    near(steps(&of(share, None), &of(share, None)) + 1.0, 1.0, 1e-12);
}

#[test]
fn a_valve_leaves_its_socket_with_its_whole_envelope() {
    let text = file(
        &(KINDS.replace(
            "V1 = { valve = \"6J5\"",
            "V1a = { valve = \"6SN7GT\", envelope = \"V1\"",
        ) + "\nV1b = { valve = \"6SN7GT\", envelope = \"V1\", anode = \"ht2\", grid = \"g1\", cathode = \"k1\" }"),
        "LS",
        "1kHz",
    );
    let amplifier = read(&text, &[]).unwrap();
    let found = cases(&amplifier, &usually(&["V1b"])).unwrap();
    assert_eq!(found[0].len(), 2);
    let circuit = taken(&amplifier.circuit, &found[0]);
    let valves = circuit
        .parts()
        .filter(|(_, placed)| matches!(placed.part, Part::Valve(_)));
    assert_eq!(valves.count(), 2, "V2 and V3 are left");
}
