//! Gain above phase, as a picture and as figures.

use measure::small_signal::response::Response;
use sim::amplifier::Amplifier;

use super::text::{hertz, peak_words};
use super::{Answer, Curve, conditions};
use crate::report::csv;
use crate::report::log_plot::{Extent, LogPlot, Mark, Panel, Scale};
use crate::report::plot::NotDrawn;

/// Gain drawn below the highest, dB: what lies deeper is not heard.
const DEPTH: f64 = 80.0;

/// Least span of the axis of gain, dB.
const LEAST_SPAN: f64 = 1.0;

/// Least reach of the axis of deviations, dB either way: smaller ones should look small.
const LEAST_REACH: f64 = 0.5;

/// The picture as SVG.
pub(super) fn svg(amplifier: &Amplifier, answer: &Answer) -> Result<String, NotDrawn> {
    let curves = |values: &dyn Fn(&Response) -> Vec<f64>| {
        let curves = answer.curves.iter();
        curves
            .map(|curve| {
                let points = answer.frequency.iter().copied();
                let points = points.zip(values(&curve.response)).collect();
                (curve.name.clone(), points)
            })
            .collect::<Vec<_>>()
    };
    let gains = answer.curves.iter().flat_map(|curve| &curve.response.gains);
    let (lowest, highest) = gains
        .copied()
        .filter(|gain| gain.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), gain| {
            (low.min(gain), high.max(gain))
        });
    // What is nearly flat should look it.
    let extent = if highest - lowest < LEAST_SPAN {
        Extent::Fixed((lowest - LEAST_SPAN).floor()..(highest + LEAST_SPAN).ceil())
    } else {
        Extent::Within(highest - DEPTH..f64::INFINITY)
    };
    let (marks, levels) = match answer.curves.as_slice() {
        [curve] => (marks(curve), levels(answer, curve)),
        _ => (Vec::new(), Vec::new()),
    };
    let mut panels = vec![
        Panel {
            y_name: "gain, dB",
            scale: Scale::Linear,
            extent,
            curves: curves(&|response| response.gains.clone()),
            levels,
        },
        Panel {
            y_name: "phase, degrees",
            scale: Scale::Degrees,
            extent: Extent::Drawn,
            curves: curves(&|response| response.phases.clone()),
            levels: Vec::new(),
        },
    ];
    if answer.target.is_some() {
        let largest = answer
            .curves
            .iter()
            .filter_map(|curve| curve.response.deviation.as_ref())
            .map(|deviation| deviation.largest_db.abs())
            .fold(0.0, f64::max);
        let reach = (1.3 * largest).max(LEAST_REACH);
        panels.push(Panel {
            y_name: "deviation, dB",
            scale: Scale::Linear,
            extent: Extent::Fixed(-reach..reach),
            curves: curves(&deviations),
            levels: Vec::new(),
        });
    }
    let (from, to) = (
        answer.frequency.first().copied().unwrap_or(1.0),
        answer.frequency.last().copied().unwrap_or(1.0),
    );
    let mut words = conditions(amplifier, answer);
    if let Some(target) = answer.target {
        words += &format!("; deviation from {target}, equal at 1 kHz");
    }
    let plot = LogPlot {
        title: &amplifier.title,
        conditions: &words,
        x_name: "frequency, Hz",
        x_extent: Extent::Fixed(from..to),
        panels,
        marks,
    };
    plot.svg()
}

/// Deviations, not a number where there is none.
fn deviations(response: &Response) -> Vec<f64> {
    let curve = response
        .deviation
        .iter()
        .flat_map(|deviation| &deviation.curve);
    curve.map(|value| value.unwrap_or(f64::NAN)).collect()
}

/// Limits of the band and peaks, in rising frequency.
fn marks(curve: &Curve) -> Vec<Mark> {
    let mut marks = Vec::new();
    let band = curve.response.falls.last();
    if let Some(fall) = band {
        for limit in [fall.lower, fall.upper].into_iter().flatten() {
            marks.push(Mark {
                x: limit,
                words: format!("{:.0} dB down at {}", fall.fall, hertz(limit)),
            });
        }
    }
    for peak in &curve.response.peaks {
        marks.push(Mark {
            x: peak.frequency,
            words: format!("peak {}", peak_words(peak, band)),
        });
    }
    marks.sort_by(|a, b| a.x.total_cmp(&b.x));
    marks
}

/// The level of the limits that are marked.
fn levels(answer: &Answer, curve: &Curve) -> Vec<(String, f64)> {
    let falls = curve.response.falls.last().into_iter();
    falls
        .map(|fall| {
            let name = format!("{:.0} dB below {}", fall.fall, hertz(answer.reference));
            (name, curve.response.gain_db - fall.fall)
        })
        .collect()
}

/// Gain and phase of every curve, one frequency a line.
pub(super) fn csv(answer: &Answer) -> String {
    let mut header = vec!["frequency [Hz]".to_owned()];
    let mut columns = vec![answer.frequency.clone()];
    for curve in &answer.curves {
        let name = &curve.name;
        header.extend([
            format!("{name} gain [dB]"),
            format!("{name} phase [degrees]"),
        ]);
        columns.extend([curve.response.gains.clone(), curve.response.phases.clone()]);
        if answer.target.is_some() {
            header.push(format!("{name} deviation [dB]"));
            columns.push(deviations(&curve.response));
        }
    }
    let columns: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
    csv::columns(&header, &columns)
}
