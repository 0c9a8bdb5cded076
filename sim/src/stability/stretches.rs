//! A way in few states: one for each stretch in which nothing moves far.

/// Share of its swing within which an unknown does not move far.
const APART: f64 = 0.02;

/// Keeps what does not swing from dividing by nothing: V or A.
pub(super) const FLOOR: f64 = 1e-9;

/// Of a path of steps `[steps]` from a start, s and `[n+1]`, one state for each stretch in which nothing moves far, and how long
/// each of these lasts, no longer than so many seconds and a step.
pub(super) fn stretches(
    start: &[f64],
    path: &[(f64, Vec<f64>)],
    longest: f64,
) -> (Vec<Vec<f64>>, Vec<f64>) {
    let of = |k: usize| path.iter().map(move |(_, x)| x[k]);
    let swings: Vec<f64> = (0..start.len())
        .map(|k| {
            let most = of(k).fold(start[k], f64::max);
            (most - of(k).fold(start[k], f64::min)).max(FLOOR)
        })
        .collect();
    let (mut samples, mut lasting) = (Vec::new(), Vec::new());
    let (mut since, mut before, mut x) = (0.0, 0.0, start);
    for (time, next) in path {
        let mut moved = next.iter().zip(x).zip(&swings);
        if time - since >= longest || moved.any(|((b, a), swing)| (b - a).abs() > APART * swing) {
            let between = 0.5 * (before + time);
            samples.push(x.to_vec());
            lasting.push(between - since);
            (since, x) = (between, next);
        }
        before = *time;
    }
    samples.push(x.to_vec());
    lasting.push(before - since);
    (samples, lasting)
}

#[cfg(test)]
mod tests {
    use super::stretches;

    #[test]
    fn what_stands_still_and_leaps_is_one_stretch_each_and_each_step_of_the_leap_one() {
        // Still for 2 s in steps of a tenth, over in four steps of a millisecond, still again for 1 s.
        let mut path: Vec<(f64, Vec<f64>)> =
            (1..=20).map(|k| (0.1 * f64::from(k), vec![0.0])).collect();
        path.extend((1..=4).map(|k| (2.0 + 1e-3 * f64::from(k), vec![25.0 * f64::from(k)])));
        path.extend((1..=10).map(|k| (2.004 + 0.1 * f64::from(k), vec![100.0])));
        let (samples, lasting) = stretches(&[0.0], &path, 10.0);
        assert_eq!(samples, [0.0, 25.0, 50.0, 75.0, 100.0].map(|x| vec![x]));
        let seen = [2.0005, 1e-3, 1e-3, 1e-3, 1.0005];
        assert!(
            lasting.iter().zip(seen).all(|(a, b)| (a - b).abs() < 1e-9),
            "{lasting:?}"
        );
        // None longer than half a second and a step.
        let (samples, lasting) = stretches(&[0.0], &path, 0.5);
        assert!(samples.len() > 8 && lasting.iter().all(|&long| long < 0.61));
        assert!((lasting.iter().sum::<f64>() - 3.004).abs() < 1e-9);
    }
}
