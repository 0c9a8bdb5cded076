//! Rectifiers in settled mains periods: the capacitor-input circuit against sixty computed points, and
//! rectifier valves against the operations their sheets print.

#![allow(
    clippy::print_stdout,
    reason = "how far each row is off is of interest when a check fails"
)]

use checks::published::outcome::Quantity;
use checks::published::rectifiers::{operations, settled};
use models::diode::Diode;
use rayon::prelude::*;
use serde::Deserialize;
use sim::parts::{Diodes, Part, Source, Waveform};
use sim::{Circuit, NodeId, System};

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

fn rms(values: impl Iterator<Item = f64>) -> f64 {
    let squares: Vec<f64> = values.map(|value| value * value).collect();
    mean(&squares).sqrt()
}

// The capacitor-input circuit ─────────────────────────────────────────────────────────────────────

#[derive(Deserialize)]
struct Points {
    point: Vec<Point>,
}

/// A row of `published/capacitor_input.toml`.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Point {
    circuit: String,
    omega_c_r: f64,
    rs_over_r: f64,
    vdc_over_vpeak: f64,
    ripple_rms_percent: f64,
    peak_over_mean_per_diode: f64,
    rms_over_mean_per_diode: f64,
    basis: String,
    source: String,
}

/// Peak volts beside which the drop of a silicon diode, 0.9 V at the peak currents here, is 1e-4: near
/// enough to the ideal diode of the points where they are compared to 1e-2.
const PEAK: f64 = 10e3;
/// Load, Ω.
const LOAD: f64 = 100e3;
/// Mains, Hz.
const MAINS: f64 = 50.0;

/// Figures of a point as solved: those of its row in their order.
fn solved(point: &Point) -> [f64; 4] {
    let full = match point.circuit.as_str() {
        "full-wave" => true,
        "half-wave" => false,
        other => panic!("{other}: no such circuit"),
    };
    let mut circuit = Circuit::new();
    let (x, y, out) = (circuit.node("x"), circuit.node("y"), circuit.node("out"));
    let source = |phase: f64| {
        Part::Source(Source {
            waveform: Waveform::Alternating {
                amplitude: PEAK,
                frequency: MAINS,
                phase,
            },
            resistance: point.rs_over_r * LOAD,
        })
    };
    let mut place = |name: &str, part: Part, at: &[NodeId]| {
        circuit.add(name, part, at).expect("a part of its own name")
    };
    let first = place("U1", source(0.0), &[x, NodeId::CHASSIS]);
    if full {
        place("U2", source(std::f64::consts::PI), &[y, NodeId::CHASSIS]);
        place(
            "D1",
            Part::Diodes(Diodes::bi_phase(Diode::silicon())),
            &[x, y, out],
        );
    } else {
        place("D1", Part::Device(Diode::silicon().into()), &[x, out]);
    }
    let farads = point.omega_c_r / (std::f64::consts::TAU * MAINS * LOAD);
    place("C1", Part::capacitor(farads), &[out, NodeId::CHASSIS]);
    place("R1", Part::resistor(LOAD), &[out, NodeId::CHASSIS]);
    if !full {
        place("R2", Part::resistor(LOAD), &[y, NodeId::CHASSIS]);
        place("R3", Part::resistor(LOAD), &[y, NodeId::CHASSIS]);
    }
    let system = System::of(&circuit).expect("a well-formed circuit");
    let period = settled(&system, MAINS);
    let volts = period.unknown(system.voltage_of(out));
    let amps = period.unknown(system.currents_of(first)[0]);
    let (dc, of_diode) = (mean(&volts), mean(&amps));
    let peak = amps.iter().copied().fold(0.0, f64::max);
    [
        dc / PEAK,
        100.0 * rms(volts.iter().map(|v| v - dc)) / dc,
        peak / of_diode,
        rms(amps.iter().copied()) / of_diode,
    ]
}

#[test]
fn sixty_points_of_the_capacitor_input_circuit() {
    // 1 % is what a chart could be read to, and two hundred times what the diode's drop takes; on top of
    // it half a unit of the last digit the row prints.
    const TOLERANCE: f64 = 0.01;
    let text = include_str!("../published/capacitor_input.toml");
    let rows: Points = toml::from_str(text).expect("rows of points");
    assert_eq!(rows.point.len(), 60);
    let off: Vec<(String, f64, bool)> = rows
        .point
        .par_iter()
        .flat_map_iter(|row| {
            assert!(!row.source.is_empty() && !row.basis.is_empty());
            let printed = [
                ("volts", row.vdc_over_vpeak, 5e-5),
                ("ripple", row.ripple_rms_percent, 5e-3),
                ("peak current", row.peak_over_mean_per_diode, 5e-3),
                ("rms current", row.rms_over_mean_per_diode, 5e-3),
            ];
            let place = format!(
                "{}, ωCR {}, Rs/R {}",
                row.circuit, row.omega_c_r, row.rs_over_r
            );
            printed
                .into_iter()
                .zip(solved(row))
                .map(move |((what, printed, digit), solved)| {
                    let off = (solved - printed).abs();
                    (
                        format!("{place}: {what} {solved:.4} for {printed}"),
                        off / printed,
                        off <= TOLERANCE * printed + digit,
                    )
                })
        })
        .collect();
    for what in ["volts", "ripple", "peak current", "rms current"] {
        let worst = off
            .iter()
            .filter(|(row, ..)| row.contains(&format!(": {what} ")))
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .expect("there are rows");
        println!("worst {what}: {:.2} %, {}", 100.0 * worst.1, worst.0);
    }
    let bad: Vec<&str> = off
        .iter()
        .filter(|row| !row.2)
        .map(|row| row.0.as_str())
        .collect();
    assert!(bad.is_empty(), "{}", bad.join("\n"));
}

// Published operations ────────────────────────────────────────────────────────────────────────────

#[test]
fn published_operations_of_rectifier_valves() {
    // A sheet prints 5 V steps, valves of one type spread by a tenth in their drop, a tenth or so of the
    // volts: 5 % is what such a row can bear out.
    const TOLERANCE_PERCENT: f64 = 5.0;
    let (mut bound, mut bad) = (0, Vec::new());
    for row in operations() {
        let Some(off) = row.difference(Quantity::DirectVolts) else {
            println!(
                "{}: not runnable, {}",
                row.label,
                row.not_run.unwrap_or_default()
            );
            continue;
        };
        println!(
            "{}: {off:+.1} %, confidence {} ({})",
            row.label, row.confidence, row.source
        );
        if row.confidence == "high" {
            bound += 1;
            if off.abs() > TOLERANCE_PERCENT {
                bad.push(row.label);
            }
        }
    }
    assert!(bound >= 7, "{bound} rows bind");
    assert!(bad.is_empty(), "{}", bad.join("\n"));
}

/// A bridge on a winding that nothing else holds, and what stands there besides.
fn floating_bridge(more: &str) -> f64 {
    let parts = format!(
        r#"
        M1 = {{ mains = "230V", frequency = "50Hz", between = ["n", "l"] }}
        T1 = {{ mains_transformer = "230V", primary = ["n", "l"], secondaries = [ {{ volts = "250V", nodes = ["x", "y"], current = "100mA" }} ] }}
        D1 = {{ bridge = "silicon", between = ["x", "y"], positive = "ht", negative = "chassis" }}
        C1 = {{ electrolytic = "47u", positive = "ht", negative = "chassis", rating = "450V" }}
        R1 = {{ resistor = "4k7", between = ["ht", "chassis"], rating = "30W" }}
        {more}
        "#
    );
    let opened = checks::examples::Opened::of_parts(&parts, ("ht", "1M"), "R1");
    let mut ws = opened.system.workspace();
    let rest = sim::rest::Rest::find(&opened.system, &sim::Tolerances::default(), &mut ws)
        .expect("a floating winding settles");
    let node = opened.amplifier.circuit.find_node("ht").expect("a node");
    let at = opened.system.voltage_of(node) as usize;
    rest.mean(|x| x[at])
}

#[test]
fn a_floating_winding_behind_a_bridge_settles() {
    let alone = floating_bridge("");
    // Wiring of some picofarads moves where the winding stands and nothing of the direct volts.
    let wired = floating_bridge(
        "C2 = { capacitor = \"100p\", between = [\"x\", \"chassis\"] }\nC3 = { capacitor = \"100p\", between = [\"y\", \"chassis\"] }",
    );
    println!("{alone} V, with wiring {wired} V");
    assert!((alone / wired - 1.0).abs() < 1e-3, "{alone} and {wired}");
    assert!(alone > 300.0, "{alone} V behind 250 V rms");
}
