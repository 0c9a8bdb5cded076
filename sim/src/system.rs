//! The equations of a circuit:  f(x, t) + C·dx/dt = 0.
//!
//! ```text
//! f(x, t) = G·x + Σ devices − sources(t),   x = node voltages, branch currents, fluxes
//! ```
//!
//! Rows of nodes sum currents that leave the node, A; rows of branches sum voltages, V; the row of a
//! flux sums ampere-turns. Linear parts are summed once into `G` and `C` (sprs matrices on one
//! pattern); devices write local blocks that a slot table scatters. The chassis is unknown `n`, one
//! past the end, so the hot loop has no `if chassis`.
//!
//! Source   Ho, Ruehli & Brennan, IEEE Trans. CAS 22 (1975) 504 (modified nodal equations; from memory)
//!
//! Over 400 lines because numbering, assembly and what a workspace holds are one contract.

use models::{AnyDevice, Device, Local};
use sprs::{CsMat, TriMat};

use crate::circuit::{Circuit, NodeId, PartId};
use crate::counts::Counts;
use crate::lu::{Factors, Pattern, Symbolic};
use crate::newton::Trust;
use crate::parts::Waveform;
use crate::tolerances::Tolerances;

mod stamps;

/// Conductance that ties an island to the chassis, S: the insulation of a tag board (common practice,
/// no source: above 10 GΩ). An island is a set of nodes that only capacitors or flux join to the
/// rest, such as a secondary with nothing earthed; nothing flows in the tie.
pub const INSULATION: f64 = 1e-12;

/// Conductance that ties an island to the chassis which flux alone joins to the rest, S. No current can
/// flow in it whatever it is; this one is large enough that the rounding of the amperes beside it, 1e-16
/// of them, leaves no volts to speak of (1e-13 V, where [`INSULATION`] would leave 1e-4 V).
pub const BOND: f64 = 1e-3;

/// What an unknown is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unknown {
    /// Voltage of a node, V.
    Voltage(NodeId),
    /// Voltage of a node inside a part, V.
    Inside(PartId),
    /// Current in a part, A; the number counts windings.
    Current(PartId, usize),
    /// Flux linkage of the core of a part, Wb.
    Flux(PartId),
}

/// An index into the unknowns `x`.
pub type UnknownId = u32;

/// A device in its place.
#[derive(Clone, Debug)]
pub struct PlacedDevice {
    /// The law.
    pub device: AnyDevice,
    /// The part it belongs to.
    pub part: PartId,
    /// `[n]` its unknowns.
    pub at: Vec<UnknownId>,
    /// `[n·n]` where its slopes go in the values of the matrix; unused entries go past the end.
    slots: Vec<u32>,
    /// Where its stored values start in the memory.
    memory: usize,
}

/// A source in its place: row of its branch.
#[derive(Clone, Debug)]
pub(crate) struct PlacedSource {
    pub(crate) part: PartId,
    pub(crate) row: UnknownId,
}

/// The compiled circuit: immutable, shared between threads.
#[derive(Clone, Debug)]
pub struct System {
    unknowns: Vec<Unknown>,
    names: Vec<String>,
    nodes: Vec<UnknownId>,
    branches: Vec<Vec<UnknownId>>,
    pattern: Pattern,
    conductance: CsMat<f64>,
    storage: CsMat<f64>,
    /// The entries of `storage` that are not zero: row, column, value.
    stored: Vec<(u32, u32, f64)>,
    devices: Vec<PlacedDevice>,
    sources: Vec<PlacedSource>,
    waveforms: Vec<Waveform>,
    memory: usize,
    memory_start: Vec<f64>,
    symbolic: Symbolic,
}

/// Everything a solve writes; sized once, one per thread.
#[derive(Clone, Debug)]
pub struct Workspace {
    /// `[n+1]` the unknowns; the chassis last, zero.
    pub x: Vec<f64>,
    /// Open-circuit volts of each source, in the order of [`System::sources`]; may be changed between runs.
    pub waveforms: Vec<Waveform>,
    /// `[memory]` stored values of devices with hysteresis.
    pub memory: Vec<f64>,
    /// `[devices]` share of its current that each device gives: one for a hot cathode and for all that has
    /// none, less while it warms up.
    pub emission: Vec<f64>,
    /// Work done so far.
    pub counts: Counts,
    /// `[n+1]` what the last assembly left over.
    pub residual: Vec<f64>,
    pub(crate) values: Vec<f64>,
    linear: Vec<f64>,
    linear_alpha: f64,
    pub(crate) factors: Factors<f64>,
    pub(crate) factored: Factored,
    local_x: Vec<f64>,
    local_dx: Vec<f64>,
    local_f: Vec<f64>,
    local_df: Vec<f64>,
    /// `[n]` absolute tolerance of each unknown, in its own unit.
    pub(crate) absolute: Vec<f64>,
    pub(crate) relative: f64,
    /// What Newton takes on trust.
    pub trust: Trust,
    pub(crate) step: Vec<f64>,
    pub(crate) kept: Vec<f64>,
    pub(crate) start: Vec<f64>,
}

/// What the factors in a workspace belong to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Factored {
    /// Nothing yet: pivots must be chosen.
    Nothing,
    /// The linear values at this `alpha`; only device entries may have changed since.
    At(f64),
}

/// The time derivative as a formula:  dq/dt ≈ alpha·q(x) + past,  q = C·x.
///
/// `past` also carries the sources, see [`System::sources_into`]. `load` scales the devices' and
/// sources' share for continuation and `shunt` adds a conductance to every node.
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
    pub(crate) fn new(circuit: &Circuit) -> Self {
        let stamps = stamps::Stamps::of(circuit);
        let n = stamps.unknowns.len();

        // One pattern for everything: linear entries, device entries, the diagonal of nodes.
        let mut shape = TriMat::<f64>::new((n, n));
        for &(row, column, _) in stamps.conductance.iter().chain(&stamps.storage) {
            shape.add_triplet(row, column, 0.0);
        }
        for (device, at) in stamps.devices.iter().map(|(_, device, at)| (device, at)) {
            for_each_entry(device, at, n, |_, row, column| {
                shape.add_triplet(row, column, 0.0);
            });
        }
        for row in 0..n {
            shape.add_triplet(row, row, 0.0);
        }
        let shape: CsMat<f64> = shape.to_csc();
        let pattern = Pattern {
            n,
            column_starts: shape.indptr().raw_storage().to_vec(),
            rows: shape.indices().to_vec(),
        };
        let fill = |entries: &[(usize, usize, f64)]| {
            let mut matrix = shape.clone();
            for &(row, column, value) in entries {
                *matrix
                    .get_mut(row, column)
                    .expect("the entry is in the pattern") += value;
            }
            matrix
        };
        let conductance = fill(&stamps.conductance);
        let storage = fill(&stamps.storage);

        let stored = storage
            .iter()
            .filter(|(value, _)| **value != 0.0)
            .map(|(value, (row, column))| (row as u32, column as u32, *value))
            .collect();

        let nnz = pattern.rows.len();
        let mut varying = vec![false; nnz];
        let mut memory = 0;
        let mut memory_start = Vec::new();
        let devices = stamps
            .devices
            .into_iter()
            .map(|(part, device, at)| {
                let local = at.len();
                let mut slots = vec![nnz as u32; local * local];
                for_each_entry(&device, &at, n, |k, row, column| {
                    let slot = find(&pattern, row, column);
                    varying[slot] = true;
                    slots[k] = slot as u32;
                });
                let start = memory;
                memory += device.memory();
                memory_start.resize(memory, 0.0);
                PlacedDevice {
                    device,
                    part,
                    at,
                    slots,
                    memory: start,
                }
            })
            .collect();
        let symbolic = Symbolic::analyse(&pattern, &varying)
            .expect("every row has a diagonal entry in the pattern");
        Self {
            unknowns: stamps.unknowns,
            names: stamps.names,
            nodes: stamps.nodes,
            branches: stamps.branches,
            pattern,
            conductance,
            stored,
            storage,
            devices,
            sources: stamps.sources,
            waveforms: stamps.waveforms,
            memory,
            memory_start,
            symbolic,
        }
    }

    /// Number of unknowns, the chassis not counted.
    pub fn len(&self) -> usize {
        self.unknowns.len()
    }

    /// True when the circuit has no unknowns.
    pub fn is_empty(&self) -> bool {
        self.unknowns.is_empty()
    }

    /// Entries of the Jacobian.
    pub fn entries(&self) -> usize {
        self.pattern.rows.len()
    }

    /// What each unknown is, `[n]`.
    pub fn unknowns(&self) -> &[Unknown] {
        &self.unknowns
    }

    /// An unknown in the words of the drawing.
    pub fn name(&self, unknown: UnknownId) -> &str {
        &self.names[unknown as usize]
    }

    /// The same equations with every valve cold: nothing is emitted. Cores, diodes and gas discharges stay.
    #[must_use]
    pub fn cold(&self) -> Self {
        let mut cold = self.clone();
        cold.devices.retain(|placed| !placed.device.emits());
        cold
    }

    /// Where the voltage of a node stands in `x`.
    pub fn voltage_of(&self, node: NodeId) -> UnknownId {
        self.nodes[node.index()]
    }

    /// Where the currents of a part stand in `x`: one for a source or linear inductor, one for each
    /// winding of a transformer, none for a resistor.
    pub fn currents_of(&self, part: PartId) -> &[UnknownId] {
        &self.branches[part.index()]
    }

    /// Where the flux of a part's core stands in `x`.
    pub fn flux_of(&self, part: PartId) -> Option<UnknownId> {
        self.unknowns
            .iter()
            .position(|u| *u == Unknown::Flux(part))
            .map(|k| k as u32)
    }

    /// The devices with their places.
    pub fn devices(&self) -> &[PlacedDevice] {
        &self.devices
    }

    /// The parts that are sources, in the order of [`Workspace::waveforms`]; a winding with stray volts is
    /// one, once a section.
    pub fn sources(&self) -> impl Iterator<Item = PartId> {
        self.sources.iter().map(|source| source.part)
    }

    /// Open-circuit volts of each source as drawn, in the order of [`System::sources`].
    pub fn waveforms(&self) -> &[Waveform] {
        &self.waveforms
    }

    /// Where the equation of a source stands.
    pub fn source_row(&self, part: PartId) -> Option<UnknownId> {
        self.sources
            .iter()
            .find(|source| source.part == part)
            .map(|source| source.row)
    }

    /// The storage matrix `C`: farads in node rows, henries in branch rows; `[n × n]`.
    pub fn storage(&self) -> &CsMat<f64> {
        &self.storage
    }

    /// The conductance matrix `G` of the linear parts, `[n × n]`.
    pub fn conductance(&self) -> &CsMat<f64> {
        &self.conductance
    }

    /// The entries of `C` that are not zero: row, column, value.
    pub fn stored(&self) -> &[(u32, u32, f64)] {
        &self.stored
    }

    /// y ← y + A·x for values on the pattern of the Jacobian; `x`, `y` `[n]`.
    pub(crate) fn multiply_add(&self, values: &[f64], x: &[f64], y: &mut [f64]) {
        multiply_add(&self.pattern, values, x, y);
    }

    /// The pattern of the Jacobian.
    pub fn pattern(&self) -> &Pattern {
        &self.pattern
    }

    /// The largest current that does not balance at a node with the sources at rest, A.
    pub fn imbalance(&self, ws: &mut Workspace) -> f64 {
        let worst = self.worst_balanced(ws);
        ws.residual[worst as usize].abs()
    }

    /// The node where that is.
    pub fn worst_balanced(&self, ws: &mut Workspace) -> UnknownId {
        let mut past = vec![0.0; self.len()];
        self.sources_at_rest(1.0, &ws.waveforms, &mut past);
        self.assemble(Formula::new(0.0, &past), ws);
        let mut worst = 0;
        let mut largest = 0.0;
        for (k, unknown) in self.unknowns.iter().enumerate() {
            let node = matches!(unknown, Unknown::Voltage(_) | Unknown::Inside(_));
            if node && ws.residual[k].abs() > largest {
                largest = ws.residual[k].abs();
                worst = k as UnknownId;
            }
        }
        worst
    }

    /// The analysed pattern.
    pub fn symbolic(&self) -> &Symbolic {
        &self.symbolic
    }

    /// Room for a solve, starting from nothing.
    pub fn workspace(&self) -> Workspace {
        let n = self.len();
        let local = self.devices.iter().map(|d| d.at.len()).max().unwrap_or(0);
        Workspace {
            x: vec![0.0; n + 1],
            waveforms: self.waveforms.clone(),
            memory: self.memory_start.clone(),
            emission: vec![1.0; self.devices.len()],
            counts: Counts::default(),
            residual: vec![0.0; n + 1],
            values: vec![0.0; self.entries() + 1],
            linear: vec![0.0; self.entries()],
            linear_alpha: f64::NAN,
            factors: Factors::new(&self.symbolic),
            factored: Factored::Nothing,
            local_x: vec![0.0; local],
            local_dx: vec![0.0; local],
            local_f: vec![0.0; local],
            local_df: vec![0.0; local * local],
            absolute: vec![0.0; n],
            relative: 0.0,
            trust: Trust::default(),
            step: vec![0.0; n + 1],
            kept: vec![0.0; n + 1],
            start: vec![0.0; n + 1],
        }
    }

    /// Sets how exactly `ws` solves.
    pub fn set_tolerances(&self, tolerances: &Tolerances, ws: &mut Workspace) {
        ws.relative = tolerances.newton_relative;
        for (absolute, unknown) in ws.absolute.iter_mut().zip(&self.unknowns) {
            *absolute = match unknown {
                Unknown::Voltage(_) | Unknown::Inside(_) => tolerances.newton_volts,
                Unknown::Current(..) => tolerances.newton_amps,
                Unknown::Flux(_) => tolerances.newton_webers,
            };
        }
    }

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

    /// Residual and Jacobian at `ws.x`:
    /// residual = f(x) + alpha·C·x + past,  values = ∂f/∂x + alpha·C.
    pub fn assemble(&self, step: Formula<'_>, ws: &mut Workspace) {
        let n = self.len();
        ws.counts.evaluations += 1;
        // Linear parts, summed anew only when alpha changes.
        if ws.linear_alpha.to_bits() != step.alpha.to_bits() {
            for ((value, g), c) in ws
                .linear
                .iter_mut()
                .zip(self.conductance.data())
                .zip(self.storage.data())
            {
                *value = g + step.alpha * c;
            }
            ws.linear_alpha = step.alpha;
        }
        ws.values[..self.entries()].copy_from_slice(&ws.linear);
        ws.residual[..n].copy_from_slice(&step.past[..n]);
        ws.residual[n] = 0.0;
        multiply_add(&self.pattern, &ws.linear, &ws.x, &mut ws.residual[..n]);

        // Devices: gather, evaluate, scatter.
        for (placed, &emission) in self.devices.iter().zip(&ws.emission) {
            let local = placed.at.len();
            for (value, &at) in ws.local_x.iter_mut().zip(&placed.at) {
                *value = ws.x[at as usize];
            }
            let memory = &ws.memory[placed.memory..placed.memory + placed.device.memory()];
            placed.device.eval(
                &ws.local_x[..local],
                memory,
                &mut Local {
                    f: &mut ws.local_f[..local],
                    df: &mut ws.local_df[..local * local],
                },
            );
            for (&f, &at) in ws.local_f.iter().zip(&placed.at) {
                ws.residual[at as usize] += emission * f;
            }
            for (&slope, &slot) in ws.local_df.iter().zip(&placed.slots) {
                ws.values[slot as usize] += emission * slope;
            }
        }
        if step.shunt > 0.0 {
            self.add_shunt(step, ws);
        }
    }

    /// `[nnz]` the slopes ∂f/∂x, their mean over `samples` `[samples][n+1]`; `ws.x` stays as it is.
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

    fn add_shunt(&self, step: Formula<'_>, ws: &mut Workspace) {
        for (k, unknown) in self.unknowns.iter().enumerate() {
            if matches!(unknown, Unknown::Voltage(_) | Unknown::Inside(_)) {
                let target = step.shunt_to.get(k).copied().unwrap_or(0.0);
                ws.residual[k] += step.shunt * (ws.x[k] - target);
                ws.values[find(&self.pattern, k, k)] += step.shunt;
            }
        }
    }

    /// The largest fraction of the Newton step `ws.step` that every device can follow.
    pub(crate) fn step_fraction(&self, ws: &mut Workspace) -> f64 {
        let mut fraction = 1.0_f64;
        for placed in &self.devices {
            let local = placed.at.len();
            for (k, &at) in placed.at.iter().enumerate() {
                ws.local_x[k] = ws.x[at as usize];
                ws.local_dx[k] = ws.step[at as usize];
            }
            fraction = fraction.min(
                placed
                    .device
                    .step_fraction(&ws.local_x[..local], &ws.local_dx[..local]),
            );
        }
        fraction
    }

    /// Takes `ws.x` as accepted: devices with hysteresis store their new state.
    pub(crate) fn commit(&self, ws: &mut Workspace) {
        if self.memory == 0 {
            return;
        }
        for placed in &self.devices {
            let stored = placed.device.memory();
            if stored > 0 {
                for (k, &at) in placed.at.iter().enumerate() {
                    ws.local_x[k] = ws.x[at as usize];
                }
                placed.device.commit(
                    &ws.local_x[..placed.at.len()],
                    &mut ws.memory[placed.memory..placed.memory + stored],
                );
            }
        }
    }
}

impl PlacedDevice {
    /// The device's unknowns out of `x` `[n+1]`.
    pub fn gather(&self, x: &[f64]) -> Vec<f64> {
        self.at.iter().map(|&at| x[at as usize]).collect()
    }
}

/// y ← y + A·x on a pattern; `values` `[nnz]`, `x` `[≥ n]`, `y` `[n]`.
fn multiply_add(pattern: &Pattern, values: &[f64], x: &[f64], y: &mut [f64]) {
    for (column, bounds) in pattern.column_starts.windows(2).enumerate() {
        let range = bounds[0]..bounds[1];
        for (&row, &value) in pattern.rows[range.clone()].iter().zip(&values[range]) {
            y[row] += value * x[column];
        }
    }
}

/// Calls `visit(k, row, column)` for each entry `k` of the device's pattern inside the matrix.
fn for_each_entry(
    device: &AnyDevice,
    at: &[UnknownId],
    n: usize,
    mut visit: impl FnMut(usize, usize, usize),
) {
    for (k, _) in device
        .pattern()
        .iter()
        .enumerate()
        .filter(|(_, used)| **used)
    {
        let (row, column) = (at[k / at.len()] as usize, at[k % at.len()] as usize);
        if row < n && column < n {
            visit(k, row, column);
        }
    }
}

/// Where the entry stands in the values. It is in the pattern by construction.
fn find(pattern: &Pattern, row: usize, column: usize) -> usize {
    let start = pattern.column_starts[column];
    let offset = pattern
        .column(column)
        .binary_search(&row)
        .expect("the entry is in the pattern");
    start + offset
}
