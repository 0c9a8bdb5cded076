//! The figure against the value, as a picture.

use measure::judged::choose::{Choice, ChooseOf};
use sim::amplifier::Amplifier;
use sim::quantity::engineering;

use crate::report::log_plot::{Extent, LogPlot, Mark, Panel, Scale};
use crate::report::plot::NotDrawn;

/// Ratios are drawn in per cent, amperes in milliamperes.
fn drawn(value: f64, unit: &str) -> f64 {
    match unit {
        "%" => 100.0 * value,
        "A" => 1e3 * value,
        _ => value,
    }
}

/// A name with its unit, if it has one.
fn axis(name: &str, unit: &str) -> String {
    match unit {
        "" => name.to_owned(),
        "A" => format!("{name}, mA"),
        _ => format!("{name}, {unit}"),
    }
}

/// The picture as SVG.
pub(super) fn svg(
    amplifier: &Amplifier,
    question: &ChooseOf,
    answer: &Choice,
) -> Result<String, NotDrawn> {
    let units = (question.unit, question.figure.unit());
    let parts = answer.parts.join(" and ");
    let (x, y) = (
        |value| drawn(value, answer.unit),
        |figure| drawn(figure, answer.figure_unit),
    );
    let points = answer.curve.iter();
    let points = points.filter_map(|at| Some((x(at.value), y(at.gives?))));
    let y_name = axis(&answer.figure, answer.figure_unit);
    let marks = answer.solutions.iter().map(|solution| Mark {
        x: x(solution.value),
        words: format!(
            "{parts} = {} gives {}",
            engineering(solution.value, units.0),
            engineering(solution.gives, units.1)
        ),
    });
    LogPlot {
        title: &amplifier.title,
        conditions: &format!(
            "{} against the value of {parts}; everything else as in the file",
            answer.figure
        ),
        x_name: &axis(&parts, answer.unit),
        x_extent: Extent::Fixed(x(answer.from)..x(answer.to)),
        panels: vec![Panel {
            y_name: &y_name,
            scale: Scale::Linear,
            extent: Extent::Drawn,
            curves: vec![(answer.figure.clone(), points.collect())],
            levels: vec![("wanted".to_owned(), y(answer.target))],
        }],
        marks: marks.collect(),
    }
    .svg()
}
