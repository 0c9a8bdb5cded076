//! Distortion against power and against frequency, as a picture and as figures.

use measure::driven::distortion::{AtFrequency, Distortion, Reading};
use sim::amplifier::Amplifier;
use sim::quantity::{Unit, engineering};

use super::words::name;
use crate::commands::power::picture::{across, along, axis};
use crate::report::csv;
use crate::report::log_plot::{Curve, Extent, LogPlot, Panel, Scale};
use crate::report::plot::NotDrawn;
use crate::report::stacked::stacked;
use crate::report::table::percent;

/// Harmonics drawn: the others follow them.
const DRAWN: [usize; 2] = [2, 3];

/// Distortion below which nothing can be heard or measured, per cent.
const FLOOR: f64 = 1e-3;

/// The picture as SVG: against power above, against frequency below.
pub(super) fn svg(amplifier: &Amplifier, answer: &Distortion) -> Result<String, NotDrawn> {
    let power = &answer.against_power;
    let load = engineering(power.load_ohms, Unit::Ohm);
    let limit = [(
        format!("limit {}", percent(power.distortion_limit)),
        100.0 * power.distortion_limit,
    )];
    let panel = |y_name: &'static str, curves: Vec<Curve>, levels: &[(String, f64)]| Panel {
        y_name,
        scale: Scale::Logarithmic,
        extent: Extent::Within(FLOOR..f64::INFINITY),
        curves,
        levels: levels.to_vec(),
    };
    let against_power = {
        let curve = |ratio: &dyn Fn(usize) -> f64| -> Vec<(f64, f64)> {
            let levels = power.levels.iter().enumerate();
            levels
                .map(|(k, level)| (along(power, level.power), 100.0 * ratio(k)))
                .collect()
        };
        let mut curves = vec![("THD".to_owned(), curve(&|k| power.levels[k].thd))];
        for number in DRAWN {
            let points = curve(&|k| harmonic(&power.levels[k].harmonics, number));
            curves.push((format!("H{number}"), points));
        }
        LogPlot {
            title: &amplifier.title,
            conditions: &format!(
                "sine at {}, {}, distortion against the fundamental",
                engineering(power.frequency, Unit::Hertz),
                across(power)
            ),
            x_name: axis(power),
            x_extent: Extent::Drawn,
            panels: vec![panel("distortion, per cent", curves, &limit)],
            marks: Vec::new(),
        }
        .svg()?
    };
    let panels: Vec<Panel<'_>> = answer
        .against_frequency
        .iter()
        .filter(|curve| curve.points.iter().any(|point| point.reading.is_some()))
        .map(|curve| {
            let points = |ratio: &dyn Fn(&Reading) -> f64| -> Vec<(f64, f64)> {
                let points = curve.points.iter();
                points
                    .filter_map(|point| {
                        Some((point.frequency, 100.0 * ratio(point.reading.as_ref()?)))
                    })
                    .collect()
            };
            let mut curves = vec![("THD".to_owned(), points(&|reading| reading.thd))];
            for number in DRAWN {
                let of = points(&|reading| harmonic(&reading.harmonics, number));
                curves.push((format!("H{number}"), of));
            }
            if curve.rated {
                panel("per cent, at the limit", curves, &limit)
            } else {
                // Far below the limit, which would only press the curves together.
                panel("per cent, small output", curves, &[])
            }
        })
        .collect();
    if panels.is_empty() {
        return Ok(against_power);
    }
    let of = &answer.against_power;
    let curves = answer.against_frequency.iter();
    let names: Vec<String> = curves.map(|curve| name(of, curve)).collect();
    let against_frequency = LogPlot {
        title: &format!("Against frequency, at {}", names.join(" and at ")),
        conditions: &format!(
            "sine, output held, into {load}; a curve ends where it is not reached"
        ),
        x_name: "frequency, Hz",
        x_extent: Extent::Drawn,
        panels,
        marks: Vec::new(),
    }
    .svg()?;
    Ok(stacked(&[against_power, against_frequency]))
}

/// Distortion against frequency, a line for each power and frequency; what is not reached is empty.
pub(super) fn csv(answer: &Distortion) -> String {
    let mut header: Vec<String> = [
        "power asked [W]",
        "frequency [Hz]",
        "drive peak [V]",
        "drive rms [V]",
        "output rms [V]",
        "power [W]",
        "THD [%]",
        "THD to 80 kHz [%]",
    ]
    .map(str::to_owned)
    .to_vec();
    header.extend((2..=9).map(|number| format!("H{number} [%]")));
    header.push("core flux [%]".to_owned());
    let points: Vec<(f64, &AtFrequency)> = answer
        .against_frequency
        .iter()
        .flat_map(|curve| curve.points.iter().map(|point| (curve.power, point)))
        .collect();
    let column = |of: &dyn Fn(&Reading) -> f64| -> Vec<f64> {
        let readings = points.iter().map(|(_, point)| point.reading.as_ref());
        readings
            .map(|reading| reading.map_or(f64::NAN, of))
            .collect()
    };
    let missing = |figure: Option<f64>| figure.map_or(f64::NAN, |ratio| 100.0 * ratio);
    let mut columns = vec![
        points.iter().map(|(power, _)| *power).collect(),
        points.iter().map(|(_, point)| point.frequency).collect(),
        column(&|reading| reading.drive),
        column(&|reading| reading.drive_rms),
        column(&|reading| reading.output_rms),
        column(&|reading| reading.power),
        column(&|reading| 100.0 * reading.thd),
        column(&|reading| missing(reading.thd_in_meter_band)),
    ];
    for number in 2..=9 {
        columns.push(column(&|reading| {
            100.0 * harmonic(&reading.harmonics, number)
        }));
    }
    columns.push(column(&|reading| missing(reading.saturation)));
    let columns: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
    csv::columns(&header, &columns)
}

/// A harmonic of the fundamental, a ratio; the list starts with the second.
fn harmonic(harmonics: &[f64], number: usize) -> f64 {
    harmonics.get(number - 2).copied().unwrap_or(0.0)
}
