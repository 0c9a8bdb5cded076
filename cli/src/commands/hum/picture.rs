//! The lines of the hum, as a picture and as figures.

use measure::driven::hum::{Hum, Line};
use sim::amplifier::Amplifier;

use super::{Answer, words};
use crate::report::csv;
use crate::report::log_plot::{Extent, LogPlot, Panel, Scale};
use crate::report::plot::NotDrawn;

/// What lies this far below the greatest line is not drawn, a ratio.
const FAINT: f64 = 1e-4;

/// How far the A-weighted line stands beside its own, a ratio of frequency.
const BESIDE: f64 = 1.012;

/// Beyond the first and the last line, a ratio of frequency.
const MARGIN: f64 = 1.2;

/// The picture as SVG.
pub(super) fn svg(amplifier: &Amplifier, answer: &Answer) -> Result<String, NotDrawn> {
    let hum = &answer.hum;
    let most = hum.lines.iter().map(|line| line.rms).fold(0.0, f64::max);
    let floor = FAINT * most;
    // A line stands on the frame: up from below it and down again.
    let lines = |beside: f64, of: fn(&Line) -> f64| -> Vec<(f64, f64)> {
        let below = 0.1 * floor;
        hum.lines
            .iter()
            .flat_map(|line| {
                let (x, y) = (beside * line.frequency, of(line).max(below));
                [(x, below), (x, y), (x, below)]
            })
            .collect()
    };
    let (first, last) = (
        hum.mains_frequency,
        hum.lines.last().map_or(1e3, |l| l.frequency),
    );
    let plot = LogPlot {
        title: &amplifier.title,
        conditions: &format!(
            "hum at the load: {}; {}",
            words::figures(answer),
            words::conditions(answer)
        ),
        x_name: "frequency, Hz",
        x_extent: Extent::Fixed(first / MARGIN..last * MARGIN),
        panels: vec![Panel {
            y_name: "hum, V rms",
            scale: Scale::Logarithmic,
            extent: Extent::Within(floor..f64::INFINITY),
            curves: vec![
                ("hum".to_owned(), lines(1.0, |line| line.rms)),
                ("A-weighted".to_owned(), lines(BESIDE, |line| line.a_rms)),
            ],
            levels: Vec::new(),
        }],
        marks: Vec::new(),
    };
    plot.svg()
}

/// The lines, one a line.
pub(super) fn csv(hum: &Hum) -> String {
    let column = |of: fn(&Line) -> f64| -> Vec<f64> { hum.lines.iter().map(of).collect() };
    csv::columns(
        &[
            "frequency [Hz]".to_owned(),
            "hum [V rms]".to_owned(),
            "A-weighted [V rms]".to_owned(),
        ],
        &[
            &column(|line| line.frequency),
            &column(|line| line.rms),
            &column(|line| line.a_rms),
        ],
    )
}
