//! Everything a solve writes: one per thread beside the immutable [`System`](crate::System).

use crate::counts::Counts;
use crate::lu::{Factors, Symbolic};
use crate::parts::Waveform;

mod trust;

pub(crate) use trust::Trust;

/// The unknowns, what a bench may change between runs, and the room of a solve; sized once by
/// [`System::workspace`](crate::System::workspace).
#[derive(Clone, Debug)]
pub struct Workspace {
    /// `[n+1]` the unknowns; the chassis last, zero.
    pub x: Vec<f64>,
    /// Open-circuit volts of each source, in the order of [`System::sources`](crate::System::sources); may be
    /// changed between runs.
    pub waveforms: Vec<Waveform>,
    /// `[memory]` stored values of devices with hysteresis.
    pub memory: Vec<f64>,
    /// `[devices]` share of its current that each device gives: one for a hot cathode and for all that has
    /// none, less while it warms up.
    pub emission: Vec<f64>,
    /// Work done so far.
    pub counts: Counts,
    /// `[n+1]` f(x) + alpha·C·x + past: A, V, ampere-turns; the chassis' own last.
    pub(crate) residual: Vec<f64>,
    /// `[nnz+1]` ∂f/∂x + alpha·C; what falls on the chassis goes to the last.
    pub(crate) values: Vec<f64>,
    pub(crate) linear: Linear,
    pub(crate) local: LocalRoom,
    pub(crate) factors: Factors<f64>,
    pub(crate) factored: Factored,
    /// `[n]` absolute tolerance of each unknown, in its own unit.
    pub(crate) absolute: Vec<f64>,
    /// Relative tolerance of all.
    pub(crate) relative: f64,
    pub(crate) trust: Trust,
    /// `[n+1]` the correction of Newton's iteration.
    pub(crate) step: Vec<f64>,
    /// `[n+1]` the full correction while fractions of it are tried.
    pub(crate) kept: Vec<f64>,
    /// `[n+1]` where the iteration started.
    pub(crate) start: Vec<f64>,
}

/// The linear parts' share of the Jacobian, G + alpha·C.
#[derive(Clone, Debug)]
pub(crate) struct Linear {
    /// `[nnz]`
    pub(crate) values: Vec<f64>,
    /// The `alpha` they were summed at; not a number before the first.
    pub(crate) alpha: f64,
}

/// Room for one device: its unknowns, their changes, its currents and their slopes.
#[derive(Clone, Debug)]
pub(crate) struct LocalRoom {
    pub(crate) x: Vec<f64>,
    pub(crate) dx: Vec<f64>,
    pub(crate) f: Vec<f64>,
    pub(crate) df: Vec<f64>,
}

/// What the factors in a workspace belong to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Factored {
    /// Nothing yet: pivots must be chosen.
    Nothing,
    /// The linear values at this `alpha`; only device entries may have changed since.
    At(f64),
}

impl Workspace {
    /// Room for the unknowns and entries of `symbolic` and for so many devices of up to `local` unknowns,
    /// starting from nothing.
    pub(crate) fn new(
        symbolic: &Symbolic,
        (devices, local): (usize, usize),
        waveforms: Vec<Waveform>,
        memory: Vec<f64>,
    ) -> Self {
        let (n, entries) = (symbolic.n(), symbolic.nnz());
        Self {
            x: vec![0.0; n + 1],
            waveforms,
            memory,
            emission: vec![1.0; devices],
            counts: Counts::default(),
            residual: vec![0.0; n + 1],
            values: vec![0.0; entries + 1],
            linear: Linear {
                values: vec![0.0; entries],
                alpha: f64::NAN,
            },
            local: LocalRoom {
                x: vec![0.0; local],
                dx: vec![0.0; local],
                f: vec![0.0; local],
                df: vec![0.0; local * local],
            },
            factors: Factors::new(symbolic),
            factored: Factored::Nothing,
            absolute: vec![0.0; n],
            relative: 0.0,
            trust: Trust::default(),
            step: vec![0.0; n + 1],
            kept: vec![0.0; n + 1],
            start: vec![0.0; n + 1],
        }
    }

    /// From now on every step of Newton's iteration is verified, none taken on trust: for circuits where a
    /// current is read off an exponential, on which a tenth of a volt is too much. Costs an evaluation a
    /// time step. A [`Stepper`](crate::transient::Stepper) that starts trusts again.
    pub fn verify_every_step(&mut self) {
        self.trust = Trust::none();
    }

    /// From now on a step is taken on trust only where that leaves out no more than this share of what it may: for cycles
    /// that are to close, because what their steps leave out adds up in what is slow.
    pub(crate) fn trust_within(&mut self, share: f64) {
        self.trust = Trust::within(share);
    }

    /// Forgets pivots and bending: those of another run, or of direct current, are not those of the next.
    pub(crate) fn start_afresh(&mut self) {
        self.factored = Factored::Nothing;
        self.trust = Trust::default();
    }
}
