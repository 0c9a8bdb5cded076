//! One period of the settled circuit, without waiting for it.
//!
//! A cycle maps the state at its start to the state at its end, x ← Φ(x); settled means Φ(x) = x.
//! Waiting takes as long as the slowest time constant of bias and supply, seconds against the
//! millisecond of a cycle. Two ways lead there at once: collocation takes the whole period as one
//! set of equations, where the circuit is smooth and small; shooting corrects the start until the
//! cycle closes, whatever is in it. Where neither arrives, waiting is tried and the answer says so.
//!
//! A cycle that closes but in which a disturbance grows is no state an amplifier stays in: it
//! oscillates, and that is the answer.
//!
//! Source   Aprille & Trick, Proc. IEEE 60 (1972) 108; Floquet's theorem (both from memory)

use std::sync::Arc;

use serde::Serialize;

use crate::error::SimError;
use crate::parts::Waveform;
use crate::stability::{Quiet, bursts_beside};
use crate::system::System;
use crate::tolerances::Tolerances;
use crate::transient::Choice;
use crate::transient::sensitivity::Sensitivity;
use crate::workspace::Workspace;

mod aim;
mod at_means;
mod coarse;
mod collocation;
mod finer;
pub(crate) mod monodromy;
mod neighbour;
mod run;
mod shooting;

pub use aim::Aim;
pub use at_means::{Common, settle_at_means};
use monodromy::Monodromy;
pub use neighbour::Neighbour;
use run::Run;

/// How a periodic steady state is sought.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settling {
    /// Samples kept of the period; the grid of the solution by shooting.
    pub samples: usize,
    /// Change from cycle to cycle that counts as settled, relative, see [`Period::residual`].
    pub periodicity: f64,
    /// How far the start of a cycle may be from the settled one, relative as above and to a hundredth of its value, by the
    /// correction that would come next; a cycle that near is settled even where it closes less well. Zero asks it to close.
    pub closeness: f64,
    /// Cycles after which the search is given up; their steps are limited as well, on the mean.
    pub most_cycles: u32,
    /// The way.
    pub approach: Approach,
    /// States up to which the monodromy matrix is made whole; beyond, its slow part only.
    pub whole_matrix: usize,
    /// Cycles run before shooting starts, so that valves, cores and hysteresis are where the signal takes
    /// them; none when the start is that of a neighbouring state.
    pub run_in: u32,
}

/// A way to the settled period.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Approach {
    /// Collocation where the circuit is smooth and small, else shooting, else waiting.
    Automatic,
    /// All points of the period at once.
    Collocation,
    /// Corrections of the start.
    Shooting,
    /// Cycle after cycle.
    Waiting,
}

impl Settling {
    /// These with no more cycles than hold so many samples, but at least so many: long cycles that do not close in that
    /// time are told as such.
    #[must_use]
    pub fn within(self, samples: usize, least: u32) -> Self {
        let cycles = u32::try_from(samples / self.samples.max(1)).unwrap_or(u32::MAX);
        Self {
            most_cycles: self.most_cycles.min(cycles.max(least)),
            ..self
        }
    }
}

impl Default for Settling {
    /// 256 samples put the error of TR-BDF2 at a mid frequency below 1e-6 of the signal; a state that
    /// closes to 1e-6 of its swing after shooting is settled to that, not merely slow. A product of the
    /// monodromy matrix costs a cycle, a column of it two solutions a step: they break even at some
    /// hundred states.
    fn default() -> Self {
        Self {
            samples: 256,
            periodicity: 1e-6,
            closeness: 0.0,
            most_cycles: 400,
            approach: Approach::Automatic,
            whole_matrix: 300,
            run_in: shooting::RUN_IN,
        }
    }
}

/// One settled period: every unknown at every sample.
#[derive(Clone, Debug)]
pub struct Period {
    /// Length, s.
    pub duration: f64,
    /// How often the signal repeats in it: once, unless the mains runs along.
    pub turns: u32,
    /// `[samples][n+1]` the unknowns at each grid time, the end left out.
    pub samples: Vec<Vec<f64>>,
    /// Cycles run to get there.
    pub cycles: u32,
    /// What is left, relative to the swing of an unknown in the cycle plus a thousandth of its largest
    /// value, the worst of all that store charge or flux: the change over the last cycle, or the highest
    /// harmonics of a collocation.
    pub residual: f64,
    /// Share of the steps of the cycle that were taken though their local error was above its limit, because no finer
    /// ones are allowed.
    pub forced: f64,
    /// Whether the supplies stand at their means in it and the mains does not run along.
    pub at_means: bool,
    /// Largest eigenvalue of the monodromy matrix: below one, a disturbance dies away. None only where the cycle was
    /// waited for, and disturbances were seen to die away.
    pub multiplier: Option<f64>,
    /// The way that led there.
    pub approach: Approach,
    /// What a cycle does to small changes, for states near by.
    pub(crate) matrix: Option<Arc<Monodromy>>,
    /// `[n+1]` the start that a coarser search found, if one led there.
    pub(crate) coarse: Option<Vec<f64>>,
    /// Moments of it at which nothing grows, where it was looked at.
    pub(crate) quiet: Option<Arc<Quiet>>,
}

impl Period {
    fn with(self, matrix: Arc<Monodromy>) -> Self {
        Self {
            matrix: Some(matrix),
            ..self
        }
    }

    /// One unknown against time, `[samples]`.
    pub fn unknown(&self, unknown: u32) -> Vec<f64> {
        self.samples.iter().map(|x| x[unknown as usize]).collect()
    }

    /// A function of the unknowns against time, `[samples]`.
    pub fn of(&self, mut figure: impl FnMut(&[f64]) -> f64) -> Vec<f64> {
        self.samples.iter().map(|x| figure(x)).collect()
    }
}

/// Finds the period of `duration` that closes on itself, from `ws.x`.
///
/// # Errors
/// [`SimError::NotPeriodic`] after the most cycles or steps, [`SimError::Oscillates`] when the period found is
/// unstable, [`SimError::Stuck`] when a step fails.
pub fn settle(
    system: &System,
    duration: f64,
    settling: &Settling,
    tolerances: &Tolerances,
    ws: &mut Workspace,
) -> Result<Period, SimError> {
    settle_from(system, duration, settling, tolerances, None, ws)
}

/// Finds the period of `duration` that closes on itself, from a settled state near by, if one is known; else from
/// `ws.x`.
///
/// # Errors
/// As [`settle`].
pub fn settle_from(
    system: &System,
    duration: f64,
    settling: &Settling,
    tolerances: &Tolerances,
    neighbour: Option<&Neighbour>,
    ws: &mut Workspace,
) -> Result<Period, SimError> {
    settle_aiming(system, duration, settling, tolerances, neighbour, None, ws)
}

/// As [`settle_from`], with a drive that follows what is asked of the period, where it is found by shooting; it stays where it
/// was where the period is found otherwise.
///
/// # Errors
/// As [`settle`].
pub fn settle_aiming(
    system: &System,
    duration: f64,
    settling: &Settling,
    tolerances: &Tolerances,
    neighbour: Option<&Neighbour>,
    mut aim: Option<&mut Aim<'_>>,
    ws: &mut Workspace,
) -> Result<Period, SimError> {
    // That of a circuit with other unknowns tells nothing here.
    let neighbour = neighbour.filter(|neighbour| neighbour.x.len() == ws.x.len());
    let known = neighbour.and_then(|neighbour| neighbour.matrix_of(system, duration));
    let quiet = neighbour.filter(|near| near.lasts(duration));
    let quiet = quiet.map_or(&[][..], |near| &near.quiet);
    let collocate = |ws: &mut Workspace| collocated(system, duration, settling, tolerances, ws);
    let run = |ws: &mut Workspace| Run::new(system, duration, settling, tolerances, ws);
    match settling.approach {
        Approach::Automatic => {
            // Where collocation did not arrive near by, it does not here.
            let smooth = neighbour.is_none_or(|near| near.approach == Approach::Collocation);
            if smooth
                && smooth_and_small(system, duration, ws)
                && let Some(period) = collocate(ws)
            {
                let period = period?;
                let quiet = Some(lasts(system, &period.samples, duration, quiet, ws)?);
                return Ok(Period { quiet, ..period });
            }
            if let Some(neighbour) = neighbour {
                ws.x.copy_from_slice(&neighbour.coarse);
            }
            let beside = quiet;
            let known_there = (known.clone(), beside);
            let found = coarse::approach(system, duration, settling, tolerances, known_there, ws)?;
            let quiet = found.as_ref().and_then(|found| found.quiet.clone());
            let coarse = found.as_ref().map(|found| found.samples[0].clone());
            if let (Some(aim), Some(found)) = (aim.as_mut(), &found) {
                let along = coarse::along(system, duration, settling, tolerances, (found, aim), ws);
                if let Some(along) = along {
                    aim.guided_by(along);
                }
            }
            match (neighbour, &coarse) {
                // What coarse steps leave out is much the same there.
                (Some(neighbour), Some(_)) => {
                    for (x, (fine, coarse)) in
                        ws.x.iter_mut()
                            .zip(neighbour.x.iter().zip(&neighbour.coarse))
                    {
                        *x += fine - coarse;
                    }
                }
                // Where they lead nowhere, the neighbour itself is the best there is.
                (Some(neighbour), None) => ws.x.copy_from_slice(&neighbour.x),
                (None, _) => {}
            }
            let run = match &found {
                Some(found) => run(ws).sized_by(&found.samples),
                None => run(ws),
            };
            let known = found.and_then(|found| found.matrix).or(known);
            let period = shooting::settle(run, settling, known, aim, ws)?;
            let quiet = match quiet {
                Some(quiet) => Some(quiet),
                // No coarse cycle closed, and nothing was looked at.
                None => Some(lasts(system, &period.samples, duration, beside, ws)?),
            };
            Ok(Period {
                coarse,
                quiet,
                ..period
            })
        }
        Approach::Collocation => collocate(ws).unwrap_or_else(|| Err(run(ws).not_periodic(ws))),
        Approach::Shooting => shooting::settle(run(ws), settling, known, aim, ws),
        Approach::Waiting => run(ws).wait(ws),
    }
}

/// Finds roughly the period of `duration` that closes on itself, from `ws.x`, where `ws` goes; none, and `ws` as it was,
/// where it is not found so.
pub(crate) fn settle_roughly(
    system: &System,
    duration: f64,
    settling: &Settling,
    tolerances: &Tolerances,
    ws: &mut Workspace,
) -> Option<Period> {
    coarse::settle(system, duration, settling, tolerances, None, ws)
}

/// Moments of the cycle at which nothing grows, if the circuit goes through it without bursting into oscillation.
fn lasts(
    system: &System,
    samples: &[Vec<f64>],
    duration: f64,
    known: &[Arc<Quiet>],
    ws: &mut Workspace,
) -> Result<Arc<Quiet>, SimError> {
    bursts_beside(system, samples, duration, known, ws)?
        .map(Arc::new)
        .map_err(SimError::from)
}

/// Steps of the cycle that tells whether a collocation lasts: what decides it is slow.
const STEPS: usize = 64;

/// How far the cycle by steps from a start by collocation may be from closing: the error of its steps, far
/// below what a wrong solution would leave.
const CLOSES: f64 = 1e-3;

/// Unknowns of a collocation up to which it is tried: at the finest grid some hundred times the work of
/// a cycle by steps, and less accurate means would then do.
const SMALL: usize = 100;

/// Whether collocation is worth a try: no hysteresis, no jumps, and every source makes so few whole
/// turns in the period that a coarse grid holds them.
fn smooth_and_small(system: &System, duration: f64, ws: &Workspace) -> bool {
    /// Turns of the fastest source in the period: a third of the harmonics of the coarsest grid.
    const MOST_TURNS: f64 = 10.0;
    let few = |frequency: f64| frequency * duration <= MOST_TURNS;
    let smooth = |waveform: &Waveform| match waveform {
        Waveform::Dc(_) => true,
        Waveform::Sine { frequency, .. }
        | Waveform::Alternating { frequency, .. }
        | Waveform::Stray { frequency, .. } => few(*frequency),
        Waveform::TwoTone { first, second } => few(first.1) && few(second.1),
        Waveform::Square { .. } | Waveform::Samples { .. } | Waveform::Stretch { .. } => false,
    };
    system.len() <= SMALL && ws.memory.is_empty() && ws.waveforms.iter().all(smooth)
}

/// By collocation; none when that does not arrive. The start found is run through one cycle, which
/// tells whether disturbances die away.
fn collocated(
    system: &System,
    duration: f64,
    settling: &Settling,
    tolerances: &Tolerances,
    ws: &mut Workspace,
) -> Option<Result<Period, SimError>> {
    let found = collocation::find(system, duration, settling.periodicity, tolerances, ws)?;
    let samples = found.samples(settling.samples);
    let kept = ws.x.clone();
    ws.x.copy_from_slice(&samples[0]);
    let coarse = Settling {
        samples: STEPS,
        ..*settling
    };
    let mut run = Run::new(system, duration, &coarse, tolerances, ws);
    // It need only close roughly.
    ws.trust_within(1.0);
    let mut sensitivity = Sensitivity::whole(system);
    sensitivity.begin(system);
    let closes = run.cycle_with(&mut sensitivity, Choice::Free, ws);
    ws.x.copy_from_slice(if closes.is_ok() { &samples[0] } else { &kept });
    if closes.ok()? > CLOSES {
        return None;
    }
    let matrix = Arc::new(Monodromy::whole(&sensitivity)?);
    run.samples = samples;
    run.residual = found.tail;
    run.takes_no_steps();
    let period = run.finish(Some(matrix.multiplier()), Approach::Collocation, ws);
    Some(period.map(|period| period.with(matrix)))
}
