//! What a settled state hands on to others near by.

use std::sync::Arc;

use super::monodromy::Monodromy;
use super::{Approach, Period};
use crate::stability::Quiet;
use crate::system::System;

/// A settled state to set out from to others near by.
#[derive(Clone, Debug)]
pub struct Neighbour {
    /// Length of its period, s.
    pub(super) duration: f64,
    /// `[n+1]` the unknowns at the start of the period, and as a coarser search found them.
    pub(super) x: Vec<f64>,
    pub(super) coarse: Vec<f64>,
    pub(super) matrix: Option<Arc<Monodromy>>,
    /// Moments of its period at which nothing grows.
    pub(super) quiet: Vec<Arc<Quiet>>,
    /// The way that led there.
    pub(super) approach: Approach,
}

impl Neighbour {
    /// The sum of such shares of others, which make one together: on the line through two, say, between them or beyond.
    /// What is not a state is that of the first, the nearest; none of none.
    #[must_use]
    pub fn mixed(parts: &[(f64, &Self)]) -> Option<Self> {
        let (_, nearest) = parts.first()?;
        let sum = |of: fn(&Self) -> &[f64]| {
            let mut sum = vec![0.0; of(nearest).len()];
            for (share, part) in parts {
                for (sum, x) in sum.iter_mut().zip(of(part)) {
                    *sum += share * x;
                }
            }
            sum
        };
        // Of periods as long as this one.
        let quiet = parts
            .iter()
            .filter(|(_, part)| part.lasts(nearest.duration))
            .flat_map(|(_, part)| part.quiet.iter().cloned());
        Some(Self {
            x: sum(|part| &part.x),
            coarse: sum(|part| &part.coarse),
            quiet: quiet.collect(),
            ..(*nearest).clone()
        })
    }

    /// Whether its period is that long, s.
    pub fn lasts(&self, duration: f64) -> bool {
        self.duration.to_bits() == duration.to_bits()
    }

    /// Whether its matrix serves a circuit over a period that long, s.
    pub(crate) fn serves(&self, system: &System, duration: f64) -> bool {
        self.matrix_of(system, duration).is_some()
    }

    /// The matrix, where it is that of as long a period and the same states.
    pub(super) fn matrix_of(&self, system: &System, duration: f64) -> Option<Arc<Monodromy>> {
        self.matrix
            .clone()
            .filter(|of| self.lasts(duration) && of.serves(system))
    }
}

impl Period {
    /// The period as a place to set out from.
    pub fn neighbour(&self) -> Neighbour {
        let x = &self.samples[0];
        Neighbour {
            duration: self.duration,
            x: x.clone(),
            coarse: self.coarse.as_ref().unwrap_or(x).clone(),
            matrix: self.matrix.clone(),
            quiet: self.quiet.iter().cloned().collect(),
            approach: self.approach,
        }
    }
}
