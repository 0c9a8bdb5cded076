//! Whether what a circuit settles to on its mains is no rest but an oscillation that has locked to them.
//!
//! An amplifier whose own frequency lies near the mains, or the ripple, may fall into step with it. The cycle then closes,
//! disturbances of it die away, and at every moment of it some valve is cut off or drawn to its limit, so that no natural
//! frequency grows: it looks like hum. What gives it away is that the amplifier would not rest beside it: with the
//! supplies at their means it grows.
//!
//! ```text
//! f(x) with  ī + ḡ·(v − v̄)  for the current of each rectifier,  every alternating source at zero
//! ```
//!
//! Symbols   ī, v̄, ḡ  means over the cycle of a rectifier's current, A, its volts and its slope, S
//! Source    averaging, as of switched circuits: Middlebrook & Cuk, IEEE PESC Rec. (1976) 18 (from memory)
//! Valid     where smoothing capacitors hold the volts of the rails over the cycle
//! Care      a supply seen so is stiffer than it is, since the resistance of its windings counts for the share of the cycle
//!           in which they carry current; motor-boating is what the settled cycle itself tells

use super::{Growing, ends_as, fastest_growing, repeats};
use crate::error::SimError;
use crate::operating_point::solved;
use crate::system::System;
use crate::system::averaged::Averaged;
use crate::tolerances::Tolerances;
use crate::workspace::Workspace;

/// Cycles laid end to end in which a repetition is looked for: twice what an even one needs, of the longest that fits in
/// a cycle.
const LAID: usize = 16;

/// Share of a cycle within which a repetition is not that of the cycle itself.
const WITHIN: f64 = 0.99;

/// What grows with the supplies of a settled cycle, `samples` `[samples][n+1]` over `duration`, s, at their means: the cycle
/// is then an oscillation that has locked to its mains, told by the frequency it has there. None also where no point with
/// the supplies at their means was found.
///
/// # Errors
/// [`SimError::Undetermined`] when the equations determine nothing.
pub fn locked(
    system: &System,
    samples: &[Vec<f64>],
    duration: f64,
    ws: &Workspace,
) -> Result<Option<Growing>, SimError> {
    let Some((growing, mut of)) = beside_the_ripple(system, samples, ws)? else {
        return Ok(None);
    };
    // Of what the valves see; the mains swing most of all and say nothing.
    let mut seen: Vec<usize> = (of.system.devices().iter())
        .flat_map(|placed| placed.at.iter().map(|&at| at as usize))
        .filter(|&at| at < system.len() && system.unknowns()[at].is_voltage())
        .collect();
    seen.sort_unstable();
    seen.dedup();
    let cycle: Vec<Vec<f64>> = samples
        .iter()
        .map(|x| seen.iter().map(|&at| x[at]).collect())
        .collect();
    let states: Vec<&[f64]> = (0..LAID * cycle.len())
        .map(|k| cycle[k % cycle.len()].as_slice())
        .collect();
    let step = duration / samples.len() as f64;
    // What comes once a cycle may be nothing but the ripple, of a circuit that has tipped over and stays there.
    let within = WITHIN * samples.len() as f64;
    if let Some(steps) = repeats(&states).filter(|steps| *steps < within) {
        return Ok(Some(Growing {
            frequency: 1.0 / (step * steps),
            ..growing
        }));
    }
    // That, and what comes unevenly in the cycle, is told as it would come without the ripple.
    Ok(Some(ends_as(&of.system, growing, &mut of.ws)))
}

/// What grows from the point at which the circuit would rest with the supplies of `samples` `[samples][n+1]`, those of a
/// cycle of its mains, at their means; none also where there is no such point. What it ends up as is asked by [`ends_as`].
///
/// # Errors
/// [`SimError::Undetermined`] when the equations determine nothing.
pub(crate) fn beside_the_ripple(
    system: &System,
    samples: &[Vec<f64>],
    ws: &Workspace,
) -> Result<Option<(Growing, Averaged)>, SimError> {
    let mut of = system.averaged(samples, ws);
    of.system.set_tolerances(&Tolerances::default(), &mut of.ws);
    let mut past = vec![0.0; of.system.len()];
    (of.system).sources_at_rest(1.0, &of.ws.waveforms, &mut past);
    if solved(&of.system, &past, &mut of.ws).is_err() {
        return Ok(None);
    }
    let x = of.ws.x.clone();
    let slopes = of.system.mean_slopes(&[x], &mut of.ws);
    Ok(fastest_growing(&of.system, &slopes)?.map(|growing| (growing, of)))
}
