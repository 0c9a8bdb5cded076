//! What gives up first as the drive rises.
//!
//! Each cause has an indicator that grows through zero where it sets in; the drive and power of the
//! onset are read between two levels of the sweep by a straight line, so they are good to the
//! curvature inside one step of 1.25 dB, a few per cent.

use serde::Serialize;

use super::level::{Level, ValveAtLevel};

/// Grid current that counts as drawn, A: the onset at which the valve makers rate a resistance-coupled
/// stage (0.3 µA in European tables; from memory).
pub(super) const GRID_CURRENT: f64 = 0.3e-6;

/// Share of the resting anode current below which a valve counts as cut off.
pub(super) const CUT_OFF: f64 = 0.01;

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

/// Every onset inside the sweep, in rising drive.
pub(super) fn limits(levels: &[Level], output_valves: &[String]) -> Vec<Limit> {
    let Some(first) = levels.first() else {
        return Vec::new();
    };
    let mut found = Vec::new();
    for (k, valve) in first.valves.iter().enumerate() {
        let output = output_valves.contains(&valve.part);
        let role = if output { Role::Output } else { Role::Driver };
        let pair = output && output_valves.len() > 1;
        let mut note = |cause, indicator: &dyn Fn(&ValveAtLevel) -> f64| {
            if let Some((drive, power)) = onset(levels, |level| indicator(&level.valves[k])) {
                found.push(Limit {
                    part: valve.part.clone(),
                    role,
                    cause,
                    drive,
                    power,
                });
            }
        };
        note(Cause::GridCurrent, &|v| {
            (v.i_g_most.max(1e-15) / GRID_CURRENT).ln()
        });
        note(if pair { Cause::ClassAb } else { Cause::CutOff }, &|v| {
            CUT_OFF * v.i_a_rest - v.i_a_least
        });
        note(Cause::Knee, &|v| {
            -v.above_knee.unwrap_or(f64::INFINITY).min(1e6)
        });
    }
    for (k, core) in first.cores.iter().enumerate() {
        if let Some((drive, power)) = onset(levels, |level| level.cores[k].saturation - 1.0) {
            found.push(Limit {
                part: core.part.clone(),
                role: Role::Iron,
                cause: Cause::Saturation,
                drive,
                power,
            });
        }
    }
    found.sort_by(|a, b| a.drive.total_cmp(&b.drive));
    found
}

/// Drive and power where the indicator first rises through zero; the first level's when it is
/// already there.
fn onset(levels: &[Level], indicator: impl Fn(&Level) -> f64) -> Option<(f64, f64)> {
    let first = levels.first()?;
    if indicator(first) >= 0.0 {
        return Some((first.drive, first.power));
    }
    levels.windows(2).find_map(|pair| {
        let (below, above) = (indicator(&pair[0]), indicator(&pair[1]));
        (below < 0.0 && above >= 0.0).then(|| {
            let share = -below / (above - below);
            let between = |a: f64, b: f64| a + share * (b - a);
            // Power goes with the square of the drive: the line is drawn in the output voltage.
            let output = between(pair[0].power.sqrt(), pair[1].power.sqrt());
            (between(pair[0].drive, pair[1].drive), output * output)
        })
    })
}
