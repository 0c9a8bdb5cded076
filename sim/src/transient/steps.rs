//! The steps of a cycle, kept and taken again.
//!
//! Control of the error cuts a grid interval by what it meets, so two starts a hair apart may lead to
//! different steps, and the end of a cycle then jumps as its start is corrected. Taken by the same steps
//! the cycle is a smooth function of its start, and closes to any tolerance.

/// What is done with the levels of steps.
#[derive(Clone, Debug, Default)]
pub(crate) struct Steps {
    /// Level of each step: the interval is cut into so many halves of halves.
    levels: Vec<u32>,
    mode: Mode,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum Mode {
    /// Control of the error decides.
    #[default]
    Free,
    /// It decides, and its decisions are kept.
    Keeping,
    /// The kept ones are taken again, from this one on.
    Following(usize),
}

impl Steps {
    /// Keeps the steps of the cycle that starts now.
    pub(crate) fn keep(&mut self) {
        self.levels.clear();
        self.mode = Mode::Keeping;
    }

    /// Leaves the steps to the control of the error.
    pub(crate) fn free(&mut self) {
        self.mode = Mode::Free;
    }

    /// A cycle starts: steps kept of the one before are taken again.
    pub(crate) fn again(&mut self) {
        if self.mode != Mode::Free {
            self.mode = Mode::Following(0);
        }
    }

    /// Level of the next step, while kept ones are followed.
    pub(super) fn next(&mut self) -> Option<u32> {
        let Mode::Following(place) = self.mode else {
            return None;
        };
        let level = self.levels.get(place).copied();
        if level.is_none() {
            self.mode = Mode::Free;
        }
        level
    }

    /// Whether kept steps are followed, whatever their error.
    pub(super) fn follows(&self) -> bool {
        matches!(self.mode, Mode::Following(_))
    }

    /// A step of that level was taken.
    pub(super) fn taken(&mut self, level: u32) {
        match &mut self.mode {
            Mode::Free => {}
            Mode::Keeping => self.levels.push(level),
            Mode::Following(place) => *place += 1,
        }
    }
}
