//! Distortion against power above gain against frequency, a curve for each file.

use measure::judged::study::Study;

use super::Answer;
use super::text::letter;
use crate::report::log_plot::{Curve, Extent, LogPlot, Panel, Scale};
use crate::report::plot::NotDrawn;
use crate::report::stacked::stacked;
use crate::report::table::percent;

/// Distortion below which nothing can be heard or measured, per cent.
const FLOOR: f64 = 1e-3;

/// Gain drawn below the highest, dB.
const DEPTH: f64 = 40.0;

/// Both pictures as one SVG.
pub(super) fn svg(answer: &Answer, studies: &[Study<'_>]) -> Result<String, NotDrawn> {
    let named = |points: &dyn Fn(&Study<'_>) -> Vec<(f64, f64)>| -> Vec<Curve> {
        studies
            .iter()
            .zip(&answer.files)
            .enumerate()
            .map(|(k, (study, file))| (format!("{} {}", letter(k), file.title), points(study)))
            .collect()
    };
    let distortion = named(&|study| {
        let levels = study.power().into_iter().flat_map(|power| &power.levels);
        levels
            .map(|level| (level.power, 100.0 * level.thd))
            .collect()
    });
    let gain = named(&|study| {
        let gains = study
            .response()
            .into_iter()
            .flat_map(|answer| answer.gains.clone());
        study
            .response_question()
            .grid()
            .into_iter()
            .zip(gains)
            .collect()
    });
    let highest = gain
        .iter()
        .flat_map(|(_, points)| points)
        .map(|(_, gain)| *gain)
        .fold(f64::NEG_INFINITY, f64::max);
    let bench = &studies[0].amplifier.bench;
    let first = LogPlot {
        title: "Distortion against power",
        conditions: "sine at the test frequency into the rated load, against the fundamental",
        x_name: "power, W",
        x_extent: Extent::Drawn,
        panels: vec![Panel {
            y_name: "THD, per cent",
            scale: Scale::Logarithmic,
            extent: Extent::Within(FLOOR..f64::INFINITY),
            curves: distortion,
            levels: vec![(
                format!("limit of A {}", percent(bench.distortion_limit)),
                100.0 * bench.distortion_limit,
            )],
        }],
        marks: Vec::new(),
    };
    let second = LogPlot {
        title: "Gain against frequency",
        conditions: "volts of the load over the generator's, small signal, rated load",
        x_name: "frequency, Hz",
        x_extent: Extent::Drawn,
        panels: vec![Panel {
            y_name: "gain, dB",
            scale: Scale::Linear,
            extent: Extent::Within(highest - DEPTH..f64::INFINITY),
            curves: gain,
            levels: Vec::new(),
        }],
        marks: Vec::new(),
    };
    Ok(stacked(&[first.svg()?, second.svg()?]))
}
