//! The settled period of a tone so quick that its supplies hardly move in it: with them at their means.
//!
//! On the mains a period holds hundreds of turns of such a tone, which differ by the ripple alone. A coarse period of both tells
//! what the supplies give with the amplifier so loaded; their rectifiers are then laid straight, and the tone is settled by
//! itself.
//!
//! Source   averaging, as of switched circuits: Middlebrook & Cuk, IEEE PESC Rec. (1976) 18 (from memory)
//! Valid    where no rectifier meets the tone, as one that clips it does, and what
//!          alternates heats no filament that is a cathode, or its hum is left out with the ripple. To first order the ripple has no part in a harmonic; by how much the loading is off in coarse steps meets the
//!          supply's resistance. Two amplifiers at 2 kHz: volts within 6e-6, distortion within 3e-4 points of the whole period
//! Cost     a coarse search of the common period, and a search of one turn

use super::{Aim, Neighbour, Period, Settling, coarse, settle_aiming};
use crate::error::SimError;
use crate::system::System;
use crate::tolerances::Tolerances;
use crate::workspace::Workspace;

/// What the tone has beside it.
#[derive(Clone, Copy, Debug)]
pub struct Common {
    /// Length of the period that holds whole turns of all, s.
    pub duration: f64,
    /// Samples of it, of which the coarse search takes a quarter.
    pub samples: usize,
    /// The source of the tone, in the order of [`System::sources`].
    pub source: usize,
}

/// Share of what a rectifier swings in all that the tone may have in it for it to belong to a supply: what a reservoir of usual
/// size lets through is less.
const MEETS: f64 = 0.02;

/// Whether no rectifier meets the tone: in the mean of its turns, where what goes with the mains cancels, the volts across each
/// hardly swing. `samples` `[samples][n+1]` hold that many turns.
fn belong_to_supplies(system: &System, samples: &[Vec<f64>], turns: usize) -> bool {
    if turns == 0 || !samples.len().is_multiple_of(turns) {
        return false;
    }
    let turn = samples.len() / turns;
    let swing = |volts: &[f64]| {
        let most = volts.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        most - volts.iter().copied().fold(f64::INFINITY, f64::min)
    };
    let mut rectifiers = system
        .devices()
        .iter()
        .filter(|of| of.device.is_rectifier());
    rectifiers.all(|of| {
        let (anode, cathode) = (of.at[0] as usize, of.at[1] as usize);
        let volts: Vec<f64> = samples.iter().map(|x| x[anode] - x[cathode]).collect();
        let mut mean = vec![0.0; turn];
        for (k, volts) in volts.iter().enumerate() {
            mean[k % turn] += volts / turns as f64;
        }
        swing(&mean) <= MEETS * swing(&volts)
    })
}

/// The settled period of the tone, `duration`, s, from `ws.x`; none, and `ws` as it was, where no common period is found by
/// coarse steps, or a rectifier meets the tone.
///
/// # Errors
/// Those of [`settle_aiming`].
pub fn settle_at_means(
    system: &System,
    (duration, common): (f64, Common),
    settling: &Settling,
    tolerances: &Tolerances,
    neighbour: Option<&Neighbour>,
    aim: Option<&mut Aim<'_>>,
    ws: &mut Workspace,
) -> Result<Option<Period>, SimError> {
    let neighbour = neighbour.filter(|neighbour| neighbour.x.len() == ws.x.len());
    let known = neighbour.and_then(|neighbour| neighbour.matrix_of(system, common.duration));
    let before = (ws.x.clone(), ws.memory.clone());
    if let Some(neighbour) = neighbour {
        ws.x.copy_from_slice(&neighbour.coarse);
    }
    let whole = Settling {
        samples: common.samples,
        ..*settling
    };
    let Some(found) = coarse::settle(system, common.duration, &whole, tolerances, known, ws) else {
        (ws.x, ws.memory) = before;
        return Ok(None);
    };
    let turns = (common.duration / duration).round() as usize;
    if !belong_to_supplies(system, &found.samples, turns) {
        (ws.x, ws.memory) = before;
        return Ok(None);
    }
    let mut of = system.averaged(&found.samples, ws);
    of.system.set_tolerances(tolerances, &mut of.ws);
    of.ws.waveforms[common.source] = ws.waveforms[common.source].clone();
    let tone = &of.system;
    let period = settle_aiming(tone, duration, settling, tolerances, None, aim, &mut of.ws)?;
    Ok(Some(Period {
        at_means: true,
        ..period
    }))
}
