//! All places in a bracket where a figure takes a value: a grid, then each change of sign closed in on.
//!
//! ```text
//! x_{1/2} = (a + b)/2,   x_f = (a·g_b − b·g_a)/(g_b − g_a),   the next point lies on x_f, moved towards
//! x_{1/2} and kept within r of it, where r shrinks as bisection would
//! ```
//!
//! Symbols   a, b  ends of the bracket;  g  figure less target
//! Source    Oliveira & Takahashi, ACM Trans. Math. Softw. 47 (2021) 5 (from memory)
//! Care      two roots between neighbours of the grid are found only when a parabola through three of its
//!           points crosses the target

use rayon::prelude::*;

/// The target is met within so much of its scale: a tenth of what is promised.
const MET: f64 = 1e-4;

/// A sign that changes without the figure coming this close to the target is a jump.
pub(super) const PROMISED: f64 = 1e-3;

/// Points after which a bracket has shrunk to rounding, whatever the figure does.
const MOST: u32 = 80;

/// A bracket so narrow holds one value, in the coordinate of the search.
const NARROW: f64 = 1e-12;

/// A point of the curve: coordinate and figure, none where the circuit gives none.
pub(super) type Known = (f64, Option<f64>);

/// What is found.
#[derive(Clone, Debug, Default)]
pub(super) struct Found {
    /// Every point looked at, in rising order.
    pub(super) curve: Vec<Known>,
    /// Coordinates and figures of the solutions, rising.
    pub(super) roots: Vec<(f64, f64)>,
    /// Where the figure jumps over the target.
    pub(super) jumps: Vec<f64>,
}

/// Searches between the first and the last point of the grid. `scale` is what the target is met against;
/// zero takes the largest figure of the grid for it.
pub(super) fn search(
    grid: &[f64],
    target: f64,
    figure: &(impl Fn(f64) -> Option<f64> + Sync),
) -> Found {
    widened(Vec::new(), grid, target, figure)
}

/// As [`search`], between the outermost of what is known and of the grid.
pub(super) fn widened(
    known: Vec<Known>,
    grid: &[f64],
    target: f64,
    figure: &(impl Fn(f64) -> Option<f64> + Sync),
) -> Found {
    let mut curve = known;
    curve.par_extend(grid.par_iter().map(|&x| (x, figure(x))));
    curve.sort_by(|a, b| a.0.total_cmp(&b.0));
    let largest = curve.iter().filter_map(|(_, y)| *y).map(f64::abs);
    // A target of nought is met against what the figure is elsewhere.
    let scale = if target == 0.0 {
        largest.fold(0.0, f64::max)
    } else {
        target.abs()
    };
    let turned: Vec<Known> = curve
        .windows(3)
        .filter_map(|three| turning(three, target))
        .collect::<Vec<f64>>()
        .into_par_iter()
        .map(|x| (x, figure(x)))
        .collect();
    curve.extend(turned);
    curve.sort_by(|a, b| a.0.total_cmp(&b.0));
    let brackets: Vec<[(f64, f64); 2]> = curve
        .windows(2)
        .filter_map(|pair| {
            let (a, b) = (
                (pair[0].0, pair[0].1? - target),
                (pair[1].0, pair[1].1? - target),
            );
            // What lies on the target belongs to the bracket on its left, the first point to its own.
            let on = b.1 == 0.0 || (a.1 == 0.0 && pair[0].0.to_bits() == curve[0].0.to_bits());
            (a.1 * b.1 < 0.0 || on).then_some([a, b])
        })
        .collect();
    let ends: Vec<Option<(f64, f64)>> = brackets
        .par_iter()
        .map(|&[a, b]| close_in(a, b, target, MET * scale, figure))
        .collect();
    let (mut roots, mut jumps) = (Vec::new(), Vec::new());
    for (x, y) in ends.into_iter().flatten() {
        if (y - target).abs() <= PROMISED * scale {
            roots.push((x, y));
        } else {
            jumps.push(x);
        }
    }
    Found {
        curve,
        roots,
        jumps,
    }
}

/// Where a parabola through three points turns beyond the target, all three being on one side of it.
fn turning(three: &[Known], target: f64) -> Option<f64> {
    let [(a, ga), (b, gb), (c, gc)] = [0, 1, 2].map(|k| (three[k].0, three[k].1));
    let (ga, gb, gc) = (ga? - target, gb? - target, gc? - target);
    let nearest = gb.abs() < ga.abs() && gb.abs() < gc.abs();
    if !nearest || ga * gb <= 0.0 || gb * gc <= 0.0 {
        return None;
    }
    // Divided differences; the vertex of the parabola of Newton's form.
    let first = (gb - ga) / (b - a);
    let second = ((gc - gb) / (c - b) - first) / (c - a);
    let vertex = 0.5 * (a + b) - 0.5 * first / second;
    let there = ga + (vertex - a) * (first + second * (vertex - b));
    (vertex > a && vertex < c && there * gb < 0.0).then_some(vertex)
}

/// The point of a bracket where the figure meets the target; none when it cannot be followed there.
fn close_in(
    (mut a, mut ga): (f64, f64),
    (mut b, mut gb): (f64, f64),
    target: f64,
    met: f64,
    figure: &impl Fn(f64) -> Option<f64>,
) -> Option<(f64, f64)> {
    // Constants of the paper: slack of one bisection, exponent 2, and a share of the width to move by.
    let move_by = 0.2 / (b - a);
    let bisections = ((b - a) / NARROW).log2().ceil() + 1.0;
    for k in 0..MOST {
        let nearer = if ga.abs() < gb.abs() {
            (a, ga)
        } else {
            (b, gb)
        };
        if nearer.1.abs() <= met || b - a <= NARROW {
            return Some((nearer.0, nearer.1 + target));
        }
        let half = 0.5 * (a + b);
        let secant = (a * gb - b * ga) / (gb - ga);
        let towards = (half - secant).signum();
        let shift = move_by * (b - a).powi(2);
        let moved = if shift <= (half - secant).abs() {
            secant + towards * shift
        } else {
            half
        };
        let radius = NARROW * (bisections - f64::from(k)).exp2() - 0.5 * (b - a);
        let x = if (moved - half).abs() <= radius {
            moved
        } else {
            half - towards * radius
        };
        let x = if x > a && x < b { x } else { half };
        let g = figure(x)? - target;
        if g * ga > 0.0 {
            (a, ga) = (x, g);
        } else {
            (b, gb) = (x, g);
        }
    }
    let nearer = if ga.abs() < gb.abs() {
        (a, ga)
    } else {
        (b, gb)
    };
    Some((nearer.0, nearer.1 + target))
}

#[cfg(test)]
mod tests {
    use super::{search, widened};

    fn grid(from: f64, to: f64, count: usize) -> Vec<f64> {
        (0..=count)
            .map(|k| from + (to - from) * k as f64 / count as f64)
            .collect()
    }

    #[test]
    fn every_crossing_is_found_and_no_jump_is_taken_for_one() {
        // Roots of a cubic; 1e-4 of the target and slopes of 2 and 1 make 1e-4
        let found = search(&grid(-2.0, 2.1, 10), 1.0, &|x| Some(x * x * x - x + 1.0));
        let roots: Vec<f64> = found.roots.iter().map(|(x, _)| *x).collect();
        assert_eq!(roots.len(), 3, "{roots:?}");
        for (root, exact) in roots.iter().zip([-1.0, 0.0, 1.0]) {
            assert!((root - exact).abs() < 2e-4, "{roots:?}");
        }
        let found = search(&grid(-1.0, 1.0, 7), 1.0, &|x| {
            Some(if x < 0.1 { 0.5 } else { 2.0 })
        });
        assert!(found.roots.is_empty());
        assert!((found.jumps[0] - 0.1).abs() < 1e-9);
        let found = search(&grid(-1.0, 1.0, 7), 0.0, &|x| (x > 0.0).then_some(x + 1.0));
        assert!(found.roots.is_empty() && found.jumps.is_empty());
    }

    #[test]
    fn what_is_known_is_not_measured_again() {
        use std::sync::atomic::{AtomicUsize, Ordering};
        let measured = AtomicUsize::new(0);
        let figure = |x: f64| {
            measured.fetch_add(1, Ordering::Relaxed);
            Some(x)
        };
        let near = search(&grid(-1.0, 1.0, 4), 2.5, &figure);
        assert!(near.roots.is_empty());
        let before = measured.load(Ordering::Relaxed);
        let found = widened(near.curve, &[-3.0, -2.0, 2.0, 3.0], 2.5, &figure);
        // A straight line is met in the middle of its bracket, at the first try.
        assert!((found.roots[0].0 - 2.5).abs() < 1e-3, "{found:?}");
        assert_eq!(found.curve.len(), 9, "{found:?}");
        assert_eq!(measured.load(Ordering::Relaxed) - before, 5);
    }

    #[test]
    fn two_crossings_between_neighbours_of_the_grid_are_found() {
        let found = search(&grid(-1.0, 1.0, 4), -0.01, &|x| {
            Some((x - 0.05).powi(2) - 0.02)
        });
        let roots: Vec<f64> = found.roots.iter().map(|(x, _)| *x).collect();
        assert_eq!(roots.len(), 2, "{found:?}");
        assert!((roots[0] + 0.05).abs() < 1e-3 && (roots[1] - 0.15).abs() < 1e-3);
    }
}
