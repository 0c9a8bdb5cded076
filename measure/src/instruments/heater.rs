//! Heaters and filaments: volts against the rating, and what stands between heater and cathode.
//!
//! ```text
//! U = rms of the volts across,   U_hk = greatest |v_end - v_cathode| of both ends and all sections
//! ```
//!
//! Source   within 10 % of the rated volts: common practice, no source (sheets of the series types say 5 to
//!          10 %); the limit from heater to cathode is that of the valve file

use serde::Serialize;

use crate::instruments::valve::AgainstLimit;
use sim::circuit::{Circuit, PartId};
use sim::parts::{Valve, halves_in_parallel};
use sim::system::System;

/// How far heater volts may be off, as a share of the rated.
const BAND: f64 = 0.1;

/// The heater or filament of an envelope.
#[derive(Clone, Debug, Serialize)]
pub struct HeaterAtRest {
    /// Designator of the line that joins it.
    pub part: String,
    /// Type designation.
    pub kind: String,
    /// True for a filament that is the cathode.
    pub filament: bool,
    /// Across it, V rms: between its ends, twice the half that is further off where its middle is joined; of halves in
    /// parallel, across each.
    pub volts: f64,
    /// What the type is rated for so, V.
    pub rated: f64,
    /// True when the volts are more than 10 % off.
    pub off: bool,
    /// Greatest volts between heater and cathode, of the section where they are greatest; none for a filament.
    pub to_cathode: Option<AgainstLimit>,
    /// The line of that section, which is `part` where it alone is warmed; none for a filament.
    pub cathode_of: Option<String>,
}

impl HeaterAtRest {
    /// The valve line whose cathode stands furthest from its heater.
    pub fn furthest(&self) -> &str {
        self.cathode_of.as_deref().unwrap_or(&self.part)
    }
}

/// Every heater and filament that is drawn. `samples` `[samples][n+1]`: the unknowns over a settled period of the
/// mains, or once for a circuit at rest. Cost: samples × valves.
pub fn heaters(circuit: &Circuit, system: &System, samples: &[&[f64]]) -> Vec<HeaterAtRest> {
    circuit
        .parts()
        .filter_map(|(id, placed)| {
            let valve = placed.part.valve()?;
            let drawn = valve.filament || valve.heater.is_some();
            drawn.then(|| heater(circuit, system, samples, id, valve))?
        })
        .collect()
}

fn heater(
    circuit: &Circuit,
    system: &System,
    samples: &[&[f64]],
    id: PartId,
    valve: &Valve,
) -> Option<HeaterAtRest> {
    let placed = circuit.part(id);
    let wiring = valve.wiring(&placed.nodes);
    let wire = if valve.filament {
        wiring.cathode
    } else {
        wiring.heater
    };
    let places: Vec<usize> = wire
        .iter()
        .map(|&node| system.voltage_of(node) as usize)
        .collect();
    let whole = valve.kind.heater.as_ref()?.voltage;
    let (halves, rated) = if halves_in_parallel(wire) {
        (1.0, 0.5 * whole)
    } else {
        ((wire.len() - 1) as f64, whole)
    };
    let rms = |a: usize, b: usize| {
        let squares: f64 = samples.iter().map(|x| (x[a] - x[b]).powi(2)).sum();
        (squares / samples.len() as f64).sqrt()
    };
    let volts = places
        .windows(2)
        .map(|pair| halves * rms(pair[0], pair[1]))
        .max_by(|a, b| (a - rated).abs().total_cmp(&(b - rated).abs()))
        .unwrap_or(0.0);
    // Cathodes of all sections this heater warms, each with its greatest volts from either end.
    let sections = circuit
        .parts()
        .filter(|(section, _)| circuit.heater_of(*section) == Some(id))
        .filter_map(|(_, placed)| {
            let cathode = *placed.wiring()?.cathode.first()?;
            let k = system.voltage_of(cathode) as usize;
            let apart = samples
                .iter()
                .flat_map(|x| places.iter().map(move |&end| (x[end] - x[k]).abs()))
                .fold(0.0, f64::max);
            Some((placed.name.clone(), apart))
        });
    // Of equal ones the first.
    let worst = sections.reduce(|worst, next| if next.1 > worst.1 { next } else { worst });
    let worst = worst.filter(|_| !valve.filament);
    Some(HeaterAtRest {
        part: placed.name.clone(),
        kind: valve.kind.name.clone(),
        filament: valve.filament,
        volts,
        rated,
        off: (volts / rated - 1.0).abs() > BAND,
        to_cathode: worst.as_ref().map(|(_, volts)| AgainstLimit {
            value: *volts,
            limit: valve.kind.limits.heater_cathode_volts,
        }),
        cathode_of: worst.map(|(section, _)| section),
    })
}
