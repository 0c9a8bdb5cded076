//! A coarse way to the settled period, before the fine one: long steps that damp what is fast.
//!
//! Bias and supply come to where they settle in cycles of a tenth of the work, and the fine search starts there. An
//! amplifier that bursts into oscillation is told here: by steps that follow its bursts no cycle would ever close.
//!
//! Source   L-stability of TR-BDF2: Hosea & Shampine, Appl. Numer. Math. 20 (1996) 21 (from memory)

use super::run::Run;
use std::sync::Arc;

use super::monodromy::Monodromy;
use super::{Settling, lasts, shooting};
use crate::error::SimError;
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

/// From `ws.x` to near the settled period, and the matrix that led there; `ws` stays as it was, and there is none, where
/// that is not reached.
///
/// # Errors
/// [`SimError::Bursts`].
pub(super) fn approach(
    system: &System,
    duration: f64,
    settling: &Settling,
    tolerances: &Tolerances,
    known: Option<Arc<Monodromy>>,
    ws: &mut Workspace,
) -> Result<Option<Arc<Monodromy>>, SimError> {
    let coarse = Settling {
        samples: settling.samples / COARSER,
        periodicity: CLOSES,
        most_cycles: MOST_CYCLES,
        ..*settling
    };
    let loose = Tolerances {
        local_error: f64::INFINITY,
        ..*tolerances
    };
    let (kept, memory) = (ws.x.clone(), ws.memory.clone());
    let run = |ws: &mut Workspace| Run::new(system, duration, &coarse, &loose, ws);
    if let Ok(found) = shooting::settle(run(ws), &coarse, known, ws) {
        ws.x.copy_from_slice(&found.samples[0]);
        lasts(system, &found.samples, duration, ws)?;
        return Ok(found.matrix);
    }
    // Bursts that coarse steps do not damp keep it from closing; then any of its cycles shows them.
    let mut last = run(ws);
    let moves = last.cycle(Choice::Free, ws).is_ok();
    ws.x = kept;
    ws.memory = memory;
    if moves {
        lasts(system, &last.samples, duration, ws)?;
    }
    Ok(None)
}
