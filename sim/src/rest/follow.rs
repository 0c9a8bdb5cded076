//! From the rest of one circuit on its mains to that of another that differs: from there, and from nothing where that leads
//! nowhere.

use super::first_look::grows_fast;
use super::{LONGEST, Rest, frequencies, silent};
use crate::common_period::common_period;
use crate::error::SimError;
use crate::periodic::{Approach, Neighbour, Period, Settling, settle_from};
use crate::stability::{beside_the_ripple, bursts};
use crate::system::System;
use crate::tolerances::Tolerances;
use crate::workspace::Workspace;

/// The settled period of a circuit that differs little from that of a neighbour, by corrections with the neighbour's
/// matrix alone; none where they do not arrive soon. Coarse steps first would lead away: they leave out more than such a
/// difference, above all of the little hum in an output transformer. `ws` stays as it was where there is none.
fn beside(
    system: &System,
    duration: f64,
    settling: &Settling,
    neighbour: Option<&Neighbour>,
    tolerances: &Tolerances,
    ws: &mut Workspace,
) -> Option<Result<Period, SimError>> {
    /// Cycles at most, the half of them corrected.
    const SOON: u32 = 10;
    let neighbour = neighbour.filter(|neighbour| neighbour.serves(system, duration))?;
    let soon = Settling {
        approach: Approach::Shooting,
        most_cycles: SOON,
        ..*settling
    };
    let (x, memory) = (ws.x.clone(), ws.memory.clone());
    let Ok(period) = settle_from(system, duration, &soon, tolerances, Some(neighbour), ws) else {
        (ws.x, ws.memory) = (x, memory);
        return None;
    };
    match bursts(system, &period.samples, duration, ws) {
        Ok(None) => Some(Ok(period)),
        Ok(Some(bursts)) => Some(Err(bursts.into())),
        Err(error) => Some(Err(error)),
    }
}

/// How far a circuit is known to differ from the one it is reached from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Differs {
    /// A little: corrections by the matrix known may do.
    ALittle,
    /// More than that: coarse cycles lead there first.
    More,
}

impl Rest {
    /// The rest on the mains of a circuit that differs from the one of this rest: with the same unknowns it is
    /// sought from this one, and from nothing where it does not arrive soon. How the operating point here was found is told
    /// of both. It is settled as in [`Rest::find_by`]; what oscillates is told without how it ends up.
    ///
    /// # Errors
    /// As [`Rest::find`], of which it costs a part.
    pub fn follow(
        &self,
        system: &System,
        settling: &Settling,
        tolerances: &Tolerances,
        differs: Differs,
        ws: &mut Workspace,
    ) -> Result<Self, SimError> {
        silent(ws, |ws| {
            let duration = common_period(&frequencies(&ws.waveforms), LONGEST)?.duration;
            let settling = Self::settling(settling);
            let near = match differs {
                Differs::ALittle => self.neighbour(),
                Differs::More => None,
            };
            if self.samples[0].len() == ws.x.len()
                && let Some((growing, _)) = beside_the_ripple(system, &self.samples, ws)?
                && grows_fast(growing, duration)
            {
                // Following an oscillation takes a hundred times as long as a rest.
                return Err(growing.into());
            }
            let rest = match beside(system, duration, &settling, near, tolerances, ws) {
                Some(period) => Self::driven(period?, self.found),
                None => self.reached_from_here(system, duration, &settling, tolerances, ws)?,
            };
            Ok(Self {
                found: self.found,
                ..rest
            })
        })
    }

    /// From this rest in some cycles; from nothing where they do not lead there.
    fn reached_from_here(
        &self,
        system: &System,
        duration: f64,
        settling: &Settling,
        tolerances: &Tolerances,
        ws: &mut Workspace,
    ) -> Result<Self, SimError> {
        let some = Settling {
            most_cycles: 24, // a dozen lead to a rest near by
            ..*settling
        };
        let mut here = ws.clone();
        match settle_from(
            system,
            duration,
            &some,
            tolerances,
            self.neighbour(),
            &mut here,
        ) {
            Ok(period) => {
                *ws = here;
                Ok(Self::driven(period, self.found))
            }
            Err(error @ SimError::Oscillates { .. }) => Err(error),
            Err(_) => Self::of_silent(system, settling, tolerances, ws),
        }
    }
}
