//! Gain against frequency with and without the parts, and the loop gain where there is feedback.

use measure::judged::effect::{AmplifierFigures, Effects, grid};
use sim::amplifier::Amplifier;
use sim::quantity::{Unit, engineering};

use super::words::taken_out;
use crate::report::log_plot::{Curve, Extent, LogPlot, Panel, Scale};
use crate::report::plot::NotDrawn;

/// Gain drawn below that as drawn, dB.
const DEPTH: f64 = 40.0;

/// Gain drawn above the highest of the amplifier as drawn, dB: a peak that is worth seeing.
const HEIGHT: f64 = 20.0;

/// Loop gain drawn below one, dB.
const BELOW_ONE: f64 = 40.0;

/// The picture as SVG.
pub(super) fn svg(amplifier: &Amplifier, answer: &Effects) -> Result<String, NotDrawn> {
    let mut whole: Vec<(String, &AmplifierFigures)> =
        vec![("as drawn".to_owned(), &answer.as_drawn)];
    whole.extend(
        answer
            .cases
            .iter()
            .map(|effect| (taken_out(&effect.parts), &effect.without)),
    );
    let curves = |points: &dyn Fn(&AmplifierFigures) -> Vec<(f64, f64)>| -> Vec<Curve> {
        let all = whole.iter().map(|(name, at)| (name.clone(), points(at)));
        all.filter(|(_, points)| !points.is_empty()).collect()
    };
    let gains = curves(&|at| {
        grid()
            .into_iter()
            .zip(at.gains_db.iter().copied())
            .collect()
    });
    let highest = gains.first().map_or(0.0, |(_, points)| {
        points
            .iter()
            .map(|(_, gain)| *gain)
            .fold(f64::NEG_INFINITY, f64::max)
    });
    let mut panels = vec![Panel {
        y_name: "gain, dB",
        scale: Scale::Linear,
        extent: Extent::Within(highest - DEPTH..highest + HEIGHT),
        curves: gains,
        levels: Vec::new(),
    }];
    let decibels = |ratio: f64| 20.0 * ratio.log10();
    let (from, to) = measure::judged::study::BAND;
    let loop_points = |at: &AmplifierFigures| {
        let points = at.loop_gain.iter().copied();
        let points = points.filter(|point| point.frequency <= to);
        points.collect::<Vec<_>>()
    };
    let loop_gains = curves(&|at| {
        let points = loop_points(at).into_iter();
        points
            .map(|point| (point.frequency, decibels(point.loop_gain.norm())))
            .collect()
    });
    if !loop_gains.is_empty() {
        panels.push(Panel {
            y_name: "loop gain, dB",
            scale: Scale::Linear,
            extent: Extent::Within(-BELOW_ONE..f64::INFINITY),
            curves: loop_gains,
            levels: vec![("loop gain 1".to_owned(), 0.0)],
        });
        panels.push(Panel {
            y_name: "its phase, degrees",
            scale: Scale::Degrees,
            extent: Extent::Drawn,
            curves: curves(&|at| {
                let points = loop_points(at).into_iter();
                points
                    .map(|point| (point.frequency, point.phase.to_degrees()))
                    .collect()
            }),
            levels: Vec::new(),
        });
    }
    let bench = &amplifier.bench;
    LogPlot {
        title: &amplifier.title,
        conditions: &format!(
            "small signals from the generator into {} with and without the parts, everything else as in the file",
            engineering(bench.load_ohms, Unit::Ohm)
        ),
        x_name: "frequency, Hz",
        x_extent: Extent::Fixed(from..to),
        panels,
        marks: Vec::new(),
    }
    .svg()
}
