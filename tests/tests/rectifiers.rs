//! Rectifiers in settled mains periods: the capacitor-input circuit against sixty computed points, and
//! rectifier valves against the operations their sheets print.

#![allow(
    clippy::print_stdout,
    reason = "how far each row is off is of interest when a check fails"
)]

use checks::examples::Opened;
use models::data::{Filter, Operation, ValveType};
use models::diode::Diode;
use models::library;
use rayon::prelude::*;
use serde::Deserialize;
use sim::operating_point::operating_point;
use sim::parts::{Diodes, Part, Source, Waveform};
use sim::periodic::{Period, Settling, settle};
use sim::{Circuit, NodeId, System, Tolerances};

/// Steps of a mains period: at an angle of flow of 20° a diode conducts for 57 of them.
const STEPS: usize = 1024;

fn settled(system: &System, frequency: f64) -> Period {
    let mut ws = system.workspace();
    operating_point(system, &Tolerances::default(), &mut ws).expect("rest");
    let settling = Settling {
        samples: STEPS,
        ..Settling::default()
    };
    let tolerances = Tolerances::default();
    settle(system, 1.0 / frequency, &settling, &tolerances, &mut ws).expect("a settled period")
}

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
            waveform: Waveform::Sine {
                amplitude: PEAK,
                frequency: MAINS,
                phase,
                offset: 0.0,
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
    let system = circuit.compile().expect("a well-formed circuit");
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

/// The row as a circuit with this load, Ω. A choke has 1 Ω, and behind it 32 µF, where the direct volts
/// no longer depend on it.
fn drawn(
    valve: &ValveType,
    row: &Operation,
    volts_rms: f64,
    hertz: f64,
    load: f64,
) -> Option<String> {
    let supply_ohms = match row.filter {
        Filter::Choke => row.supply_ohms.unwrap_or(1.0),
        _ => row.supply_ohms?,
    };
    let filter = match row.filter {
        Filter::Capacitor => format!(
            "C1 = {{ capacitor = \"{}uF\", between = [\"out\", \"chassis\"] }}\nR2 = {{ resistor = \"1m\u{3a9}\", between = [\"k\", \"out\"] }}",
            1e6 * row.reservoir?
        ),
        Filter::Choke => format!(
            "L1 = {{ inductor = \"{}H\", between = [\"k\", \"out\"], resistance = \"1R\" }}\nC1 = {{ capacitor = \"32uF\", between = [\"out\", \"chassis\"] }}",
            row.choke?
        ),
        Filter::Any => return None,
    };
    Some(format!(
        r#"
[amplifier]
title = "A published operation"
source = "the sheet"
[parts]
U1 = {{ ac_supply = "{volts_rms}V", frequency = "{hertz}Hz", between = ["x", "chassis"], resistance = "{supply_ohms}R" }}
U2 = {{ ac_supply = "{volts_rms}V", frequency = "{hertz}Hz", between = ["chassis", "y"], resistance = "{supply_ohms}R" }}
V1 = {{ valve = "{}", anodes = ["x", "y"], cathode = "k" }}
{filter}
R1 = {{ resistor = "{load}R", between = ["out", "chassis"] }}
[bench]
generator = {{ into = "out", resistance = "100M" }}
load = "R1"
"#,
        valve.name
    ))
}

/// Direct volts of the row at its direct current; none when it does not say enough.
fn predicted(valve: &ValveType, row: &Operation) -> Option<f64> {
    /// The load is corrected until it takes the current printed: each time a tenth of the error is left.
    const CORRECTIONS: usize = 4;
    let (volts_rms, hertz) = (row.volts_rms?, row.frequency?);
    let (amps, printed) = (row.dc_amps?, row.dc_volts?);
    let mut volts = printed;
    for _ in 0..CORRECTIONS {
        let text = drawn(valve, row, volts_rms, hertz, volts / amps)?;
        let opened = Opened::read(&text, &[]);
        let period = settled(&opened.system, hertz);
        let (out, _) = opened.load();
        volts = mean(&period.unknown(u32::try_from(out).expect("an unknown")));
    }
    Some(volts)
}

fn missing(row: &Operation) -> String {
    let mut missing = Vec::new();
    let mut need = |there: bool, what| {
        if !there {
            missing.push(what);
        }
    };
    need(row.dc_volts.is_some(), "direct volts");
    need(row.volts_rms.is_some(), "volts per anode");
    match row.filter {
        Filter::Capacitor => {
            need(row.supply_ohms.is_some(), "supply resistance");
            need(row.reservoir.is_some(), "reservoir");
        }
        Filter::Choke => need(row.choke.is_some(), "choke"),
        Filter::Any => need(false, "filter: the row is a limit"),
    }
    missing.join(", ")
}

#[test]
fn published_operations_of_rectifier_valves() {
    // A sheet prints 5 V steps, valves of one type spread by a tenth in their drop, a tenth or so of the
    // volts: 5 % is what such a row can bear out.
    const TOLERANCE: f64 = 0.05;
    let rows: Vec<(&ValveType, &Operation)> = library::valves()
        .iter()
        .flat_map(|valve| valve.operations.iter().map(move |row| (valve, row)))
        .collect();
    let volts: Vec<Option<f64>> = rows
        .par_iter()
        .map(|(valve, row)| predicted(valve, row))
        .collect();
    let (mut bound, mut bad) = (0, Vec::new());
    for ((valve, row), volts) in rows.iter().zip(volts) {
        let place = format!(
            "{} {:?}, {} V rms, {} mA",
            valve.name,
            row.filter,
            row.volts_rms.unwrap_or(f64::NAN),
            1e3 * row.dc_amps.unwrap_or(f64::NAN)
        );
        let source = &row.source;
        let Some((volts, printed)) = volts.zip(row.dc_volts) else {
            println!(
                "{place}: not runnable, no {} ({})",
                missing(row),
                source.text
            );
            continue;
        };
        let off = volts / printed - 1.0;
        println!(
            "{place}: {volts:.1} V for {printed} V, {:+.1} %, confidence {} ({})",
            100.0 * off,
            source.confidence,
            source.text
        );
        if source.confidence == "high" {
            bound += 1;
            if off.abs() > TOLERANCE {
                bad.push(place);
            }
        }
    }
    assert!(bound >= 7, "{bound} rows bind");
    assert!(bad.is_empty(), "{}", bad.join("\n"));
}

/// A bridge on a winding that nothing else holds, and what stands there besides.
fn floating_bridge(more: &str) -> f64 {
    let text = format!(
        r#"
        [amplifier]
        title = "Bridge"
        source = "own design, invented for this test"
        [parts]
        M1 = {{ mains = "230V", frequency = "50Hz", between = ["n", "l"] }}
        T1 = {{ mains_transformer = "230V", primary = ["n", "l"], secondaries = [ {{ volts = "250V", nodes = ["x", "y"], current = "100mA" }} ] }}
        D1 = {{ bridge = "silicon", between = ["x", "y"], positive = "ht", negative = "chassis" }}
        C1 = {{ electrolytic = "47u", positive = "ht", negative = "chassis", rating = "450V" }}
        R1 = {{ resistor = "4k7", between = ["ht", "chassis"], rating = "30W" }}
        {more}
        [bench]
        generator = {{ into = "ht", resistance = "1M" }}
        load = "R1"
        "#
    );
    let opened = checks::examples::Opened::read(&text, &[]);
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
