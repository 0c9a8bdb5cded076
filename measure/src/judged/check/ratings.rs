//! What is beyond its rating in a voltage chart, and which ratings the parts list leaves out.

use super::reversed::{TURNED, reversed, turned_stabiliser};
use super::{Code, Drawing, Finding, Weight};
use super::{growth, printed};
use crate::at_rest::voltages::Voltages;
use crate::instruments::valve::AgainstLimit;
use sim::quantity::{Unit, engineering};

/// Watts resistors come in (common practice, no source).
const WATTS: [f64; 10] = [0.25, 0.5, 1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 15.0, 25.0];
/// Volts capacitors come in (common practice, no source).
const VOLTS: [f64; 12] = [
    16.0, 25.0, 50.0, 63.0, 100.0, 160.0, 250.0, 350.0, 400.0, 450.0, 630.0, 1000.0,
];
/// A resistor runs at half its rating at most (common practice, no source).
const RESERVE: f64 = 2.0;

/// One figure over its rating.
pub(super) fn over(
    part: &str,
    (quantity, unit): (&'static str, Unit),
    figure: AgainstLimit,
    condition: &str,
) -> Option<Finding> {
    let limit = figure.limit.filter(|_| figure.is_over())?;
    let heater = quantity == HEATER_CATHODE;
    let (code, weight) = if heater {
        (Code::HeaterCathode, Weight::OverRating)
    } else {
        (Code::OverRating, Weight::OverRating)
    };
    Some(Finding {
        parts: vec![part.to_owned()],
        quantity,
        unit: match unit {
            Unit::Watt => "W",
            Unit::Ampere => "A",
            _ => "V",
        },
        value: Some(figure.value),
        limit: Some(limit),
        ..Finding::new(
            code,
            weight,
            format!(
                "{part}: {quantity} {} {condition}, {} of the {} it may have.",
                engineering(figure.value, unit),
                more_than_all(figure.value / limit),
                engineering(limit, unit)
            ),
            match unit {
                Unit::Watt => "It runs too hot and does not last.",
                Unit::Ampere => "It wears out before its time, or melts.",
                _ if heater => {
                    "The insulation of the heater breaks down, and hum or a lost valve follows."
                }
                _ => "It may break down.",
            },
            if heater {
                "a heater winding lifted to a positive voltage, or a type that stands more"
                    .to_owned()
            } else {
                format!("the rating of {part}, and what sets this figure")
            },
        )
    })
}

/// Quantity of the heater's insulation.
const HEATER_CATHODE: &str = "heater-to-cathode volts";

/// Quantity of heaters off their volts.
pub(super) const HEATER_VOLTS: &str = "heater volts over the rated";

/// Everything over its rating in a chart.
pub(super) fn of_chart(chart: &Voltages, condition: &str) -> Vec<Finding> {
    let mut found = Vec::new();
    for valve in &chart.valves {
        let part = valve.part.as_str();
        let (volts, watts) = if valve.strapped {
            ("anode and screen volts, strapped", "dissipation, strapped")
        } else {
            ("anode volts", "anode dissipation")
        };
        found.extend(over(part, (volts, Unit::Volt), valve.v_ak, condition));
        found.extend(over(part, (watts, Unit::Watt), valve.p_a, condition));
        found.extend(over(
            part,
            ("cathode current", Unit::Ampere),
            valve.i_k,
            condition,
        ));
        let over_heater = over(part, (HEATER_CATHODE, Unit::Volt), valve.v_k, condition);
        found.extend(over_heater.map(|finding| Finding {
            why: format!(
                "{} Its heater, which is not drawn, is taken at the chassis.",
                finding.why
            ),
            ..finding
        }));
        // A strapped valve with limits of its own for that is judged by them.
        if !(valve.strapped && valve.strapped_limit) {
            let screen = [
                (("screen volts", Unit::Volt), valve.v_sk),
                (("screen dissipation", Unit::Watt), valve.p_s),
            ];
            for (what, figure) in screen {
                found.extend(figure.and_then(|figure| over(part, what, figure, condition)));
            }
        }
    }
    for heater in &chart.heaters {
        if let Some(figure) = heater.to_cathode {
            found.extend(over(
                heater.furthest(),
                (HEATER_CATHODE, Unit::Volt),
                figure,
                condition,
            ));
        }
    }
    for resistor in &chart.resistors {
        let part = resistor.part.as_str();
        let magnitude = |figure: AgainstLimit| AgainstLimit {
            value: figure.value.abs(),
            ..figure
        };
        found.extend(over(
            part,
            ("dissipation", Unit::Watt),
            resistor.power,
            condition,
        ));
        found.extend(over(
            part,
            ("volts", Unit::Volt),
            magnitude(resistor.volts),
            condition,
        ));
    }
    for capacitor in &chart.capacitors {
        found.extend(over(
            &capacitor.part,
            ("volts", Unit::Volt),
            capacitor.volts,
            condition,
        ));
    }
    for winding in &chart.windings {
        let figure = AgainstLimit {
            value: winding.current.value.abs(),
            ..winding.current
        };
        let over = over(&winding.part, ("current", Unit::Ampere), figure, condition);
        found.extend(over.map(|finding| finding.at(&winding.winding)));
        if winding.direct_flux.is_some_and(|flux| flux > 1.0) {
            found.push(saturated(&winding.part));
        }
    }
    for rectifier in &chart.rectifiers {
        found.extend(over(
            &rectifier.part,
            ("direct current", Unit::Ampere),
            rectifier.current,
            condition,
        ));
    }
    for stabiliser in &chart.stabilisers {
        found.extend(over(
            &stabiliser.part,
            ("current", Unit::Ampere),
            stabiliser.current,
            condition,
        ));
        if stabiliser.volts < -TURNED {
            found.push(turned_stabiliser(&stabiliser.part, -stabiliser.volts));
        } else if let Some(least) = stabiliser.least.filter(|_| stabiliser.goes_out()) {
            found.push(goes_out(&stabiliser.part, stabiliser.current.value, least));
        }
    }
    found
}

/// Heaters and filaments that are off with no signal.
pub(super) fn heaters(chart: &Voltages) -> Option<Finding> {
    let off = chart.heaters.iter().filter(|heater| heater.off);
    let off: Vec<_> = off
        .map(|heater| (heater.part.as_str(), heater.volts / heater.rated))
        .collect();
    // Of a heater in two halves, 12.6 V in series.
    let halves = chart.heaters.iter().find(|heater| {
        let share = heater.volts / heater.rated;
        (heater.rated - IN_SERIES).abs() < 0.1 && (0.4..0.6).contains(&share)
    });
    (!off.is_empty()).then(|| {
        let mut finding = heaters_off(&off, "with no signal");
        if let Some(heater) = halves {
            finding.look = format!(
                "how the heater of {} is joined: for half its volts its halves stand in parallel, heater = [\"h1\", \"h2\", \"h1\"]; then {}",
                heater.part, finding.look
            );
        }
        finding
    })
}

/// Volts of the heater of a double triode with its halves in series, V.
/// Source    the sheets of the ECC81, ECC82 and ECC83, from memory
const IN_SERIES: f64 = 12.6;

/// Heaters and filaments with their shares of the rated volts, further off than practice allows.
pub(super) fn heaters_off(heaters: &[(&str, f64)], condition: &str) -> Finding {
    let list = heaters.iter();
    let list: Vec<String> = list
        .map(|(part, share)| format!("{part} {:.0} %", 100.0 * share))
        .collect();
    Finding {
        parts: heaters.iter().map(|(part, _)| (*part).to_owned()).collect(),
        quantity: HEATER_VOLTS,
        value: heaters
            .iter()
            .map(|(_, share)| *share)
            .max_by(|a, b| (a - 1.0).abs().total_cmp(&(b - 1.0).abs())),
        ..Finding::new(
            Code::OverRating,
            Weight::OverRating,
            format!(
                "Heaters and filaments more than 10 % off {condition}: {} of their rated volts.",
                list.join(", ")
            ),
            "Too hot they do not last; too cold the emission fails.",
            "the volts of the heater winding under its load, and the tap of the mains",
        )
    }
}

/// A stabiliser that does not burn on the current it has.
pub(super) fn goes_out(part: &str, least: f64, wanted: f64) -> Finding {
    let amps = |amps| printed(amps, Unit::Ampere);
    Finding {
        parts: vec![part.to_owned()],
        quantity: "least current",
        unit: "A",
        value: Some(least),
        limit: Some(wanted),
        ..Finding::new(
            Code::OverRating,
            Weight::OverRating,
            format!(
                "{part} goes out: {} does not keep it burning, it wants {}.",
                amps(least),
                amps(wanted)
            ),
            "It then stabilises nothing.",
            format!("the resistor before {part}, and what is drawn behind it"),
        )
    }
}

/// A core that its direct current saturates.
fn saturated(part: &str) -> Finding {
    Finding {
        parts: vec![part.to_owned()],
        quantity: "direct flux over that of saturation",
        ..Finding::new(
            Code::OverRating,
            Weight::OverRating,
            format!("{part}: the core is saturated by its direct current."),
            "Its inductance is lost: the bass, or the smoothing.",
            format!("`direct_current` or the gap of {part}, if it is made for it; and the current"),
        )
    }
}

/// The circuit with no signal, and what the parts list does not say.
pub(super) fn at_rest(drawing: &Drawing<'_>) -> Vec<Finding> {
    let chart = &drawing.chart;
    let mut found = of_chart(chart, "with no signal");
    found.extend(heaters(chart));
    for supply in chart.supplies.iter().filter(|supply| supply.is_shorted()) {
        found.push(Finding {
            parts: vec![supply.part.clone()],
            quantity: "current",
            unit: "A",
            value: Some(supply.current.abs()),
            ..Finding::new(
                Code::ShortCircuit,
                Weight::Danger,
                format!(
                    "{} is short-circuited: it gives {}.",
                    supply.part,
                    engineering(supply.current.abs(), Unit::Ampere)
                ),
                "Nothing else in the chart holds while it lasts.",
                "the joints of its positive end, and the position of every switch there",
            )
        });
    }
    if let Some(growing) = chart.growing {
        found.push(growth::finding(
            &growing.into(),
            drawing.of.amplifier,
            Some(drawing.of),
        ));
    }
    found.extend(turned(drawing));
    found.extend(needed(drawing));
    found
}

/// Electrolytics the wrong way round.
pub(super) fn turned(drawing: &Drawing<'_>) -> Vec<Finding> {
    let turned = drawing.chart.capacitors.iter().filter(|c| c.reversed);
    turned
        .map(|capacitor| reversed(drawing.of.circuit, capacitor))
        .collect()
}

/// Ratings that the parts list leaves out, as they would have to be.
fn needed(drawing: &Drawing<'_>) -> Vec<Finding> {
    let step = |list: &[f64], figure: f64| list.iter().copied().find(|rating| *rating >= figure);
    let own = |name: &str| {
        let circuit = &drawing.of.amplifier.circuit;
        let part = circuit.find_part(name);
        let part = part.filter(|&part| part != drawing.of.amplifier.bench.load)?;
        Some(&circuit.part(part).part)
    };
    let resistors = drawing.chart.resistors.iter();
    let resistors = resistors
        .filter(|r| {
            r.power.limit.is_none() && own(&r.part).is_some_and(|part| part.ohms().is_some())
        })
        .filter_map(|r| Some((r.part.clone(), step(&WATTS, RESERVE * r.power.value)?)));
    let capacitors = drawing.chart.capacitors.iter();
    let capacitors = capacitors
        .filter(|c| {
            c.volts.limit.is_none() && own(&c.part).is_some_and(|part| part.farads().is_some())
        })
        .filter_map(|c| Some((c.part.clone(), step(&VOLTS, c.volts.value)?)));
    let remark = |rows: Vec<(String, f64)>, what: &str, unit, basis: &str| {
        let list: Vec<String> = rows
            .iter()
            .map(|(part, rating)| format!("{part} {}", engineering(*rating, unit)))
            .collect();
        (!rows.is_empty()).then(|| Finding {
            parts: rows.iter().map(|(part, _)| part.clone()).collect(),
            ..Finding::new(
                Code::RatingNeeded,
                Weight::Remark,
                format!(
                    "The parts list states no {what} for these; they need at least: {}.",
                    list.join(", ")
                ),
                format!("{basis}; signal and high mains come on top."),
                "what is fitted, or what to buy",
            )
        })
    };
    [
        remark(
            resistors.collect(),
            "watts",
            Unit::Watt,
            "Twice the dissipation with no signal",
        ),
        remark(
            capacitors.collect(),
            "volts",
            Unit::Volt,
            "The volts with no signal",
        ),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// A share above one in words, with as many digits as show that.
fn more_than_all(share: f64) -> String {
    let percent = 100.0 * share;
    if percent < 100.5 {
        format!("{percent:.1} %")
    } else {
        format!("{percent:.0} %")
    }
}
