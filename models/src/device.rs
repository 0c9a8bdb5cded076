//! What a device is: terminal voltages in, terminal currents and their slopes out.
//!
//! ```text
//! f(x) and ∂f/∂x,   x = voltages of the terminals, then internal unknowns
//! ```
//!
//! A device here has no charge of its own. Interelectrode capacitances, leakage inductances and
//! flux linkages are linear in the unknowns, so `sim` sums them once as linear parts; what is left
//! for a device is its memoryless law. The one exception, magnetic hysteresis, keeps stored values
//! in `memory`, which change only when a time step is accepted.

/// Where a device writes: dense, local, sized to the device. `n` local unknowns, row-major.
#[derive(Debug)]
pub struct Local<'a> {
    /// `[n]` current into each terminal, A (ampere-turns in a flux row).
    pub f: &'a mut [f64],
    /// `[n·n]` ∂f/∂x, row-major: `df[row * n + column]`.
    pub df: &'a mut [f64],
}

/// The contract between physics and solver. See `contract.rs` for what every device must obey.
pub trait Device {
    /// Names of the local unknowns, terminals first; the length is `n`.
    fn unknowns(&self) -> &'static [&'static str];

    /// How many of the unknowns are terminals with a voltage; the rest are internal.
    fn terminals(&self) -> usize {
        self.unknowns().len()
    }

    /// `[n·n]` entries of ∂f/∂x that can ever be nonzero.
    fn pattern(&self) -> &'static [bool];

    /// How many values the device stores from one accepted step to the next.
    fn memory(&self) -> usize {
        0
    }

    /// Fills all of `out`. Finite for every finite `x` `[n]`; C¹ wherever the header of the device
    /// does not say otherwise.
    fn eval(&self, x: &[f64], memory: &[f64], out: &mut Local<'_>);

    /// Takes `x` `[n]` as the accepted solution and updates the stored values `[memory()]`.
    fn commit(&self, _x: &[f64], _memory: &mut [f64]) {}

    /// The fraction in (0, 1] of the Newton step `dx` `[n]` from `x` `[n]` that the device can
    /// follow. One where its law is gentle; less where the slope grows out of the linear picture.
    fn step_fraction(&self, _x: &[f64], _dx: &[f64]) -> f64 {
        1.0
    }

    /// Whether the law bends within the step `dx` `[n]` to `x` `[n]` however straight it was before: a junction that comes
    /// to conduct, or is guessed to.
    fn bends(&self, _x: &[f64], _dx: &[f64]) -> bool {
        false
    }

    /// Whether the law is much less steep at `x` `[n]` than where the step `dx` `[n]` to it came from: what the slopes there make
    /// of a residual is then no measure of how far the solution is.
    fn flattens(&self, _x: &[f64], _dx: &[f64]) -> bool {
        false
    }
}
