//! Ripple and rectifier current over a mains period, as a picture; every condition as figures.

use measure::at_rest::supply::{Band, Condition, Supply, Trace};
use sim::amplifier::Amplifier;
use sim::quantity::{Quantity, Unit, engineering};

use crate::report::csv;
use crate::report::plot::{NotDrawn, Plot};
use crate::report::stacked::stacked;

/// The picture as SVG: reservoirs, smoothing, currents, one above the other.
pub(super) fn svg(amplifier: &Amplifier, answer: &Supply) -> Result<String, NotDrawn> {
    let traces = &answer.traces;
    let milliseconds: Vec<f64> = traces.time.iter().map(|t| 1e3 * t).collect();
    let nominal = answer
        .conditions
        .iter()
        .find(|condition| condition.in_use && condition.band == Band::Nominal);
    let mains = nominal.map_or_else(String::new, |condition| {
        format!(
            "{} mains{}, {}, no signal",
            engineering(condition.volts, Unit::Volt),
            tap(condition),
            Quantity::exact(answer.frequency, Unit::Hertz)
        )
    });
    let picture = |title: &str, what: &str, y_name: &str, curves: &[(String, Vec<f64>)]| {
        let curves = curves.iter();
        Plot {
            title,
            conditions: &format!("{what}; {mains}"),
            x_name: "time, ms",
            y_name,
            x: &milliseconds,
            curves: curves
                .map(|(name, values)| (name.clone(), values.as_slice()))
                .collect(),
            levels: Vec::new(),
        }
        .svg()
    };
    let ripple = |reservoir: bool| -> Vec<(String, Vec<f64>)> {
        let points = traces.points.iter();
        points
            .filter(|point| point.reservoir == reservoir)
            .map(about_mean)
            .collect()
    };
    let currents: Vec<(String, Vec<f64>)> = traces
        .currents
        .iter()
        .map(|current| {
            let milliamps = current.values.iter().map(|amps| 1e3 * amps).collect();
            (current.name.clone(), milliamps)
        })
        .collect();
    let mut pictures = Vec::new();
    let mut title = amplifier.title.as_str();
    for (what, y_name, curves) in [
        (
            "at the rectifiers",
            "ripple about the mean, V",
            ripple(true),
        ),
        (
            "behind the smoothing",
            "ripple about the mean, V",
            ripple(false),
        ),
        ("through the rectifiers", "current, mA", currents),
    ] {
        if !curves.is_empty() {
            pictures.push(picture(title, what, y_name, &curves)?);
            title = "";
        }
    }
    Ok(stacked(&pictures))
}

fn tap(condition: &Condition) -> String {
    condition.tap.map_or_else(String::new, |tap| {
        format!(" on the {} tap", engineering(tap, Unit::Volt))
    })
}

/// A point's name with its mean, and what moves about it.
fn about_mean(point: &Trace) -> (String, Vec<f64>) {
    let mean = point.values.iter().sum::<f64>() / point.values.len() as f64;
    let name = format!("{} about {}", point.name, engineering(mean, Unit::Volt));
    (
        name,
        point.values.iter().map(|volts| volts - mean).collect(),
    )
}

/// A name of a column and how it is read.
type Column = (String, Box<dyn Fn(&Condition) -> Option<f64>>);

/// A condition a line.
pub(super) fn csv(answer: &Supply) -> String {
    let conditions: Vec<&Condition> = answer.conditions.iter().chain(&answer.full_drive).collect();
    let mut columns: Vec<Column> = vec![
        ("tap [V]".to_owned(), Box::new(|c| c.tap)),
        ("mains [V]".to_owned(), Box::new(|c| Some(c.volts))),
        ("drive, peak [V]".to_owned(), Box::new(|c| c.drive)),
        ("output [W]".to_owned(), Box::new(|c| c.output)),
        (
            "mains current [A]".to_owned(),
            Box::new(|c| c.figures.as_ref().map(|f| f.plug.current)),
        ),
        (
            "mains power [W]".to_owned(),
            Box::new(|c| c.figures.as_ref().map(|f| f.plug.power)),
        ),
        (
            "mains apparent power [VA]".to_owned(),
            Box::new(|c| c.figures.as_ref().map(|f| f.plug.apparent)),
        ),
    ];
    // Every condition has the same parts; the first that was solved names them.
    if let Some(figures) = conditions.iter().find_map(|c| c.figures.as_ref()) {
        for (k, point) in figures.points.iter().enumerate() {
            let read = move |c: &Condition| c.figures.as_ref().map(|f| f.points[k].volts);
            columns.push((format!("{} [V]", point.node), Box::new(read)));
            let read = move |c: &Condition| c.figures.as_ref().map(|f| f.points[k].ripple_rms);
            columns.push((format!("{} ripple rms [V]", point.node), Box::new(read)));
        }
        for (k, rectifier) in figures.rectifiers.iter().enumerate() {
            for (j, anode) in rectifier.anodes.iter().enumerate() {
                let name = format!("{} {}", rectifier.part, anode.node);
                let peak = move |c: &Condition| {
                    let figures = c.figures.as_ref()?;
                    Some(figures.rectifiers[k].anodes[j].peak.value)
                };
                columns.push((format!("{name} peak [A]"), Box::new(peak)));
                let inverse = move |c: &Condition| {
                    let figures = c.figures.as_ref()?;
                    Some(figures.rectifiers[k].anodes[j].inverse.value)
                };
                columns.push((format!("{name} inverse [V]"), Box::new(inverse)));
            }
        }
        for (k, heater) in figures.heaters.iter().enumerate() {
            let read = move |c: &Condition| c.figures.as_ref().map(|f| f.heaters[k].volts);
            columns.push((format!("{} heater rms [V]", heater.part), Box::new(read)));
        }
        for (k, core) in figures.cores.iter().enumerate() {
            let read = move |c: &Condition| c.figures.as_ref().map(|f| f.cores[k].saturation);
            columns.push((format!("{} flux of saturation", core.part), Box::new(read)));
        }
    }
    let header: Vec<String> = columns.iter().map(|(name, _)| name.clone()).collect();
    let values: Vec<Vec<f64>> = columns
        .iter()
        .map(|(_, read)| {
            let values = conditions.iter().map(|c| read(c).unwrap_or(f64::NAN));
            values.collect()
        })
        .collect();
    let values: Vec<&[f64]> = values.iter().map(Vec::as_slice).collect();
    csv::columns(&header, &values)
}
