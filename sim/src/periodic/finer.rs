//! A settled period on a finer grid: what its own samples do not resolve folds back into its spectrum, while the steps
//! between them followed it.

use super::Period;
use crate::error::SimError;
use crate::system::System;
use crate::tolerances::Tolerances;
use crate::transient::{Method, Stepper};
use crate::workspace::Workspace;

impl Period {
    /// Run once more from its start, where `ws` stands after it was settled, with so many samples.
    ///
    /// # Errors
    /// [`SimError::Stuck`] when a step fails.
    pub fn finer(
        self,
        system: &System,
        samples: usize,
        tolerances: &Tolerances,
        ws: &mut Workspace,
    ) -> Result<Self, SimError> {
        let mut stepper = Stepper::new(system, Method::TrBdf2, *tolerances, 0.0, false, ws);
        stepper.peaks_of(&self.samples);
        let samples = (1..=samples)
            .map(|k| {
                let x = ws.x.clone();
                stepper.advance(self.duration * (k as f64 / samples as f64), ws)?;
                Ok(x)
            })
            .collect::<Result<_, SimError>>()?;
        Ok(Self { samples, ..self })
    }
}
