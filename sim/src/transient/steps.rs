//! The steps of a cycle, kept and taken again.
//!
//! Control of the error cuts a grid interval by what it meets, so two starts a hair apart may lead to
//! different steps, and the end of a cycle then jumps as its start is corrected. Taken by the same steps
//! the cycle is a smooth function of its start, and closes to any tolerance.

/// How a cycle chooses its steps.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Choice {
    /// By their error.
    Free,
    /// By their error, and kept for the cycles to come.
    Kept,
    /// Those kept, as far as they lead; by their error when none are.
    Again,
}

/// The steps kept and what is done with them.
#[derive(Clone, Debug, Default)]
pub(super) struct Steps {
    /// Level of each step: the interval is cut into so many halves of halves.
    levels: Vec<u32>,
    phase: Phase,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum Phase {
    /// Control of the error decides; what was kept counts no more.
    #[default]
    Free,
    /// It decides, and its decisions are kept.
    Keeping,
    /// The kept ones are taken again.
    Following(Place),
}

/// Where kept steps are followed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Place {
    /// The kept step.
    step: usize,
    /// Halvings of it where no solution was found for it whole, and how many of its parts are taken.
    halvings: u32,
    parts: u32,
}

impl Steps {
    /// A cycle starts.
    pub(super) fn begin(&mut self, choice: Choice) {
        self.phase = match (choice, self.phase) {
            (Choice::Free, _) | (Choice::Again, Phase::Free) => Phase::Free,
            (Choice::Kept, _) => {
                self.levels.clear();
                Phase::Keeping
            }
            (Choice::Again, Phase::Keeping | Phase::Following(_)) => {
                Phase::Following(Place::default())
            }
        };
    }

    /// Level of the next step, while kept ones are followed.
    pub(super) fn next(&mut self) -> Option<u32> {
        let Phase::Following(place) = self.phase else {
            return None;
        };
        let level = self.levels.get(place.step);
        if level.is_none() {
            self.phase = Phase::Free;
        }
        level.map(|level| level + place.halvings)
    }

    /// No solution was found for a step: a kept one is taken in halves, the next ones as they were kept.
    pub(super) fn halve(&mut self) {
        match &mut self.phase {
            Phase::Free | Phase::Keeping => {}
            Phase::Following(place) => {
                place.halvings += 1;
                place.parts *= 2;
            }
        }
    }

    /// Whether kept steps are followed, whatever their error.
    pub(super) fn follows(&self) -> bool {
        match self.phase {
            Phase::Free | Phase::Keeping => false,
            Phase::Following(_) => true,
        }
    }

    /// A step of that level was taken.
    pub(super) fn taken(&mut self, level: u32) {
        match &mut self.phase {
            Phase::Free => {}
            Phase::Keeping => self.levels.push(level),
            Phase::Following(place) => {
                place.parts += 1;
                if place.parts >> place.halvings > 0 {
                    *place = Place {
                        step: place.step + 1,
                        ..Place::default()
                    };
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::{Choice, Steps};

    #[test]
    fn kept_steps_are_taken_again_as_far_as_they_lead() {
        let mut steps = Steps::default();
        steps.begin(Choice::Again);
        assert!(!steps.follows(), "none are kept yet");
        steps.begin(Choice::Kept);
        for level in [0, 2, 1] {
            assert_eq!(steps.next(), None);
            steps.taken(level);
        }
        for _ in 0..2 {
            steps.begin(Choice::Again);
            for level in [0, 2, 1] {
                assert_eq!(steps.next(), Some(level));
                assert!(steps.follows());
                steps.taken(level);
            }
        }
        assert_eq!(steps.next(), None);
        assert!(!steps.follows(), "they led no further");
        steps.begin(Choice::Again);
        assert!(!steps.follows(), "what did not suffice is not tried again");
    }

    #[test]
    fn a_kept_step_that_fails_is_taken_in_halves_and_the_next_as_it_was() {
        let mut steps = Steps::default();
        steps.begin(Choice::Kept);
        for level in [1, 3] {
            steps.taken(level);
        }
        steps.begin(Choice::Again);
        assert_eq!(steps.next(), Some(1));
        steps.halve();
        steps.taken(2);
        // The second half in halves again.
        steps.halve();
        for _ in 0..2 {
            assert_eq!(steps.next(), Some(3));
            steps.taken(3);
        }
        assert_eq!(steps.next(), Some(3), "the second kept step");
        steps.taken(3);
        assert_eq!(steps.next(), None);
    }
}
