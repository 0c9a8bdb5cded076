//! One level alone: at the distortion limit, or of so many watts, for a part of the cost of the whole question.

use super::bursting::{self, Bursting};
use super::climb::{self, Climb};
use super::level::Level;
use super::one_by_one::OneByOne;
use super::stand::Stand;
use super::target::Target;
use super::{PowerOf, drive, silent};
use crate::{Progress, UnderTest};
use sim::error::{Question, SimError};

/// What is met on the way to the distortion limit.
#[derive(Clone, Debug)]
pub(crate) struct WayToLimit {
    /// The level at the limit, the last on the way up; none when no drive reaches it.
    pub(crate) limit: Option<Level>,
    /// The levels of the climb, in rising drive; never none.
    levels: Vec<Level>,
    /// What was settled on it.
    pub(crate) near: OneByOne,
    /// Why the way ended before the limit, where a level could not be solved.
    pub(crate) ended: Option<SimError>,
}

impl WayToLimit {
    /// The level of the greatest drive.
    pub(crate) fn greatest(&self) -> &Level {
        self.levels.last().expect("a way has a first level")
    }

    /// Where the amplifier bursts into oscillation before the limit of distortion, a ratio, if that is why it is not
    /// reached: sought in the steps of a sweep, since the strides of the way may pass over it.
    pub(crate) fn bursting(&self, stand: &Stand<'_>, limit: f64) -> Option<Bursting> {
        let solve = |drive: f64| self.near.level(stand, drive);
        let below = self.levels.iter().take_while(|level| level.thd < limit);
        let mut levels: Vec<Level> = below.cloned().collect();
        // Half a step beyond the next stride, so that it is itself tried.
        let most = self.levels.last()?.drive * climb::STRIDE * climb::STEP.sqrt();
        let mut ended = self.ended.clone();
        loop {
            let drive = levels.last()?.drive * climb::STEP;
            if drive > most {
                break;
            }
            match solve(drive) {
                Ok(level) if level.thd < limit => levels.push(level),
                Ok(_) => break,
                Err(error) => {
                    ended = Some(error);
                    break;
                }
            }
        }
        bursting::onset(ended.as_ref(), &levels, &solve)
    }
}

impl PowerOf {
    /// The level at the distortion limit alone, the last on the way up, for a part of the cost of the whole
    /// question; none when no drive reaches the limit.
    ///
    /// # Errors
    /// [`Question::NoSignal`], and those of a level that cannot be solved before the limit is reached.
    pub fn limit(
        &self,
        of: &UnderTest<'_>,
        progress: &Progress<'_>,
    ) -> Result<Option<Level>, SimError> {
        let way = self.way_to_limit(of, progress)?;
        match (way.limit, way.ended) {
            // What cannot be solved beyond the limit takes nothing from it.
            (None, Some(error)) => Err(error),
            (limit, _) => Ok(limit),
        }
    }

    /// The level that gives so many watts into the rated load alone; none when they are not reached.
    ///
    /// # Errors
    /// [`Question::NoSignal`], and those of a level that cannot be solved on the way there.
    pub(crate) fn level_at(
        &self,
        of: &UnderTest<'_>,
        watts: f64,
    ) -> Result<Option<Level>, SimError> {
        let stand = Stand::new(self, of);
        let linear = (2.0 * watts * self.load_ohms).sqrt() / stand.gain()?;
        let near = OneByOne::default();
        let solve = |drive: f64| near.level(&stand, drive);
        let miss = |level: &Level| 0.5 * (level.power / watts).ln();
        match drive::reach(drive::Guess::linear(linear), drive::CLOSE, &miss, &solve) {
            Ok(at) => Ok(Some(at.answer)),
            Err(short) => short.error.map_or(Ok(None), Err),
        }
    }

    /// The way up to the level of [`PowerOf::limit`].
    ///
    /// # Errors
    /// [`Question::NoSignal`], and those of the first level.
    pub(crate) fn way_to_limit(
        &self,
        of: &UnderTest<'_>,
        progress: &Progress<'_>,
    ) -> Result<WayToLimit, SimError> {
        let stand = Stand::new(self, of);
        let silent = silent(of)?.is_some();
        let (start, period) = self.start(&stand, silent)?;
        let climb = Climb::to_limit(start, self.distortion_limit);
        let climb = if silent {
            climb.stay(&period, &stand)
        } else {
            climb.run(&period, &stand, progress)
        };
        let near = OneByOne::beside(&climb.neighbours);
        let target = Target::Distortion(self.distortion_limit);
        let limit = target.last(&climb.levels, &|drive| near.level(&stand, drive));
        if climb.levels.is_empty() {
            return Err(SimError::Question(Question::NoSignal));
        }
        Ok(WayToLimit {
            limit,
            levels: climb.levels,
            near,
            ended: climb.ended,
        })
    }
}
