//! Cycles of the circuit, one after the other, with what is needed to judge and correct them.

use super::{Approach, Period, Settling};
use crate::counts::Counts;
use crate::error::SimError;
use crate::stability::{growing_over, repeats};
use crate::system::System;
use crate::tolerances::Tolerances;
use crate::transient::sensitivity::Sensitivity;
use crate::transient::{Choice, Method, Stepper};
use crate::workspace::Workspace;

mod given_up;

/// Growth, 1/s, that counts as none: a state that neither grows nor fades, seen with the rounding of a cycle. What
/// grows more slowly than 2.7-fold in ten seconds stands still as an amplifier goes.
const NEUTRAL: f64 = 0.1;

/// How far from closing a cycle may be for its slopes to hold for the next after a correction. The minute
/// step that finds slopes anew leaves an error of its own, which would keep the last digits from closing.
pub(super) const NEAR: f64 = 1e-2;

/// Steps for a sample, on the mean of a cycle, beyond which it is asked what is going on: hard clipping takes forty.
const MANY: u64 = 100;

/// Steps for a sample, refused ones included, that each cycle allowed may take on the mean of a search; one that takes more
/// in all is given up. Hard clipping takes forty in a cycle, but settles in a tenth of the cycles: the hardest of the
/// amplifiers in `tests/answers` takes a fiftieth of what this allows.
const ALLOWED: u64 = 10;

/// Keeps what is zero throughout from dividing by nothing: V, A or Wb.
const FLOOR: f64 = 1e-6;

/// Share of Newton's tolerance that a step of a cycle may leave out on trust: what steps leave out adds up in what is
/// slow, and a cycle of a thousand steps is to close within some tolerances.
const LEFT_OUT: f64 = 0.01;

/// Cycles in progress.
pub(super) struct Run<'a> {
    pub(super) system: &'a System,
    settling: Settling,
    duration: f64,
    stepper: Stepper<'a>,
    /// `[n]` true for an unknown that stores something; the others follow from them.
    stores: Vec<bool>,
    pub(super) samples: Vec<Vec<f64>>,
    /// Stored values of hysteresis at the start of the cycle.
    memory: Vec<f64>,
    /// `[n+1]` the end of the last cycle, when the next one starts from a correction.
    uncorrected: Option<Vec<f64>>,
    /// Whether it only leads near by long steps, see [`Run::coarse`].
    coarse: bool,
    pub(super) cycles: u32,
    pub(super) residual: f64,
    /// The least residual of any cycle.
    least: f64,
    /// What changed most over the last cycle for its swing, and by how much; none where that is what iron remembers.
    moving: Option<(usize, f64)>,
    /// Steps tried before the first cycle.
    tried_before: u64,
    /// Whether all steps allowed are taken.
    spent: bool,
    /// Whether the last cycle began by steps kept from one before.
    followed: bool,
    /// Steps of the last cycle, and those of them taken though their error was above its limit.
    steps: (u64, u64),
    /// Steps of the workspace at which the cycles are given up.
    most_steps: u64,
}

impl<'a> Run<'a> {
    /// From `ws.x`.
    pub(super) fn new(
        system: &'a System,
        duration: f64,
        settling: &Settling,
        tolerances: &Tolerances,
        ws: &mut Workspace,
    ) -> Self {
        let stepper = Stepper::new(system, Method::TrBdf2, *tolerances, 0.0, false, ws);
        ws.trust_within(LEFT_OUT);
        Self {
            system,
            settling: *settling,
            duration,
            stepper,
            stores: stores(system),
            samples: vec![vec![0.0; system.len() + 1]; settling.samples],
            memory: ws.memory.clone(),
            uncorrected: None,
            coarse: false,
            cycles: 0,
            residual: f64::INFINITY,
            least: f64::INFINITY,
            moving: None,
            tried_before: tried(&ws.counts),
            spent: false,
            followed: false,
            steps: (0, 0),
            most_steps: u64::MAX,
        }
    }

    /// By long steps, only to lead near; slopes are found anew by every cycle that is corrected or brings its matrix. To
    /// long steps the slopes at the start are as good as a state, which no matrix knows: kept from the cycle before, they
    /// hold it back from closing.
    pub(super) fn coarse(mut self) -> Self {
        self.coarse = true;
        self
    }

    /// Given up after so many steps more: a step that finds no solution is halved, which long ones may be without end.
    pub(super) fn given_up_after(mut self, steps: u64, ws: &Workspace) -> Self {
        self.most_steps = ws.counts.steps + steps;
        self
    }

    /// Knows from a rough cycle, `[samples][n+1]`, how far the unknowns go.
    pub(super) fn sized_by(mut self, samples: &[Vec<f64>]) -> Self {
        self.stepper.peaks_of(samples);
        self
    }

    /// One cycle from `ws.x`, its steps chosen like this; how far it is from closing.
    pub(super) fn cycle(&mut self, steps: Choice, ws: &mut Workspace) -> Result<f64, SimError> {
        self.memory.copy_from_slice(&ws.memory);
        self.followed = self.stepper.begin_cycle(steps);
        let start = self.start();
        let before = ws.counts;
        let allowed = ALLOWED * u64::from(self.settling.most_cycles) * self.samples.len() as u64;
        let mut budget = ws.counts.steps + MANY * self.samples.len() as u64;
        for k in 0..self.samples.len() {
            self.samples[k].copy_from_slice(&ws.x);
            self.stepper.advance(self.grid(start, k + 1), ws)?;
            if self.tried(ws) > allowed || ws.counts.steps > self.most_steps {
                self.spent = true;
                return Err(self.not_periodic(ws));
            }
            if ws.counts.steps > budget {
                self.oscillates(start, k, ws)?;
                budget = u64::MAX;
            }
        }
        self.cycles += 1;
        self.stepper.peaks_of(&self.samples);
        self.steps = (
            ws.counts.steps - before.steps,
            ws.counts.forced - before.forced,
        );
        self.uncorrected = None;
        // After a correction only what stores stands at its new value when the cycle starts; and no change is known
        // better than the two solutions it is the difference of.
        let (mut residual, mut moving) = (0.0, None);
        for (k, scale) in self.scales().enumerate().filter(|(k, _)| self.stores[*k]) {
            let (end, start) = (ws.x[k], self.samples[0][k]);
            let known = ws.relative * start.abs().max(end.abs()) + ws.absolute[k];
            let change = ((end - start).abs() - known).max(0.0) / scale;
            // Not a number is passed over, as the greatest of two numbers does.
            if change > residual {
                (residual, moving) = (change, Some((k, end - start)));
            }
        }
        let remembered = self.remembered(ws).fold(0.0, f64::max);
        if remembered > residual {
            (residual, moving) = (remembered, None);
        }
        (self.residual, self.moving) = (residual, moving);
        self.least = self.least.min(residual);
        Ok(residual)
    }

    /// Steps tried in this search.
    fn tried(&self, ws: &Workspace) -> u64 {
        tried(&ws.counts).saturating_sub(self.tried_before)
    }

    /// Whether it only leads near, see [`Run::coarse`].
    pub(super) fn is_coarse(&self) -> bool {
        self.coarse
    }

    /// Whether the steps of the last cycle were those of one before, and not its own.
    pub(super) fn followed(&self) -> bool {
        self.followed
    }

    /// Whether the search is over because all steps allowed are taken.
    pub(super) fn is_spent(&self) -> bool {
        self.spent
    }

    /// Change over the cycle of each stored value of hysteresis, relative to its size.
    fn remembered(&self, ws: &Workspace) -> impl Iterator<Item = f64> {
        let known = |size: f64| ws.relative * size + FLOOR * ws.relative;
        self.memory.iter().zip(&ws.memory).map(move |(start, end)| {
            let size = start.abs().max(end.abs());
            ((end - start).abs() - known(size)).max(0.0) / (size + FLOOR)
        })
    }

    /// The samples are not those of a cycle that was stepped through.
    pub(super) fn takes_no_steps(&mut self) {
        self.steps = (0, 0);
    }

    /// Forgets the steps kept: those of the cycles to come are chosen by their error until some are kept again.
    pub(super) fn forget_steps(&mut self) {
        self.stepper.begin_cycle(Choice::Free);
    }

    /// One cycle with a sensitivity, already begun, that follows it.
    pub(super) fn cycle_with(
        &mut self,
        sensitivity: &mut Sensitivity,
        steps: Choice,
        ws: &mut Workspace,
    ) -> Result<f64, SimError> {
        if self.coarse || self.residual > NEAR {
            self.stepper.restart(self.start(), ws);
        }
        self.lend(sensitivity, |run| run.cycle(steps, ws))
    }

    /// What the cycle just run makes of small changes of its start: the monodromy matrix times each
    /// column of the sensitivity. The cycle is run once more; `ws` is left as it was.
    pub(super) fn carry(
        &mut self,
        sensitivity: &mut Sensitivity,
        ws: &mut Workspace,
    ) -> Result<(), SimError> {
        let end = ws.x.clone();
        let memory = ws.memory.clone();
        let start = self.start() - self.duration;
        ws.x.copy_from_slice(&self.samples[0]);
        ws.memory.copy_from_slice(&self.memory);
        self.stepper.restart(start, ws);
        self.stepper.begin_cycle(Choice::Again);
        let run = self.lend(sensitivity, |run| {
            (0..run.samples.len()).try_for_each(|k| run.stepper.advance(run.grid(start, k + 1), ws))
        });
        ws.x.copy_from_slice(&end);
        ws.memory.copy_from_slice(&memory);
        self.stepper.restart(self.start(), ws);
        run
    }

    /// Starts the next cycle from `ws.x`, changed from `end`, the end of the last one.
    pub(super) fn corrected_from(&mut self, end: Vec<f64>, ws: &Workspace) {
        self.uncorrected = Some(end);
        if self.coarse || self.residual > NEAR {
            self.stepper.restart(self.start(), ws);
        } else {
            self.stepper.moved(ws);
        }
    }

    /// After a correction to where no solution could be followed: back to the end of the cycle before
    /// it. False when the cycle that failed did not start from a correction.
    pub(super) fn step_back(&mut self, ws: &mut Workspace) -> bool {
        let Some(end) = self.uncorrected.take() else {
            return false;
        };
        ws.x.copy_from_slice(&end);
        self.cycles += 1;
        self.stepper.restart(self.start(), ws);
        true
    }

    /// Cycle after cycle until one closes, or there have been enough.
    pub(super) fn wait(mut self, ws: &mut Workspace) -> Result<Period, SimError> {
        // All ends in one piece, asked for once.
        let mut ends: Vec<f64> =
            Vec::with_capacity(self.settling.most_cycles as usize * ws.x.len());
        while self.cycles < self.settling.most_cycles {
            if self.cycle(Choice::Free, ws)? <= self.settling.periodicity {
                return self.finish(None, Approach::Waiting, ws);
            }
            ends.extend_from_slice(&ws.x);
        }
        let ends: Vec<&[f64]> = ends.chunks(ws.x.len()).collect();
        if let Some(cycles) = repeats(&ends) {
            return Err(SimError::Repeats {
                period: cycles * self.duration,
                even: true,
            });
        }
        Err(self.not_periodic(ws))
    }

    /// Growth, 1/s, of what a cycle multiplies by so much.
    pub(super) fn growth(&self, multiplier: f64) -> f64 {
        multiplier.ln() / self.duration
    }

    /// The cycle just run is the answer, if disturbances die away in it; without a multiplier that was seen by waiting.
    pub(super) fn finish(
        mut self,
        multiplier: Option<f64>,
        approach: Approach,
        ws: &Workspace,
    ) -> Result<Period, SimError> {
        let growth = multiplier.map(|multiplier| self.growth(multiplier));
        if let Some(rate) = growth.filter(|rate| *rate > NEUTRAL) {
            // From cycle to cycle only the growth is seen; its frequency is that of the mean circuit of the cycle.
            let mean = growing_over(self.system, &self.samples, &mut ws.clone())?;
            return Err(SimError::Oscillates {
                frequency: mean.map(|growing| growing.frequency),
                rate,
                grown: mean.and_then(|growing| growing.grown),
            });
        }
        // The end is the start, and what does not store has followed there.
        self.samples[0].copy_from_slice(&ws.x);
        Ok(Period {
            duration: self.duration,
            turns: 1,
            samples: self.samples,
            cycles: self.cycles,
            residual: self.residual,
            at_means: false,
            forced: if self.steps.0 > 0 {
                self.steps.1 as f64 / self.steps.0 as f64
            } else {
                0.0
            },
            multiplier,
            approach,
            matrix: None,
            coarse: None,
            quiet: None,
        })
    }

    /// Swing of each unknown in the cycle plus a thousandth of its largest value; `[n]`.
    pub(super) fn scales(&self) -> impl Iterator<Item = f64> {
        (0..self.system.len()).map(|k| {
            let (mut least, mut most) = (f64::INFINITY, f64::NEG_INFINITY);
            for sample in &self.samples {
                least = least.min(sample[k]);
                most = most.max(sample[k]);
            }
            (most - least) + 1e-3 * most.abs().max(least.abs()) + FLOOR
        })
    }

    /// Time at which the next cycle starts, s.
    fn start(&self) -> f64 {
        f64::from(self.cycles) * self.duration
    }

    fn grid(&self, start: f64, k: usize) -> f64 {
        start + self.duration * (k as f64 / self.samples.len() as f64)
    }

    /// The stepper moves its sensitivity along; it has it for the time of `work`.
    fn lend<T>(&mut self, sensitivity: &mut Sensitivity, work: impl FnOnce(&mut Self) -> T) -> T {
        self.stepper.sensitivity = Some(std::mem::take(sensitivity));
        let result = work(self);
        *sensitivity = self.stepper.sensitivity.take().unwrap_or_default();
        result
    }
}

/// Steps taken and refused.
fn tried(counts: &Counts) -> u64 {
    counts.steps + counts.newton_failures + counts.error_failures
}

/// `[n]` which unknowns store something.
fn stores(system: &System) -> Vec<bool> {
    let mut stores = vec![false; system.len()];
    for k in Sensitivity::stores_of(system) {
        stores[k] = true;
    }
    stores
}

#[cfg(test)]
mod tests;
