//! Noise against frequency, as a picture and as figures.

use measure::small_signal::noise::{Contribution, Noise};
use sim::amplifier::Amplifier;
use sim::quantity::{Unit, engineering};

use super::{bandwidth, words};
use crate::report::csv;
use crate::report::log_plot::{Extent, LogPlot, Panel, Scale};
use crate::report::plot::NotDrawn;

/// Contributions drawn beside the sum.
const DRAWN: usize = 4;

/// What lies this far below the greatest density is not drawn, a ratio: it adds nothing to the sum.
const FAINT: f64 = 1e-3;

/// Contributions in the sheet beside the sum.
const IN_SHEET: usize = 10;

fn name(source: &Contribution) -> String {
    format!("{} {}", source.part, words(source))
}

/// The picture as SVG.
pub(super) fn svg(amplifier: &Amplifier, noise: &Noise, behind: &str) -> Result<String, NotDrawn> {
    let curve = |name: String, densities: &mut dyn Iterator<Item = f64>| {
        let frequencies = noise.spectrum.iter().map(|at| at.frequency);
        (name, frequencies.zip(densities).collect::<Vec<_>>())
    };
    let mut all = noise.spectrum.iter().map(|at| at.density);
    let most = all.clone().fold(0.0, f64::max);
    let mut curves = vec![curve("all noise".to_owned(), &mut all)];
    for source in noise.contributions.iter().take(DRAWN) {
        curves.push(curve(name(source), &mut source.densities.iter().copied()));
    }
    let plot = LogPlot {
        title: &amplifier.title,
        conditions: &format!(
            "at the load, generator at rest behind {behind}, {:.0} K, flicker corner {}; {} rms, {} A-weighted from {}",
            noise.temperature,
            engineering(noise.flicker_corner, Unit::Hertz),
            engineering(noise.output_rms, Unit::Volt),
            engineering(noise.output_a_rms, Unit::Volt),
            bandwidth(noise)
        ),
        x_name: "frequency, Hz",
        x_extent: Extent::Fixed(noise.from..noise.to),
        panels: vec![Panel {
            y_name: "noise, V/√Hz",
            scale: Scale::Logarithmic,
            extent: Extent::Within(FAINT * most..f64::INFINITY),
            curves,
            levels: Vec::new(),
        }],
        marks: Vec::new(),
    };
    plot.svg()
}

/// The spectrum, one frequency a line, with the largest contributions.
pub(super) fn csv(noise: &Noise) -> String {
    let frequency: Vec<f64> = noise.spectrum.iter().map(|at| at.frequency).collect();
    let all: Vec<f64> = noise.spectrum.iter().map(|at| at.density).collect();
    let mut header = vec!["frequency [Hz]".to_owned(), "noise [V/√Hz]".to_owned()];
    let mut columns = vec![frequency.as_slice(), &all];
    for source in noise.contributions.iter().take(IN_SHEET) {
        header.push(format!("{} [V/√Hz]", name(source)));
        columns.push(&source.densities);
    }
    csv::columns(&header, &columns)
}
