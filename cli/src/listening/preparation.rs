//! Everything that is settled before a recording is played: what it asks, what the amplifier can give, the drive,
//! the grid.

use measure::UnderTest;
use measure::driven::power::{Level as AtLevel, PowerOf};
use sim::SimError;
use sim::stability::Bursts;

use super::drive::{Driven, drive};
use super::grid::{Grid, Stretch};
use super::level::Level;
use super::recording::Recording;
use super::survey::{Survey, survey};
use crate::failure::Failure;

/// What is being done.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Stage {
    /// The recording is heard; so many frames of it.
    Hearing(u64),
    /// The distortion limit is looked for.
    Limit,
    /// The grid is chosen.
    Grid,
}

/// What is known then.
#[derive(Clone, Debug)]
pub(crate) struct Prepared {
    pub(crate) heard: Survey,
    /// The amplifier at its distortion limit; none when no drive reaches it.
    pub(crate) limit: Option<AtLevel>,
    /// Why it was not found, where that is not so.
    pub(crate) no_limit: Option<SimError>,
    pub(crate) driven: Driven,
    /// The oscillation it bursts into where the recording is loudest.
    pub(crate) bursts: Option<Bursts>,
    pub(crate) grid: Grid,
}

/// Prepares; `told` is called as the work goes on.
///
/// # Errors
/// Those of the recording and of the amplifier, and a level that cannot be had.
pub(crate) fn prepare(
    of: &UnderTest<'_>,
    recording: &Recording,
    (level, accuracy_db): (Level, f64),
    told: &dyn Fn(Stage),
) -> Result<Prepared, Failure> {
    let heard = survey(recording, of, &|frames| told(Stage::Hearing(frames)))?;
    told(Stage::Limit);
    let found = PowerOf::bench(&of.amplifier.bench).limit(of, &|_| ());
    let (limit, no_limit) = match found {
        Ok(limit) => (limit, None),
        // A level in volts or watts does without.
        Err(error) if !level.needs_limit() => (None, Some(error)),
        Err(error) => return Err(error.into()),
    };
    let driven = drive(level, of, recording, &heard, limit.as_ref())?;
    told(Stage::Grid);
    let loudest = Stretch::of(recording, heard.loudest)?;
    let bursts = loudest.bursts(of, recording.rate(), driven.volts)?;
    let grid = Grid::choose(recording, of, &heard, driven.volts, accuracy_db)?;
    Ok(Prepared {
        heard,
        limit,
        no_limit,
        driven,
        bursts,
        grid,
    })
}
