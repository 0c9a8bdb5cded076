//! What a solve cost, in the units that matter: evaluations, factorisations, steps.

use serde::Serialize;

/// Work done by a solve. Deterministic, so it can be compared from one version to the next.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Counts {
    /// Accepted time steps, sub-steps included.
    pub steps: u64,
    /// Steps refused because Newton's iteration failed.
    pub newton_failures: u64,
    /// Steps refused because the local error was too large.
    pub error_failures: u64,
    /// Steps taken though their local error was above its limit, because no finer ones are allowed.
    pub forced: u64,
    /// Evaluations of all devices.
    pub evaluations: u64,
    /// Factorisations that kept the pivots.
    pub refactorisations: u64,
    /// Factorisations that chose pivots.
    pub factorisations: u64,
}
