//! A grid interval and the place reached in it.

/// From one grid time or jump to the next, counted in units of its finest step.
#[derive(Clone, Copy, Debug)]
pub(super) struct Interval {
    start: f64,
    end: f64,
    units: u64,
    place: u64,
}

impl Interval {
    /// The interval from `start` to `end`, s, that may be halved `halvings` times.
    pub(super) fn new(start: f64, end: f64, halvings: u32) -> Self {
        Self {
            start,
            end,
            units: 1 << halvings,
            place: 0,
        }
    }

    /// Whether its end is reached.
    pub(super) fn is_over(&self) -> bool {
        self.place >= self.units
    }

    /// Where a step of that level leads. Computed and not summed, so that the last step ends on the grid
    /// exactly.
    pub(super) fn after_step(&self, level: u32) -> Self {
        Self {
            place: self.place + (self.units >> level),
            ..*self
        }
    }

    /// Time of the place, s.
    pub(super) fn time(&self) -> f64 {
        if self.place == self.units {
            self.end
        } else {
            self.start + (self.end - self.start) * (self.place as f64 / self.units as f64)
        }
    }

    /// Whether a step of that level may start here.
    pub(super) fn is_aligned(&self, level: u32) -> bool {
        self.place.is_multiple_of(self.units >> level)
    }
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "the grid is met exactly")]
mod tests {
    use super::Interval;

    #[test]
    fn steps_of_any_levels_end_on_the_grid() {
        let (start, end) = (0.1, 0.3);
        let mut reached = Interval::new(start, end, 3);
        assert_eq!(reached.time(), start);
        for (level, place) in [(2, 0.25), (3, 0.375), (3, 0.5), (1, 1.0)] {
            assert!(!reached.is_over());
            reached = reached.after_step(level);
            // One rounding each of a difference, a product and a sum below one.
            let exact = start + (end - start) * place;
            assert!((reached.time() - exact).abs() <= 3.0 * f64::EPSILON);
            let aligned = [0, 1, 2, 3].map(|level| reached.is_aligned(level));
            let whole = [1.0, 2.0, 4.0, 8.0].map(|steps| (place * steps) % 1.0 == 0.0);
            assert_eq!(aligned, whole, "at {place}");
        }
        assert!(reached.is_over());
        assert_eq!(reached.time(), end);
    }
}
