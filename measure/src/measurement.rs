//! One way to ask: what every question about an amplifier has in common.

use sim::amplifier::Amplifier;
use sim::error::SimError;
use sim::system::System;

use crate::under_test::UnderTest;

/// A question about an amplifier under test.
pub trait Measurement {
    /// What it answers.
    type Answer;

    /// Answers; `progress` is told how far it has come. Threads change nothing of the answer.
    ///
    /// # Errors
    /// Those of solving; each question says which of its own.
    fn ask(&self, of: &UnderTest<'_>, progress: &Progress<'_>) -> Result<Self::Answer, SimError>;

    /// Answers about an amplifier as drawn, whose rest nobody has found yet.
    ///
    /// # Errors
    /// Those of [`UnderTest::find`] and of [`Measurement::ask`].
    fn about(&self, amplifier: &Amplifier, system: &System) -> Result<Self::Answer, SimError> {
        self.ask(&UnderTest::find(amplifier, system)?, &|_| ())
    }
}

/// Told how far a question has come, from any thread.
pub type Progress<'a> = dyn Fn(Reached) + Sync + 'a;

/// How far a question has come.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Reached {
    /// Solves, or parts of the work, that are done.
    pub done: usize,
    /// All there are; none when that is not known beforehand.
    pub all: Option<usize>,
    /// What is taken up next, where the question has parts with names.
    pub next: Option<&'static str>,
}

impl Reached {
    /// So many done, of nobody knows how many.
    pub fn count(done: usize) -> Self {
        Self {
            done,
            ..Self::default()
        }
    }

    /// So many done of all.
    pub fn of(done: usize, all: usize) -> Self {
        Self {
            done,
            all: Some(all),
            next: None,
        }
    }

    /// A share done, 0…1, in per cent.
    pub fn share(share: f64) -> Self {
        Self::of((100.0 * share) as usize, 100)
    }
}
