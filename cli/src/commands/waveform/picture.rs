//! Volts against time, as a picture and as samples.

use sim::amplifier::Amplifier;

use super::{Answer, words};
use crate::report::csv;
use crate::report::plot::{NotDrawn, Plot};

/// The samples, one moment a line.
pub(super) fn csv(answer: &Answer) -> String {
    let (names, traces) = (&answer.nodes, &answer.traces);
    let mut header = vec!["time [s]".to_owned()];
    header.extend(names.iter().map(|name| format!("{name} [V]")));
    let mut columns: Vec<&[f64]> = vec![&traces.time];
    columns.extend(traces.volts.iter().map(Vec::as_slice));
    csv::columns(&header, &columns)
}

/// The picture as SVG.
pub(super) fn svg(amplifier: &Amplifier, answer: &Answer) -> Result<String, NotDrawn> {
    let milliseconds: Vec<f64> = answer.traces.time.iter().map(|t| 1e3 * t).collect();
    let plot = Plot {
        title: &amplifier.title,
        conditions: &format!("from rest, generator {}", words::generator(answer)),
        x_name: "time, ms",
        y_name: "volts against the chassis",
        x: &milliseconds,
        curves: answer
            .nodes
            .iter()
            .cloned()
            .zip(answer.traces.volts.iter().map(Vec::as_slice))
            .collect(),
        levels: Vec::new(),
    };
    plot.svg()
}
