//! A first look at a circuit on its mains, before it is settled: some coarse cycles from nothing, and whether what
//! they come to would stay.
//!
//! An amplifier that oscillates never closes a cycle, and following its oscillation takes minutes. TR-BDF2 with steps
//! of a hundredth of a mains period damps it instead; the circuit comes to where it would rest if it could, and its
//! natural frequencies there tell whether it can. While supply and bias still come up an amplifier may be either, so
//! two looks in a row must agree.
//!
//! Cost   some ten thousand steps and a few eigenvalue problems: a tenth of a second for sixty unknowns
//! Care   what grows slowly is left to the settled period

use crate::error::SimError;
use crate::stability::{Growing, growing_over};
use crate::system::System;
use crate::tolerances::Tolerances;
use crate::transient::{Method, Stepper};
use crate::workspace::Workspace;

/// Cycles before the first look: a second, by which a supply has come up.
const FIRST: u32 = 50;

/// Cycles between looks.
const BETWEEN: u32 = 25;

/// Looks at most: five seconds.
const LOOKS: u32 = 9;

/// Steps of a cycle.
const STEPS: u32 = 128;

/// Growth in a mains period, e-folds, and turns in it, from which an oscillation is named at once: far from what the
/// moving supply does to the slopes.
const FAST: f64 = 10.0;

/// How near the frequencies of two looks must lie, a ratio: what is named is then within that of where it settles.
const AGREE: f64 = 0.01;

/// Looks at the circuit on a mains of that period, s; `ws` is at an operating point and stays there.
///
/// # Errors
/// [`SimError::Oscillates`] when two looks in a row find the same fast oscillation.
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
    let mut before: Option<Option<Growing>> = None;
    let mut cycle = 0;
    for look in 0..LOOKS {
        let mut samples = Vec::with_capacity(STEPS as usize);
        while cycle < FIRST + look * BETWEEN {
            samples.clear();
            for step in 1..=STEPS {
                let until = duration * (f64::from(cycle) + f64::from(step) / f64::from(STEPS));
                if stepper.advance(until, &mut ws).is_err() {
                    // The search for the settled period finds out what is wrong with it.
                    return Ok(());
                }
                samples.push(ws.x.clone());
            }
            cycle += 1;
        }
        let now = growing_over(system, &samples, &mut ws.clone())?.filter(|growing| {
            growing.rate * duration > FAST && growing.frequency * duration > FAST
        });
        match (before, now) {
            (Some(None), None) => return Ok(()),
            (Some(Some(then)), Some(now))
                if (now.frequency / then.frequency - 1.0).abs() < AGREE =>
            {
                return Err(SimError::Oscillates {
                    frequency: Some(now.frequency),
                    rate: now.rate,
                });
            }
            (None | Some(_), now) => before = Some(now),
        }
    }
    Ok(())
}
