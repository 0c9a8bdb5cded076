//! What a circuit does on its mains whose settled cycle was not found: an oscillation that comes round unevenly, often
//! enough, half caught by the ripple.
//!
//! Cost   some cycles by steps controlled by their error, and the natural frequencies with the supplies at their means

use super::MAINS_SAMPLES;
use crate::error::SimError;
use crate::stability::{locked, wanders};
use crate::system::System;
use crate::tolerances::Tolerances;
use crate::transient::{Method, Stepper};
use crate::workspace::Workspace;

/// Cycles that are followed.
const CYCLES: u32 = 16;

/// Steps of a cycle, on the mean, beyond which it is followed no further.
const MOST_STEPS: u64 = 10_000;

/// The error that says what it does, where that can be told; else the one the search ended with. `ws` is at the start of a
/// cycle of that period, s.
pub(super) fn unsettled(
    system: &System,
    duration: f64,
    tolerances: &Tolerances,
    error: SimError,
    ws: &mut Workspace,
) -> SimError {
    let Some(states) = followed(system, duration, tolerances, ws) else {
        return error;
    };
    // A supply alone may take long to settle: an oscillation is what grows with the supplies at their means.
    let last = &states[states.len() - MAINS_SAMPLES..];
    match (
        locked(system, last, duration, ws),
        wanders(&states, MAINS_SAMPLES),
    ) {
        // These steps damp bursts, which change how often it comes round.
        (Ok(Some(growing)), Some(_)) if growing.bursts() => growing.into(),
        (Ok(Some(_)), Some(round)) => SimError::Repeats {
            period: round.mean / MAINS_SAMPLES as f64 * duration,
            even: round.is_even(),
        },
        (Ok(Some(growing)), None) => growing.into(),
        (Ok(None) | Err(_), _) => error,
    }
}

/// `[cycles · MAINS_SAMPLES][n+1]` what it goes through from here; none where it cannot be followed, or not soon.
fn followed(
    system: &System,
    duration: f64,
    tolerances: &Tolerances,
    ws: &mut Workspace,
) -> Option<Vec<Vec<f64>>> {
    let mut stepper = Stepper::new(system, Method::TrBdf2, *tolerances, 0.0, false, ws);
    let most = ws.counts.steps + u64::from(CYCLES) * MOST_STEPS;
    let mut states = Vec::new();
    for sample in 1..=CYCLES as usize * MAINS_SAMPLES {
        let turns = sample as f64 / MAINS_SAMPLES as f64;
        stepper.advance(duration * turns, ws).ok()?;
        if ws.counts.steps > most {
            return None;
        }
        states.push(ws.x.clone());
    }
    Some(states)
}
