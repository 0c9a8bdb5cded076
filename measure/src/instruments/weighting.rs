//! Frequency weighting of noise by what the ear makes of it.
//!
//! ```text
//! A(f) = a(f)/a(1 kHz),   a = f⁴ / ((f² + f1²) √(f² + f2²) √(f² + f3²) (f² + f4²))
//! ```
//!
//! Symbols   f1…f4 poles, Hz;  A a ratio of voltages
//! Source    IEC 61672-1, A-weighting and its poles (from memory)
//! Valid     f ≥ 0

/// Poles, Hz: the first and the last are double.
const POLES: [f64; 4] = [20.598_997, 107.652_65, 737.862_23, 12_194.217];

/// Where the weighting is one, Hz.
const REFERENCE: f64 = 1e3;

/// A-weighting at a frequency, Hz; a ratio of voltages.
pub fn a_weighting(frequency: f64) -> f64 {
    shape(frequency) / shape(REFERENCE)
}

fn shape(frequency: f64) -> f64 {
    let square = frequency * frequency;
    let [f1, f2, f3, f4] = POLES.map(|pole| square + pole * pole);
    square * square / (f1 * (f2 * f3).sqrt() * f4)
}
