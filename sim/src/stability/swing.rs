//! What an unstable circuit comes to: it is pushed off its rest and followed until it repeats itself, then to the cycle it
//! settles on (`limit_cycle`).
//!
//! A loop with positive feedback runs away without swinging, as its natural frequencies say, until something gives way;
//! then it comes back and runs away again. How often is known only by following it. What swings from the start is another
//! oscillation once it has grown.
//!
//! Care   where it never repeats evenly no mean is told but between what it was seen to go; a circuit that tips over once and
//!        stays there does neither

use super::limit_cycle::limit_cycle;
use super::rounds::{LEAST, PUSH, repeats, rounds};
use super::{Growing, HIGHEST};
use crate::error::SimError;
use crate::grown::{Grown, LARGE};
use crate::system::System;
use crate::tolerances::Tolerances;
use crate::transient::{Method, Stepper};
use crate::workspace::Workspace;

/// Steps of a run, its first half to get there: the other shows eight turns of as many as the next run takes for sixteen.
const STEPS: usize = 4096;

/// Steps at most in which what swings grows up.
const GROWING_UP: usize = 16_384;

/// Parts of a run after which it is looked at.
const PARTS: usize = 8;

/// Each run is so many times as long as the one before.
const LONGER: f64 = 16.0;

/// States of its shortest turn from which a longer run tells more than one by shorter steps: fewer may be beats.
const RESOLVED: f64 = 16.0;

/// The longest step, s, and the longest run with it: a minute.
const LONGEST: f64 = 8e-3;

/// Steps of all runs after which it is given up, sub-steps counted: a second or two of work.
const MOST_STEPS: u64 = 150_000;

/// Steps of a turn while an oscillation grows.
const OF_A_TURN: f64 = 32.0;

/// Turns after it is as large as it gets.
const MORE: f64 = 40.0;

/// How far a grown oscillation must lie from where it started to be told beside it, a ratio.
const ELSEWHERE: f64 = 0.02;

/// What grows from the rest in `ws.x` with the frequency it ends up with: of what runs away without swinging, how often it
/// comes round. `ws` is left anywhere.
pub(crate) fn ends_as(system: &System, growing: Growing, ws: &mut Workspace) -> Growing {
    let end = swing(system, growing, ws);
    if growing.frequency > 0.0 {
        let elsewhere = |end: &Grown| {
            (end.settled()).is_none_or(|hertz| (hertz / growing.frequency - 1.0).abs() > ELSEWHERE)
        };
        return Growing {
            grown: end.filter(elsewhere),
            ..growing
        };
    }
    Growing {
        frequency: end
            .filter(|end| !end.without_bursts)
            .and_then(|end| end.frequency)
            .unwrap_or(0.0),
        grown: end.filter(|end| !end.settles),
        ..growing
    }
}

/// How what grows comes round in the end, pushed off its rest in `ws.x`; none when it does not. `ws` is left anywhere.
fn swing(system: &System, growing: Growing, ws: &mut Workspace) -> Option<Grown> {
    for (k, unknown) in system.unknowns().iter().enumerate() {
        if unknown.is_voltage() {
            // No two alike, so that a symmetric pair is pushed out of its symmetry.
            ws.x[k] += PUSH * (0.618_034 * (k + 1) as f64).fract();
        }
    }
    if growing.frequency > 0.0 {
        grows_up(system, growing, ws)
    } else {
        runs_away(system, growing.rate, ws)
    }
}

/// Of what swings: followed until it is large.
fn grows_up(system: &System, growing: Growing, ws: &mut Workspace) -> Option<Grown> {
    if growing.frequency > HIGHEST {
        return None;
    }
    let step = 1.0 / (OF_A_TURN * growing.frequency);
    let time = LARGE / growing.rate + MORE / growing.frequency;
    let steps = (time / step) as usize;
    if steps > GROWING_UP {
        return None;
    }
    let states = followed(system, (0.0, step, steps), ws).ok()??;
    ends(system, step * repeats(&states)?, ws)
}

/// How it comes round in the end, where it comes round in a period, s, now.
fn ends(system: &System, period: f64, ws: &mut Workspace) -> Option<Grown> {
    let comes_round = |period: f64, ws: &mut Workspace| {
        let step = period / OF_A_TURN;
        let steps = (OF_A_TURN * MORE) as usize;
        let states = followed(system, (0.0, step, steps), ws).ok()??;
        repeats(&states).map(|steps| step * steps)
    };
    limit_cycle(system, period, comes_round, ws)
}

/// Of what runs away at a `rate`, 1/s: followed by longer and longer steps.
fn runs_away(system: &System, rate: f64, ws: &mut Workspace) -> Option<Grown> {
    let mut step = 0.25 / rate;
    let mut time = 0.0;
    let mut uneven = None;
    let most = ws.counts.steps + MOST_STEPS;
    while step <= LONGEST && ws.counts.steps < most {
        let mut states = Vec::new();
        for _ in 0..PARTS {
            if ws.counts.steps > most {
                break;
            }
            let Some(part) = followed(system, (time, step, STEPS / PARTS), ws).ok()? else {
                break;
            };
            states.extend(part);
            time += step * (STEPS / PARTS) as f64;
            if let Some(period) = repeats(&states) {
                return ends(system, step * period, ws);
            }
        }
        if let Some(round) = rounds(&states).filter(|round| round.shortest > LEAST)
            && (uneven.is_none() || round.shortest > RESOLVED)
        {
            uneven = Some(round.uneven(step));
        }
        step *= LONGER;
    }
    uneven
}

/// How often it repeats, Hz, followed from `ws.x` at a time, s, by steps of so many seconds; none when it does not, or
/// not within the work allowed.
///
/// # Errors
/// [`SimError::Stuck`].
pub(crate) fn repeating(
    system: &System,
    time: f64,
    step: f64,
    ws: &mut Workspace,
) -> Result<Option<f64>, SimError> {
    let states = followed(system, (time, step, 2 * STEPS), ws)?;
    let period = states.and_then(|states| repeats(&states));
    Ok(period.map(|period| 1.0 / (step * period)))
}

/// `[steps][voltages]` where it goes from `ws.x` at a time, s, by so many steps of so many seconds; none where that takes
/// more than the work allowed.
fn followed(
    system: &System,
    (time, step, steps): (f64, f64, usize),
    ws: &mut Workspace,
) -> Result<Option<Vec<Vec<f64>>>, SimError> {
    let tolerances = Tolerances::default();
    let mut stepper = Stepper::new(system, Method::TrBdf2, tolerances, time, false, ws);
    let voltages: Vec<usize> = (0..system.len())
        .filter(|&k| system.unknowns()[k].is_voltage())
        .collect();
    let mut states: Vec<Vec<f64>> = Vec::with_capacity(steps);
    let most = ws.counts.steps + MOST_STEPS;
    for k in 1..=steps {
        stepper.advance(time + step * k as f64, ws)?;
        if ws.counts.steps > most {
            return Ok(None);
        }
        states.push(voltages.iter().map(|&at| ws.x[at]).collect());
    }
    Ok(Some(states))
}
