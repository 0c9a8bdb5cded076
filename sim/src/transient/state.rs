//! What is known at the time reached, beside the unknowns in the workspace.

use crate::system::System;

/// Charge C·x and its rate of change.
#[derive(Clone, Debug)]
pub(super) struct Charge {
    /// `[n]` charge in node rows, flux in branch rows: C, Wb.
    pub(super) q: Vec<f64>,
    /// `[n]` its rate of change: A, V.
    pub(super) rate: Vec<f64>,
}

impl Charge {
    /// Room for `n` unknowns.
    pub(super) fn new(n: usize) -> Self {
        Self {
            q: vec![0.0; n],
            rate: vec![0.0; n],
        }
    }
}

/// The state at a time.
#[derive(Clone, Debug)]
pub(super) struct State {
    /// s.
    pub(super) t: f64,
    /// At that time.
    pub(super) charge: Charge,
    /// True when the rate is unknown: at a start out of rest and after a jump.
    pub(super) opening: bool,
}

impl State {
    /// The state of the solution `x` `[n+1]` at `t`.
    pub(super) fn of(system: &System, x: &[f64], t: f64, opening: bool) -> Self {
        let mut charge = Charge::new(system.len());
        system.charge(x, &mut charge.q);
        Self { t, charge, opening }
    }
}
