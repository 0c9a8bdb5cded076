//! Distortion against power, as a picture and as figures.

use measure::driven::power::{Level, Output, Power};
use sim::amplifier::Amplifier;
use sim::quantity::{Unit, engineering};

use super::onset::{onsets, output};
use crate::report::csv;
use crate::report::log_plot::{Extent, LogPlot, Mark, Panel, Scale};
use crate::report::plot::NotDrawn;
use crate::report::table::percent;

/// Harmonics drawn: the others follow them.
const DRAWN: [usize; 3] = [2, 3, 5];

/// Distortion below which nothing can be heard or measured, per cent.
const FLOOR: f64 = 1e-3;

/// The picture as SVG.
pub(super) fn svg(amplifier: &Amplifier, answer: &Power) -> Result<String, NotDrawn> {
    let x = |watts: f64| along(answer, watts);
    let curve = |per_cent: &dyn Fn(&Level) -> f64| -> Vec<(f64, f64)> {
        let levels = answer.levels.iter();
        levels
            .map(|level| (x(level.power), per_cent(level)))
            .collect()
    };
    let mut curves = vec![("THD".to_owned(), curve(&|level| 100.0 * level.thd))];
    for number in DRAWN {
        let points = curve(&|level| 100.0 * harmonic(level, number));
        curves.push((format!("H{number}"), points));
    }
    let marks = onsets(&answer.limits)
        .iter()
        .map(|onset| Mark {
            x: x(onset.power()),
            words: format!(
                "{}, from {}",
                onset.words(answer),
                output(answer, onset.power())
            ),
        })
        .collect();
    let plot = LogPlot {
        title: &amplifier.title,
        conditions: &format!(
            "sine at {}, {}, distortion against the fundamental",
            engineering(answer.frequency, Unit::Hertz),
            across(answer)
        ),
        x_name: axis(answer),
        x_extent: Extent::Drawn,
        panels: vec![Panel {
            y_name: "distortion, per cent",
            scale: Scale::Logarithmic,
            extent: Extent::Within(FLOOR..f64::INFINITY),
            curves,
            levels: vec![(
                format!("limit {}", percent(answer.distortion_limit)),
                100.0 * answer.distortion_limit,
            )],
        }],
        marks,
    };
    plot.svg()
}

/// Where an output of so many watts stands on the axis: watts, or volts rms of a stage that gives no power.
pub(in crate::commands) fn along(answer: &Power, watts: f64) -> f64 {
    match answer.output(watts) {
        Output::Watts(of) | Output::Volts(of) => of,
    }
}

/// The name of that axis.
pub(in crate::commands) fn axis(answer: &Power) -> &'static str {
    if answer.in_volts {
        "output, V rms"
    } else {
        "power, W"
    }
}

/// What stands on that axis, and the load.
pub(in crate::commands) fn across(answer: &Power) -> String {
    let load = engineering(answer.load_ohms, Unit::Ohm);
    if answer.in_volts {
        format!("volts across {load}")
    } else {
        format!("power into {load}")
    }
}

/// The sweep, one level a line.
pub(super) fn csv(answer: &Power) -> String {
    let mut header: Vec<String> = ["drive peak [V]", "drive rms [V]", "output rms [V]"]
        .map(str::to_owned)
        .to_vec();
    header.extend(["power [W]", "THD [%]"].map(str::to_owned));
    let column =
        |of: &dyn Fn(&Level) -> f64| -> Vec<f64> { answer.levels.iter().map(of).collect() };
    let mut columns = vec![
        column(&|level| level.drive),
        column(&|level| level.drive_rms),
        column(&|level| level.output_rms),
        column(&|level| level.power),
        column(&|level| 100.0 * level.thd),
    ];
    let most = answer
        .levels
        .first()
        .map_or(0, |level| level.harmonics.len());
    for number in 2..2 + most {
        header.push(format!("H{number} [%]"));
        columns.push(column(&|level| 100.0 * harmonic(level, number)));
    }
    let columns: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
    csv::columns(&header, &columns)
}

/// A harmonic of the fundamental, a ratio; the list starts with the second.
fn harmonic(level: &Level, number: usize) -> f64 {
    level.harmonics.get(number - 2).copied().unwrap_or(0.0)
}
