//! The rest of a circuit that differs little from one whose rest is known.

use crate::driven::hum::change::carried;
use sim::error::SimError;
use sim::periodic::Settling;
use sim::rest::Rest;
use sim::system::{System, Workspace};
use sim::tolerances::Tolerances;

/// A circuit at rest. `ws` stands there, at the start of a mains period.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Known<'a> {
    pub(crate) system: &'a System,
    pub(crate) rest: &'a Rest,
    pub(crate) ws: &'a Workspace,
}

impl Known<'_> {
    /// Rest of a circuit like this one, of which `ws` is fresh: by Newton's iteration from here when still,
    /// settled from here on the mains; from nothing when neither arrives.
    ///
    /// # Errors
    /// Those of [`Rest::find`].
    pub(crate) fn rest_of(
        &self,
        system: &System,
        tolerances: &Tolerances,
        ws: &mut Workspace,
    ) -> Result<Rest, SimError> {
        if self.system.unknowns() == system.unknowns() {
            ws.x.clone_from(&self.ws.x);
        } else {
            ws.x = carried(self.system, &self.ws.x, system);
        }
        if ws.memory.len() == self.ws.memory.len() {
            ws.memory.clone_from(&self.ws.memory);
        }
        if self.rest.mains.is_none() {
            return Rest::find(system, tolerances, ws);
        }
        let from = (self.rest.found, Settling::default().periodicity);
        Rest::follow(system, from, tolerances, ws).or_else(|_| {
            *ws = system.workspace();
            Rest::find(system, tolerances, ws)
        })
    }
}
