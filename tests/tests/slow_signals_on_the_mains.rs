//! What a slow signal meets in a supply on its mains: the circuit linearised along the mains period against the whole
//! circuit, settled twice with a little more and a little less current drawn, and settled with a slow signal in it.

#![allow(
    clippy::print_stdout,
    reason = "what was compared is of interest when a check fails"
)]

use std::f64::consts::TAU;

use checks::examples::Opened;
use nalgebra::Complex;
use sim::parts::Waveform;
use sim::periodic::{Settling, settle};
use sim::rest::Rest;
use sim::small_signal::Excitation;
use sim::{NodeId, Tolerances};

/// A valve rectifier, then silicon ones; the generator drives current into the smoothed point.
const SUPPLIES: [&str; 3] = [
    r#"
W1 = { ac_supply = "250V", frequency = "50Hz", between = ["x", "chassis"], resistance = "200R" }
W2 = { ac_supply = "250V", frequency = "50Hz", between = ["chassis", "y"], resistance = "200R" }
V1 = { valve = "EZ81", anodes = ["x", "y"], cathode = "ht1" }
"#,
    r#"
W1 = { ac_supply = "220V", frequency = "50Hz", between = ["x", "chassis"], resistance = "60R" }
D1 = { diode = "silicon", anode = "x", cathode = "ht1" }
"#,
    r#"
W1 = { ac_supply = "220V", frequency = "50Hz", between = ["x", "y"], resistance = "60R" }
B1 = { bridge = "silicon", between = ["x", "y"], positive = "ht1", negative = "chassis" }
"#,
];

const REST: &str = r#"
[amplifier]
title = "Supply"
source = "own design, invented for this test"
[parts]
{rectifier}
C1 = { electrolytic = "47u", positive = "ht1", negative = "chassis", rating = "450V" }
R1 = { resistor = "470R", between = ["ht1", "ht"] }
C2 = { electrolytic = "22u", positive = "ht", negative = "chassis", rating = "450V" }
R2 = { resistor = "3k9", between = ["ht", "chassis"] }
R3 = { resistor = "100k", between = ["in", "ht"] }
[bench]
generator = { into = "in", resistance = "1R" }
load = "R2"
"#;

/// Peak volts of the generator: 0.1 mA of some 80.
const DRIVE: f64 = 10.0;

#[test]
fn a_slow_signal_meets_the_rectifier_as_it_conducts() {
    for rectifier in SUPPLIES {
        let opened = Opened::read(&REST.replace("{rectifier}", rectifier), &[]);
        let system = &opened.system;
        let of = opened.under_test();
        let generator = opened.amplifier.bench.generator;
        let ht = opened.amplifier.circuit.find_node("ht").expect("a node");
        let at = system.voltage_of(ht) as usize;
        let tolerances = Tolerances::default();
        let with = |waveform: Waveform| {
            let mut ws = of.workspace();
            let k = system.sources().position(|part| part == generator);
            ws.waveforms[k.expect("a source")] = waveform;
            ws
        };

        // Slowly: two rests.
        let mean = |volts: f64| {
            let mut ws = with(Waveform::Dc(volts));
            let rest = Rest::find(system, &tolerances, &mut ws).expect("it settles");
            rest.mean(|x| x[at])
        };
        let slowly = (mean(DRIVE) - mean(-DRIVE)) / (2.0 * DRIVE);
        let mut linear = of.linearised();
        let mut gain = |frequency: f64| {
            linear.tune(frequency).expect("it has an answer");
            let x = linear
                .response(Excitation::Source(generator))
                .expect("a source");
            let direct = linear.voltage(&x, ht, NodeId::CHASSIS);
            let transfers = linear.transfers(ht, NodeId::CHASSIS);
            let other = transfers.from_branch(generator, 0).expect("a source");
            // The equations and their transpose: rounding over a period of steps.
            assert!((direct / other - 1.0).norm() < 1e-9, "{direct} {other}");
            direct
        };
        let linearly = gain(1e-3);
        println!("slowly {slowly}, linearised {linearly}");
        // The straight lines between 512 samples of the slopes' edges, and steps of 78 µs.
        assert!(
            (linearly / slowly - 1.0).norm() < 0.01,
            "{linearly} for {slowly}"
        );

        // In a tenth of a second, which five cycles of the mains fill too.
        for frequency in [10.0, 30.0, 70.0, 90.0] {
            let mut ws = with(Waveform::Sine {
                amplitude: DRIVE,
                frequency,
                phase: 0.0,
                offset: 0.0,
            });
            let settling = Settling {
                samples: 2560,
                ..Settling::default()
            };
            let period = settle(system, 0.1, &settling, &tolerances, &mut ws).expect("it settles");
            let volts = period.unknown(at as u32);
            let phasor: Complex<f64> = volts
                .iter()
                .enumerate()
                .map(|(k, v)| v * Complex::cis(-TAU * frequency * 0.1 * k as f64 / 2560.0))
                .sum();
            // With mean slopes the first is off by a quarter at 10 Hz, the second by 4 % at 30. A sine is the imaginary part of what turns.
            let whole = phasor * 2.0 / 2560.0 * Complex::i() / DRIVE;
            let linear = gain(frequency);
            println!("{frequency} Hz: {whole}, linearised {linear}");
            assert!((linear / whole - 1.0).norm() < 0.01, "{linear} for {whole}");
        }
    }
}
