//! What gives up first as the drive rises.
//!
//! Each cause has an indicator that grows through zero where it sets in, nearly straight in the logarithm of the drive.
//! Where the parabolas through the levels below and above the onset agree well within [`CLOSE`], they tell where. Else
//! a level is solved where the straight line between the two levels around it has it, and both are drawn anew, until the
//! parabolas agree or the line moves by less than that. Causes that set in between the same levels share the solutions.

use rayon::prelude::*;
use serde::Serialize;

use super::interpolation::{polynomial, zero};
use super::level::{Level, ValveAtLevel};
use sim::error::SimError;

/// Ratio of drives between which an onset is left: 0.08 dB, 2 % of power.
pub(super) const CLOSE: f64 = 1.01;

/// Of that, how far two parabolas may lie apart that are believed: grid current begins as an exponential out of nothing,
/// which a parabola follows badly on one side.
const AGREE: f64 = 0.2;

/// Ratio of drives within which causes count as setting in together where only the first is asked for:
/// 0.4 dB, the accuracy of a meter.
const TOGETHER: f64 = 1.05;

/// Grid current that counts as drawn, A: the onset at which the valve makers rate a resistance-coupled
/// stage (0.3 µA in European tables; from memory).
pub(crate) const GRID_CURRENT: f64 = 0.3e-6;

/// Share of the resting anode current below which a valve counts as cut off.
const CUT_OFF: f64 = 0.01;

/// Share of its mean anode current, at that output, below which a valve of a pair is cut off for the class it works in:
/// class A is that current flows in both through all of the cycle, and a remote foot of some per cent that never ends is
/// no current that works.
///
/// Source   the definition is that of IEEE standards and textbooks (from memory); a tenth: common practice, no source
pub const CLASS_A: f64 = 0.1;

/// A cause of clipping or of a change of class.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cause {
    /// The valve draws grid current.
    GridCurrent,
    /// The valve cuts off for part of the cycle.
    CutOff,
    /// One valve of a pair cuts off while the other carries on: class A becomes class AB.
    ClassAb,
    /// The anode swings below its knee.
    Knee,
    /// The core saturates.
    Saturation,
}

/// Where the part stands in the amplifier.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// Works on the load.
    Output,
    /// Comes before.
    Driver,
    /// A transformer or choke.
    Iron,
}

/// One cause at one part, with its onset.
#[derive(Clone, Debug, Serialize)]
pub struct Limit {
    /// The part.
    pub part: String,
    /// Where it stands.
    pub role: Role,
    /// What happens.
    pub cause: Cause,
    /// Peak of the generator at the onset, V.
    pub drive: f64,
    /// Power at the onset, W.
    pub power: f64,
}

/// Rises through zero where a cause sets in.
type Indicator = fn(&ValveAtLevel) -> f64;

/// A cause that may set in, with its indicator.
struct Candidate {
    part: String,
    role: Role,
    cause: Cause,
    indicator: Box<dyn Fn(&Level) -> f64 + Send + Sync>,
}

/// Every onset inside the sweep, in rising drive.
///
/// `searches` gives what solves the levels of one search, near those it has solved.
pub(super) fn limits<S: Fn(f64) -> Result<Level, SimError>>(
    levels: &[Level],
    output_valves: &[String],
    searches: &(impl Fn() -> S + Sync),
) -> Vec<Limit> {
    let (Some(first), Some(last)) = (levels.first(), levels.last()) else {
        return Vec::new();
    };
    // Which valves work in opposition shows at the greatest drive: at the least, hum is more than the signal.
    let (already, waiting): (Vec<_>, Vec<_>) = candidates(last, output_valves)
        .into_iter()
        .partition(|candidate| (candidate.indicator)(first) >= 0.0);
    let mut found: Vec<Limit> = already
        .iter()
        .map(|candidate| candidate.at(first))
        .collect();
    // Each candidate goes to the first pair of levels it sets in between.
    let mut brackets: Vec<Vec<(Candidate, Option<f64>)>> =
        levels.windows(2).map(|_| Vec::new()).collect();
    for candidate in waiting {
        let sets_in = levels
            .windows(2)
            .position(|pair| (candidate.indicator)(&pair[1]) >= 0.0);
        if let Some(bracket) = sets_in {
            brackets[bracket].push((candidate, None));
        }
    }
    found.par_extend(
        brackets
            .into_par_iter()
            .enumerate()
            .flat_map_iter(|(bracket, candidates)| {
                narrow(levels, bracket, candidates, &searches())
            }),
    );
    found.sort_by(|a, b| a.drive.total_cmp(&b.drive));
    found
}

/// The onsets between level `k` and the next. Each candidate comes with the drive at which it was last expected, if it
/// was.
fn narrow(
    levels: &[Level],
    k: usize,
    candidates: Vec<(Candidate, Option<f64>)>,
    solve: &impl Fn(f64) -> Result<Level, SimError>,
) -> Vec<Limit> {
    let (low, high) = (&levels[k], &levels[k + 1]);
    let near = |a: f64, b: f64, times: f64| (a / b).ln().abs() <= times * CLOSE.ln();
    // Where it clips hard, the power hardly tells one drive from another.
    let close = near(high.drive, low.drive, 1.0) || near(high.power, low.power, 0.5);
    let mut found = Vec::new();
    let mut open = Vec::new();
    for (candidate, before) in candidates {
        let curved = candidate.interpolated(levels, k);
        let straight = candidate.between(low, high);
        let settled = close || before.is_some_and(|b| near(straight.drive, b, 0.5));
        match curved {
            Some(limit) => found.push(limit),
            None if settled => found.push(straight),
            None => open.push((straight.drive, candidate)),
        }
    }
    let Some(&(first, _)) = open.first() else {
        return found;
    };
    // A little inside, so that the two parts differ from the whole.
    let inside = CLOSE.sqrt();
    let drive = first.clamp(low.drive * inside, high.drive / inside);
    let Ok(middle) = solve(drive) else {
        found.extend(open.iter().map(|(_, candidate)| candidate.at(high)));
        return found;
    };
    let (below, above): (Vec<_>, Vec<_>) = open
        .into_iter()
        .map(|(expected, candidate)| (candidate, Some(expected)))
        .partition(|(candidate, _)| (candidate.indicator)(&middle) >= 0.0);
    let mut levels = levels.to_vec();
    levels.insert(k + 1, middle);
    found.extend(narrow(&levels, k, below, solve));
    found.extend(narrow(&levels, k + 1, above, solve));
    found
}

/// What clips first on the way up to `level`, with everything that sets in together with it; empty when
/// nothing clips there. Leaving class A is no clipping.
pub(crate) fn first_to_give_up(
    level: &Level,
    output_valves: &[String],
    solve: &impl Fn(f64) -> Result<Level, SimError>,
) -> Vec<Limit> {
    /// Of the drive of `level`: below it the search ends, and what is seen there counts as first.
    const LOW: f64 = 0.01;
    let causes = |level: &Level| -> Vec<Limit> {
        candidates(level, output_valves)
            .iter()
            .filter(|candidate| candidate.cause != Cause::ClassAb)
            .filter(|candidate| (candidate.indicator)(level) >= 0.0)
            .map(|candidate| candidate.at(level))
            .collect()
    };
    let mut found = causes(level);
    let (mut clean, mut high) = (None, level.drive);
    // Down until nothing clips, then between the two.
    while !found.is_empty() && high > LOW * level.drive {
        let drive = match clean {
            None => 0.5 * high,
            Some(low) if high > TOGETHER * low => f64::sqrt(high * low),
            Some(_) => break,
        };
        let Ok(lower) = solve(drive) else { break };
        let here = causes(&lower);
        if here.is_empty() {
            clean = Some(drive);
        } else {
            (found, high) = (here, drive);
        }
    }
    found
}

impl Candidate {
    /// Where it sets in between `k` and the next of these levels, by parabolas through three of them; none where these do
    /// not agree.
    fn interpolated(&self, levels: &[Level], k: usize) -> Option<Limit> {
        let places: Vec<(f64, f64)> = levels
            .iter()
            .map(|level| (level.drive.ln(), (self.indicator)(level)))
            .collect();
        let (low, high) = (places[k], places[k + 1]);
        let below = zero(&places[k.checked_sub(1)?..=k + 1], low, high)?;
        let above = zero(places.get(k..k + 3)?, low, high)?;
        let around = k - 1..k + 3;
        let watts: Vec<(f64, f64)> = levels[around.clone()]
            .iter()
            .map(|level| (level.drive.ln(), level.power.ln()))
            .collect();
        let power = |drive: f64| polynomial(&watts, drive);
        let apart = |a: f64, b: f64| (a - b).abs() > AGREE * CLOSE.ln();
        if apart(below, above) && apart(power(below), power(above)) {
            return None;
        }
        let drive = zero(&places[around], low, high)?;
        Some(Limit {
            drive: drive.exp(),
            power: power(drive).exp(),
            ..self.at(&levels[k + 1])
        })
    }

    /// Where the straight line of the indicator by ln drive passes zero between two levels.
    fn between(&self, low: &Level, high: &Level) -> Limit {
        let (before, after) = ((self.indicator)(low), (self.indicator)(high));
        let share = before / (before - after);
        let share = if share.is_finite() { share } else { 0.5 };
        let on_the_way = |low: f64, high: f64| low * (high / low).powf(share);
        Limit {
            drive: on_the_way(low.drive, high.drive),
            power: on_the_way(low.power, high.power),
            ..self.at(high)
        }
    }

    fn at(&self, level: &Level) -> Limit {
        Limit {
            part: self.part.clone(),
            role: self.role,
            cause: self.cause,
            drive: level.drive,
            power: level.power,
        }
    }
}

/// How far a current is above a threshold, as a logarithm.
fn above(current: f64, threshold: f64) -> f64 {
    /// What counts as none, A: keeps the logarithm finite.
    const NONE: f64 = 1e-12;
    ((current.max(0.0) + NONE) / (threshold + NONE)).ln()
}

fn candidates(first: &Level, output_valves: &[String]) -> Vec<Candidate> {
    let mut candidates = Vec::new();
    for (k, valve) in first.valves.iter().enumerate() {
        let output = output_valves.contains(&valve.part);
        let role = if output { Role::Output } else { Role::Driver };
        let of_valve: [(Cause, Indicator); 3] = [
            (Cause::GridCurrent, |v| above(v.i_g_most, GRID_CURRENT)),
            if output && valve.opposed {
                (Cause::ClassAb, |v| -above(v.i_a_least, CLASS_A * v.i_a))
            } else {
                (Cause::CutOff, |v| -above(v.i_a_least, CUT_OFF * v.i_a_rest))
            },
            (Cause::Knee, |v| -v.above_knee.unwrap_or(f64::INFINITY)),
        ];
        for (cause, indicator) in of_valve {
            candidates.push(Candidate {
                part: valve.part.clone(),
                role,
                cause,
                indicator: Box::new(move |level| indicator(&level.valves[k])),
            });
        }
    }
    for (k, core) in first.cores.iter().enumerate() {
        candidates.push(Candidate {
            part: core.part.clone(),
            role: Role::Iron,
            cause: Cause::Saturation,
            indicator: Box::new(move |level| level.cores[k].saturation - 1.0),
        });
    }
    candidates
}
