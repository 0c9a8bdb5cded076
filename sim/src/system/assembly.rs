//! Residual and Jacobian, and what else is evaluated at a solution.

use models::{AnyDevice, Device};

use super::layout::find;
use super::{System, UnknownId};
use crate::parts::Waveform;
use crate::workspace::{LocalRoom, Workspace};

/// The time derivative as a formula:  dq/dt ≈ alpha·q(x) + past,  q = C·x.
///
/// `past` also carries the sources, see [`System::sources_into`]; `shunt` ties every node voltage for
/// continuation.
#[derive(Clone, Copy, Debug)]
pub struct Formula<'a> {
    /// 1/s; zero at the operating point.
    pub alpha: f64,
    /// `[n]` the rest of the equation: A, V, ampere-turns.
    pub past: &'a [f64],
    /// Extra conductance from every node voltage to `shunt_to`, S.
    pub shunt: f64,
    /// `[n]` the voltages the shunt pulls to; empty means the chassis.
    pub shunt_to: &'a [f64],
}

impl<'a> Formula<'a> {
    /// A formula without shunt.
    pub fn new(alpha: f64, past: &'a [f64]) -> Self {
        Self {
            alpha,
            past,
            shunt: 0.0,
            shunt_to: &[],
        }
    }
}

impl System {
    /// Adds the sources at time `t` to `past` `[n]`: each branch row is  v + R·i − e(t) = 0.
    pub fn sources_into(&self, t: f64, scale: f64, waveforms: &[Waveform], past: &mut [f64]) {
        for (source, waveform) in self.sources.iter().zip(waveforms) {
            past[source.row as usize] -= scale * waveform.at(t);
        }
    }

    /// Adds the steady part of the sources to `past` `[n]`.
    pub fn sources_at_rest(&self, scale: f64, waveforms: &[Waveform], past: &mut [f64]) {
        for (source, waveform) in self.sources.iter().zip(waveforms) {
            past[source.row as usize] -= scale * waveform.at_rest();
        }
    }

    /// The first jump of any source later than `t`, s.
    pub fn next_edge(&self, t: f64, waveforms: &[Waveform]) -> f64 {
        waveforms
            .iter()
            .map(|w| w.next_edge(t))
            .fold(f64::INFINITY, f64::min)
    }

    /// q ← C·x;  `q` `[n]`, `x` `[n+1]`.
    pub fn charge(&self, x: &[f64], q: &mut [f64]) {
        q.fill(0.0);
        for &(row, column, value) in &self.stored {
            q[row as usize] += value * x[column as usize];
        }
    }

    /// q ← C·x for several solutions beside each other;  `q` `[n]`, `x` `[n]` or longer.
    pub(crate) fn charge_beside<const W: usize>(&self, x: &[[f64; W]], q: &mut [[f64; W]]) {
        q.fill([0.0; W]);
        for &(row, column, value) in &self.stored {
            for (q, x) in q[row as usize].iter_mut().zip(x[column as usize]) {
                *q += value * x;
            }
        }
    }

    /// Residual and Jacobian at `ws.x`:
    /// residual = f(x) + alpha·C·x + past,  values = ∂f/∂x + alpha·C.
    pub fn assemble(&self, step: Formula<'_>, ws: &mut Workspace) {
        let n = self.len();
        ws.counts.evaluations += 1;
        // Linear parts, summed anew only when alpha changes.
        if ws.linear.alpha.to_bits() != step.alpha.to_bits() {
            for ((value, g), c) in ws
                .linear
                .values
                .iter_mut()
                .zip(self.conductance.data())
                .zip(self.storage.data())
            {
                *value = g + step.alpha * c;
            }
            ws.linear.alpha = step.alpha;
        }
        ws.values[..self.entries()].copy_from_slice(&ws.linear.values);
        ws.residual[..n].copy_from_slice(&step.past[..n]);
        ws.residual[n] = 0.0;
        self.multiply_add(&ws.linear.values, &ws.x, &mut ws.residual[..n]);
        self.devices.add(ws);
        if step.shunt > 0.0 {
            self.add_shunt(step, ws);
        }
    }

    /// `[nnz]` the slopes ∂f/∂x on the pattern of the Jacobian, their mean over `samples` `[samples][n+1]`;
    /// `ws.x` stays as it is. Costs an evaluation a sample.
    pub fn mean_slopes(&self, samples: &[Vec<f64>], ws: &mut Workspace) -> Vec<f64> {
        let kept = ws.x.clone();
        let past = vec![0.0; self.len()];
        let mut mean = vec![0.0; self.entries()];
        for x in samples {
            ws.x.copy_from_slice(x);
            self.assemble(Formula::new(0.0, &past), ws);
            for (mean, slope) in mean.iter_mut().zip(&ws.values) {
                *mean += slope / samples.len() as f64;
            }
        }
        ws.x.copy_from_slice(&kept);
        mean
    }

    /// `[nnz]` true for an entry of the Jacobian that moves by rectifiers alone.
    pub(crate) fn rectifying(&self) -> Vec<bool> {
        let mut rectifies = vec![false; self.entries() + 1];
        let mut of = |rectifier: bool| {
            let devices = self.devices.iter();
            for placed in devices.filter(|placed| placed.device.is_rectifier() == rectifier) {
                for &slot in &placed.slots {
                    rectifies[slot as usize] = rectifier;
                }
            }
        };
        of(true);
        of(false);
        rectifies
    }

    /// Ties every voltage to the chassis in the slopes `[nnz]`, by so many siemens.
    pub(crate) fn tie(&self, slopes: &mut [f64], siemens: f64) {
        for (k, unknown) in self.unknowns.iter().enumerate() {
            if unknown.is_voltage() {
                slopes[find(&self.pattern, k, k)] += siemens;
            }
        }
    }

    fn add_shunt(&self, step: Formula<'_>, ws: &mut Workspace) {
        for (k, unknown) in self.unknowns.iter().enumerate() {
            if unknown.is_voltage() {
                let target = step.shunt_to.get(k).copied().unwrap_or(0.0);
                ws.residual[k] += step.shunt * (ws.x[k] - target);
                ws.values[find(&self.pattern, k, k)] += step.shunt;
            }
        }
    }

    /// The largest fraction of the Newton step `ws.step` that every device can follow.
    pub(crate) fn step_fraction(&self, ws: &mut Workspace) -> f64 {
        let mut fraction = 1.0_f64;
        for placed in self.devices.junctions() {
            let local = placed.at.len();
            for (k, &at) in placed.at.iter().enumerate() {
                ws.local.x[k] = ws.x[at as usize];
                ws.local.dx[k] = ws.step[at as usize];
            }
            fraction = fraction.min(
                placed
                    .device
                    .step_fraction(&ws.local.x[..local], &ws.local.dx[..local]),
            );
        }
        fraction
    }

    /// Whether a device bends within the Newton step `ws.step` that led to `ws.x`, however straight it was before.
    pub(crate) fn bends(&self, ws: &mut Workspace) -> bool {
        let Workspace { x, step, local, .. } = ws;
        self.a_junction(x, step, local, Device::bends)
    }

    /// Whether a device is much less steep at `ws.x` than where the Newton step kept aside in `ws.kept` came from.
    pub(crate) fn flattens(&self, ws: &mut Workspace) -> bool {
        let Workspace { x, kept, local, .. } = ws;
        self.a_junction(x, kept, local, Device::flattens)
    }

    /// Whether a junction is one of those asked for, by its own unknowns and a step to them.
    fn a_junction(
        &self,
        x: &[f64],
        step: &[f64],
        local: &mut LocalRoom,
        is_one: impl Fn(&AnyDevice, &[f64], &[f64]) -> bool,
    ) -> bool {
        self.devices.junctions().any(|placed| {
            let count = placed.at.len();
            for (k, &at) in placed.at.iter().enumerate() {
                local.x[k] = x[at as usize];
                local.dx[k] = step[at as usize];
            }
            is_one(&placed.device, &local.x[..count], &local.dx[..count])
        })
    }

    /// Takes `ws.x` as accepted: devices with hysteresis store their new state.
    pub(crate) fn commit(&self, ws: &mut Workspace) {
        if self.memory == 0 {
            return;
        }
        for placed in self.devices.iter() {
            let stored = placed.device.memory();
            if stored > 0 {
                for (k, &at) in placed.at.iter().enumerate() {
                    ws.local.x[k] = ws.x[at as usize];
                }
                placed.device.commit(
                    &ws.local.x[..placed.at.len()],
                    &mut ws.memory[placed.memory..placed.memory + stored],
                );
            }
        }
    }

    /// `[n]` f(x) at `x` `[n+1]` with every source at zero: in the row of a node the current that leaves it by
    /// everything but capacitances, A; volts in the rows of branches, ampere-turns in those of fluxes. `ws.x`
    /// is `x` then. Costs an evaluation.
    pub fn currents<'w>(&self, x: &[f64], ws: &'w mut Workspace) -> &'w [f64] {
        let past = vec![0.0; self.len()];
        ws.x.copy_from_slice(x);
        self.assemble(Formula::new(0.0, &past), ws);
        &ws.residual[..self.len()]
    }

    /// The largest current that does not balance at a node with the sources at rest, A. Costs an evaluation.
    pub fn imbalance(&self, ws: &mut Workspace) -> f64 {
        self.left_over(ws).1
    }

    /// The node whose currents balance worst with the sources at rest, and what is left over there, A. Costs an evaluation.
    pub fn left_over(&self, ws: &mut Workspace) -> (UnknownId, f64) {
        let mut past = vec![0.0; self.len()];
        self.sources_at_rest(1.0, &ws.waveforms, &mut past);
        let worst = self.worst_balanced(&past, ws);
        (worst, ws.residual[worst as usize].abs())
    }

    /// The node whose currents f(x) + past balance worst; they stand in the residual. Costs an evaluation.
    pub(crate) fn worst_balanced(&self, past: &[f64], ws: &mut Workspace) -> UnknownId {
        self.assemble(Formula::new(0.0, past), ws);
        let mut worst = 0;
        let mut largest = 0.0;
        for (k, unknown) in self.unknowns.iter().enumerate() {
            if unknown.is_voltage() && ws.residual[k].abs() > largest {
                largest = ws.residual[k].abs();
                worst = k as UnknownId;
            }
        }
        worst
    }

    /// y ← y + A·x for values on the pattern of the Jacobian; `values` `[nnz]`, `x` and `y` `[n]`.
    pub(crate) fn multiply_add(&self, values: &[f64], x: &[f64], y: &mut [f64]) {
        let pattern = &self.pattern;
        for (column, bounds) in pattern.column_starts.windows(2).enumerate() {
            let range = bounds[0]..bounds[1];
            for (&row, &value) in pattern.rows[range.clone()].iter().zip(&values[range]) {
                y[row] += value * x[column];
            }
        }
    }
}
