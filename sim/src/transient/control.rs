//! How finely a grid interval is cut: control of the steps by their error, or by what was kept.
//!
//! Control of the error has a finest step, at which a step is taken whatever its error. Where a rectifier commutates it goes
//! down to it, and Newton's iteration may want a shorter one yet: only that cuts further, and the next steps grow back.

use super::interval::Interval;
use super::steps::{Choice, Steps};

/// Halvings of a grid interval that a failure of Newton's iteration may ask for, at least: of 10 µs it leaves 10 ps, in
/// which no winding or wiring moves; far shorter steps would drown charges, differenced over a step, in rounding.
const DEEPEST: u32 = 20;

/// Where the control of the steps stands.
#[derive(Clone, Debug)]
pub(super) struct Control {
    /// Sub-steps a grid interval is cut into now, as a power of two.
    level: u32,
    /// The finest level that the error may ask for.
    finest: u32,
    /// Error of the last step relative to its limit; one where nobody knows it.
    last_error: f64,
    steps: Steps,
}

impl Control {
    /// Starts with whole intervals, which may be halved so often for their error.
    pub(super) fn new(finest: u32) -> Self {
        Self {
            level: 0,
            finest,
            last_error: 0.0,
            steps: Steps::default(),
        }
    }

    /// The cycle that starts now chooses its steps like this; whether it sets out by kept ones.
    pub(super) fn begin_cycle(&mut self, choice: Choice) -> bool {
        self.steps.begin(choice);
        self.steps.follows()
    }

    /// The finest level of all, which only a failure of Newton's iteration asks for.
    pub(super) fn deepest(&self) -> u32 {
        self.finest.max(DEEPEST)
    }

    /// Level of the next step.
    pub(super) fn level(&mut self) -> u32 {
        if let Some(level) = self.steps.next() {
            self.level = level;
        }
        self.level
    }

    /// Whether a step of that error, relative to its limit, is taken. At the finest level or below it is taken as it
    /// is: refusing it would only end the run. A step of a cycle before was judged there.
    pub(super) fn accepts(&mut self, error: f64) -> bool {
        self.last_error = error;
        error <= 1.0 || self.is_finest() || self.steps.follows()
    }

    /// Whether the error may ask for no finer step.
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
        // Below the finest level no error has a say.
        let may = self.last_error < ROOM || self.level > self.finest;
        if self.level > 0 && may && interval.is_aligned(self.level - 1) {
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
        let halves = self.level < self.deepest();
        self.level += u32::from(halves);
        halves
    }
}

#[cfg(test)]
mod tests {
    use super::{Control, Interval};

    #[test]
    fn a_failed_iteration_cuts_further_than_the_error_may_and_what_follows_grows_back() {
        let mut control = Control::new(2);
        let mut reached = Interval::new(0.0, 1.0, control.deepest());
        for _ in 0..2 {
            assert!(!control.accepts(4.0));
            control.refused();
        }
        assert!(control.accepts(4.0), "the error asks for no finer step");
        for level in 3..=5 {
            assert!(control.failed());
            assert_eq!(control.level(), level);
        }
        // Two steps at each level lead to where one of twice their length may start; never longer than the error allows.
        for level in [5, 5, 4, 3, 2, 2] {
            assert_eq!(control.level(), level);
            reached = reached.after_step(level);
            assert!(control.accepts(4.0));
            control.taken(&reached);
        }
        while control.failed() {}
        assert_eq!(control.level(), control.deepest());
    }
}
