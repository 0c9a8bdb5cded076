//! High tension that stays in the capacitors.
//!
//! Supplies go to zero, or are taken away where the drawing leaves out what is behind them; valves are cold
//! and capacitors leak nothing: neither is a bleeder that anyone may trust.

use super::{Code, Drawing, Finding, Weight};
use crate::at_rest::supply::{DISCHARGED, LONGEST, discharge_cold, without_leakage};
use sim::System;
use sim::circuit::PartId;
use sim::error::SimError;
use sim::parts::{Part, Waveform};
use sim::quantity::{Unit, engineering};

/// Volts above which a charged capacitor is dangerous, V.
/// Source    customary limit of extra-low voltage for direct current in dry places, from memory
const DANGEROUS: f64 = 60.0;
/// Capacitance that holds a dangerous charge at high tension, F: 45 µC at 450 V.
/// Source    order of the charge that safety standards permit at an accessible part, from memory
const LITTLE: f64 = 0.1e-6;
/// Time a bleeder may take, s: nobody reaches into a chassis sooner (common practice, no source).
const PATIENCE: f64 = 60.0;
/// What stands for a supply that is taken away, Ω.
const AWAY: f64 = 1e12;

pub(super) fn findings(drawing: &Drawing<'_>) -> Result<Vec<Finding>, SimError> {
    let amplifier = drawing.of.amplifier;
    let mut circuit = without_leakage(&amplifier.circuit);
    let parts: Vec<PartId> = circuit.parts().map(|(part, _)| part).collect();
    let mut capacitors = Vec::new();
    let mut drawn = true;
    for part in parts {
        match &mut circuit.part_mut(part).part {
            Part::Capacitor(capacitor) => {
                if capacitor.c > LITTLE {
                    capacitors.push(part);
                }
            }
            Part::Source(source) => {
                if part != amplifier.bench.generator
                    && matches!(source.waveform, Waveform::Dc(volts) if volts.abs() > DANGEROUS)
                {
                    source.resistance = AWAY;
                    drawn = false;
                }
            }
            Part::Resistor(_)
            | Part::Inductor(_)
            | Part::Transformer(_)
            | Part::Valve(_)
            | Part::Device(_)
            | Part::Diodes(_)
            | Part::Pot(_)
            | Part::Switch(_)
            | Part::Loudspeaker(_) => {}
        }
    }
    let Ok(system) = System::of(&circuit) else {
        return Ok(Vec::new());
    };
    let x = &drawing.of.rest.samples()[0];
    let tolerances = &drawing.of.tolerances;
    let mut slow: Vec<(String, f64, Option<f64>)> =
        discharge_cold(&circuit, &system, &capacitors, x, tolerances)?
            .into_iter()
            .filter(|(_, volts, cold)| *volts > DANGEROUS && cold.is_none_or(|t| t > PATIENCE))
            .collect();
    if slow.is_empty() {
        return Ok(Vec::new());
    }
    slow.sort_by(|a, b| b.1.total_cmp(&a.1));
    let longest = slow
        .iter()
        .map(|(_, _, time)| time.unwrap_or(f64::INFINITY))
        .fold(0.0, f64::max);
    let list: Vec<String> = slow
        .iter()
        .map(|(part, volts, _)| format!("{part} {}", engineering(*volts, Unit::Volt)))
        .collect();
    let how_long = if longest.is_finite() {
        format!(
            "take {longest:.0} s to fall below {}",
            engineering(DISCHARGED, Unit::Volt)
        )
    } else {
        format!(
            "are still above {} after {:.0} minutes",
            engineering(DISCHARGED, Unit::Volt),
            LONGEST / 60.0
        )
    };
    let (weight, drawn) = if drawn {
        (Weight::Danger, "")
    } else {
        (
            Weight::Doubtful,
            " The drawing leaves out what is behind its supply; a bleeder may stand there.",
        )
    };
    Ok(vec![Finding {
        parts: slow.into_iter().map(|(part, ..)| part).collect(),
        quantity: "time to discharge",
        unit: "s",
        value: longest.is_finite().then_some(longest),
        limit: Some(PATIENCE),
        ..Finding::new(
            Code::StaysCharged,
            weight,
            format!(
                "After switching off with the valves cold, these {how_long}: {}.",
                list.join(", ")
            ),
            format!(
                "It kills after the plug is pulled. Leakage is not counted: nobody may rely on it.{drawn}"
            ),
            "a bleeder across the reservoir, and a meter before any hand goes in",
        )
    }])
}
