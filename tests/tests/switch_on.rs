//! What happens at switch-on against closed forms.

#![allow(
    clippy::print_stdout,
    reason = "what was compared is of interest when a check fails"
)]

use std::f64::consts::{PI, SQRT_2};

use checks::examples::{Opened, text_of_parts};
use measure::at_rest::switch_on::{
    CapacitorAtSwitchOn, Phase, Stated, SwitchOn, SwitchOnOf, with_silicon,
};
use models::emission::{share, time_to};
use sim::System;
use sim::Tolerances;
use sim::operating_point::operating_point;

/// The text of a supply of these parts with 1 MΩ across it.
fn file(parts: &str) -> String {
    let parts = format!("{parts}\nRL = {{ resistor = \"1M\", between = [\"ht\", \"chassis\"] }}");
    text_of_parts(&parts, ("ht", "100M"), "RL")
}

/// A winding of 250-0-250 V of 100 ohms a side.
const WINDING: &str = r#"
W1 = { ac_supply = "250V", frequency = "50Hz", between = ["x", "chassis"], resistance = "100R" }
W2 = { ac_supply = "250V", frequency = "50Hz", between = ["chassis", "y"], resistance = "100R" }
"#;

const SILICON: &str = r#"D1 = { diode = "silicon", anodes = ["x", "y"], cathode = "ht" }"#;

/// Reservoir and an output valve with its own bias that warms up in `{half}`.
const LOAD: &str = r#"
C1 = { electrolytic = "32u", positive = "ht", negative = "chassis", rating = "350V", leakage = "0.1mA", esr = "1R" }
V1 = { valve = "EL84", anode = "a", screen = "ht", grid = "g", cathode = "k", warm_up = "{half}" }
R1 = { resistor = "500R", between = ["a", "ht"] }
R2 = { resistor = "470k", between = ["g", "chassis"] }
R3 = { resistor = "180R", between = ["k", "chassis"] }
C2 = { electrolytic = "50u", positive = "k", negative = "chassis", rating = "25V", leakage = "0.1mA", esr = "1R" }
"#;

fn load(half: &str) -> String {
    LOAD.replace("{half}", half)
}

fn run(opened: &Opened, hot: bool) -> SwitchOn {
    let question = SwitchOnOf {
        hot,
        mains: opened.amplifier.mains.map(|mains| mains.part),
    };
    opened.ask(&question).expect("it runs")
}

fn capacitor<'a>(run: &'a SwitchOn, part: &str) -> &'a CapacitorAtSwitchOn {
    let found = run.capacitors.iter().find(|c| c.part == part);
    found.expect("the capacitor is there")
}

/// Greatest volts of a capacitor at the end of each cycle.
fn greatest<'a>(run: &'a SwitchOn, part: &str) -> &'a [f64] {
    let found = run.envelope.capacitors.iter().find(|c| c.part == part);
    &found.expect("the capacitor is there").greatest
}

/// Source: what a reservoir without load is charged to, any textbook: √2 of the volts of the winding less
/// the drop of the diode, 0.6 V at a milliampere of the law used.
#[test]
fn with_cold_valves_a_reservoir_is_charged_to_the_peak_of_its_winding() {
    let opened = Opened::read(&file(&format!("{WINDING}{SILICON}{}", load("3s"))), &[]);
    let run = run(&opened, false);
    let reservoir = capacitor(&run, "C1");
    let expected = 250.0 * SQRT_2 - 0.6;
    println!("{reservoir:?}");
    // A per cent is for the drop of the 1 MΩ and the leakage in the winding.
    assert!((reservoir.peak.value / expected - 1.0).abs() < 0.01);
    assert!(reservoir.peak.value > 1.05 * reservoir.at_rest);
    assert!(reservoir.at < 3.0 && reservoir.peak.is_over());
    assert_eq!(run.cathodes[0].stated, Stated::Line);
}

/// Source: none needed: what a circuit settles to is its rest, found by another way (`Rest`, by shooting or
/// collocation with tolerances of its own).
#[test]
fn without_warm_up_the_run_ends_at_rest() {
    let opened = Opened::read(&file(&format!("{WINDING}{SILICON}{}", load("0s"))), &[]);
    for hot in [false, true] {
        let run = run(&opened, hot);
        let settled = run.settled.expect("it settles");
        // Time constants of C1 with the winding and of C2 with the cathode lie below 0.1 s.
        assert!(settled < 1.0 && run.ht.as_deref() == Some("C1"));
        for part in ["C1", "C2"] {
            let last = *greatest(&run, part).last().expect("cycles");
            let at_rest = capacitor(&run, part).at_rest;
            println!("{part}: {last} V, at rest {at_rest} V");
            assert!((last / at_rest - 1.0).abs() < 0.01);
        }
    }
}

/// Source: v = V(1 - e^(-t/RC)), any textbook. A heater winding beside it makes the cycles.
#[test]
fn a_capacitor_charges_through_a_resistance() {
    let opened = Opened::read(
        &file(
            r#"
HT = { supply = "300V", positive = "s", negative = "chassis" }
R1 = { resistor = "10k", between = ["s", "ht"] }
C1 = { capacitor = "100u", between = ["ht", "chassis"] }
W1 = { ac_supply = "6.3V", frequency = "50Hz", between = ["h", "chassis"] }
R2 = { resistor = "10R", between = ["h", "chassis"] }
"#,
        ),
        &[],
    );
    let run = run(&opened, false);
    // 10 kΩ in parallel with 1 MΩ (the generator's 100 MΩ besides) and the volts they divide to.
    let parallel = 1.0 / (1e-4 + 1e-6 + 1e-8);
    let (volts, tau) = (300.0 * parallel / 10e3, 100e-6 * parallel);
    let mut worst = 0.0_f64;
    for (t, v) in run.envelope.time.iter().zip(greatest(&run, "C1")) {
        worst = worst.max((v - volts * (1.0 - (-t / tau).exp())).abs());
    }
    println!("{worst} V off at worst, over {} s", run.duration);
    // Local errors of 1e-3 a step would allow 0.3 V; the steps of 200 µs are 1/5000 of the time constant.
    assert!(worst < 1e-3 * volts && run.duration > 4.0 * tau);
}

/// Source: the step response of a second-order system, any textbook on networks:
/// peak = V(1 + e^(-πσ/ω)), from s² + s(R/L + 1/(R_L C)) + (1 + R/R_L)/(LC).
#[test]
fn a_choke_input_overshoots() {
    let opened = Opened::read(
        &file(
            r#"
HT = { supply = "300V", positive = "s", negative = "chassis" }
L1 = { inductor = "10H", between = ["s", "ht"], resistance = "150R" }
C1 = { capacitor = "20u", between = ["ht", "chassis"] }
W1 = { ac_supply = "6.3V", frequency = "50Hz", between = ["h", "chassis"] }
R2 = { resistor = "10R", between = ["h", "chassis"] }
"#,
        ),
        &[],
    );
    let run = run(&opened, false);
    let (l, c, r, load) = (10.0, 20e-6, 150.0, 1.0 / (1e-6 + 1e-8));
    let half_sum = 0.5 * (r / l + 1.0 / (load * c));
    let omega = f64::sqrt((1.0 + r / load) / (l * c) - half_sum * half_sum);
    let volts = 300.0 / (1.0 + r / load);
    let expected = volts * (1.0 + (-PI * half_sum / omega).exp());
    let found = capacitor(&run, "C1");
    println!("{} V where {expected} V is expected", found.peak.value);
    assert!(expected > 1.7 * volts);
    // Samples of 200 µs on a half wave of 44 ms miss less than 1e-4 of its top; the rest is the step's error.
    assert!((found.peak.value / expected - 1.0).abs() < 5e-3);
    assert!((found.at - PI / omega).abs() < 1e-3);
}

/// Source: i = (√2 V - drop)/R at the first instant, Ohm's law: an empty capacitor is a short circuit.
#[test]
fn with_hot_valves_an_empty_capacitor_takes_what_the_winding_gives() {
    let parts = format!(
        "{WINDING}{SILICON}\nC1 = {{ capacitor = \"2200u\", between = [\"ht\", \"chassis\"] }}\nR1 = {{ resistor = \"10k\", between = [\"ht\", \"chassis\"] }}"
    );
    let run = run(&Opened::read(&file(&parts), &[]), true);
    let rectifier = &run.rectifiers[0];
    // The law used drops 1.0 V at 3.5 A.
    let expected = (250.0 * SQRT_2 - 1.0) / 100.0;
    println!("{rectifier:?} where {expected} A is expected");
    // The reading comes 12.5 µs late, 1e-4 for the time constant of 0.22 s; 0.1 V of drop is 3e-4.
    assert!((rectifier.surge.peak / expected - 1.0).abs() < 1e-3);
    assert_eq!(rectifier.surge.phase, Phase::Peak);
    assert!(rectifier.surge.at < 1e-4);
}

/// Source: the law's own definition, and that a cathode does not cool while it is heated.
#[test]
fn emission_rises_from_nothing_through_one_half_to_all() {
    assert!(share(0.0, 11.0).abs() < f64::EPSILON);
    // Rounding of a power of two.
    assert!((share(11.0, 11.0) - 0.5).abs() < 1e-12);
    assert!((share(60.0, 11.0) - 1.0).abs() < 1e-12);
    let rising: Vec<f64> = (0..600).map(|k| share(0.05 * f64::from(k), 11.0)).collect();
    assert!(rising.windows(2).all(|pair| pair[1] >= pair[0]));
    assert!((time_to(0.5, 11.0) - 11.0).abs() < 1e-9);
    // No jump anywhere: a step of 0.05 s changes it by less than 2 %.
    assert!(rising.windows(2).all(|pair| pair[1] - pair[0] < 0.02));
}

/// Source: at fixed volts a valve with half the emission carries half the current, by definition.
#[test]
fn half_the_emission_is_half_the_current() {
    let opened = Opened::read(
        &file(
            r#"
HT = { supply = "250V", positive = "ht", negative = "chassis" }
GB = { supply = "8V", positive = "chassis", negative = "g" }
HA = { supply = "200V", positive = "a", negative = "chassis" }
V1 = { valve = "6J5", anode = "a", grid = "g", cathode = "chassis" }
"#,
        ),
        &[],
    );
    let (circuit, system) = (&opened.amplifier.circuit, &opened.system);
    let supply = circuit.find_part("HA").expect("it is there");
    let at = system.currents_of(supply)[0] as usize;
    let current = |emission: f64| {
        let mut ws = system.workspace();
        ws.emission.fill(emission);
        operating_point(system, &Tolerances::default(), &mut ws).expect("it rests");
        ws.x[at]
    };
    let (half, full) = (current(0.5), current(1.0));
    println!("{half} A and {full} A");
    // Newton's tolerance on a current at rest, 1e-12 A, beside milliamperes.
    assert!(full > 1e-3 && (half / full - 0.5).abs() < 1e-8);
}

/// Source: common practice, no source: a slow rectifier valve spares the capacitors what silicon does to
/// them while the other valves are cold.
#[test]
fn a_slow_rectifier_valve_spares_the_capacitors() {
    const VALVE: &str =
        r#"V2 = { valve = "GZ34", anodes = ["x", "y"], cathode = "ht", warm_up = "8s" }"#;
    let opened = Opened::read(&file(&format!("{WINDING}{VALVE}{}", load("3s"))), &[]);
    let valve = run(&opened, false);
    let circuit = with_silicon(&opened.amplifier.circuit).expect("there is a rectifier valve");
    let mut changed = opened;
    changed.system = System::of(&circuit).expect("silicon fits");
    changed.amplifier.circuit = circuit;
    let silicon = run(&changed, false);
    let (slow, fast) = (capacitor(&valve, "C1"), capacitor(&silicon, "C1"));
    println!("{slow:?}\n{fast:?}");
    assert!(slow.peak.value < 0.93 * fast.peak.value);
    // It never passes its own rest by much: the output valve conducts before the rectifier does.
    assert!(slow.peak.value < 1.02 * slow.at_rest);
    // Silicon without a load: the peak of the winding less 0.6 V, as above.
    assert!((fast.peak.value / (250.0 * SQRT_2 - 0.6) - 1.0).abs() < 0.01);
    assert!(with_silicon(&changed.amplifier.circuit).is_none());
}
