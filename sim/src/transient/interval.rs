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
