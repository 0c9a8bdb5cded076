//! Where volts rise through their middle.

/// Seconds at which `volts`, `interval`, s, apart, rise through the middle of their least and most; once they were a tenth of
/// the swing below it, so that ripples there do not count.
pub fn rises(volts: &[f64], interval: f64) -> Vec<f64> {
    let least = volts.iter().copied().fold(f64::INFINITY, f64::min);
    let most = volts.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let middle = 0.5 * (least + most);
    let mut rises = Vec::new();
    let mut was_below = false;
    for (k, pair) in volts.windows(2).enumerate() {
        was_below |= pair[0] < middle - 0.1 * (most - least);
        if was_below && pair[0] < middle && pair[1] >= middle {
            rises.push(interval * (k as f64 + (middle - pair[0]) / (pair[1] - pair[0])));
            was_below = false;
        }
    }
    rises
}
