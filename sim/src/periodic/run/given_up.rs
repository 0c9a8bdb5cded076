//! What is known where cycles are given up, and what to ask before.

use super::{MANY, Run};
use crate::error::{Moving, SimError, Unsettled};
use crate::parts::Waveform;
use crate::quantity::Unit;
use crate::stability::repeating;
use crate::system::Unknown;
use crate::workspace::Workspace;

impl Run<'_> {
    /// What is known where the search is given up.
    pub(in crate::periodic) fn not_periodic(&self, ws: &Workspace) -> SimError {
        let moving = self.moving.map(|(k, change)| Moving {
            unknown: self.system.name(k as u32).to_owned(),
            change,
            unit: match self.system.unknowns()[k] {
                Unknown::Voltage(_) | Unknown::Inside(_) => Unit::Volt,
                Unknown::Current(..) => Unit::Ampere,
                Unknown::Flux(_) => Unit::Weber,
            },
        });
        let signal =
            |waveform: &Waveform| !waveform.alternates() && !waveform.frequencies().is_empty();
        SimError::NotPeriodic(Unsettled {
            cycles: self.cycles,
            steps: self.tried(ws),
            spent: self.spent,
            residual: self.residual,
            least: self.least,
            moving,
            driven: ws.waveforms.iter().any(signal),
        })
    }

    /// Whether it is a fast oscillation that has taken so many steps from `start`, s, to sample `k`.
    pub(super) fn oscillates(&self, start: f64, k: usize, ws: &Workspace) -> Result<(), SimError> {
        let now = self.grid(start, k + 1);
        let step = (now - start) / (MANY as f64 * self.samples.len() as f64);
        match repeating(self.system, now, step, &mut ws.clone())? {
            Some(frequency) => Err(SimError::Repeats {
                period: 1.0 / frequency,
                even: true,
            }),
            None => Ok(()),
        }
    }
}
