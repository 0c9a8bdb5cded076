//! The steady voltages with no signal: f(x) = 0.
//!
//! Tried in turn until one works: Newton from where we are, the sources raised from zero, a shunt
//! conductance from every node that is taken away, and pseudo-transient continuation (each node
//! tied to its last voltage by a conductance that fades).
//!
//! Source   Kelley & Keyes, SIAM J. Numer. Anal. 35 (1998) 508 (pseudo-transient; from memory)

use crate::error::{LeftOver, SimError};
use crate::newton::{Outcome, newton};
use crate::system::{Formula, System, UnknownId};
use crate::tolerances::Tolerances;
use crate::workspace::{Trust, Workspace};

/// A way to a solution with the sources at rest given as `past`.
type Way = fn(&System, &[f64], &mut Workspace) -> Outcome;

/// What found the operating point.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Found {
    /// Newton's iteration alone.
    Directly,
    /// By raising the sources from zero.
    RaisingSources,
    /// By taking a shunt conductance away.
    FadingShunt,
    /// By pseudo-transient continuation.
    PseudoTransient,
}

/// Rest is solved once and everything stands on it: this much closer than a time step.
const CLOSER: f64 = 1e-3;

/// Solves for the steady state without signal into `ws.x`, starting from what is there.
///
/// # Errors
/// [`SimError::NoOperatingPoint`] when every way fails, [`SimError::Undetermined`] when the
/// equations leave an unknown free.
pub fn operating_point(
    system: &System,
    tolerances: &Tolerances,
    ws: &mut Workspace,
) -> Result<Found, SimError> {
    system.set_tolerances(&tolerances.closer(CLOSER), ws);
    let mut past = vec![0.0; system.len()];
    system.sources_at_rest(1.0, &ws.waveforms, &mut past);
    let start = ws.x.clone();
    let last = match solved(system, &past, ws) {
        Ok(found) => {
            system.commit(ws);
            return Ok(found);
        }
        Err(lost) => lost,
    };
    ws.x.copy_from_slice(&start);
    match last.outcome {
        Outcome::Singular { at } => Err(SimError::Undetermined {
            unknown: system.name(at).to_owned(),
        }),
        Outcome::Diverged { worst } => Err(SimError::NoOperatingPoint {
            worst: system.name(worst).to_owned(),
            left: last.left.map(|(node, amps)| {
                Box::new(LeftOver {
                    node: system.name(node).to_owned(),
                    amps,
                })
            }),
            counts: ws.counts,
        }),
        Outcome::Converged { .. } => unreachable!("returned above"),
    }
}

/// What is known where no way arrives.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Lost {
    /// That of the last way.
    outcome: Outcome,
    /// The node that balances worst in the nearest state, and the current left over there, A.
    left: Option<(UnknownId, f64)>,
}

/// f(x) + past = 0 by one way after the other, from `ws.x`.
///
/// No step is taken on trust: how little the equations bent where supplies came up tells nothing of a junction that comes
/// to conduct.
pub(crate) fn solved(system: &System, past: &[f64], ws: &mut Workspace) -> Result<Found, Lost> {
    let trust = std::mem::replace(&mut ws.trust, Trust::none());
    let solved = solved_by_ways(system, past, ws);
    ws.trust = trust;
    solved
}

fn solved_by_ways(system: &System, past: &[f64], ws: &mut Workspace) -> Result<Found, Lost> {
    let newton = newton(system, Formula::new(0.0, past), ws);
    let mut last = seen_twice(system, past, newton, ws);
    if last.converged() {
        return Ok(Found::Directly);
    }
    let mut left: Option<(UnknownId, f64)> = None;
    let ways: [(Found, Way); 3] = [
        (Found::RaisingSources, raise_sources),
        (Found::FadingShunt, fade_shunt),
        (Found::PseudoTransient, pseudo_transient),
    ];
    for (found, way) in ways {
        ws.x.fill(0.0);
        last = seen_twice(system, past, way(system, past, ws), ws);
        if last.converged() {
            return Ok(found);
        }
        if ends_near(found) {
            let node = system.worst_balanced(past, ws);
            let amps = ws.residual[node as usize].abs();
            if left.is_none_or(|(_, least)| amps < least) {
                left = Some((node, amps));
            }
        }
    }
    Err(Lost {
        outcome: last,
        left,
    })
}

/// Whether the last state of that way obeys every law but the balance of its nodes, the sources at their full volts.
fn ends_near(way: Found) -> bool {
    match way {
        Found::Directly | Found::RaisingSources => false,
        Found::FadingShunt | Found::PseudoTransient => true,
    }
}

/// The iteration once more from where it ended. What the last correction leaves is judged by how well the one before
/// did, and that says little where a diode has just come to conduct.
fn seen_twice(system: &System, past: &[f64], outcome: Outcome, ws: &mut Workspace) -> Outcome {
    if outcome.converged() {
        newton(system, Formula::new(0.0, past), ws)
    } else {
        outcome
    }
}

/// Sources from nothing to full, the increment doubled on success and halved on failure.
fn raise_sources(system: &System, full: &[f64], ws: &mut Workspace) -> Outcome {
    const LEAST_INCREMENT: f64 = 1e-6;
    /// Solutions tried on the way: doubling and halving, a hundred reach anything that can be reached so.
    const MOST: u32 = 1000;
    let mut scale = 0.0;
    let mut increment = 0.1;
    let mut past = vec![0.0; full.len()];
    let mut last = Outcome::Diverged { worst: 0 };
    for _ in 0..MOST {
        let next = f64::min(1.0, scale + increment);
        for (past, full) in past.iter_mut().zip(full) {
            *past = next * full;
        }
        let outcome = newton(system, Formula::new(0.0, &past), ws);
        match outcome {
            Outcome::Converged { .. } if next >= 1.0 => return outcome,
            Outcome::Converged { .. } => {
                scale = next;
                increment *= 2.0;
            }
            Outcome::Diverged { .. } | Outcome::Singular { .. } => {
                last = outcome;
                increment *= 0.5;
                if increment < LEAST_INCREMENT {
                    break;
                }
            }
        }
    }
    last
}

/// A conductance from every node to the chassis, from 10 mS down by half decades, then none.
fn fade_shunt(system: &System, past: &[f64], ws: &mut Workspace) -> Outcome {
    let mut shunt = 1e-2;
    while shunt > 1e-12 {
        let outcome = newton(
            system,
            Formula {
                shunt,
                ..Formula::new(0.0, past)
            },
            ws,
        );
        if !outcome.converged() {
            return outcome;
        }
        shunt *= 0.316;
    }
    newton(system, Formula::new(0.0, past), ws)
}

/// Each node tied to its last voltage; the tie loosens as the solution comes to rest.
fn pseudo_transient(system: &System, past: &[f64], ws: &mut Workspace) -> Outcome {
    const MOST_STEPS: u32 = 400;
    let mut tie = 1e-2;
    let mut last = Outcome::Diverged { worst: 0 };
    for _ in 0..MOST_STEPS {
        let tied = ws.x.clone();
        let step = Formula {
            alpha: 0.0,
            past,
            shunt: tie,
            shunt_to: &tied,
        };
        last = newton(system, step, ws);
        tie *= if last.converged() { 0.5 } else { 4.0 };
        if tie < 1e-13 {
            return newton(system, Formula::new(0.0, past), ws);
        }
        if tie > 1e3 {
            return last;
        }
    }
    match last {
        Outcome::Converged { .. } => newton(system, Formula::new(0.0, past), ws),
        failed => failed,
    }
}
