//! A first look at a circuit on its mains, before it is settled: some coarse cycles from nothing, and whether what
//! they come to would stay.
//!
//! An amplifier that oscillates never closes a cycle, and following its oscillation takes minutes. TR-BDF2 with steps
//! of a hundredth of a mains period damps it instead; the circuit comes to where it would rest if it could, and its
//! natural frequencies there tell whether it can.
//!
//! Care   what grows slowly, or shows at the first look and not at the second, is left to the settled period

use crate::error::SimError;
use crate::stability::growing_over;
use crate::system::System;
use crate::tolerances::Tolerances;
use crate::transient::{Method, Stepper};
use crate::workspace::Workspace;

/// Cycles before each look: half a second, by which a supply has come up.
const CYCLES: u32 = 25;

/// Steps of a cycle.
const STEPS: u32 = 128;

/// Growth in a mains period, e-folds, and turns in it, from which an oscillation is named at once: far from what the
/// moving supply does to the slopes.
const FAST: f64 = 10.0;

/// Looks at the circuit on a mains of that period, s; `ws` is at an operating point and stays there.
///
/// # Errors
/// [`SimError::Oscillates`] when a fast oscillation grows at both looks.
pub(super) fn first_look(
    system: &System,
    duration: f64,
    tolerances: &Tolerances,
    ws: &Workspace,
) -> Result<(), SimError> {
    let mut ws = ws.clone();
    let coarse = Tolerances {
        local_error: f64::INFINITY,
        ..*tolerances
    };
    let mut stepper = Stepper::new(system, Method::TrBdf2, coarse, 0.0, false, &mut ws);
    let mut seen = None;
    for look in 1..=2 {
        let mut samples = Vec::with_capacity(STEPS as usize);
        for cycle in (look - 1) * CYCLES..look * CYCLES {
            samples.clear();
            for step in 1..=STEPS {
                let until = duration * (f64::from(cycle) + f64::from(step) / f64::from(STEPS));
                if stepper.advance(until, &mut ws).is_err() {
                    // The search for the settled period finds out what is wrong with it.
                    return Ok(());
                }
                samples.push(ws.x.clone());
            }
        }
        seen = growing_over(system, &samples, &mut ws.clone())?.filter(|growing| {
            growing.rate * duration > FAST && growing.frequency * duration > FAST
        });
        if seen.is_none() {
            return Ok(());
        }
    }
    seen.map_or(Ok(()), |growing| {
        Err(SimError::Oscillates {
            frequency: Some(growing.frequency),
            rate: growing.rate,
        })
    })
}
