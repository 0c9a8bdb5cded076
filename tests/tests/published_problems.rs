//! Two published stiff problems, built as circuits and solved through the public interface.
//!
//! Source   Test Set for IVP Solvers (Mazzia & Magherini; earlier Lioen & de Swart, CWI): "Transistor
//!          amplifier" and "Ring modulator", equations, constants and end values. The end values of the
//!          amplifier carry 13 digits; those of the modulator are good to 9 or 10.

#![allow(
    clippy::excessive_precision,
    reason = "the end values stand as published"
)]

use std::f64::consts::PI;

use models::core::Core;
use models::diode::Diode;
use models::transistor::Transistor;
use sim::parts::{Part, Source, Transformer, Waveform, Winding};
use sim::periodic::{Approach, Settling, settle};
use sim::transient::{Method, transient};
use sim::{Circuit, NodeId, System, Tolerances};

fn sine(amplitude: f64, frequency: f64, resistance: f64) -> Part {
    Part::Source(Source {
        waveform: Waveform::Sine {
            amplitude,
            frequency,
            phase: 0.0,
            offset: 0.0,
        },
        resistance,
    })
}

/// Adds a part between named nodes; "0" is the chassis.
fn put(circuit: &mut Circuit, name: &str, part: Part, at: &[&str]) {
    let nodes: Vec<NodeId> = at
        .iter()
        .map(|node| {
            if *node == "0" {
                NodeId::CHASSIS
            } else {
                circuit.node(node)
            }
        })
        .collect();
    circuit
        .add(name, part, &nodes)
        .expect("the published circuit is well formed");
}

/// Runs from the given node voltages in `steps` steps of Radau IIA(5) and returns all unknowns.
fn run(circuit: &Circuit, start: &[(&str, f64)], until: f64, steps: u32) -> impl Fn(&str) -> f64 {
    let system = System::of(circuit).expect("the published circuit is well formed");
    let mut ws = system.workspace();
    let places: Vec<(String, usize)> = circuit
        .nodes()
        .map(|(node, name)| (name.to_owned(), system.voltage_of(node) as usize))
        .collect();
    let place = move |name: &str| {
        places
            .iter()
            .find(|(known, _)| known == name)
            .map(|(_, at)| *at)
            .expect("a known node")
    };
    for (name, volts) in start {
        ws.x[place(name)] = *volts;
    }
    transient(
        &system,
        Method::RadauIia5,
        (0.0, until, until / f64::from(steps)),
        false,
        &Tolerances::reference(),
        &mut ws,
        &mut |_: f64, _: &[f64]| {},
    )
    .expect("the published problem has a solution");
    let x = ws.x;
    move |name: &str| x[place(name)]
}

#[test]
fn transistor_amplifier_reaches_the_published_end_values() {
    let mut circuit = Circuit::new();
    let c = &mut circuit;
    let transistor = || {
        Part::Device(
            Transistor {
                alpha: 0.99,
                i_s: 1e-6,
                v_t: 0.026,
            }
            .into(),
        )
    };
    put(c, "UE", sine(0.1, 100.0, 1000.0), &["1", "0"]);
    put(
        c,
        "UB",
        Part::Source(Source {
            waveform: Waveform::Dc(6.0),
            resistance: 0.0,
        }),
        &["ub", "0"],
    );
    for (name, at) in [
        ("R1", ["2", "0"]),
        ("R2", ["ub", "2"]),
        ("R3", ["3", "0"]),
        ("R4", ["ub", "4"]),
        ("R5", ["5", "0"]),
        ("R6", ["ub", "5"]),
        ("R7", ["6", "0"]),
        ("R8", ["ub", "7"]),
        ("R9", ["8", "0"]),
    ] {
        put(c, name, Part::resistor(9000.0), &at);
    }
    for (name, value, at) in [
        ("C1", 1e-6, ["1", "2"]),
        ("C2", 2e-6, ["3", "0"]),
        ("C3", 3e-6, ["4", "5"]),
        ("C4", 4e-6, ["6", "0"]),
        ("C5", 5e-6, ["7", "8"]),
    ] {
        put(c, name, Part::capacitor(value), &at);
    }
    put(c, "Q1", transistor(), &["4", "2", "3"]);
    put(c, "Q2", transistor(), &["7", "5", "6"]);

    let start = [
        ("1", 0.0),
        ("2", 3.0),
        ("3", 3.0),
        ("4", 6.0),
        ("5", 3.0),
        ("6", 3.0),
        ("7", 6.0),
        ("8", 0.0),
        ("ub", 6.0),
    ];
    let end = run(&circuit, &start, 0.2, 20_000);
    let published = [
        ("1", -0.556_214_501_226_270_9e-2),
        ("2", 0.300_652_247_190_304_2e1),
        ("3", 0.284_995_878_860_812_8e1),
        ("4", 0.292_642_253_620_624_1e1),
        ("5", 0.270_461_786_501_055_4e1),
        ("6", 0.276_183_777_839_314_5e1),
        ("7", 0.477_092_763_161_677_2e1),
        ("8", 0.123_699_586_809_154_8e1),
    ];
    for (node, value) in published {
        let error = (end(node) / value - 1.0).abs();
        println!(
            "y{node}: published {value:.15}, ours {:.15}, difference {error:.1e}",
            end(node)
        );
        assert!(error < 1e-12, "y{node} is off by {error:.1e}");
    }
}

/// A winding of half the primary's turns with the leakage and resistance of the published problem.
fn half(name: &str) -> Winding {
    Winding {
        name: name.to_owned(),
        turns: 0.5,
        resistance: 17.3,
        leakage: 5e-4,
        capacitance: 0.0,
        capacitance_loss: 0.0,
        rated_current: None,
        stray: None,
    }
}

fn modulator_transformer() -> Part {
    Part::Transformer(Transformer {
        core: Core::linear(4.45),
        loss: f64::INFINITY,
        windings: vec![
            Winding {
                name: "primary".to_owned(),
                turns: 1.0,
                resistance: 0.0,
                leakage: 0.0,
                capacitance: 0.0,
                capacitance_loss: 0.0,
                rated_current: None,
                stray: None,
            },
            half("upper half"),
            half("lower half"),
        ],
    })
}

/// The modulator as a circuit: two transformers with centre-tapped halves, the second raised by the
/// carrier, and a ring of four diodes.
fn ring_modulator() -> Circuit {
    let mut circuit = Circuit::new();
    let c = &mut circuit;
    put(c, "UIN1", sine(0.5, 1000.0, 50.0), &["in", "0"]);
    put(c, "LS1A", Part::inductor(0.002, 36.3), &["in", "1"]);
    put(c, "C1", Part::capacitor(1.6e-8), &["1", "0"]);
    put(c, "R1", Part::resistor(25_000.0), &["1", "0"]);
    put(
        c,
        "T1",
        modulator_transformer(),
        &["1", "0", "3", "0", "0", "4"],
    );
    put(c, "CS3", Part::capacitor(2e-12), &["3", "0"]);
    put(c, "CS4", Part::capacitor(2e-12), &["4", "0"]);

    put(c, "C2", Part::capacitor(1.6e-8), &["2", "0"]);
    put(c, "R2", Part::resistor(25_000.0), &["2", "0"]);
    put(c, "LS1B", Part::inductor(0.002, 600.0 + 36.3), &["2", "0"]);
    put(
        c,
        "T2",
        modulator_transformer(),
        &["2", "0", "5", "c", "c", "6"],
    );
    put(c, "CS5", Part::capacitor(2e-12), &["5", "c"]);
    put(c, "CS6", Part::capacitor(2e-12), &["6", "c"]);

    put(c, "UIN2", sine(2.0, 10_000.0, 0.0), &["c", "7"]);
    put(c, "CP", Part::capacitor(1e-8), &["7", "0"]);
    put(c, "RP", Part::resistor(50.0), &["7", "0"]);

    let diode = || Part::Device(Diode::exponential(40.672_864_02e-9, 1.0 / 17.749_333_2).into());
    put(c, "D1", diode(), &["3", "5"]);
    put(c, "D2", diode(), &["4", "6"]);
    put(c, "D3", diode(), &["5", "4"]);
    put(c, "D4", diode(), &["6", "3"]);
    circuit
}

#[test]
fn ring_modulator_reaches_the_published_end_values() {
    let circuit = ring_modulator();
    // Own Richardson sequence of the problem's compilers: fixed steps of 2.5 ns leave 1.7e-7, and the
    // error falls 32-fold when the step is halved.
    let end = run(&circuit, &[], 1e-3, 600_000);
    let carrier = 2.0 * (2.0 * PI * 10_000.0 * 1e-3).sin();
    let centre = end("7") + carrier;
    let ours = [
        end("1"),
        end("2"),
        end("3"),
        -end("4"),
        end("5") - centre,
        centre - end("6"),
        end("7"),
    ];
    let published = [
        -0.233_905_735_848_674_5e-1,
        -0.736_748_548_554_082_5e-2,
        0.258_295_670_929_116_9,
        -0.406_446_572_128_345_0,
        -0.403_945_566_514_979_4,
        0.260_796_676_542_294_3,
        0.110_676_186_126_997_5,
    ];
    for (k, (ours, value)) in ours.iter().zip(published).enumerate() {
        let error = (ours / value - 1.0).abs();
        println!(
            "y{}: published {value:.13}, ours {ours:.13}, difference {error:.1e}",
            k + 1
        );
        assert!(error < 5e-8, "y{} is off by {error:.1e}", k + 1);
    }
}

#[test]
fn ring_modulator_is_settled_directly() {
    // Signal and carrier share the period of the signal, a millisecond. From rest the modulator settles
    // in some hundreds of them; the direct way must lead to the state that a long run arrives at. Both
    // take the same steps, whose size is left alone, so that nothing but settling tells them apart.
    const GRID: usize = 1024;
    let circuit = ring_modulator();
    let system = System::of(&circuit).expect("a circuit without faults");
    let settle_by = |approach, whole_matrix| {
        let mut ws = system.workspace();
        let settling = Settling {
            samples: GRID,
            periodicity: 1e-8,
            most_cycles: 5_000,
            approach,
            whole_matrix,
            ..Settling::default()
        };
        let tolerances = Tolerances {
            local_error: f64::INFINITY,
            ..Tolerances::default().closer(1e-3)
        };
        settle(&system, 1e-3, &settling, &tolerances, &mut ws).expect("the modulator settles")
    };
    let direct = settle_by(Approach::Automatic, 300);
    let slow = settle_by(Approach::Shooting, 0);
    let waited = settle_by(Approach::Waiting, 300);
    println!(
        "{:?} {} cycles, slow states alone {}, waiting {}; multiplier {:?}",
        direct.approach, direct.cycles, slow.cycles, waited.cycles, direct.multiplier
    );
    let node = |name: &str| {
        let node = circuit.find_node(name).expect("a node of the problem");
        system.voltage_of(node) as usize
    };
    for name in ["1", "2", "3", "4", "5", "6", "7"] {
        let k = node(name);
        let swing = waited
            .samples
            .iter()
            .map(|x| x[k].abs())
            .fold(0.0, f64::max);
        for way in [&direct, &slow] {
            let error = way
                .samples
                .iter()
                .zip(&waited.samples)
                .map(|(a, b)| (a[k] - b[k]).abs())
                .fold(0.0, f64::max);
            println!("y at {name}: {swing:.4} V, {error:.1e} V apart");
            // All closed to 1e-8 of the swing. A corrected cycle starts with a step 1/1024 as long, which
            // finds the slopes and has an error of its own in the ringing of the strays.
            assert!(error < 2e-5 * swing, "{name}: {error:e} of {swing}");
        }
    }
    assert!(direct.multiplier.is_some_and(|most| most < 1.0));
}
