//! A first look at a circuit on its mains, before it is settled: some coarse cycles from nothing, and whether what
//! they come to would stay.
//!
//! An amplifier that oscillates never closes a cycle, and following its oscillation takes minutes. TR-BDF2 with steps
//! of a hundredth of a mains period damps it instead; the circuit comes to where it would rest if it could, and its
//! natural frequencies there tell whether it can. While supply and bias still come up an amplifier may be either, so
//! two looks in a row must agree.
//!
//! What grows with the supplies at their means, and repeats itself within few cycles as often in these as in those before, is
//! not followed further.
//!
//! Most come to rest: a rough settled period found soon after the start, in which nothing grows fast, ends the look.
//!
//! What repeats itself slowly, over many mains periods, is seen by its state at the start of each. What repeats itself within
//! one is looked at again with steps controlled by their error: where a supply rings behind its rectifier, coarse steps make
//! another cycle of each one, and a passive supply does not oscillate.
//!
//! Where coarse steps find no solution and are halved again and again, the look is given up: what grows where that happened is
//! followed from there. Where none leads on at all, nothing is told: that may be before the supplies have come up.
//!
//! Cost   some five thousand steps and an eigenvalue problem where it comes to rest; else some ten thousand to fifty
//!        thousand steps and a few eigenvalue problems
//! Care   what grows slowly is left to the settled period

use crate::error::SimError;
use crate::periodic::{Neighbour, Settling, settle_roughly};
use crate::stability::{
    Growing, Round, beside_the_ripple, comes_round, ends_as, grows_over, repeats, told, wanders,
};
use crate::system::System;
use crate::tolerances::Tolerances;
use crate::transient::{Method, Stepper};
use crate::workspace::Workspace;

/// Cycles before a rough settled period is sought: by then most valves conduct.
const EARLY: u32 = 20;

/// Cycles before the first look: a second, by which a supply has come up.
const FIRST: u32 = 50;

/// Cycles between looks.
const BETWEEN: u32 = 25;

/// Looks at most: five seconds.
const LOOKS: u32 = 9;

/// Steps of a cycle.
const STEPS: u32 = 128;

/// Halved steps taken, for each that was asked and besides, at which the look is given up: a tenth of a second or two.
const HALVED: (u64, u64) = (2, 6_000);

/// Growth in a mains period, e-folds, and turns in it, from which an oscillation is named at once: far from what the
/// moving supply does to the slopes.
const FAST: f64 = 10.0;

/// Turns in a mains period from which the ripple has no part in an oscillation that has grown.
const SEVERAL: f64 = 2.5;

/// Cycles after which what still moves is looked at for a slow repetition: six seconds.
const SLOW: u32 = 300;

/// Cycles after which it is told where it repeats itself as often in some as in those before: supplies have come up in three
/// seconds. At two the wrong sign with 2k2 of feedback (`tests/src/variants.rs`) came round by 3 % too often.
const SOON: u32 = 150;

/// Further cycles in which it is looked for a repetition that does not follow them.
const WANDERING: u32 = 16;

/// Steps of a cycle controlled by their error, on the mean, beyond which what was found is believed: a rectifier takes a
/// few hundred, what moves by itself within a cycle thousands.
const MOST_STEPS: u64 = 10_000;

/// How near to whole half cycles a repetition is that of the ripple.
const FOLLOWS: f64 = 0.01;

/// Change from cycle to cycle, as a share of the swing of an unknown so far, below which it has come to rest.
const STILL: f64 = 1e-2;

/// How near the frequencies of two looks must lie, a ratio: what is named is then within that of where it settles.
const AGREE: f64 = 0.01;

/// Looks at the circuit on a mains of that period, s. `ws` is at an operating point, from where it goes to where the coarse
/// cycles lead, at the start of one; where that closes, it is a neighbour of the settled period.
///
/// # Errors
/// [`SimError::Oscillates`] when two looks in a row find the same fast oscillation, [`SimError::Repeats`] when it repeats
/// itself slowly.
pub(super) fn first_look(
    system: &System,
    duration: f64,
    settling: &Settling,
    tolerances: &Tolerances,
    ws: &mut Workspace,
) -> Result<Option<Neighbour>, SimError> {
    let (rest, memory) = (ws.x.clone(), ws.memory.clone());
    let mut coarse = Coarse::new(system, duration, tolerances, ws);
    let fast = |samples: &[Vec<f64>], ws: &Workspace| {
        let growing = grows_over(system, samples, &mut ws.clone())?;
        Ok::<_, SimError>(growing.filter(|growing| is_fast(*growing, duration)))
    };
    if coarse.run_to(EARLY, ws) == Ok(Way::Through) {
        // Beside the look, which goes on undisturbed where it fails.
        let mut beside = ws.clone();
        let found = settle_roughly(system, duration, settling, tolerances, &mut beside);
        if let Some(found) = found {
            *ws = beside;
            return match fast(&found.samples, ws)? {
                Some(growing) => {
                    let growing = told(system, &found.samples, growing, ws);
                    if is_fast(growing, duration) {
                        Err(growing.into())
                    } else {
                        Ok(Some(found.neighbour()))
                    }
                }
                None => Ok(Some(found.neighbour())),
            };
        }
    }
    let mut before: Option<Option<Growing>> = None;
    for look in 0..LOOKS {
        let way = coarse.run_to(FIRST + look * BETWEEN, ws);
        let now = match way {
            Ok(_) => fast(&coarse.samples, ws)?,
            Err(_) => None,
        };
        if way != Ok(Way::Through) {
            if let Some(now) = now {
                return Err(told(system, &coarse.samples, now, ws).into());
            }
            // Where no step leads on, supplies are still coming up, and what grows there need not grow at rest.
            if way.is_ok() {
                coarse.beside_the_ripple(ws)?;
            }
            // The search for the settled period finds out what is wrong with it.
            ws.x = rest;
            ws.memory = memory;
            return Ok(None);
        }
        match (before, now) {
            (Some(None), None) => break,
            (Some(Some(then)), Some(now)) if alike(then, now) => {
                let now = told(system, &coarse.samples, now, &mut ws.clone());
                if is_fast(now, duration) {
                    return Err(now.into());
                }
                // What runs away and comes back slowly is seen by its cycles.
                break;
            }
            (None | Some(_), now) => before = Some(now),
        }
    }
    let at_means = coarse.beside_the_ripple(ws)?;
    if coarse.is_still() {
        return Ok(None);
    }
    if at_means.is_some()
        && let Some(states) = coarse.wanders_on(ws)
    {
        // Beside the look, as above.
        coarse.repeats(&states, at_means, &mut ws.clone())?;
    }
    if coarse.run_to(SLOW, ws) == Ok(Way::Through)
        && let Some(states) = coarse.some_more(ws)
    {
        coarse.repeats(&states, at_means, ws)?;
    }
    Ok(None)
}

/// Whether it grows so fast that an oscillation is named at once.
pub(super) fn grows_fast(growing: Growing, duration: f64) -> bool {
    growing.rate * duration > FAST
}

/// Whether it grows too fast for the moving supply to have made it.
fn is_fast(growing: Growing, duration: f64) -> bool {
    let turns = growing.frequency * duration;
    grows_fast(growing, duration) && (turns > FAST || turns <= 0.0)
}

/// Whether two looks found the same: by frequency, or that both run away.
fn alike(a: Growing, b: Growing) -> bool {
    (a.frequency - b.frequency).abs() <= AGREE * b.frequency
}

/// How far coarse cycles came.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Way {
    /// As far as was asked.
    Through,
    /// Less far: steps were halved again and again.
    GivenUp,
}

/// Coarse cycles in progress.
struct Coarse<'a> {
    stepper: Stepper<'a>,
    system: &'a System,
    tolerances: Tolerances,
    duration: f64,
    cycle: u32,
    /// Steps of the workspace before the first.
    before: u64,
    /// `[steps][n+1]` the cycle in progress.
    samples: Vec<Vec<f64>>,
    /// `[steps][n+1]` the last that was run to its end.
    last: Vec<Vec<f64>>,
    /// `[cycles][n]` the end of each.
    ends: Vec<Vec<f64>>,
}

impl<'a> Coarse<'a> {
    fn new(system: &'a System, duration: f64, tolerances: &Tolerances, ws: &mut Workspace) -> Self {
        let coarse = Tolerances {
            local_error: f64::INFINITY,
            ..*tolerances
        };
        Self {
            stepper: Stepper::new(system, Method::TrBdf2, coarse, 0.0, false, ws),
            system,
            tolerances: *tolerances,
            duration,
            cycle: 0,
            before: ws.counts.steps,
            samples: Vec::with_capacity(STEPS as usize),
            last: Vec::new(),
            ends: Vec::new(),
        }
    }

    /// On to the end of that cycle.
    fn run_to(&mut self, cycle: u32, ws: &mut Workspace) -> Result<Way, SimError> {
        while self.cycle < cycle {
            let asked = u64::from((self.cycle + 1) * STEPS);
            let most = self.before + HALVED.0 * asked + HALVED.1;
            if ws.counts.steps > most {
                return Ok(Way::GivenUp);
            }
            self.samples.clear();
            for step in 1..=STEPS {
                let turns = f64::from(self.cycle) + f64::from(step) / f64::from(STEPS);
                self.stepper.advance(self.duration * turns, ws)?;
                self.samples.push(ws.x.clone());
                if ws.counts.steps > most {
                    return Ok(Way::GivenUp);
                }
            }
            self.ends.push(ws.x.clone());
            self.last.clone_from(&self.samples);
            self.cycle += 1;
        }
        Ok(Way::Through)
    }

    /// The states of some cycles from [`SOON`] to [`SLOW`] in which it repeats itself without following the mains, as often as in
    /// those before: what grows with the supplies at their means need not be followed further then.
    fn wanders_on(&mut self, ws: &mut Workspace) -> Option<Vec<Vec<f64>>> {
        let way = self.run_to(SOON, ws).ok()?;
        let mut before: Option<Round> = None;
        while way == Way::Through && self.cycle + WANDERING <= SLOW {
            let states = self.some_more(ws)?;
            let now = wanders_by_itself(&states);
            let both = before.zip(now);
            if both.is_some_and(|(then, now)| (then.mean - now.mean).abs() <= AGREE * now.mean) {
                return Some(states);
            }
            before = now;
        }
        None
    }

    /// The states of some more cycles; none where they were given up.
    fn some_more(&mut self, ws: &mut Workspace) -> Option<Vec<Vec<f64>>> {
        let mut states = Vec::new();
        for _ in 0..WANDERING {
            if self.run_to(self.cycle + 1, ws) != Ok(Way::Through) {
                return None;
            }
            states.append(&mut self.samples);
        }
        Some(states)
    }

    /// What grows fast with the supplies at their means, where it does not come round several times in a cycle: then it is told
    /// at once.
    fn beside_the_ripple(&self, ws: &Workspace) -> Result<Option<Growing>, SimError> {
        let found = beside_the_ripple(self.system, &self.last, ws)?;
        let Some((growing, mut of)) = found.filter(|(g, _)| grows_fast(*g, self.duration)) else {
            return Ok(None);
        };
        let growing = ends_as(&of.system, growing, &mut of.ws);
        if growing.frequency * self.duration > SEVERAL {
            return Err(growing.into());
        }
        Ok(Some(growing))
    }

    /// Whether what repeats itself bursts on part of every turn, which these steps damp, as do those controlled by their error:
    /// then it is told with the supplies at their means. What grows there may be known.
    fn bursts(&self, at_means: Option<Growing>, ws: &Workspace) -> Result<(), SimError> {
        let growing = match at_means {
            Some(growing) => Some(growing),
            None => beside_the_ripple(self.system, &self.last, ws)?
                .map(|(growing, mut of)| ends_as(&of.system, growing, &mut of.ws)),
        };
        match growing.filter(Growing::bursts) {
            Some(growing) => Err(growing.into()),
            None => Ok(()),
        }
    }

    /// Whether the last cycles moved nothing by much of what it has moved so far, nor of its size.
    fn is_still(&self) -> bool {
        let [.., before, last] = self.ends.as_slice() else {
            return false;
        };
        (0..last.len()).all(|k| {
            let all = self.ends.iter().map(|x| x[k].abs());
            (last[k] - before[k]).abs() <= STILL * all.fold(1e-3, f64::max)
        })
    }

    /// Whether the last cycles, of these states, repeat themselves without following the mains, or slowly by the ends of all.
    /// What grows with the supplies at their means may be known.
    fn repeats(
        &self,
        states: &[Vec<f64>],
        at_means: Option<Growing>,
        ws: &mut Workspace,
    ) -> Result<(), SimError> {
        // What repeats sooner than every second cycle is not seen by their ends, or with a period that is not its own.
        let within = wanders_by_itself(states);
        let slowly = match repeats(&self.ends) {
            Some(cycles) => Some((cycles, true)),
            None => comes_round(&self.ends).map(|round| (round.mean, false)),
        };
        if within.is_none() && slowly.is_none() {
            return Ok(());
        }
        self.bursts(at_means, ws)?;
        let within = within.and_then(|round| self.again(round, ws));
        let within = within.map(|round| (round.mean / f64::from(STEPS), round.is_even()));
        let Some((cycles, even)) = within.or(slowly) else {
            return Ok(());
        };
        Err(SimError::Repeats {
            period: cycles * self.duration,
            even,
        })
    }

    /// As many cycles once more, by steps controlled by their error, and after how many steps these repeat themselves;
    /// those found where following them would take too long.
    fn again(&self, found: Round, ws: &mut Workspace) -> Option<Round> {
        let start = self.duration * f64::from(self.cycle);
        let method = Method::TrBdf2;
        let mut stepper = Stepper::new(self.system, method, self.tolerances, start, false, ws);
        let mut states = Vec::new();
        let most = ws.counts.steps + u64::from(WANDERING) * MOST_STEPS;
        for step in 1..=WANDERING * STEPS {
            let turns = f64::from(step) / f64::from(STEPS);
            if stepper.advance(start + self.duration * turns, ws).is_err() {
                // The search for the settled period finds out what is wrong with it.
                return None;
            }
            if ws.counts.steps > most {
                return Some(found);
            }
            states.push(ws.x.clone());
        }
        wanders_by_itself(&states)
    }
}

/// After how many of `[cycles · STEPS]` states they repeat themselves, when that is not with the ripple.
fn wanders_by_itself(states: &[Vec<f64>]) -> Option<Round> {
    let follows = |cycles: f64| (2.0 * cycles - (2.0 * cycles).round()).abs() < FOLLOWS;
    wanders(states, STEPS as usize).filter(|round| !follows(round.mean / f64::from(STEPS)))
}
