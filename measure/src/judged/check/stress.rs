//! Ratings at full drive, at high mains and at switching on.

use std::f64::consts::SQRT_2;

use super::ratings::{goes_out, heaters_off, of_chart, over};
use super::{Code, Drawing, Finding, Weight};
use crate::Measurement;
use crate::at_rest::supply::{Band, Beyond, Kind, Stress, SupplyOf, beyond};
use crate::at_rest::switch_on::SwitchOnOf;
use crate::at_rest::voltages::chart;
use crate::driven::power::{Output, PowerOf, Stand};
use crate::instruments::valve::AgainstLimit;
use sim::System;
use sim::circuit::Circuit;
use sim::error::SimError;
use sim::parts::{Part, Waveform};
use sim::quantity::{Unit, engineering};
use sim::rest::Rest;

/// Volts in reverse that an electrolytic stands for a while, V (common practice, no source). A choke that
/// lets go of its current brings some tenths of a volt.
const STANDS: f64 = 1.5;

/// Watts below which an amplifier gives none: what a headphone hears is a thousand times as much (common practice, no
/// source).
const LEAST_POWER: f64 = 1e-6;

/// What is said of an amplifier that gives next to no power.
fn no_power(most: &str) -> Finding {
    Finding::new(
        Code::NoDrive,
        Weight::DoesNotWork,
        format!("Next to no power comes out: {most} at most."),
        "The signal is lost on its way, or cancelled; no rating with signal says anything until it is found.",
        "the way of the signal, stage by stage; see `gridleak response`",
    )
}

/// The chart at the distortion limit, or at the greatest drive on the way there where it is not reached, and why it is
/// not where something ended the way.
pub(super) fn full_drive(
    drawing: &Drawing<'_>,
) -> Result<(Vec<Finding>, Option<SimError>), SimError> {
    let of = drawing.of;
    let question = PowerOf::bench(&of.amplifier.bench);
    of.lasts()?;
    let way = question.way_to_limit(of, &|_| ())?;
    let level = way.limit.as_ref().unwrap_or(way.greatest());
    let stand = Stand::new(&question, of);
    let tone = stand.tone(level.drive);
    let period = way.near.settled(&stand, &tone, level.drive)?;
    let chart = chart(&of.on(Rest::driven(period, of.rest.found)))?;
    let output = |watts| match question.output(of, watts) {
        Output::Watts(watts) => format!("{} into the load", engineering(watts, Unit::Watt)),
        Output::Volts(volts) => format!("{} rms at the load", engineering(volts, Unit::Volt)),
    };
    if matches!(question.output(of, level.power), Output::Watts(watts) if watts < LEAST_POWER) {
        return Ok((vec![no_power(&output(level.power))], None));
    }
    let mut found = of_chart(&chart, &format!("at {}", output(level.power)));
    if way.limit.is_some() {
        return Ok((found, None));
    }
    if let Some(bursting) = way.bursting(&stand, question.distortion_limit) {
        found.push(Finding {
            quantity: "frequency",
            unit: "Hz",
            value: Some(bursting.frequency),
            ..Finding::new(
                Code::Oscillates,
                Weight::Danger,
                format!(
                    "The amplifier bursts into oscillation at {} on part of every cycle from {} on.",
                    engineering(bursting.frequency, Unit::Hertz),
                    output(bursting.power)
                ),
                "It overloads valves and tweeters, and no level at which it bursts is a figure of this amplifier.",
                "stoppers, leakage and the amount of feedback; see `gridleak power` and `gridleak feedback`",
            )
        });
        return Ok((found, None));
    }
    Ok((found, way.ended))
}

/// The chart with the greatest mains to be reckoned with, and what the supply asks of its parts across the band.
pub(super) fn high_mains(drawing: &Drawing<'_>) -> Result<Vec<Finding>, SimError> {
    let of = drawing.of;
    let (Some(mains), Some(question)) = (of.amplifier.mains, SupplyOf::of(of.amplifier)) else {
        return Ok(Vec::new());
    };
    let (low, high) = (at_mains(drawing, mains.low), at_mains(drawing, mains.high));
    let (Ok(of_low), Ok(of_high)) = (System::of(&low), System::of(&high)) else {
        return Ok(Vec::new());
    };
    let high = of.near(&high, &of_high)?;
    let condition = format!("at {} mains", engineering(mains.high, Unit::Volt));
    let mut found = of_chart(&chart(&high)?, &condition);
    let mut conditions = vec![question.resting(of, Band::Nominal, mains.nominal)];
    // Little is worst at low mains, and nothing that weighs more than what is told without it.
    if let Ok(low) = of.near(&low, &of_low) {
        conditions.push(question.resting(&low, Band::Low, mains.low));
    }
    conditions.push(question.resting(&high, Band::High, mains.high));
    let solved: Vec<_> = conditions
        .iter()
        .filter_map(|condition| Some((condition, condition.figures.as_ref()?)))
        .collect();
    found.extend(beyond(&solved).iter().map(of_supply));
    Ok(found)
}

/// The circuit at other volts of the mains.
fn at_mains(drawing: &Drawing<'_>, volts: f64) -> Circuit {
    let amplifier = drawing.of.amplifier;
    let mut circuit = amplifier.circuit.clone();
    let source = amplifier.mains.map(|mains| mains.part);
    if let Some(part) = source
        && let Part::Source(source) = &mut circuit.part_mut(part).part
        && let Waveform::Alternating { amplitude, .. } = &mut source.waveform
    {
        *amplitude = SQRT_2 * volts;
    }
    circuit
}

/// A judgement of the supply as a finding.
fn of_supply(beyond: &Beyond<'_>) -> Finding {
    let (part, place) = (beyond.part, beyond.place);
    let whole = |quantity, what: String, why: &str, look: String| Finding {
        parts: vec![part.to_owned()],
        quantity,
        place: place.to_owned(),
        ..Finding::new(Code::OverRating, Weight::OverRating, what, why, look)
    };
    match &beyond.kind {
        Kind::Over(stress, figure, condition) => {
            let at = format!(
                "at {} mains{}",
                engineering(condition.volts, Unit::Volt),
                if condition.drive.is_some() {
                    ", driven"
                } else {
                    ""
                }
            );
            let quantity = match stress {
                Stress::DirectCurrent => "direct current",
                Stress::PeakCurrent => "peak current of an anode",
                Stress::PeakInverse => "peak inverse volts of an anode",
                Stress::Current | Stress::WindingCurrent => "current",
                Stress::Voltage => "volts",
                Stress::Dissipation => "dissipation",
            };
            let over = over(part, (quantity, stress.unit()), *figure, &at);
            over.expect("it is over by the limit that the supply holds it against")
                .at(place)
        }
        Kind::ShortOfOhms(ohms) => Finding {
            unit: "Ω",
            value: Some(*ohms),
            ..whole(
                "resistance wanted",
                format!(
                    "{part} at `{place}`: {} more wanted in series with the anode, by the published operations.",
                    engineering(*ohms, Unit::Ohm)
                ),
                "Its current peaks are greater than its cathode was made for.",
                format!("the resistance of the winding, and the reservoir of {part}"),
            )
        },
        Kind::HeatersOff(heaters, condition) => {
            let at = format!("at {} mains", engineering(condition.volts, Unit::Volt));
            // At nominal mains they are told with no signal.
            let place = Some(condition.words()).filter(|_| condition.band != Band::Nominal);
            Finding {
                place: place.unwrap_or_default().to_owned(),
                ..heaters_off(heaters, &at)
            }
        }
        Kind::Reversed => Finding {
            code: Code::Reversed,
            weight: Weight::Danger,
            ..whole(
                "volts the wrong way round",
                format!("{part} stands the wrong way round."),
                "An electrolytic that is reversed heats up and bursts.",
                format!("the polarity of {part}"),
            )
        },
        Kind::GoesOut(least, out) => goes_out(part, *least, *out),
        Kind::Saturated(share) => Finding {
            value: Some(*share),
            limit: Some(1.0),
            ..whole(
                "flux over that of saturation",
                format!(
                    "{part}: the core reaches {:.0} % of the flux where it saturates.",
                    100.0 * share
                ),
                "Its inductance is lost, and its current rises.",
                format!("the direct current through {part}, its volts and its frequency"),
            )
        },
    }
}

/// Capacitors and rectifiers from a cold start, at the greatest mains to be reckoned with.
pub(super) fn switching_on(drawing: &Drawing<'_>) -> Result<Vec<Finding>, SimError> {
    let Some(mains) = drawing.of.amplifier.mains else {
        return Ok(Vec::new());
    };
    let question = SwitchOnOf {
        hot: false,
        mains: Some(mains.part),
    };
    let high = at_mains(drawing, mains.high);
    let Ok(system) = System::of(&high) else {
        return Ok(Vec::new());
    };
    let answer = question.ask(&drawing.of.near(&high, &system)?, &|_| ())?;
    let at = format!(" at {} mains", engineering(mains.high, Unit::Volt));
    let mut found = Vec::new();
    for capacitor in &answer.capacitors {
        let condition = format!("{:.1} s after a cold start{at}", capacitor.at);
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
            &format!("at switching on{at}"),
        ));
    }
    Ok(found)
}
