//! What is drawn by lot, from the stream of one case.

use measure::instruments::random::Stream;
use sim::quantity::{Unit, engineering};

/// The lots of one case.
#[derive(Clone, Debug)]
pub struct Dice(Stream);

impl Dice {
    /// Those of a case: a seed and a number.
    pub fn new(seed: u64, number: u64) -> Self {
        Self(Stream::new(seed, number))
    }

    /// One of the numbers from 0 to below `count`, which is at least one.
    pub fn below(&mut self, count: usize) -> usize {
        ((self.0.share() * count as f64) as usize).min(count - 1)
    }

    /// True with this probability.
    pub fn chance(&mut self, probability: f64) -> bool {
        self.0.share() < probability
    }

    /// One of these.
    pub fn pick<'a, T>(&mut self, of: &'a [T]) -> &'a T {
        &of[self.below(of.len())]
    }

    /// Between two numbers above zero, each decade as likely.
    pub fn between(&mut self, least: f64, most: f64) -> f64 {
        least * (most / least).powf(self.0.share())
    }

    /// A value as a drawing would have it, within these limits: mostly; one in twenty is a slip of some decades.
    pub fn value(&mut self, least: f64, most: f64, unit: Unit) -> String {
        let mut value = self.between(least, most);
        if self.chance(0.05) {
            value *= self.between(1e-4, 1e4);
        }
        engineering(value, unit)
    }
}
