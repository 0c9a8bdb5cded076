//! Noise against frequency, as a picture and as figures.

use sim::measure::noise::{Contribution, Noise};

use super::words;
use crate::report::csv;

/// Contributions in the sheet beside the sum.
const IN_SHEET: usize = 10;

fn name(source: &Contribution) -> String {
    format!("{} {}", source.part, words(source))
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
