//! Ratings at full drive, at high mains and at switching on.

use std::f64::consts::SQRT_2;

use super::ratings::{of_chart, over};
use super::{Code, Finding, Subject, Weight};
use crate::at_rest::switch_on::SwitchOnOf;
use crate::at_rest::voltages::{chart, voltages};
use crate::driven::power::{Bench, PowerOf};
use crate::instruments::valve::Against;
use sim::error::SimError;
use sim::parts::{Part, Waveform};
use sim::quantity::{Unit, engineering};
use sim::rest::Rest;

/// Volts in reverse that an electrolytic stands for a while, V (common practice, no source). A choke that
/// lets go of its current brings some tenths of a volt.
const STANDS: f64 = 1.5;

/// The chart at the distortion limit, or at the greatest drive of the sweep where it is not reached.
pub(super) fn full_drive(subject: &Subject<'_>) -> Result<Vec<Finding>, SimError> {
    let (circuit, system) = (&subject.amplifier.circuit, subject.system);
    let question = PowerOf::bench(&subject.amplifier.bench);
    let answer = question.run(circuit, system, &subject.tolerances, &|_| {})?;
    let Some(level) = answer.rated.as_ref().or(answer.levels.last()) else {
        return Ok(Vec::new());
    };
    let (ws, rest) = question.rest(system, &subject.tolerances)?;
    let bench = Bench::new(&question, circuit, system, (&ws, &rest));
    let period = bench.settled(level.drive, &subject.tolerances)?;
    let driven = Rest::driven(period, rest.found);
    let chart = chart(circuit, system, &driven, &mut system.workspace())?;
    let condition = format!("at {} into the load", engineering(level.power, Unit::Watt));
    Ok(of_chart(&chart, &condition))
}

/// The chart with the greatest mains to be reckoned with.
pub(super) fn high_mains(subject: &Subject<'_>) -> Result<Vec<Finding>, SimError> {
    let Some(mains) = subject.amplifier.mains else {
        return Ok(Vec::new());
    };
    let mut circuit = subject.amplifier.circuit.clone();
    if let Part::Source(source) = &mut circuit.part_mut(mains.part).part
        && let Waveform::Sine { amplitude, .. } = &mut source.waveform
    {
        *amplitude = SQRT_2 * mains.high;
    }
    let Ok(system) = circuit.compile() else {
        return Ok(Vec::new());
    };
    let chart = voltages(
        &circuit,
        &system,
        &subject.tolerances,
        &mut system.workspace(),
    )?;
    let condition = format!("at {} mains", engineering(mains.high, Unit::Volt));
    Ok(of_chart(&chart, &condition))
}

/// Capacitors and rectifiers from a cold start.
pub(super) fn switching_on(subject: &Subject<'_>) -> Result<Vec<Finding>, SimError> {
    let question = SwitchOnOf {
        hot: false,
        mains: subject.amplifier.mains.map(|mains| mains.part),
    };
    let circuit = &subject.amplifier.circuit;
    let answer = question.run(circuit, subject.system, &subject.rest, |_| {})?;
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
        let figure = Against {
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
