//! How finely a grid interval is cut: control of the steps by their error, or by what was kept.

use super::interval::Interval;
use super::steps::{Choice, Steps};

/// Where the control of the steps stands.
#[derive(Clone, Debug)]
pub(super) struct Control {
    /// Sub-steps a grid interval is cut into now, as a power of two.
    level: u32,
    /// The finest level.
    finest: u32,
    /// Error of the last step relative to its limit; one where nobody knows it.
    last_error: f64,
    steps: Steps,
}

impl Control {
    /// Starts with whole intervals, which may be halved so often.
    pub(super) fn new(finest: u32) -> Self {
        Self {
            level: 0,
            finest,
            last_error: 0.0,
            steps: Steps::default(),
        }
    }

    /// The cycle that starts now chooses its steps like this.
    pub(super) fn begin_cycle(&mut self, choice: Choice) {
        self.steps.begin(choice);
    }

    /// Level of the next step.
    pub(super) fn level(&mut self) -> u32 {
        if let Some(level) = self.steps.next() {
            self.level = level;
        }
        self.level
    }

    /// Whether a step of that error, relative to its limit, is taken. At the finest level it is taken as it
    /// is: refusing it would only end the run. A step of a cycle before was judged there.
    pub(super) fn accepts(&mut self, error: f64) -> bool {
        self.last_error = error;
        error <= 1.0 || self.is_finest() || self.steps.follows()
    }

    /// Whether no finer step is allowed.
    pub(super) fn is_finest(&self) -> bool {
        self.level >= self.finest
    }

    /// A step was taken whose error nobody estimated: it counts as this much of the limit.
    pub(super) fn unjudged(&mut self, error: f64) {
        self.last_error = error;
    }

    /// A step was taken and has led here: the next is twice as long when the error allows and the place is
    /// aligned for it.
    pub(super) fn taken(&mut self, interval: &Interval) {
        /// The error of a second-order step grows eightfold when the step doubles; with a margin.
        const ROOM: f64 = 1.0 / 16.0;
        self.steps.taken(self.level);
        if self.level > 0 && self.last_error < ROOM && interval.is_aligned(self.level - 1) {
            self.level -= 1;
        }
    }

    /// The error was too large: half the step. Never at the finest level, where a step is taken as it is.
    pub(super) fn refused(&mut self) {
        self.level += 1;
    }

    /// No solution was found: half the step; false when there is no half.
    #[must_use]
    pub(super) fn failed(&mut self) -> bool {
        self.steps.halve();
        let halves = self.level < self.finest;
        self.level += u32::from(halves);
        halves
    }
}
