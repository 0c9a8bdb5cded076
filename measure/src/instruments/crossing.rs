//! Where a figure crosses zero, between two frequencies that bracket it.
//!
//! It works on the logarithm of frequency, in which responses are smooth.

use sim::error::SimError;

/// A crossing is met when the figure is this close to zero, dB or a ratio: some hundred roundings of a solution.
const CLOSE: f64 = 1e-10;
/// A crossing also counts as met when its bracket is this narrow, relative: rounding.
const NARROW: f64 = 1e-15;
/// Halvings alone would meet any bracket in fewer.
const MOST_STEPS: u32 = 100;

/// The frequency between two others where `figure`, of opposite signs there, is zero.
///
/// Source   Illinois form of regula falsi: Dowell & Jarratt, BIT 11 (1971) 168 (from memory)
pub(crate) fn crossing(
    low: (f64, f64),
    high: (f64, f64),
    mut figure: impl FnMut(f64) -> Result<f64, SimError>,
) -> Result<f64, SimError> {
    let (mut a, mut at_a) = (low.0.ln(), low.1);
    let (mut b, mut at_b) = (high.0.ln(), high.1);
    let mut x = a;
    for _ in 0..MOST_STEPS {
        x = (a * at_b - b * at_a) / (at_b - at_a);
        if !(x > a.min(b) && x < a.max(b)) {
            x = 0.5 * (a + b);
        }
        let at_x = figure(x.exp())?;
        if at_x.abs() < CLOSE || (b - a).abs() < NARROW * x.abs().max(1.0) {
            break;
        }
        if (at_x < 0.0) == (at_b < 0.0) {
            // An end that stays twice running counts half.
            at_a *= 0.5;
        } else {
            (a, at_a) = (b, at_b);
        }
        (b, at_b) = (x, at_x);
    }
    Ok(x.exp())
}

#[cfg(test)]
mod tests {
    use super::crossing;

    #[test]
    fn the_crossing_of_a_known_curve_is_met() {
        // 20·log₁₀ of a first-order corner, 40 dB a decade steep at most.
        let fall = |f: f64| -10.0 * (1.0 + (f / 500.0).powi(2)).log10() + 3.0;
        let exact = 500.0 * (10f64.powf(0.3) - 1.0).sqrt();
        for (low, high) in [(400.0, 600.0), (1.0, 1e6)] {
            let met = crossing((low, fall(low)), (high, fall(high)), |f| Ok(fall(f)));
            let met = met.expect("it is never refused");
            // 1e-10 dB on a slope of some dB for each e-fold.
            assert!((met / exact - 1.0).abs() < 1e-10, "{met}");
        }
    }
}
