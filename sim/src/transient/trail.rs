//! The guess for the next solution: the parabola through the present one and the last two.

/// Two earlier solutions with their times, the later one first.
#[derive(Clone, Debug)]
pub(super) struct Trail {
    times: [f64; 2],
    x: [Vec<f64>; 2],
    known: usize,
}

/// How far ahead the parabola is trusted, as a multiple of what it rests on: further out it points
/// anywhere.
const REACH: f64 = 2.0;

impl Trail {
    pub(super) fn new(n: usize) -> Self {
        Self {
            times: [0.0; 2],
            x: [vec![0.0; n + 1], vec![0.0; n + 1]],
            known: 0,
        }
    }

    pub(super) fn clear(&mut self) {
        self.known = 0;
    }

    /// Remembers the solution `x` `[n+1]` at `t`.
    pub(super) fn push(&mut self, t: f64, x: &[f64]) {
        self.x.swap(0, 1);
        self.times.swap(0, 1);
        self.x[0].copy_from_slice(x);
        self.times[0] = t;
        self.known = (self.known + 1).min(2);
    }

    /// Forgets the last one pushed; what it displaced stays forgotten.
    pub(super) fn pop(&mut self) {
        self.x.swap(0, 1);
        self.times.swap(0, 1);
        self.known = self.known.saturating_sub(1);
    }

    /// Moves `x` `[n+1]`, the solution at `t_now`, to the guess at `t`.
    pub(super) fn extrapolate(&self, t_now: f64, t: f64, x: &mut [f64]) {
        let [t1, t2] = self.times;
        let ahead = t - t_now;
        match self.known {
            2 if t_now > t1 && t1 > t2 && ahead <= REACH * (t_now - t2) => {
                // Newton's divided differences
                let (h1, h2) = (t_now - t1, t1 - t2);
                let bend_scale = ahead * (t - t1) / (t_now - t2);
                for ((x, x1), x2) in x.iter_mut().zip(&self.x[0]).zip(&self.x[1]) {
                    let slope = (*x - x1) / h1;
                    let slope_before = (x1 - x2) / h2;
                    *x += ahead * slope + bend_scale * (slope - slope_before);
                }
            }
            1 | 2 if t_now > t1 && ahead <= REACH * (t_now - t1) => {
                let ratio = ahead / (t_now - t1);
                for (x, x1) in x.iter_mut().zip(&self.x[0]) {
                    *x += ratio * (*x - x1);
                }
            }
            _ => {}
        }
    }
}

#[cfg(test)]
#[allow(
    clippy::float_cmp,
    reason = "nothing may change where nothing is known"
)]
mod tests {
    use super::Trail;

    #[test]
    fn a_parabola_is_continued_exactly() {
        let parabola = |t: f64| 3.0 - 2.0 * t + 0.5 * t * t;
        let mut trail = Trail::new(0);
        let mut guess = [parabola(1.0)];
        trail.extrapolate(1.0, 1.5, &mut guess);
        assert_eq!(guess, [parabola(1.0)], "nothing is known yet");
        trail.push(0.0, &[parabola(0.0)]);
        trail.push(0.7, &[parabola(0.7)]);
        trail.extrapolate(1.0, 1.5, &mut guess);
        // Rounding of numbers of size 3.
        assert!((guess[0] - parabola(1.5)).abs() < 1e-14);
        let mut far = [parabola(1.0)];
        trail.extrapolate(1.0, 1e3, &mut far);
        assert_eq!(far, [parabola(1.0)], "too far ahead to guess");
    }
}
