//! Where a figure is greatest, between two frequencies that bracket it.
//!
//! It works on the logarithm of frequency, in which responses are smooth. Cost: one figure a step, some 30 steps.
//!
//! Source   golden section: Kiefer, Proc. AMS 4 (1953) 502 (from memory)

use sim::error::SimError;

/// The greatest is met to this, relative in frequency: finer, rounding of a flat top hides it.
const TOP: f64 = 1e-7;

/// The frequency between two others, Hz, where `figure`, with one maximum there, is greatest, and its value.
pub(crate) fn greatest(
    (low, high): (f64, f64),
    mut figure: impl FnMut(f64) -> Result<f64, SimError>,
) -> Result<(f64, f64), SimError> {
    let golden = 0.5 * (5f64.sqrt() - 1.0);
    let (mut a, mut b) = (low.ln(), high.ln());
    let mut left = b - golden * (b - a);
    let mut right = a + golden * (b - a);
    let (mut at_left, mut at_right) = (figure(left.exp())?, figure(right.exp())?);
    while b - a > TOP {
        if at_left > at_right {
            b = right;
            (right, at_right) = (left, at_left);
            left = b - golden * (b - a);
            at_left = figure(left.exp())?;
        } else {
            a = left;
            (left, at_left) = (right, at_right);
            right = a + golden * (b - a);
            at_right = figure(right.exp())?;
        }
    }
    let frequency = (0.5 * (a + b)).exp();
    Ok((frequency, figure(frequency)?))
}

#[cfg(test)]
mod tests {
    use super::greatest;

    #[test]
    fn the_top_of_a_hump_is_met() {
        let hump = |f: f64| -((f / 700.0).ln()).powi(2);
        let (met, height) = greatest((500.0, 900.0), |f| Ok(hump(f))).expect("never refused");
        // The bracket is narrowed to 1e-7.
        assert!((met / 700.0 - 1.0).abs() < 1e-7, "{met}");
        assert!(height.abs() < 1e-13);
    }
}
