//! Readings of mains-fed amplifiers, which come by the slopes along the settled period, against the whole circuit
//! settled again by steps: with each meter in it, and with each valve a fiftieth stronger and weaker.

#![allow(
    clippy::print_stdout,
    reason = "what was compared is of interest when a check fails"
)]

use std::fs;

use checks::examples::Opened;
use checks::source::root;
use measure::at_rest::readings::{Meter, RANGES, Readings, ReadingsOf};
use measure::instruments::varied::Allowed;
use measure::{Measurement, UnderTest};
use rayon::prelude::*;
use sim::parts::{Part, Waveform};
use sim::{Circuit, NodeId, System};

/// Valve rectifiers and feedback; a doubler of silicon; an example.
const FILES: [&str; 3] = [
    "tests/answers/02_ultra_linear_kt88.toml",
    "tests/answers/14_voltage_doubler_6aq5.toml",
    "examples/04_hall_2a3_on_its_mains/amplifier.toml",
];

/// What the corrections may be off: half of the third digit, of which a tenth is left by the last correction.
const OFF: f64 = 1e-3;

/// V that a meter does not show.
const UNSEEN: f64 = 1e-3;

/// What the slopes may be off: a rectifier begins and ends to conduct within steps of 78 µs, which is worth a hundredth of
/// the resistance of its supply; a digit of a band at most.
const SLOPE_OFF: f64 = 0.015;

/// By how much a valve is moved both ways.
const MOVED: f64 = 0.02;

fn volts(of: &UnderTest<'_>, node: NodeId) -> f64 {
    let at = of.system.voltage_of(node) as usize;
    of.rest.mean(|x| x[at])
}

/// The volts at all nodes with a change, settled.
fn settled(of: &UnderTest<'_>, nodes: &[NodeId], change: impl Fn(&mut Circuit)) -> Vec<f64> {
    let mut circuit = of.circuit.clone();
    change(&mut circuit);
    let system = System::of(&circuit).expect("values change and a resistor comes");
    let changed = of.near(&circuit, &system).expect("it has a rest");
    nodes.iter().map(|&node| volts(&changed, node)).collect()
}

#[test]
fn readings_are_those_of_the_circuit_settled_again() {
    for file in FILES {
        let text = fs::read_to_string(root().join(file)).expect("the drawing is there");
        let opened = Opened::read(&text, &[]);
        let of = opened.under_test();
        let question = ReadingsOf {
            meters: vec![
                Meter::parse("20k/V").expect("a meter"),
                Meter::parse("10M").expect("a meter"),
            ],
            ranges: RANGES.to_vec(),
            allowed: Allowed::default(),
            taken: Vec::new(),
        };
        let readings = question.ask(&of, &|_| ()).expect("it has an answer");
        assert!(readings.on_mains);
        let node = |name: &str| of.circuit.find_node(name).expect("a node of the chart");
        let nodes: Vec<NodeId> = readings.points.iter().map(|p| node(&p.node)).collect();
        meters(&of, &readings, &nodes);
        valves(&of, &readings, &nodes);
        mains(&of, &readings, &nodes);
    }
}

/// Every meter in the circuit.
fn meters(of: &UnderTest<'_>, readings: &Readings, nodes: &[NodeId]) {
    let worst = readings.points.par_iter().zip(nodes).map(|(point, &node)| {
        let mut worst = 0.0_f64;
        for shown in &point.shown {
            assert!(!shown.upset, "{}", point.point);
            let meter = Part::resistor(shown.meter_ohms);
            let exact = settled(of, &[node], |circuit| {
                let added = circuit.add("a meter", meter.clone(), &[node, NodeId::CHASSIS]);
                added.expect("a designator of its own");
            })[0];
            let off = (shown.volts - exact).abs();
            let told = (&point.point, shown.volts, exact);
            assert!(off <= OFF * exact.abs() + UNSEEN, "{told:?}");
            worst = worst.max(off / (exact.abs() + UNSEEN));
        }
        worst
    });
    let worst: Vec<f64> = worst.collect();
    println!(
        "meters: {:.1e} off",
        worst.iter().copied().fold(0.0, f64::max)
    );
}

/// The band of the valves, by central differences.
fn valves(of: &UnderTest<'_>, readings: &Readings, nodes: &[NodeId]) {
    let amplifying = of
        .circuit
        .parts()
        .filter_map(|(id, placed)| match &placed.part {
            Part::Valve(valve) => valve.kind.model.amplifies().then_some(id),
            _ => None,
        });
    let amplifying: Vec<_> = amplifying.collect();
    let shifts: Vec<Vec<f64>> = amplifying
        .into_par_iter()
        .map(|id| {
            let moved = |ratio: f64| {
                settled(of, nodes, |circuit| {
                    if let Part::Valve(valve) = &mut circuit.part_mut(id).part {
                        valve.scale_current(ratio);
                    }
                })
            };
            let (up, down) = (moved(1.0 + MOVED), moved(1.0 - MOVED));
            let slopes = up
                .iter()
                .zip(down)
                .map(|(up, down)| (up - down) / (2.0 * MOVED));
            slopes.collect()
        })
        .collect();
    let mut worst = 0.0_f64;
    for (k, point) in readings.points.iter().enumerate() {
        let squares: f64 = shifts.iter().map(|shift| shift[k].powi(2)).sum();
        let exact = readings.valve_spread * squares.sqrt();
        let off = (point.band.valves - exact).abs();
        let told = (&point.point, point.band.valves, exact);
        assert!(off <= SLOPE_OFF * exact + UNSEEN, "{told:?}");
        worst = worst.max(off / (exact + UNSEEN));
    }
    println!("valves: {worst:.1e} off");
}

/// Both ends of the mains.
fn mains(of: &UnderTest<'_>, readings: &Readings, nodes: &[NodeId]) {
    for (ratio, low) in [(readings.mains_low, true), (readings.mains_high, false)] {
        let at_end = settled(of, nodes, |circuit| {
            let ids: Vec<_> = circuit.parts().map(|(id, _)| id).collect();
            for id in ids {
                if let Part::Source(source) = &mut circuit.part_mut(id).part
                    && let Waveform::Alternating { amplitude, .. } = &mut source.waveform
                {
                    *amplitude *= ratio;
                }
            }
        });
        for (point, exact) in readings.points.iter().zip(at_end) {
            let band = &point.band;
            let shift = if low { band.mains_low } else { band.mains_high };
            let off = (point.volts + shift - exact).abs();
            let told = (&point.point, point.volts + shift, exact);
            assert!(off <= OFF * exact.abs() + UNSEEN, "{told:?}");
        }
    }
}
