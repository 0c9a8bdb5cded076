//! A coarse way to the settled period, before the fine one: long steps that damp what is fast.
//!
//! Bias and supply come to where they settle in cycles of a tenth of the work, and the fine search starts there. An
//! amplifier that bursts into oscillation is told here: by steps that follow its bursts no cycle would ever close.
//!
//! Source   L-stability of TR-BDF2: Hosea & Shampine, Appl. Numer. Math. 20 (1996) 21 (from memory)

use super::run::Run;
use std::sync::Arc;

use super::monodromy::Monodromy;
use super::{Period, Settling, lasts, shooting};
use crate::error::SimError;
use crate::stability::Quiet;
use crate::system::System;
use crate::tolerances::Tolerances;
use crate::transient::Choice;
use crate::workspace::Workspace;

/// How well a coarse cycle closes, as [`Settling::periodicity`]: a tenth of what its steps are worth.
const CLOSES: f64 = 1e-3;

/// Samples of the period against those of the fine search.
const COARSER: usize = 4;

/// Cycles at most: where these do not arrive the fine search tries for itself.
const MOST_CYCLES: u32 = 80;

/// Steps for each sample of the most cycles after which a search is given up: where long steps are halved again and again
/// because they find no solution, it is no quick way any more.
const MOST_STEPS: u64 = 4;

/// From `ws.x` to near the settled period; `ws` stays as it was, and there is none, where that is not reached.
pub(super) fn settle(
    system: &System,
    duration: f64,
    settling: &Settling,
    tolerances: &Tolerances,
    known: Option<Arc<Monodromy>>,
    ws: &mut Workspace,
) -> Option<Period> {
    let (kept, memory) = (ws.x.clone(), ws.memory.clone());
    let coarse = coarser(settling);
    let most = MOST_STEPS * u64::from(MOST_CYCLES) * coarse.samples as u64;
    let run = Run::new(system, duration, &coarse, &loose(tolerances), ws)
        .coarse()
        .given_up_after(most, ws);
    let found = shooting::settle(run, &coarse, known, None, ws).ok();
    if let Some(found) = &found {
        ws.x.copy_from_slice(&found.samples[0]);
    } else {
        ws.x = kept;
        ws.memory = memory;
    }
    found
}

/// As [`settle`], and whether the circuit goes through its cycles without bursting into oscillation.
///
/// # Errors
/// [`SimError::Bursts`].
pub(super) fn approach(
    system: &System,
    duration: f64,
    settling: &Settling,
    tolerances: &Tolerances,
    (known, quiet): (Option<Arc<Monodromy>>, &[Arc<Quiet>]),
    ws: &mut Workspace,
) -> Result<Option<Period>, SimError> {
    let found = settle(system, duration, settling, tolerances, known, ws);
    if let Some(found) = found {
        let quiet = Some(lasts(system, &found.samples, duration, quiet, ws)?);
        return Ok(Some(Period { quiet, ..found }));
    }
    // Bursts that coarse steps do not damp keep it from closing; then any of its cycles shows them.
    let mut ws = ws.clone();
    let mut last = Run::new(
        system,
        duration,
        &coarser(settling),
        &loose(tolerances),
        &mut ws,
    );
    if last.cycle(Choice::Free, &mut ws).is_ok() {
        lasts(system, &last.samples, duration, &[], &mut ws)?;
    }
    Ok(None)
}

fn coarser(settling: &Settling) -> Settling {
    Settling {
        samples: settling.samples / COARSER,
        periodicity: CLOSES,
        most_cycles: MOST_CYCLES.min(settling.most_cycles),
        ..*settling
    }
}

fn loose(tolerances: &Tolerances) -> Tolerances {
    Tolerances {
        local_error: f64::INFINITY,
        ..*tolerances
    }
}
