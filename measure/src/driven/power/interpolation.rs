//! Where a curve known at a few points passes zero.
//!
//! Source   Neville's scheme (textbook)

/// The value at `x` of the polynomial through the points (x, y).
pub(super) fn polynomial(points: &[(f64, f64)], x: f64) -> f64 {
    let mut y: Vec<f64> = points.iter().map(|point| point.1).collect();
    for order in 1..points.len() {
        for k in 0..points.len() - order {
            let (a, b) = (points[k].0, points[k + order].0);
            y[k] = ((b - x) * y[k] + (x - a) * y[k + 1]) / (b - a);
        }
    }
    y[0]
}

/// Where the polynomial through the points passes zero between two of them, across which it changes its sign; none when
/// it does not or a point is no number.
pub(super) fn zero(points: &[(f64, f64)], low: (f64, f64), high: (f64, f64)) -> Option<f64> {
    /// Halvings that leave a step of the last digits.
    const HALVINGS: u32 = 50;
    let finite = points.iter().all(|(x, y)| x.is_finite() && y.is_finite());
    if !finite || (low.1 < 0.0) == (high.1 < 0.0) {
        return None;
    }
    let (mut low, mut high, below) = (low.0, high.0, low.1 < 0.0);
    for _ in 0..HALVINGS {
        let middle = 0.5 * (low + high);
        if (polynomial(points, middle) < 0.0) == below {
            low = middle;
        } else {
            high = middle;
        }
    }
    Some(0.5 * (low + high))
}

#[cfg(test)]
mod tests {
    use super::{polynomial, zero};

    #[test]
    fn a_cubic_through_four_of_its_points_is_met_exactly() {
        // (x − 0.3)(x + 2)(x − 3) passes zero at 0.3 between 0 and 1.
        let cubic = |x: f64| (x - 0.3) * (x + 2.0) * (x - 3.0);
        let points = [-1.0, 0.0, 1.0, 2.0].map(|x| (x, cubic(x)));
        let at = zero(&points, points[1], points[2]).expect("its sign changes");
        assert!((at - 0.3).abs() < 1e-12, "{at}");
        assert!((polynomial(&points, 0.7) - cubic(0.7)).abs() < 1e-12);
        assert_eq!(zero(&points, points[0], points[1]), None, "above at both");
        let broken = [(0.0, f64::INFINITY), (1.0, -1.0)];
        assert_eq!(zero(&broken, broken[0], broken[1]), None);
    }
}
