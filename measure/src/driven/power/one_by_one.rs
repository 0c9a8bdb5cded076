//! Levels settled one after another, each from those before it.

use std::cell::RefCell;

use super::level::Level;
use super::neighbours::{Neighbour, Start};
use super::stand::{Stand, Tone, Wanted};
use sim::error::SimError;
use sim::periodic::Period;

/// Levels settled one after another at one frequency and on one grid: each starts at those before it.
#[derive(Clone, Debug, Default)]
pub(crate) struct OneByOne(RefCell<Vec<Neighbour>>);

impl OneByOne {
    /// With these to start at besides.
    pub(super) fn beside(neighbours: &[Neighbour]) -> Self {
        Self(RefCell::new(neighbours.to_vec()))
    }

    /// For a tone of another frequency: to start at, at those drives, V, what was settled at these. Nothing of another
    /// length than this, s: its slopes tell nothing.
    pub(crate) fn elsewhere(settled: &[Neighbour], drives: &[(f64, f64)], duration: f64) -> Self {
        let moved = drives.iter().filter_map(|&(here, there)| {
            let nearest = Start::Nearest(here, settled).nearest(None)?;
            nearest
                .lasts(duration)
                .then(|| Neighbour::at(there, nearest))
        });
        Self(RefCell::new(moved.collect()))
    }

    /// All it has settled, and what it began with before that.
    pub(super) fn into_inner(self) -> Vec<Neighbour> {
        self.0.into_inner()
    }

    /// The level at the question's sine of that peak, V.
    pub(super) fn level(&self, stand: &Stand<'_>, drive: f64) -> Result<Level, SimError> {
        let period = self.settled(stand, &stand.tone(drive), drive)?;
        Ok(stand.read(drive, &period))
    }

    /// As [`OneByOne::level`], of which currents and volts are asked and not distortion: by the samples it was settled on.
    pub(super) fn extremes(&self, stand: &Stand<'_>, drive: f64) -> Result<Level, SimError> {
        let (period, _) =
            stand.sampled(&stand.tone(drive), Start::Nearest(drive, &self.0.borrow()))?;
        self.0.borrow_mut().push(Neighbour::of(drive, &period));
        Ok(stand.read(drive, &period))
    }

    /// The settled period at a tone of that peak, V.
    pub(crate) fn settled(
        &self,
        stand: &Stand<'_>,
        tone: &Tone,
        drive: f64,
    ) -> Result<Period, SimError> {
        let period = stand.settled(tone, Start::Nearest(drive, &self.0.borrow()))?;
        self.0.borrow_mut().push(Neighbour::of(drive, &period));
        Ok(period)
    }

    /// The settled period at the drive that gives what is wanted, or where it was when the period closed; that drive, V.
    pub(crate) fn settled_at(
        &self,
        stand: &Stand<'_>,
        wanted: &Wanted<'_>,
    ) -> Result<(Period, f64), SimError> {
        let (period, drive) =
            stand.settled_at(wanted, Start::Nearest(wanted.drive, &self.0.borrow()))?;
        self.0.borrow_mut().push(Neighbour::of(drive, &period));
        Ok((period, drive))
    }
}
