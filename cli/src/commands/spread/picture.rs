//! Histograms of the figures.

use measure::judged::spread::{FigureSpread, Spread, SpreadOf};
use sim::amplifier::Amplifier;
use sim::quantity::Unit;

use super::words;
use crate::report::histogram::{Histogram, Panel};
use crate::report::plot::NotDrawn;

/// The picture as SVG.
pub(super) fn svg(
    amplifier: &Amplifier,
    question: &SpreadOf,
    answer: &Spread,
) -> Result<String, NotDrawn> {
    let asked = question.asked.iter().map(|asked| asked.figure.unit());
    let panels = asked
        .zip(&answer.figures)
        .filter_map(|(unit, figure)| panel(unit, figure));
    let [parts, valves] = words::limits(answer);
    Histogram {
        title: &amplifier.title,
        conditions: &[words::draw(answer), parts, valves],
        panels: panels.collect(),
    }
    .svg()
}

/// None for a figure that no two samples have.
fn panel(unit: Unit, figure: &FigureSpread) -> Option<Panel> {
    let of = figure.distribution.as_ref()?;
    let value = |value: f64| words::plain(value, figure, unit);
    let corners = [figure.lowest.value, figure.highest.value];
    let mut marked = Vec::new();
    if let Some(drawn) = figure.drawn {
        marked.push(format!("{} as drawn", value(drawn)));
    }
    let band = (of.quantiles[1].value, of.quantiles[3].value);
    marked.push(format!("5 to 95 %: {} to {}", value(band.0), value(band.1)));
    if let [Some(lowest), Some(highest)] = corners {
        marked.push(format!("corners {} and {}", value(lowest), value(highest)));
    }
    let limits = figure.limit.iter();
    Some(Panel {
        name: figure.figure.clone(),
        unit,
        words: marked.join("; "),
        values: figure.values.iter().flatten().copied().collect(),
        drawn: figure.drawn,
        band,
        corners: corners.into_iter().flatten().collect(),
        limits: limits
            .flat_map(|limit| [limit.least, limit.greatest])
            .flatten()
            .collect(),
    })
}
