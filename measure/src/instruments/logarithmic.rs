//! Ratios as they are drawn and heard: in equal steps of their logarithm.

/// Ratio of voltages in dB.
pub fn decibels(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}

/// Equal ratios from one frequency to another, both included, at least so many a decade.
pub fn spaced(from: f64, to: f64, a_decade: f64) -> Vec<f64> {
    // Rounding of a whole number of decades must not cost a step more.
    let steps = ((to / from).log10() * a_decade - 1e-9).ceil().max(1.0);
    (0..=steps as u32)
        .map(|k| match k {
            0 => from,
            k if f64::from(k) >= steps => to,
            k => from * (to / from).powf(f64::from(k) / steps),
        })
        .collect()
}
