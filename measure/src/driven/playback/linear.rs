//! The amplifier as the linear one it is to the smallest signals, played like the whole.
//!
//! ```text
//! q̇ + G·x = b·u,   q = C·x;   by the trapezoidal rule   (2/h·C + G)·x₁ = b·u₁ + 2/h·q₀ + q̇₀
//! ```
//!
//! Symbols   x  unknowns as they depart from rest;  G  slopes at rest, their mean over a mains period
//! Source    trapezoidal rule (textbook); one factorisation serves the whole recording
//! Care      the same rule as that of the whole amplifier, so that their difference is distortion and not the
//!           error of the steps

use sim::error::SimError;
use sim::lu::Factors;
use sim::system::System;

/// A linear amplifier while it plays. Cost of a sample: one solution with known factors.
#[derive(Clone, Debug)]
pub struct LinearPlayer<'a> {
    system: &'a System,
    factors: Factors<f64>,
    /// Row of the generator.
    row: usize,
    output: (usize, usize),
    /// 2/h, 1/s.
    alpha: f64,
    /// `[n+1]`
    x: Vec<f64>,
    /// `[n]` charge and its rate of change.
    q: Vec<f64>,
    rate: Vec<f64>,
    /// `[n]`
    q_new: Vec<f64>,
}

impl<'a> LinearPlayer<'a> {
    pub(super) fn new(
        system: &'a System,
        slopes: &[f64],
        row: usize,
        output: (usize, usize),
        rate: f64,
    ) -> Result<Self, SimError> {
        let alpha = 2.0 * rate;
        let values: Vec<f64> = slopes
            .iter()
            .zip(system.storage().data())
            .map(|(g, c)| g + alpha * c)
            .collect();
        let mut factors = Factors::new(system.symbolic());
        factors
            .factor(system.symbolic(), &values)
            .map_err(|singular| SimError::Undetermined {
                unknown: system.name(singular.column as u32).to_owned(),
            })?;
        let n = system.len();
        Ok(Self {
            system,
            factors,
            row,
            output,
            alpha,
            x: vec![0.0; n + 1],
            q: vec![0.0; n],
            rate: vec![0.0; n],
            q_new: vec![0.0; n],
        })
    }

    /// Plays on, as [`super::Player::play`] does but without delay.
    ///
    /// # Panics
    /// When the two differ in length.
    pub fn play(&mut self, input: &[f64], output: &mut [f64]) {
        assert_eq!(input.len(), output.len(), "one sample out for each in");
        let n = self.q.len();
        let (a, b) = self.output;
        for (volts, out) in input.iter().zip(output) {
            for ((x, q), rate) in self.x.iter_mut().zip(&self.q).zip(&self.rate) {
                *x = self.alpha * q + rate;
            }
            self.x[self.row] += volts;
            self.x[n] = 0.0;
            self.factors.solve(&mut self.x[..n]);
            self.system.charge(&self.x, &mut self.q_new);
            for ((rate, q), q_new) in self.rate.iter_mut().zip(&self.q).zip(&self.q_new) {
                *rate = self.alpha * (q_new - q) - *rate;
            }
            std::mem::swap(&mut self.q, &mut self.q_new);
            *out = self.x[a] - self.x[b];
        }
    }
}
