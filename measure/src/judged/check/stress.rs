//! Ratings at full drive, at high mains and at switching on.

use std::f64::consts::SQRT_2;

use super::ratings::{of_chart, over};
use super::{Code, Drawing, Finding, Weight};
use crate::Measurement;
use crate::at_rest::switch_on::SwitchOnOf;
use crate::at_rest::voltages::chart;
use crate::driven::power::{Output, PowerOf, Stand};
use crate::instruments::valve::AgainstLimit;
use sim::System;
use sim::error::SimError;
use sim::parts::{Part, Waveform};
use sim::quantity::{Unit, engineering};
use sim::rest::Rest;

/// Volts in reverse that an electrolytic stands for a while, V (common practice, no source). A choke that
/// lets go of its current brings some tenths of a volt.
const STANDS: f64 = 1.5;

/// The chart at the distortion limit, or at the greatest drive on the way there where it is not reached.
pub(super) fn full_drive(drawing: &Drawing<'_>) -> Result<Vec<Finding>, SimError> {
    let of = drawing.of;
    let question = PowerOf::bench(&of.amplifier.bench);
    of.lasts()?;
    let way = question.way_to_limit(of, &|_| ())?;
    let level = way.limit.unwrap_or(way.greatest);
    let stand = Stand::new(&question, of);
    let tone = stand.tone(level.drive);
    let period = way.near.settled(&stand, &tone, level.drive)?;
    let chart = chart(&of.on(Rest::driven(period, of.rest.found)))?;
    let condition = match question.output(of, level.power) {
        Output::Watts(watts) => format!("at {} into the load", engineering(watts, Unit::Watt)),
        Output::Volts(volts) => format!("at {} rms at the load", engineering(volts, Unit::Volt)),
    };
    Ok(of_chart(&chart, &condition))
}

/// The chart with the greatest mains to be reckoned with.
pub(super) fn high_mains(drawing: &Drawing<'_>) -> Result<Vec<Finding>, SimError> {
    let Some(mains) = drawing.of.amplifier.mains else {
        return Ok(Vec::new());
    };
    let mut circuit = drawing.of.amplifier.circuit.clone();
    if let Part::Source(source) = &mut circuit.part_mut(mains.part).part
        && let Waveform::Alternating { amplitude, .. } = &mut source.waveform
    {
        *amplitude = SQRT_2 * mains.high;
    }
    let Ok(system) = System::of(&circuit) else {
        return Ok(Vec::new());
    };
    let of = drawing.of;
    let high = of.near(&circuit, &system)?;
    let chart = chart(&high)?;
    let condition = format!("at {} mains", engineering(mains.high, Unit::Volt));
    Ok(of_chart(&chart, &condition))
}

/// Capacitors and rectifiers from a cold start.
pub(super) fn switching_on(drawing: &Drawing<'_>) -> Result<Vec<Finding>, SimError> {
    let question = SwitchOnOf {
        hot: false,
        mains: drawing.of.amplifier.mains.map(|mains| mains.part),
    };
    let answer = question.ask(drawing.of, &|_| ())?;
    let mut found = Vec::new();
    for capacitor in &answer.capacitors {
        let condition = format!("{:.1} s after a cold start", capacitor.at);
        found.extend(over(
            &capacitor.part,
            ("volts", Unit::Volt),
            capacitor.peak,
            &condition,
        ));
        if let Some(volts) = capacitor.reversed.filter(|volts| *volts > STANDS) {
            found.push(Finding {
                parts: vec![capacitor.part.clone()],
                quantity: "volts the wrong way round",
                unit: "V",
                value: Some(volts),
                ..Finding::new(
                    Code::Reversed,
                    Weight::Doubtful,
                    format!(
                        "{} has {} the wrong way round while the amplifier warms up.",
                        capacitor.part,
                        engineering(volts, Unit::Volt)
                    ),
                    "An electrolytic stands a volt or so in reverse, and no more.",
                    format!("what charges {} before the valves conduct", capacitor.part),
                )
            });
        }
    }
    for rectifier in &answer.rectifiers {
        let figure = AgainstLimit {
            value: rectifier.surge.peak,
            limit: rectifier.limit,
        };
        found.extend(over(
            &rectifier.part,
            ("surge of an anode", Unit::Ampere),
            figure,
            "at switching on",
        ));
    }
    Ok(found)
}
