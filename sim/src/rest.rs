//! The circuit with no signal: still, or carried along by its mains.
//!
//! An amplifier on direct supplies rests at a point. One with its own mains part rests on a settled
//! period of the mains; what is then called a voltage at rest is the mean over it, as a meter reads.
//!
//! Care   a signal generator is silent at rest; a heater winding is not
//!
//! Over 400 lines because the ways to a rest stand beside what is read of it.

use std::sync::Arc;

use crate::common_period::common_period;
use crate::error::SimError;
use crate::operating_point::{Found, operating_point};
use crate::parts::Waveform;
use crate::periodic::{Approach, Neighbour, Period, Settling, settle_from};
use crate::small_signal::{EXACT_BELOW, SmallSignal, follows};
use crate::stability::{Growing, beside_the_ripple, growing_over, grows_over, locked};
use crate::system::System;
use crate::tolerances::Tolerances;
use crate::workspace::Workspace;

mod first_look;
mod follow;
mod unsettled;
mod vicinity;

pub use follow::Differs;

use first_look::first_look;
use unsettled::unsettled;
pub use vicinity::Vicinity;

/// Samples of a mains period; rectifiers take finer steps by themselves.
pub const MAINS_SAMPLES: usize = 512;

/// The longest common period of supplies, s: 50 and 60 Hz together repeat in a tenth of a second.
const LONGEST: f64 = 0.2;

/// A circuit at rest.
#[derive(Clone, Debug)]
pub struct Rest {
    /// `[samples][n+1]` the unknowns over a mains period, or once.
    samples: Arc<Vec<Vec<f64>>>,
    /// How the operating point was found; of a mains-fed circuit, the one it started from.
    pub found: Found,
    /// The mains, when it moves.
    pub mains: Option<Mains>,
    neighbour: Option<Neighbour>,
    /// Whether the circuit leaves it by itself: a signal that is followed along the period has then no answer.
    left: bool,
}

/// The period a mains-fed circuit rests on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mains {
    /// Length of the period, s.
    pub duration: f64,
    /// What is left to settle, see [`crate::periodic::Period::residual`].
    pub residual: f64,
    /// Cycles run to get there.
    pub cycles: u32,
    /// The way that led there.
    pub approach: Approach,
}

/// Frequencies of the alternating supplies among these, Hz.
pub fn frequencies(waveforms: &[Waveform]) -> Vec<f64> {
    waveforms
        .iter()
        .filter_map(Waveform::supply_frequency)
        .collect()
}

/// Frequencies of all that moves among these, signals included, Hz.
pub fn moving(waveforms: &[Waveform]) -> Vec<f64> {
    waveforms.iter().flat_map(Waveform::frequencies).collect()
}

/// Below what frequency, Hz, the slopes of a circuit on its mains move while a signal passes; none where nothing of them does,
/// or where the supplies share no period.
pub fn slopes_move_below(system: &System) -> Option<f64> {
    let supplies = frequencies(system.waveforms());
    if supplies.is_empty() {
        return None;
    }
    let period = common_period(&supplies, LONGEST).ok()?;
    Some(EXACT_BELOW / period.duration)
}

/// Below what frequency, Hz, a signal is answered by the mean slopes of the mains period although they move: of a circuit
/// with too many states for them to be followed. None where they are, or where nothing moves.
pub fn mean_slopes_below(system: &System) -> Option<f64> {
    slopes_move_below(system).filter(|_| !follows(system))
}

/// Does the work with every signal steady and the supplies left as they are; the waveforms are put back.
fn silent<T>(ws: &mut Workspace, work: impl FnOnce(&mut Workspace) -> T) -> T {
    let waveforms = ws.waveforms.clone();
    for waveform in ws.waveforms.iter_mut().filter(|w| !w.alternates()) {
        *waveform = Waveform::Dc(waveform.at_rest());
    }
    let done = work(ws);
    ws.waveforms = waveforms;
    done
}

impl Rest {
    /// A settled period with a signal taken in the place of rest, so that a chart can be made of it: means, rms and
    /// greatest values over the period.
    pub fn driven(period: Period, found: Found) -> Self {
        Self {
            mains: Some(Mains {
                duration: period.duration,
                residual: period.residual,
                cycles: period.cycles,
                approach: period.approach,
            }),
            neighbour: Some(period.neighbour()),
            left: false,
            samples: Arc::new(period.samples),
            found,
        }
    }

    /// This rest with other samples `[samples][n+1]` of as many moments: those of a circuit that differs where nothing
    /// flows at rest.
    #[must_use]
    pub fn with_samples(&self, samples: Vec<Vec<f64>>) -> Self {
        Self {
            samples: Arc::new(samples),
            found: self.found,
            mains: self.mains,
            neighbour: None,
            left: self.left,
        }
    }

    /// As [`Rest::with_samples`], of a circuit that would not stay there: its slopes serve by their means.
    #[must_use]
    pub fn left_with(&self, samples: Vec<Vec<f64>>) -> Self {
        Self {
            left: true,
            ..self.with_samples(samples)
        }
    }

    /// The rest as a period; of a circuit that is still, one as long as that, s.
    pub fn period(&self, still: f64) -> Period {
        let mains = self.mains;
        Period {
            duration: mains.map_or(still, |mains| mains.duration),
            turns: 1,
            samples: self.samples.to_vec(),
            cycles: mains.map_or(0, |mains| mains.cycles),
            residual: mains.map_or(0.0, |mains| mains.residual),
            forced: 0.0,
            at_means: false,
            multiplier: None,
            approach: mains.map_or(Approach::Automatic, |mains| mains.approach),
            matrix: None,
            coarse: None,
            quiet: None,
        }
    }

    /// The rest on the mains as a place to set out from.
    pub fn neighbour(&self) -> Option<&Neighbour> {
        self.neighbour.as_ref()
    }

    /// Finds it; `ws.x` ends there (at the start of a mains period), its waveforms stay what they are.
    ///
    /// # Errors
    /// Those of the operating point and of settling, and
    /// [`Question::NoCommonPeriod`](crate::error::Question::NoCommonPeriod) of supplies at odd frequencies.
    pub fn find(
        system: &System,
        tolerances: &Tolerances,
        ws: &mut Workspace,
    ) -> Result<Self, SimError> {
        Self::find_by(system, &Settling::default(), tolerances, ws)
    }

    /// As [`Rest::find`], settled as that asks, but for the samples: how well a cycle is to close, and after how many the
    /// search is given up.
    ///
    /// # Errors
    /// As [`Rest::find`].
    pub fn find_by(
        system: &System,
        settling: &Settling,
        tolerances: &Tolerances,
        ws: &mut Workspace,
    ) -> Result<Self, SimError> {
        let settling = Self::settling(settling);
        silent(ws, |ws| Self::of_silent(system, &settling, tolerances, ws))
    }

    fn of_silent(
        system: &System,
        settling: &Settling,
        tolerances: &Tolerances,
        ws: &mut Workspace,
    ) -> Result<Self, SimError> {
        let found = operating_point(system, tolerances, ws)?;
        let supplies = frequencies(&ws.waveforms);
        if supplies.is_empty() {
            return Ok(Self {
                samples: Arc::new(vec![ws.x.clone()]),
                found,
                mains: None,
                neighbour: None,
                left: false,
            });
        }
        let duration = common_period(&supplies, LONGEST)?.duration;
        let near = first_look(system, duration, settling, tolerances, ws)?;
        let near = near.as_ref();
        match settle_from(system, duration, settling, tolerances, near, ws) {
            Ok(period) => Ok(Self::driven(period, found)),
            Err(error) if matches!(&error, SimError::NotPeriodic(not) if !not.spent) => {
                Err(unsettled(system, duration, tolerances, error, ws))
            }
            Err(error) => Err(error),
        }
    }

    fn settling(asked: &Settling) -> Settling {
        Settling {
            samples: MAINS_SAMPLES,
            ..*asked
        }
    }

    /// Whether the circuit stays there: an amplifier that oscillates by itself is told at once and not
    /// after hundreds of cycles that never close.
    ///
    /// # Errors
    /// [`SimError::Oscillates`] when a disturbance grows.
    pub fn stays(&self, system: &System, ws: &Workspace) -> Result<(), SimError> {
        match self.growing(system, ws)? {
            None => Ok(()),
            Some(growing) => Err(growing.into()),
        }
    }

    /// What grows there, or has locked to the mains.
    ///
    /// # Errors
    /// [`SimError::Undetermined`] when that cannot be told.
    pub fn growing(&self, system: &System, ws: &Workspace) -> Result<Option<Growing>, SimError> {
        let grows = growing_over(system, &self.samples, &mut ws.clone())?;
        match (grows, &self.mains) {
            (None, Some(mains)) => locked(system, &self.samples, mains.duration, ws),
            (grows, _) => Ok(grows),
        }
    }

    /// [`Rest::growing`] without what it comes to, for a fraction of the cost: what runs away has no frequency as yet.
    ///
    /// # Errors
    /// As there.
    pub fn grows(&self, system: &System, ws: &Workspace) -> Result<Option<Growing>, SimError> {
        let grows = grows_over(system, &self.samples, &mut ws.clone())?;
        if grows.is_some() || self.mains.is_none() {
            return Ok(grows);
        }
        Ok(beside_the_ripple(system, &self.samples, ws)?.map(|(growing, _)| growing))
    }

    /// The circuit linearised there; on the mains, along the period.
    pub fn linearised<'a>(&self, system: &'a System, ws: &mut Workspace) -> SmallSignal<'a> {
        match &self.mains {
            Some(mains) if !self.left => {
                SmallSignal::along(system, &self.samples, mains.duration, ws)
            }
            Some(_) | None => SmallSignal::over(system, &self.samples, ws),
        }
    }

    /// `[samples][n+1]` the unknowns over a mains period, or once when still.
    pub fn samples(&self) -> &[Vec<f64>] {
        &self.samples
    }

    /// Mean of a figure.
    pub fn mean(&self, figure: impl Fn(&[f64]) -> f64) -> f64 {
        let sum: f64 = self.samples.iter().map(|x| figure(x)).sum();
        sum / self.samples.len() as f64
    }

    /// Root of the mean square of a figure.
    pub fn rms(&self, figure: impl Fn(&[f64]) -> f64) -> f64 {
        if let [x] = self.samples.as_slice() {
            return figure(x).abs();
        }
        self.mean(|x| figure(x).powi(2)).sqrt()
    }

    /// Rms of what a figure does about its mean.
    pub fn ripple(&self, figure: impl Fn(&[f64]) -> f64) -> f64 {
        let mean = self.mean(&figure);
        self.mean(|x| (figure(x) - mean).powi(2)).sqrt()
    }

    /// The greatest value of a figure.
    pub fn most(&self, figure: impl Fn(&[f64]) -> f64) -> f64 {
        self.samples
            .iter()
            .map(|x| figure(x))
            .fold(f64::NEG_INFINITY, f64::max)
    }

    /// `[n+1]` the mean of every unknown.
    pub fn mean_state(&self) -> Vec<f64> {
        let count = self.samples.len() as f64;
        let mut mean = vec![0.0; self.samples[0].len()];
        for x in self.samples.iter() {
            for (mean, x) in mean.iter_mut().zip(x) {
                *mean += x / count;
            }
        }
        mean
    }
}
