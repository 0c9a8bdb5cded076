//! Words of the command line as values: what is no value, or none that makes sense, is said with the argument.

use measure::instruments::varied::SUPPLIES;
use sim::amplifier::Amplifier;
use sim::quantity::{Quantity, Unit};
use sim::{Circuit, NodeId, PartId};

use crate::diagnostic::Id;
use crate::failure::Failure;
use measure::driven::power::Output;

/// Reads an argument; `least` is the smallest value that makes sense.
pub(crate) fn quantity(argument: &str, text: &str, unit: Unit, least: f64) -> Result<f64, Failure> {
    match Quantity::parse(text, unit) {
        Ok(value) if value >= least => Ok(value),
        Ok(_) => Err(Failure::plain(
            Id::OutOfBounds,
            format!("{argument} {text} makes no sense"),
            format!("write e.g. {}", unit.examples()),
        )),
        Err(error) => Err(Failure::plain(
            Id::BadValue,
            format!("{argument} {text}: {error}"),
            format!("write e.g. {}", unit.examples()),
        )),
    }
}

/// A value above zero.
pub(crate) fn positive(argument: &str, text: &str, unit: Unit) -> Result<f64, Failure> {
    quantity(argument, text, unit, f64::MIN_POSITIVE)
}

/// A value above zero of an argument that may be left out.
pub(crate) fn given(
    argument: &str,
    text: Option<&String>,
    unit: Unit,
) -> Result<Option<f64>, Failure> {
    text.map(|text| positive(argument, text, unit)).transpose()
}

/// `--at`: outputs in watts or volts, e.g. 20W or 25V.
pub(crate) fn outputs(texts: &[String]) -> Result<Vec<Output>, Failure> {
    let output = |text: &String| {
        if text.trim_end().ends_with(['V', 'v']) {
            return positive("--at", text, Unit::Volt).map(Output::Volts);
        }
        positive("--at", text, Unit::Watt).map(Output::Watts)
    };
    texts.iter().map(output).collect()
}

/// A ratio below one.
pub(crate) fn share(argument: &str, text: &str) -> Result<f64, Failure> {
    let share = quantity(argument, text, Unit::Percent, 0.0)?;
    if share < 1.0 {
        return Ok(share);
    }
    Err(Failure::plain(
        Id::OutOfBounds,
        format!("{argument} {text} leaves nothing"),
        "write less than 100 %",
    ))
}

/// `--ratio`: of two amplitudes.
pub(crate) fn ratio(text: &str) -> Result<f64, Failure> {
    sim::quantity::ratio(text).ok_or_else(|| {
        Failure::plain(
            Id::BadValue,
            format!("--ratio {text} cannot be read"),
            "write e.g. 4:1",
        )
    })
}

/// `--from` and `--to`: two ends of a band, Hz.
pub(crate) fn band(from: &str, to: &str) -> Result<(f64, f64), Failure> {
    let low = positive("--from", from, Unit::Hertz)?;
    let high = positive("--to", to, Unit::Hertz)?;
    if low < high {
        return Ok((low, high));
    }
    Err(Failure::plain(
        Id::OutOfBounds,
        format!("--from {from} is not below --to {to}"),
        "give the lower end of the band first",
    ))
}

/// `--mains`: low and high ends of mains or supplies, as ratios: what is asked for, what the file says, or practice.
pub(crate) fn mains(asked: Option<&str>, amplifier: &Amplifier) -> Result<(f64, f64), Failure> {
    Ok(match (asked, &amplifier.mains) {
        (Some(text), _) => {
            let share = share("--mains", text)?;
            (1.0 - share, 1.0 + share)
        }
        (None, Some(mains)) => (mains.low / mains.nominal, mains.high / mains.nominal),
        (None, None) => (1.0 - SUPPLIES, 1.0 + SUPPLIES),
    })
}

/// The node of a name.
pub(crate) fn node(name: &str, circuit: &Circuit) -> Result<NodeId, Failure> {
    circuit.find_node(name).ok_or_else(|| {
        let all: Vec<&str> = circuit.nodes().map(|(_, name)| name).collect();
        Failure::plain(
            Id::UnknownNode,
            format!("no part is joined to node `{name}`"),
            format!("the nodes are {}", all.join(", ")),
        )
    })
}

/// `--through`: a part that carries the feedback.
pub(crate) fn through(name: &str, circuit: &Circuit) -> Result<PartId, Failure> {
    circuit.find_part(name.trim()).ok_or_else(|| {
        Failure::plain(
            Id::UnknownPart,
            format!("--through {name}: there is no such part"),
            "name the resistor or capacitor that leads from the output back into the amplifier",
        )
    })
}

#[cfg(test)]
mod tests {
    use super::mains;

    #[test]
    fn ends_of_the_mains_are_as_asked_as_written_or_as_usual() {
        let amplifier = |supply: &str| {
            let text = format!(
                r#"[amplifier]
title = "Fed"
source = "own design, invented for a test"
[parts]
M1 = {{ {supply} }}
RL = {{ resistor = "1k", between = ["l", "chassis"] }}
[bench]
generator = {{ into = "l", resistance = "1M" }}
load = "RL"
"#
            );
            sheet::read(&text, &[]).unwrap_or_else(|faults| panic!("{faults:?}"))
        };
        let near = |found: (f64, f64), low: f64, high: f64| {
            assert!((found.0 - low).abs() < 1e-12 && (found.1 - high).abs() < 1e-12);
        };
        let fed = amplifier(
            r#"mains = "230V", frequency = "50Hz", between = ["l", "chassis"], low = "207V", high = "253V""#,
        );
        let supplied = amplifier(r#"supply = "100V", positive = "l", negative = "chassis""#);
        let of = |text, amplifier| mains(text, amplifier).unwrap_or_else(|_| panic!("it is read"));
        near(of(Some("6%"), &fed), 0.94, 1.06);
        near(of(None, &fed), 0.9, 1.1);
        near(
            of(None, &supplied),
            1.0 - super::SUPPLIES,
            1.0 + super::SUPPLIES,
        );
    }
}
