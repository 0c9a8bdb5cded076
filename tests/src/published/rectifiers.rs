//! The published operations of rectifiers, kept in the valve files, as circuits in settled mains periods.

use std::fmt::Write;

use models::data::{Filter, Operation, ValveType};
use models::library;
use rayon::prelude::*;
use sim::operating_point::operating_point;
use sim::periodic::{Period, Settling, settle};
use sim::{System, Tolerances};

use super::outcome::{Figure, Outcome, Quantity, Use};
use crate::examples::{Opened, text_of_parts};

/// Steps of a mains period: at an angle of flow of 20° a diode conducts for 57 of them.
const STEPS: usize = 1024;

/// A settled period of the mains.
///
/// # Panics
/// When the circuit does not settle.
pub fn settled(system: &System, frequency: f64) -> Period {
    let mut ws = system.workspace();
    operating_point(system, &Tolerances::default(), &mut ws).expect("rest");
    let settling = Settling {
        samples: STEPS,
        ..Settling::default()
    };
    let tolerances = Tolerances::default();
    settle(system, 1.0 / frequency, &settling, &tolerances, &mut ws).expect("a settled period")
}

/// All published operations of all rectifier types.
pub fn operations() -> Vec<Outcome> {
    let rows: Vec<(&ValveType, &Operation)> = library::valves()
        .iter()
        .flat_map(|valve| valve.operations.iter().map(move |row| (valve, row)))
        .collect();
    rows.par_iter()
        .map(|(valve, row)| outcome(valve, row))
        .collect()
}

fn outcome(valve: &ValveType, row: &Operation) -> Outcome {
    let volts = predicted(valve, row);
    let figures = row.dc_volts.map(|published| Figure {
        quantity: Quantity::DirectVolts,
        published,
        ours: volts,
        no_evidence: None,
    });
    let mut label = valve.name.clone();
    let mut say = |value: Option<f64>, scale: f64, unit: &str| {
        if let Some(value) = value {
            let rounded = (1e3 * value * scale).round() / 1e3;
            write!(label, ", {rounded} {unit}").expect("text takes text");
        }
    };
    say(row.volts_rms, 1.0, "V rms each");
    say(row.frequency, 1.0, "Hz");
    say(row.supply_ohms, 1.0, "Ω each");
    say(row.reservoir, 1e6, "µF");
    say(row.choke, 1.0, "H");
    say(row.dc_amps, 1e3, "mA");
    Outcome {
        valve: valve.name.clone(),
        label,
        usage: Use::Rectifier,
        figures: figures.into_iter().collect(),
        drive: None,
        idle_is_fitted: false,
        not_run: volts.is_none().then(|| format!("no {}", missing(row))),
        source: row.source.text.clone(),
        basis: row.source.basis.clone(),
        confidence: row.source.confidence.clone(),
        note: String::new(),
        doubt: String::new(),
        doubted: Vec::new(),
    }
}

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
    let parts = format!(
        r#"U1 = {{ ac_supply = "{volts_rms}V", frequency = "{hertz}Hz", between = ["x", "chassis"], resistance = "{supply_ohms}R" }}
U2 = {{ ac_supply = "{volts_rms}V", frequency = "{hertz}Hz", between = ["chassis", "y"], resistance = "{supply_ohms}R" }}
V1 = {{ valve = "{}", anodes = ["x", "y"], cathode = "k" }}
{filter}
R1 = {{ resistor = "{load}R", between = ["out", "chassis"] }}"#,
        valve.name
    );
    Some(text_of_parts(&parts, ("out", "100M"), "R1"))
}

/// Direct volts of the row at its direct current; none when it does not say enough.
///
/// # Panics
/// When the circuit does not settle.
pub fn predicted(valve: &ValveType, row: &Operation) -> Option<f64> {
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

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}
