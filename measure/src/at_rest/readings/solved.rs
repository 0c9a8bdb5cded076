//! What is read of an amplifier at rest, and what a change makes of it: solved again in full.

use super::change::Departure;
use super::points::Point;
use crate::UnderTest;
use crate::instruments::heater::heaters;
use crate::instruments::valve::ValveProbe;
use crate::instruments::varied::Quantity;
use sim::System;
use sim::circuit::{Circuit, NodeId, PartId};
use sim::error::SimError;

/// What is read of one circuit.
#[derive(Clone, Debug)]
pub(super) struct Solved {
    /// V at each point.
    pub(super) volts: Vec<f64>,
    /// Anode current of each valve by its designator, A.
    pub(super) currents: Vec<(String, f64)>,
}

/// What there is at the points, nothing joined to them.
pub(super) fn solved(of: &UnderTest<'_>, points: &[Point]) -> Solved {
    let volts = points
        .iter()
        .map(|point| {
            let at = of.system.voltage_of(point.node) as usize;
            of.rest.mean(|x| x[at])
        })
        .collect();
    let currents = ValveProbe::all(of.circuit, of.system)
        .iter()
        .map(|probe| {
            let current = of.rest.mean(|x| probe.at(x).currents.anode);
            (probe.name.clone(), current)
        })
        .collect();
    Solved { volts, currents }
}

/// What a meter of so many ohms shows at a point, V.
pub(super) fn loaded(of: &UnderTest<'_>, point: &Point, ohms: f64) -> Result<f64, SimError> {
    with(of, Departure::Meter(point.node, ohms), |metered| {
        solved(metered, std::slice::from_ref(point)).volts[0]
    })
}

/// An answer about the amplifier with a change: still circuits by Newton from here, mains-fed ones by corrections of their
/// period or settled again.
pub(super) fn with<T>(
    of: &UnderTest<'_>,
    change: Departure,
    answer: impl FnOnce(&UnderTest<'_>) -> T,
) -> Result<T, SimError> {
    let circuit = change.made(of.circuit);
    let system = equations(&circuit);
    let changed = match change {
        Departure::Scale(..) | Departure::Leak(..) => of.beside(None, &circuit, &system)?,
        Departure::Meter(node, ohms) => of.beside(Some((node, ohms)), &circuit, &system)?,
        // Nothing near by.
        Departure::Open(_) | Departure::Short(_) | Departure::Dead(_) => {
            of.near(&circuit, &system)?
        }
    };
    let cold = cold(of, &changed);
    if cold.is_empty() {
        return Ok(answer(&changed));
    }
    let circuit = cold.into_iter().fold(circuit.clone(), |circuit, part| {
        Departure::Dead(part).made(&circuit)
    });
    let system = equations(&circuit);
    let changed = of.near(&circuit, &system)?;
    Ok(answer(&changed))
}

/// The valves whose heater has lost its volts by a change: without them a cathode emits nothing.
fn cold(of: &UnderTest<'_>, changed: &UnderTest<'_>) -> Vec<PartId> {
    /// Share of the rated volts below which next to nothing is emitted (common practice, no source).
    const COLD: f64 = 0.5;
    let heaters = |of: &UnderTest<'_>| {
        let samples: Vec<&[f64]> = of.rest.samples().iter().map(Vec::as_slice).collect();
        heaters(of.circuit, of.system, &samples)
    };
    // Rectifiers and stabilisers have no current to take away.
    let valves = |line: &str| -> Vec<PartId> {
        let parts = changed.circuit.parts();
        let warmed = parts.filter(|(part, placed)| {
            let heater = changed.circuit.heater_of(*part);
            let heater = heater.map(|owner| changed.circuit.part(owner).name.as_str());
            let own = heater.unwrap_or(placed.name.as_str()) == line;
            own && Quantity::at_rest(&placed.part) == Some(Quantity::Current)
        });
        warmed.map(|(part, _)| part).collect()
    };
    let pairs = heaters(of).into_iter().zip(heaters(changed));
    pairs
        .filter(|(before, now)| before.volts >= COLD * before.rated && now.volts < COLD * now.rated)
        .flat_map(|(_, now)| valves(&now.part))
        .collect()
}

fn equations(circuit: &Circuit) -> System {
    System::of(circuit).expect("values change and resistors come; nothing is taken away")
}

/// What each change adds to the volts at the points, `[changes][points]`, to first order on the mains; none where the
/// circuit is still, where Newton's iteration is as quick.
pub(super) fn first_order(
    of: &UnderTest<'_>,
    changes: &[Departure],
    points: &[Point],
) -> Option<Vec<Vec<f64>>> {
    of.vicinity()?;
    let made = changes
        .iter()
        .map(|change| equations(&change.made(of.circuit)));
    let means = of.first_order(&made.collect::<Vec<_>>())?;
    let at_points = |mean: Vec<f64>| {
        let at = points
            .iter()
            .map(|point| of.system.voltage_of(point.node) as usize);
        at.map(|at| mean.get(at).copied().unwrap_or(0.0)).collect()
    };
    Some(means.into_iter().map(at_points).collect())
}

/// Resistance that a meter sees at each node, Ω: the slope of its volts against a current drawn there; on
/// the mains with the mean slopes of the period. None where the circuit has none at rest.
pub(super) fn source_ohms(of: &UnderTest<'_>, nodes: &[NodeId]) -> Vec<Option<f64>> {
    let mut linear = of.linearised();
    let tuned = linear.tune(0.0).is_ok();
    nodes
        .iter()
        .map(|&node| {
            if !tuned {
                return None;
            }
            let transfers = linear.transfers(node, NodeId::CHASSIS);
            let ohms = transfers.from_current(node, NodeId::CHASSIS).re;
            Some(ohms).filter(|ohms| ohms.is_finite())
        })
        .collect()
}
