//! Cycles that close, creep, and go on without end.

use super::Run;
use crate::error::SimError;
use crate::parts::{Inductor, Part, Source, Waveform};
use crate::periodic::{Approach, Settling, settle};
use crate::transient::Choice;
use crate::{Circuit, NodeId, System, Tolerances};
use models::core::{Core, Hysteresis};

#[test]
fn what_a_core_remembers_must_close_with_its_cycle() {
    // Iron across a stiff source: the flux is the integral of the volts and closes with every cycle, from the
    // first. What the iron remembers goes from nothing onto its loop in the first, and round it from then on.
    let (hertz, volts) = (50.0, 30.0);
    let memory = Hysteresis::from_coercive_current(5e-3, 0.5);
    let core = Core::saturating(10.0, 0.5).with_hysteresis(memory);
    let coil = Inductor {
        core,
        linear: None,
        resistance: 0.0,
        capacitance: 0.0,
        capacitance_loss: 0.0,
        loss: f64::INFINITY,
        stray: None,
    };
    let source = Source {
        waveform: Waveform::Alternating {
            amplitude: volts,
            frequency: hertz,
            // From its crest, so that the flux swings evenly about nothing.
            phase: std::f64::consts::FRAC_PI_2,
        },
        resistance: 1e-3,
    };
    let mut circuit = Circuit::new();
    let a = circuit.node("a");
    for (name, part) in [("B1", Part::Source(source)), ("L1", Part::Inductor(coil))] {
        circuit
            .add(name, part, &[a, NodeId::CHASSIS])
            .expect("well formed");
    }
    let system = System::of(&circuit).expect("well formed");
    let mut ws = system.workspace();
    assert!(!ws.memory.is_empty());
    let settling = Settling::default();
    let mut run = Run::new(
        &system,
        1.0 / hertz,
        &settling,
        &Tolerances::default(),
        &mut ws,
    );
    let stores = run.stores.clone();
    let flux_closes = |run: &Run<'_>, x: &[f64]| {
        let scales: Vec<f64> = run.scales().collect();
        (0..system.len())
            .filter(|&k| stores[k])
            .all(|k| (x[k] - run.samples[0][k]).abs() < 1e-3 * scales[k])
    };
    let first = run
        .cycle(Choice::Free, &mut ws)
        .expect("it can be followed");
    assert!(flux_closes(&run, &ws.x));
    assert!(first > 0.1, "the stops have moved: {first}");
    run.cycle(Choice::Free, &mut ws)
        .expect("it can be followed");
    let third = run
        .cycle(Choice::Free, &mut ws)
        .expect("it can be followed");
    assert!(third < 1e-3, "round the loop: {third}");
}

/// A supply or signal, 1 MΩ, and 1 µF to the chassis at `b`, empty at the start; 1 ms a cycle.
fn waited(waveform: Waveform, most_cycles: u32, samples: usize) -> SimError {
    let source = Source {
        waveform,
        resistance: 0.0,
    };
    let mut circuit = Circuit::new();
    let (a, b, chassis) = (circuit.node("a"), circuit.node("b"), NodeId::CHASSIS);
    for (name, part, at) in [
        ("B1", Part::Source(source), [a, chassis]),
        ("R1", Part::resistor(1e6), [a, b]),
        ("C1", Part::capacitor(1e-6), [b, chassis]),
    ] {
        circuit.add(name, part, &at).expect("well formed");
    }
    let system = System::of(&circuit).expect("well formed");
    let settling = Settling {
        most_cycles,
        samples,
        approach: Approach::Waiting,
        ..Settling::default()
    };
    let mut ws = system.workspace();
    settle(&system, 1e-3, &settling, &Tolerances::default(), &mut ws).expect_err("it creeps")
}

#[test]
fn what_still_moves_is_named_with_its_change() {
    let SimError::NotPeriodic(unsettled) = waited(Waveform::Dc(10.0), 5, 64) else {
        panic!("it is not periodic");
    };
    let moving = unsettled.moving.as_ref().expect("it creeps");
    assert_eq!((unsettled.cycles, moving.unknown.as_str()), (5, "node b"));
    assert!(!unsettled.spent && !unsettled.driven);
    // Charging with 1 s, in the fifth millisecond. The steps may err by 1e-4 of what they carry, and do by 6e-6.
    let change = 10.0 * (-4e-3_f64).exp() * -(-1e-3_f64).exp_m1();
    assert!((moving.change / change - 1.0).abs() < 1e-4, "{moving:?}");
    let said = unsettled.to_string();
    assert!(
        said.contains("in 5 cycles: node b still moves by 9.96 mV a cycle"),
        "{said}"
    );
}

#[test]
fn steps_without_end_are_given_up() {
    // Fifty turns between two samples, each of which takes steps of its own.
    let fast = Waveform::Sine {
        amplitude: 1e3,
        frequency: 200e3,
        phase: 0.0,
        offset: 0.0,
    };
    let SimError::NotPeriodic(unsettled) = waited(fast, 2, 4) else {
        panic!("it is not periodic");
    };
    assert!(unsettled.spent && unsettled.driven, "{unsettled:?}");
    // All that are allowed, and those of the sample in which they ended.
    assert!((80..2000).contains(&unsettled.steps), "{unsettled:?}");
    assert!(
        unsettled.to_string().contains("all that are allowed"),
        "{unsettled}"
    );
}
