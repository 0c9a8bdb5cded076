//! The vicinity of a rest on the mains: circuits that differ a little, by the slopes along the period it has.
//!
//! ```text
//! C·dδ/dt + f′(x + δ, t) − f(x, t) = 0,  δ(t + T) = δ(t);    δ ← δ − J⁻¹·(the left side at δ),  J = C·d/dt + ∂f/∂x
//! ```
//!
//! The period known satisfies its own equations, so that only what the change makes of it is left to the steps: their
//! error is one of δ and not of x. Of a small change the first correction is the answer, exact to first order. For
//! larger ones corrections with the slopes that are known are repeated, mixed so that what they left before is undone;
//! where they do not arrive soon, the change is not small.
//!
//! Symbols   x the period known, δ what the change adds, V, A, Wb;  f and f′ the equations of both
//! Source    chord iteration (textbook); mixing: Anderson, J. ACM 12 (1965) 547 (from memory)
//! Valid     the same unknowns and the same capacitances and inductances; no hysteresis
//! Care      whether a disturbance grows in the changed circuit is not seen here

use nalgebra::{DMatrix, DVector};

mod mixing;

use mixing::Mixing;

use super::Rest;
use crate::circuit::NodeId;
use crate::error::SimError;
use crate::small_signal::MOST_STATES;
use crate::small_signal::varying::{Varying, between, states};
use crate::system::{Formula, System, Unknown};
use crate::workspace::Workspace;

/// A correction that moves no voltage by more than this share of its peak is the last: a tenth of the third digit, and what
/// is left after it is less.
const SETTLED: f64 = 1e-4;

/// V that count as a peak at least: what a meter shows as nothing.
const LEAST_PEAK: f64 = 1e-2;

/// Corrections at most: by then a period by steps is sooner there.
const MOST: usize = 14;

/// Corrections in which the share is to shrink to this.
const PATIENCE: usize = 3;
const HALF: f64 = 0.5;

/// Changes answered beside each other.
const BESIDE: usize = 8;

/// A rest on the mains, linearised along its period.
#[derive(Clone, Debug)]
pub struct Vicinity {
    /// Unknowns and stored values, which every circuit of the vicinity has.
    layout: (Vec<Unknown>, Vec<(u32, u32, f64)>),
    rest: Rest,
    varying: Varying,
    /// (1 − M)⁻¹: from what a period adds to the charges to what it starts from.
    closing: DMatrix<f64>,
    /// `[stages][n+1]` the period known.
    known: Vec<Vec<f64>>,
    /// `[stages·n]` f(x, t) of it.
    balance: Vec<f64>,
    /// `[n]` peak of each voltage; none of what is none.
    peaks: Vec<Option<f64>>,
}

impl Vicinity {
    /// Linearises along a rest; `ws` is that of its circuit, its generator silent. None where it is still, where devices
    /// remember, or where it has too many states.
    ///
    /// # Errors
    /// [`SimError::Undetermined`] where the equations have no answer.
    pub fn of(rest: &Rest, system: &System, ws: &mut Workspace) -> Result<Option<Self>, SimError> {
        let Some(mains) = rest.mains else {
            return Ok(None);
        };
        if !ws.memory.is_empty() || states(system).len() > MOST_STATES {
            return Ok(None);
        }
        let kept = ws.x.clone();
        let varying = Varying::along(system, rest.samples(), mains.duration, ws)?;
        let count = varying.rows().len();
        let closing = (DMatrix::identity(count, count) - varying.matrix()).try_inverse();
        let Some(closing) = closing.filter(|closing| closing.iter().all(|m| m.is_finite())) else {
            return Ok(None);
        };
        let mut known = vec![vec![0.0; system.len() + 1]; varying.stages()];
        for (stage, x) in known.iter_mut().enumerate() {
            between(rest.samples(), varying.time(stage) / mains.duration, x);
        }
        let peaks = system.unknowns().iter().enumerate().map(|(k, unknown)| {
            let peak = known.iter().map(|x| x[k].abs()).fold(LEAST_PEAK, f64::max);
            unknown.is_voltage().then_some(peak)
        });
        let mut found = Self {
            layout: (system.unknowns().to_vec(), system.stored().to_vec()),
            rest: rest.clone(),
            peaks: peaks.collect(),
            varying,
            closing,
            known,
            balance: Vec::new(),
        };
        found.balance = found.residual(system, None, ws);
        ws.x = kept;
        Ok(Some(found))
    }

    /// Whether a circuit stores what this one stores.
    fn is_of(&self, changed: &System) -> bool {
        changed.unknowns() == self.layout.0 && changed.stored() == self.layout.1
    }

    /// What each change adds to the mean of every unknown, `[changes][n]`, to first order; `ws` is one for each changed
    /// circuit. None where a circuit has other unknowns or stores more.
    pub fn first_order(&self, changed: &mut [(&System, Workspace)]) -> Option<Vec<Vec<f64>>> {
        if !changed.iter().all(|(system, _)| self.is_of(system)) {
            return None;
        }
        let n = self.peaks.len();
        let mut means = Vec::with_capacity(changed.len());
        for few in changed.chunks_mut(BESIDE) {
            let drives: Vec<Vec<f64>> = few
                .iter_mut()
                .map(|(system, ws)| self.excess(system, None, ws))
                .collect();
            let mut sums = vec![[0.0; BESIDE]; n];
            self.respond::<BESIDE>(few[0].0, &drives, |stage, x| {
                if stage % 2 == 1 {
                    for (sum, x) in sums.iter_mut().zip(x) {
                        for (sum, x) in sum.iter_mut().zip(x) {
                            *sum += x;
                        }
                    }
                }
            });
            let steps = self.varying.stages() as f64 / 2.0;
            let mean = |lane: usize| sums.iter().map(|sum| sum[lane] / steps).collect();
            means.extend((0..few.len()).map(mean));
        }
        Some(means)
    }

    /// The rest of a changed circuit; none where its corrections do not arrive soon. Where all that has changed is a resistor
    /// from a node to the chassis, it is `loaded` there by so many ohms, which the corrections allow for. `ws` is one for the
    /// changed circuit, its generator silent.
    pub fn settle(
        &self,
        changed: &System,
        loaded: Option<(NodeId, f64)>,
        ws: &mut Workspace,
    ) -> Option<Rest> {
        if !self.is_of(changed) {
            return None;
        }
        let mut delta = vec![0.0; self.balance.len()];
        let loaded = loaded.map(|(node, ohms)| Loaded::of(self, changed, node, ohms));
        let mut mixing = Mixing::default();
        let mut shares: Vec<f64> = Vec::with_capacity(MOST);
        for round in 0..MOST {
            let left = self.left(changed, &delta, ws);
            let mut step = self.answer(changed, left);
            if let Some(loaded) = &loaded {
                loaded.allow_for(&mut step, self.peaks.len());
            }
            let moved = self.moved(&step);
            let leads_on = round < PATIENCE || moved < HALF * shares[round - PATIENCE];
            if !moved.is_finite() || !leads_on {
                return None;
            }
            shares.push(moved);
            if moved <= SETTLED {
                for (delta, step) in delta.iter_mut().zip(&step) {
                    *delta += step;
                }
                return Some(self.with(&delta));
            }
            delta = mixing.next(delta, step, |k| {
                self.peaks[k % self.peaks.len()].map_or(0.0, f64::recip)
            });
        }
        None
    }

    /// `[stages·n]` the periodic answer of the known circuit to a drive `[stages·n]`.
    fn answer(&self, system: &System, drive: Vec<f64>) -> Vec<f64> {
        let n = self.peaks.len();
        let mut answer = vec![0.0; drive.len()];
        self.respond::<1>(system, &[drive], |stage, x| {
            for (answer, x) in answer[stage * n..].iter_mut().zip(x) {
                *answer = x[0];
            }
        });
        answer
    }

    /// The greatest share of its peak that a voltage moves by.
    fn moved(&self, step: &[f64]) -> f64 {
        let mut most = 0.0;
        for step in step.chunks_exact(self.peaks.len()) {
            for (step, peak) in step.iter().zip(&self.peaks) {
                let share = peak.map_or(0.0, |peak| step.abs() / peak);
                // What is not a number is not passed over.
                if share > most || share.is_nan() {
                    most = share;
                }
            }
        }
        most
    }

    /// The rest with what a change adds, known at the ends of the steps and on straight lines between them.
    fn with(&self, delta: &[f64]) -> Rest {
        let n = self.peaks.len();
        let steps = self.varying.stages() / 2;
        let ends: Vec<&[f64]> = delta.chunks_exact(n).skip(1).step_by(2).collect();
        let count = self.rest.samples().len();
        let samples = self.rest.samples().iter().enumerate().map(|(k, x)| {
            let place = (k * steps) as f64 / count as f64 + (steps - 1) as f64;
            let part = place.fract();
            let (from, to) = (place as usize % steps, (place as usize + 1) % steps);
            let mut x = x.clone();
            for (j, x) in x[..n].iter_mut().enumerate() {
                *x += ends[from][j] + part * (ends[to][j] - ends[from][j]);
            }
            x
        });
        self.rest.with_samples(samples.collect())
    }

    /// `[stages·n]` f′(x + δ, t).
    fn residual(&self, changed: &System, delta: Option<&[f64]>, ws: &mut Workspace) -> Vec<f64> {
        let n = self.peaks.len();
        let mut all = Vec::with_capacity(self.known.len() * n);
        let mut past = vec![0.0; n];
        for (stage, x) in self.known.iter().enumerate() {
            ws.x.copy_from_slice(x);
            if let Some(delta) = delta {
                for (x, delta) in ws.x.iter_mut().zip(&delta[stage * n..(stage + 1) * n]) {
                    *x += delta;
                }
            }
            past.fill(0.0);
            changed.sources_into(self.varying.time(stage), 1.0, &ws.waveforms, &mut past);
            changed.assemble(Formula::new(0.0, &past), ws);
            all.extend_from_slice(&ws.residual[..n]);
        }
        all
    }

    /// `[stages·n]` f(x, t) − f′(x + δ, t): what the change drives the known circuit with.
    fn excess(&self, changed: &System, delta: Option<&[f64]>, ws: &mut Workspace) -> Vec<f64> {
        let mut all = self.residual(changed, delta, ws);
        for (all, balance) in all.iter_mut().zip(&self.balance) {
            *all = balance - *all;
        }
        all
    }

    /// `[stages·n]` what is left of the equations of the steps at δ, with the other sign.
    fn left(&self, changed: &System, delta: &[f64], ws: &mut Workspace) -> Vec<f64> {
        let n = self.peaks.len();
        let (a, beta) = self.varying.weights();
        let mut left = self.excess(changed, Some(delta), ws);
        let charge = |stage: usize, q: &mut [f64]| {
            changed.charge(&delta[stage * n..(stage + 1) * n], q);
        };
        let (mut before, mut first, mut second) = (vec![0.0; n], vec![0.0; n], vec![0.0; n]);
        charge(self.varying.stages() - 1, &mut before);
        for (step, left) in left.chunks_exact_mut(2 * n).enumerate() {
            charge(2 * step, &mut first);
            charge(2 * step + 1, &mut second);
            let (left_first, left_second) = left.split_at_mut(n);
            for k in 0..n {
                left_first[k] += a * (before[k] - first[k]);
                left_second[k] += (a - beta) * before[k] + beta * first[k] - a * second[k];
            }
            std::mem::swap(&mut before, &mut second);
        }
        left
    }

    /// The periodic answer of the known circuit to drives `[≤ W][stages·n]`, shown stage by stage.
    fn respond<const W: usize>(
        &self,
        system: &System,
        drives: &[Vec<f64>],
        take: impl FnMut(usize, &[[f64; W]]),
    ) {
        let n = self.peaks.len();
        let drive = |stage: usize, x: &mut [[f64; W]]| {
            for (lane, drive) in drives.iter().enumerate() {
                for (x, drive) in x.iter_mut().zip(&drive[stage * n..(stage + 1) * n]) {
                    x[lane] += drive;
                }
            }
        };
        let mut q = vec![[0.0; W]; n];
        self.varying.through(system, &mut q, drive, |_, _| {});
        let rows = self.varying.rows();
        let mut start = vec![[0.0; W]; n];
        for lane in 0..drives.len() {
            let added = DVector::from_iterator(rows.len(), rows.iter().map(|&row| q[row][lane]));
            let closed = &self.closing * added;
            for (&row, value) in rows.iter().zip(closed.iter()) {
                start[row][lane] = *value;
            }
        }
        self.varying.through(system, &mut start, drive, take);
    }
}

/// A resistor from a node to the chassis that the known circuit has not: at steady volts its slopes with it are those
/// without, but for one direction.
///
/// Source   Sherman & Morrison, Ann. Math. Statist. 21 (1950) 124 (from memory)
struct Loaded {
    /// The voltage of the node.
    at: usize,
    /// `[stages·n]` what an ampere into the node makes.
    of_an_ampere: Vec<f64>,
    /// Both resistances in series, Ω: the one added and that of the node.
    ohms: f64,
}

impl Loaded {
    fn of(vicinity: &Vicinity, system: &System, node: NodeId, ohms: f64) -> Self {
        let n = vicinity.peaks.len();
        let at = system.voltage_of(node) as usize;
        let mut drive = vec![0.0; vicinity.balance.len()];
        // The chassis has no equation.
        drive
            .iter_mut()
            .skip(at)
            .step_by(n)
            .for_each(|drive| *drive = 1.0);
        let of_an_ampere = vicinity.answer(system, drive);
        Self {
            at,
            ohms: ohms + mean(&of_an_ampere, at, n),
            of_an_ampere,
        }
    }

    /// Makes a correction by the slopes without the resistor one with it.
    fn allow_for(&self, step: &mut [f64], n: usize) {
        let amperes = mean(step, self.at, n) / self.ohms;
        for (step, volts) in step.iter_mut().zip(&self.of_an_ampere) {
            *step -= amperes * volts;
        }
    }
}

/// Mean of an unknown over the ends of the steps; `all` `[stages·n]`.
fn mean(all: &[f64], at: usize, n: usize) -> f64 {
    let ends = all.chunks_exact(n).skip(1).step_by(2);
    let count = ends.len() as f64;
    ends.map(|x| x[at]).sum::<f64>() / count
}
