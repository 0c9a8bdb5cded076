//! A curve cut at the frame.

use std::ops::Range;

/// The pieces of a curve inside the frame, cut where they cross it. A point that is not finite parts
/// the curve.
pub(in crate::report) fn inside(
    points: &[(f64, f64)],
    x: &Range<f64>,
    y: &Range<f64>,
) -> Vec<Vec<(f64, f64)>> {
    let mut pieces: Vec<Vec<(f64, f64)>> = Vec::new();
    let mut open = false;
    for pair in points.windows(2) {
        let (a, b) = (pair[0], pair[1]);
        let Some((from, to)) = share_inside(a, b, x, y) else {
            open = false;
            continue;
        };
        let at = |share: f64| (a.0 + share * (b.0 - a.0), a.1 + share * (b.1 - a.1));
        if !open {
            pieces.push(vec![if from > 0.0 { at(from) } else { a }]);
        }
        open = to >= 1.0;
        if let Some(piece) = pieces.last_mut() {
            piece.push(if open { b } else { at(to) });
        }
    }
    pieces
}

/// The share of the way from `a` to `b` where the frame is entered and left.
///
/// Source   Liang & Barsky, ACM Trans. Graphics 3 (1984) 1 (from memory)
fn share_inside(
    a: (f64, f64),
    b: (f64, f64),
    x: &Range<f64>,
    y: &Range<f64>,
) -> Option<(f64, f64)> {
    if ![a.0, a.1, b.0, b.1].iter().all(|value| value.is_finite()) {
        return None;
    }
    let (mut from, mut to) = (0.0_f64, 1.0_f64);
    for (start, end, range) in [(a.0, b.0, x), (a.1, b.1, y)] {
        let way = end - start;
        let (low, high) = (range.start - start, range.end - start);
        if way == 0.0 {
            if low > 0.0 || high < 0.0 {
                return None;
            }
        } else {
            let (first, second) = (low / way, high / way);
            from = from.max(first.min(second));
            to = to.min(first.max(second));
        }
    }
    (from < to).then_some((from, to))
}

#[cfg(test)]
mod tests {
    use super::inside;

    #[test]
    fn a_curve_is_cut_where_it_leaves_the_picture() {
        let points = [(0.0, 0.0), (1.0, 2.0), (2.0, 0.0), (3.0, 0.0)];
        let all = 0.0..3.0;
        let peak = inside(&points, &all, &(1.0..9.0));
        assert_eq!(peak, [[(0.5, 1.0), (1.0, 2.0), (1.5, 1.0)]]);
        let foot = inside(&points, &all, &(-1.0..1.0));
        assert_eq!(
            foot,
            [
                vec![(0.0, 0.0), (0.5, 1.0)],
                vec![(1.5, 1.0), (2.0, 0.0), (3.0, 0.0)]
            ]
        );
        let middle = inside(&points, &(0.5..1.5), &(-1.0..9.0));
        assert_eq!(middle, [[(0.5, 1.0), (1.0, 2.0), (1.5, 1.0)]]);
        assert_eq!(inside(&points, &all, &(-1.0..9.0)), [points.to_vec()]);
        assert!(inside(&points, &all, &(5.0..9.0)).is_empty());
        let parted = [(0.0, 1.0), (1.0, 1.0), (2.0, f64::NEG_INFINITY), (3.0, 1.0)];
        assert_eq!(
            inside(&parted, &all, &(0.0..9.0)),
            [[(0.0, 1.0), (1.0, 1.0)]]
        );
    }
}
