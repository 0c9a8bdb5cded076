//! Characteristics of every type, and load lines, pairs and loci against what they must be.
//!
//! Over 400 lines because load lines, pairs and loci are tried on the same stages.

use models::data::{ValveModel, ValveType};
use models::grid_current::GridCurrent;
use models::library;
use models::triode::{Triode, TriodeParameters};

use super::{
    Asked, Bias, Coupling, Frame, LoadLineOf, PairOf, ScreenVolts, Section, Stage, StageOf,
};
use crate::Measurement;
use crate::at_rest::voltages::{ValveAtRest, VoltagesOf};
use crate::drawn;
use crate::driven::power::PowerOf;
use sim::System;

/// Every amplifying type, pentodes with a fixed screen, strapped and with a tap.
fn sections() -> Vec<Section<'static>> {
    let supply = |valve: &ValveType| valve.limits.anode_volts.unwrap_or(300.0);
    library::valves()
        .iter()
        .flat_map(|valve| {
            let screen = valve.limits.screen_volts.unwrap_or(250.0);
            let ways = [
                ScreenVolts::fixed(screen),
                ScreenVolts::STRAPPED,
                ScreenVolts::tapped(0.43, supply(valve)),
            ];
            let ways = match valve.model {
                ValveModel::Triode(_) => &ways[..1],
                _ => &ways[..],
            };
            let made: Vec<_> = ways
                .iter()
                .filter_map(|&way| Section::new(valve, way))
                .collect();
            made
        })
        .collect()
}

#[test]
fn curves_of_every_type_rise_and_never_cross() {
    let all = sections();
    assert!(all.len() > 70, "{}", all.len());
    for section in all {
        let name = (&section.valve.name, section.screen);
        let frame = Frame::new(&section, None, None, &[]);
        let mut grid = frame.grid.clone();
        // Between and above the curves drawn, where grid current takes its part.
        grid.extend([2.0, 1.0, 0.5].map(|part| 0.2 * part * -frame.grid[1]));
        grid.sort_by(f64::total_cmp);
        let curves = section.anode_characteristics(&grid, frame.anode_to);
        // What rounding may take from a sum of currents.
        let rounding = 1e-12 * frame.current_to;
        for curve in &curves {
            for pair in curve.points.windows(2) {
                assert!(
                    pair[0].i_a >= 0.0 && pair[0].i_s >= 0.0,
                    "{name:?}: {pair:?}"
                );
                // The law has no secondary emission: not even a pentode's anode current falls.
                let falls = pair[0].i_a - pair[1].i_a;
                assert!(falls <= rounding, "{name:?} falls by {falls}: {pair:?}");
            }
        }
        // At some tenths of a volt a grid at the cathode's volts takes more than the anode: there the curves
        // exchange places by currents below a twentieth of a pixel of the picture.
        let nothing = |v_a: f64| {
            if v_a < 0.5 {
                1e-4 * frame.current_to
            } else {
                rounding
            }
        };
        for pair in curves.windows(2).filter(|pair| pair[1].held <= 0.0) {
            for (low, high) in pair[0].points.iter().zip(&pair[1].points) {
                let crossed = low.i_a - high.i_a;
                assert!(
                    crossed <= nothing(low.v_a),
                    "{name:?} cross: {low:?} {high:?}"
                );
            }
        }
    }
}

/// Change of slope that counts as a kink when it stays however closely it is looked at, of the greatest
/// slope: a corner of half a degree where the curve stands at 45°.
const KINK: f64 = 0.01;

/// Halvings of the step; a current that starts as v^1.5 loses a factor of 64 of the change of slope.
const LOOKS: usize = 12;

/// The place of a kink, if there is one, between the ends.
fn kink(ends: (f64, f64), curve: &impl Fn(f64) -> f64) -> Option<f64> {
    const PIECES: usize = 400;
    let step = (ends.1 - ends.0) / PIECES as f64;
    let bends = |from: f64, step: f64, pieces: usize| -> Vec<(f64, f64)> {
        let at: Vec<f64> = (0..=pieces)
            .map(|k| curve(from + step * k as f64))
            .collect();
        let slopes: Vec<f64> = at
            .windows(2)
            .map(|pair| (pair[1] - pair[0]) / step)
            .collect();
        let jumps = slopes.windows(2).map(|pair| (pair[1] - pair[0]).abs());
        jumps
            .enumerate()
            .map(|(k, jump)| (from + step * (k + 1) as f64, jump))
            .collect()
    };
    let rise = |k: usize| curve(ends.0 + step * (k + 1) as f64) - curve(ends.0 + step * k as f64);
    let greatest = (0..PIECES)
        .map(|k| rise(k).abs() / step)
        .fold(0.0, f64::max);
    bends(ends.0, step, PIECES)
        .into_iter()
        .filter(|(_, jump)| *jump > KINK * greatest)
        .find(|&(place, jump)| {
            let (mut place, mut jump, mut step) = (place, jump, step);
            for _ in 0..LOOKS {
                step *= 0.5;
                // Half a step of the last look on either side of the worst place of it.
                let from = (place - 2.0 * step).max(ends.0);
                let near = bends(from, step, 4);
                let worst = near.into_iter().max_by(|a, b| a.1.total_cmp(&b.1));
                (place, jump) = worst.expect("there are pieces");
            }
            jump > KINK * greatest
        })
        .map(|(place, _)| place)
}

#[test]
fn curves_of_every_type_have_no_kinks() {
    for section in sections() {
        let name = (&section.valve.name, section.screen);
        let frame = Frame::new(&section, None, None, &[]);
        for &v_g in &frame.grid {
            let anode = kink((0.0, frame.anode_to), &|v_a| section.at(v_a, v_g).i_a);
            assert_eq!(anode, None, "{name:?} at {v_g} V");
            let screen = kink((0.0, frame.anode_to), &|v_a| section.at(v_a, v_g).i_s);
            assert_eq!(screen, None, "screen of {name:?} at {v_g} V");
        }
        let lowest = frame.grid.iter().copied().fold(0.0, f64::min);
        let mutual = kink((lowest, 0.0), &|v_g| {
            section.at(0.5 * frame.anode_to, v_g).i_a
        });
        assert_eq!(mutual, None, "{name:?} against the grid");
    }
}

#[test]
fn a_kink_is_found_and_a_smooth_foot_is_none() {
    assert_eq!(kink((0.0, 10.0), &|v| v.powf(1.5)), None);
    assert_eq!(kink((0.0, 10.0), &|v| (v - 3.3).max(0.0).powi(2)), None);
    let place = kink((0.0, 10.0), &|v| v + 0.02 * (v - 3.3).max(0.0)).expect("a kink");
    assert!((place - 3.3).abs() < 0.05, "{place}");
}

#[test]
fn a_family_has_round_steps_from_zero() {
    for section in sections() {
        let grid = Frame::new(&section, None, None, &[]).grid;
        let name = &section.valve.name;
        assert!((5..=11).contains(&grid.len()), "{name}: {grid:?}");
        assert!(
            grid[0].abs() < f64::MIN_POSITIVE && grid[1] < 0.0,
            "{name}: {grid:?}"
        );
    }
    for (step, round) in [
        (1.0, 1.0),
        (1.01, 2.0),
        (26.0, 50.0),
        (0.06, 0.1),
        (700.0, 1e3),
    ] {
        assert!(
            (super::round_step(step) / round - 1.0).abs() < 1e-12,
            "{step}"
        );
    }
}

fn valve_at_rest(parts: &str) -> ValveAtRest {
    let amplifier = drawn::amplifier(parts, ("g", "600R"), "R1");
    let system = System::of(&amplifier.circuit).expect("a whole drawing");
    let answer = VoltagesOf.about(&amplifier, &system);
    answer.expect("it rests").valves.remove(0)
}

/// A stage with its anode resistor, biased by its cathode.
fn resistor_stage(valve: &str, screen: &str) -> String {
    format!(
        "V1 = {{ valve = \"{valve}\", anode = \"a\", {screen} grid = \"g\", cathode = \"k\" }}
R1 = {{ resistor = \"10k\", between = [\"a\", \"ht\"] }}
R2 = {{ resistor = \"390R\", between = [\"k\", \"chassis\"] }}
R3 = {{ resistor = \"100k\", between = [\"g\", \"chassis\"] }}
HT = {{ supply = \"300V\", positive = \"ht\", negative = \"chassis\" }}"
    )
}

#[test]
fn the_working_point_on_the_line_is_that_of_the_circuit() {
    for (kind, screen, way) in [
        ("6SN7GT", "", ScreenVolts::STRAPPED),
        ("EL84", "screen = \"a\",", ScreenVolts::STRAPPED),
    ] {
        let circuit = valve_at_rest(&resistor_stage(kind, screen));
        let valve = library::find(kind).expect("in the library");
        let section = Section::new(valve, way).expect("it amplifies");
        let question = LoadLineOf {
            supply: 300.0,
            ohms: 10e3,
            coupling: Coupling::Resistor,
            bias: Bias::Cathode(390.0),
            swing: None,
        };
        let line = question.run(&section, &[0.0]);
        // The solver's own tolerance on volts, a thousand times what halving leaves.
        let same = |a: f64, b: f64| assert!((a - b).abs() < 1e-6 * b.abs(), "{kind}: {a} {b}");
        same(line.rest.v_a, circuit.v_ak.value);
        same(line.rest.v_g, circuit.v_gk);
        same(line.rest.i_a, circuit.i_a + circuit.i_s);
        same(line.gm, circuit.gm);
        same(line.ra, circuit.ra);
        // The same as a bias that is given.
        let given = LoadLineOf {
            supply: 300.0 - line.v_k.expect("a cathode resistor"),
            bias: Bias::Grid(line.rest.v_g),
            ..question
        };
        same(given.run(&section, &[]).rest.v_a, line.rest.v_a);
        // On the line, whatever the grid.
        let at = line.points[0];
        let sum = at.v_a + 10e3 * at.i_a + line.v_k.expect("a cathode resistor");
        assert!((sum - 300.0).abs() < 1e-6, "{sum}");
    }
}

/// A triode that follows i = (v_g + v_a/mu)² / kg wherever that is not cut off.
fn square_law() -> ValveType {
    let mut valve = library::find("2A3").expect("in the library").clone();
    let parameters = TriodeParameters {
        mu: 5.0,
        x: 2.0,
        kg: 4e3,
        kp: 1e4,
        kvb: 1e-9,
        vct: 0.0,
    };
    valve.model = ValveModel::Triode(Triode::new(parameters, GridCurrent::none()));
    valve
}

#[test]
fn composite_lines_of_a_square_law_are_straight_and_parallel() {
    // With a = b + V/mu, u = v - V: i = ((a + e + u/mu)² - (a - e - u/mu)²) / kg = 4 a (e + u/mu) / kg,
    // while neither valve cuts off. By algebra.
    let valve = square_law();
    let section = Section::new(&valve, ScreenVolts::STRAPPED).expect("it amplifies");
    let (supply, bias, mu, kg, ohms) = (300.0, -30.0, 5.0, 4e3, 4e3);
    let a = bias + supply / mu;
    let question = PairOf {
        supply,
        ohms,
        bias,
        swing: Some(20.0),
    };
    let pair = question.run(&section, &[-20.0, 0.0, 10.0, 20.0]);
    let mut seen = 0;
    for curve in &pair.curves {
        for (&v, &current) in curve.v_a.iter().zip(&curve.current) {
            let lift = curve.drive + (v - supply) / mu;
            // Inside both hinges by ten times their width of mu/kp of the anode volts.
            if lift.abs() < a - 0.5 && v > 1.0 && v < 2.0 * supply - 1.0 {
                let wanted = 4.0 * a * lift / kg;
                assert!(
                    (current - wanted).abs() < 1e-6,
                    "{current} {wanted} at {v} V"
                );
                seen += 1;
            }
        }
    }
    assert!(seen > 200, "{seen}");
    // Half a valve's anode resistance: two in parallel.
    assert!(
        (pair.ra / (kg * mu / (4.0 * a)) - 1.0).abs() < 1e-6,
        "{}",
        pair.ra
    );
    // i = -u / (R/4) meets i = 4 a (e + u/mu) / kg.
    let slope = 4.0 * a / kg;
    for at in &pair.points {
        let u = -slope * at.drive / (slope / mu + 4.0 / ohms);
        assert!((at.first.v_a - supply - u).abs() < 1e-5, "{at:?}");
        assert!((at.current + u * 4.0 / ohms).abs() < 1e-8, "{at:?}");
    }
    let swing = pair.swing.expect("a drive is given");
    let u = slope * 20.0 / (slope / mu + 4.0 / ohms);
    assert!((swing.fundamental / u - 1.0).abs() < 1e-6, "{swing:?}");
    // Volts of both halves across the load from anode to anode.
    assert!((swing.power / (0.5 * (2.0 * u).powi(2) / ohms) - 1.0).abs() < 1e-6);
    assert!(swing.thd < 1e-6, "{}", swing.thd);
}

#[test]
fn a_swing_of_a_square_law_has_its_second_harmonic() {
    // Into no load i = (c + e sin)²/kg: second harmonic e/(4c) of the fundamental. By algebra.
    let valve = square_law();
    let section = Section::new(&valve, ScreenVolts::STRAPPED).expect("it amplifies");
    let question = LoadLineOf {
        supply: 300.0,
        ohms: 1e-3,
        coupling: Coupling::Transformer,
        bias: Bias::Grid(-30.0),
        swing: Some(10.0),
    };
    let line = question.run(&section, &[]);
    let swing = line.swing.expect("a drive is given");
    assert!(
        (swing.harmonics[0] - 10.0 / (4.0 * 30.0)).abs() < 1e-5,
        "{swing:?}"
    );
    assert!(swing.harmonics[1] < 1e-5, "{swing:?}");
}

fn stage(parts: &str, frequency: f64, level: Asked) -> Stage {
    let mut amplifier = drawn::amplifier(parts, ("in", "600R"), "R1");
    amplifier.bench.frequency = frequency;
    let system = System::of(&amplifier.circuit).expect("a whole drawing");
    let question = StageOf {
        part: amplifier.circuit.find_part("V1").expect("it is there"),
        bench: PowerOf::bench(&amplifier.bench),
        level,
    };
    let answer = question.about(&amplifier, &system);
    answer.expect("it settles")
}

/// A triode with fixed bias on this load.
fn triode_on(load: &str) -> String {
    format!(
        "V1 = {{ valve = \"6SN7GT\", anode = \"a\", grid = \"g\", cathode = \"chassis\" }}
{load}
R3 = {{ resistor = \"100k\", between = [\"g\", \"bias\"] }}
C1 = {{ capacitor = \"1u\", between = [\"in\", \"g\"] }}
R4 = {{ resistor = \"1M\", between = [\"in\", \"chassis\"] }}
GB = {{ supply = \"8V\", positive = \"chassis\", negative = \"bias\" }}
HT = {{ supply = \"300V\", positive = \"ht\", negative = \"chassis\" }}"
    )
}

#[test]
fn a_resistive_load_keeps_the_locus_on_its_line() {
    let parts = triode_on("R1 = { resistor = \"22k\", between = [\"a\", \"ht\"] }");
    let stage = stage(&parts, 100.0, Asked::Drive(6.0));
    assert!(stage.v_1 > 50.0, "{}", stage.v_1);
    for point in &stage.locus {
        // Microvolts of the solver against tens of volts.
        let off = point.v_a + 22e3 * point.i_a - 300.0;
        // The capacitance from grid to anode, 4 pF, passes nanoamperes: 22 kΩ make 1e-2 V of 50 V.
        assert!(off.abs() < 2e-2, "{off}");
    }
    let ohms = stage.ohms.expect("it swings");
    // 22 kΩ beside 4 pF and 3 pF at 100 Hz: 1e-4.
    assert!((ohms / 22e3 - 1.0).abs() < 3e-4, "{ohms}");
    assert!(
        stage.phase_degrees.expect("it swings").abs() < 0.05,
        "{stage:?}"
    );
    assert!(stage.screen.is_none() && stage.met);
}

#[test]
fn a_reactive_load_shows_its_impedance() {
    let parts = triode_on(
        "R1 = { resistor = \"22k\", between = [\"a\", \"ht\"] }
L1 = { choke = \"20H\", between = [\"a\", \"ht\"], resistance = \"400R\" }",
    );
    let stage = stage(&parts, 100.0, Asked::Drive(6.0));
    // R in parallel with r + jωL, by hand.
    let (r, x) = (400.0, std::f64::consts::TAU * 100.0 * 20.0);
    let g = 1.0 / 22e3 + r / (r * r + x * x);
    let b = -x / (r * r + x * x);
    let (ohms, degrees) = (1.0 / g.hypot(b), -f64::atan2(b, g).to_degrees());
    assert!(degrees > 50.0, "{degrees}");
    let (found, phase) = (
        stage.ohms.expect("it swings"),
        stage.phase_degrees.expect("it swings"),
    );
    // Beside them the 7 pF of the valve, whose current is 1e-4 of the load's.
    assert!((found / ohms - 1.0).abs() < 3e-4, "{found} {ohms}");
    assert!((phase - degrees).abs() < 0.05, "{phase} {degrees}");
}

#[test]
fn a_screen_stopper_to_the_anode_is_strapped() {
    let parts = triode_on("R1 = { resistor = \"5k\", between = [\"a\", \"ht\"] }")
        .replace("6SN7GT", "EL84")
        .replace("anode = \"a\",", "anode = \"a\", screen = \"s\",");
    let direct = parts.replace("screen = \"s\"", "screen = \"a\"");
    let stopper = "R9 = { resistor = \"100R\", between = [\"s\", \"a\"] }\nV1 =";
    let stopped = parts.replacen("V1 =", stopper, 1);
    let [direct, stopped] = [direct, stopped].map(|parts| stage(&parts, 100.0, Asked::Drive(4.0)));
    for stage in [&direct, &stopped] {
        assert_eq!(stage.screen, Some(ScreenVolts::STRAPPED));
        assert!(stage.locus.iter().all(|point| point.i_s == 0.0));
    }
    // The stopper drops half a volt of 200 V at the screen.
    assert!(
        (stopped.rest.i_a / direct.rest.i_a - 1.0).abs() < 0.01,
        "{stopped:?}"
    );
    let ohms = stopped.ohms.expect("it swings");
    assert!(
        (ohms / 5e3 - 1.0).abs() < 1e-3,
        "both currents flow in the load: {ohms}"
    );
}

#[test]
fn a_tapped_screen_is_seen_from_the_cycle() {
    let parts = "V1 = { valve = \"EL34\", anode = \"a\", screen = \"s\", grid = \"g\", cathode = \"chassis\" }
L1 = { autotransformer = \"60H\", winding = [\"a\", \"s\", \"ht\"], taps = [\"57%\"], resistance = \"10R\" }
R1 = { resistor = \"4k\", between = [\"a\", \"ht\"] }
R3 = { resistor = \"100k\", between = [\"g\", \"bias\"] }
C1 = { capacitor = \"1u\", between = [\"in\", \"g\"] }
R4 = { resistor = \"1M\", between = [\"in\", \"chassis\"] }
GB = { supply = \"40V\", positive = \"chassis\", negative = \"bias\" }
HT = { supply = \"350V\", positive = \"ht\", negative = \"chassis\" }
";
    let stage = stage(parts, 1e3, Asked::Watts(2.0));
    assert!(
        stage.met && (stage.power / 2.0 - 1.0).abs() < 1e-3,
        "{}",
        stage.power
    );
    let screen = stage.screen.expect("a pentode");
    // Volts divide as the turns but for the drop of some ohms at 0.1 A, beside 100 V.
    assert!((screen.share - 0.43).abs() < 0.005, "{screen:?}");
    assert!((screen.at(350.0) - 350.0).abs() < 1.5, "{screen:?}");
    assert!(
        stage.screen_left.expect("a pentode") < 0.5,
        "{:?}",
        stage.screen_left
    );
}
