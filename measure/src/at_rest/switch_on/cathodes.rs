//! Which cathode warms up how fast, and who says so.

use models::emission::{share, time_to, typical};
use serde::Serialize;

use sim::circuit::{Circuit, PartId};
use sim::parts::{Part, Valve};
use sim::system::System;

/// Share of the emission at which a cathode counts as warm.
const WARM: f64 = 0.99;

/// Who says how fast a cathode warms up.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stated {
    /// The valve's line, or that of another section of its envelope.
    Line,
    /// The valve's file.
    ValveFile,
    /// Nobody: what is typical of its kind.
    Assumed,
}

/// A cathode.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Cathode {
    /// Designator of the valve or section.
    pub part: String,
    /// Type designation.
    pub kind: String,
    /// From cold to half the emission, s.
    pub half_emission: f64,
    /// Who says so.
    pub stated: Stated,
}

/// The warm-up of all devices.
#[derive(Clone, Debug)]
pub(super) struct Warming {
    pub(super) cathodes: Vec<Cathode>,
    /// `[devices]` s; zero for what is never cold.
    half: Vec<f64>,
}

impl Warming {
    /// `hot`: all are warm from the start.
    pub(super) fn of(circuit: &Circuit, system: &System, hot: bool) -> Self {
        let heated = circuit.parts().filter_map(|(id, placed)| {
            let Part::Valve(valve) = &placed.part else {
                return None;
            };
            let (half_emission, stated) = half_emission(circuit, id, valve)?;
            let cathode = Cathode {
                part: placed.name.clone(),
                kind: valve.kind.name.clone(),
                half_emission,
                stated,
            };
            Some((id, cathode))
        });
        let heated: Vec<(PartId, Cathode)> = heated.collect();
        let of_part = |part: PartId| {
            let found = heated.iter().find(|(id, _)| *id == part && !hot);
            found.map_or(0.0, |(_, cathode)| cathode.half_emission)
        };
        Self {
            half: system
                .devices()
                .iter()
                .map(|placed| of_part(placed.part))
                .collect(),
            cathodes: heated.into_iter().map(|(_, cathode)| cathode).collect(),
        }
    }

    /// Fills the emission `[devices]` at `t`, s.
    pub(super) fn at(&self, t: f64, emission: &mut [f64]) {
        for (emission, &half) in emission.iter_mut().zip(&self.half) {
            *emission = share(t, half);
        }
    }

    /// When the last is warm, s.
    pub(super) fn warm(&self) -> f64 {
        time_to(WARM, self.half.iter().copied().fold(0.0, f64::max))
    }

    pub(super) fn is_warm(&self, t: f64) -> bool {
        t >= self.warm()
    }
}

/// From cold to half the emission, s; none for a cold cathode.
fn half_emission(circuit: &Circuit, id: PartId, valve: &Valve) -> Option<(f64, Stated)> {
    let heater = valve.kind.heater.as_ref()?;
    let of_envelope = || {
        let envelope = valve.envelope.as_ref()?;
        circuit.parts().find_map(|(other, placed)| {
            let section = placed.part.valve()?;
            let beside = other != id && section.envelope.as_ref() == Some(envelope);
            beside.then_some(section.warm_up).flatten()
        })
    };
    Some(if let Some(stated) = valve.warm_up.or_else(of_envelope) {
        (stated, Stated::Line)
    } else if let Some(stated) = heater.warm_up {
        (stated, Stated::ValveFile)
    } else {
        (typical(valve.kind.class, heater.heating), Stated::Assumed)
    })
}
