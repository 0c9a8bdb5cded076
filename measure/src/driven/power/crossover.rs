//! Crossover distortion: that of a pair biased too far towards cut-off.
//!
//! Both halves carry little near the middle of the swing, so the gain is least there and grows with the signal. The
//! distortion therefore has its peak at a small output and falls as the drive rises, until the amplifier clips.
//!
//! Source   common practice, no source

use serde::Serialize;

use super::level::Level;

/// The distortion falls to less than this share of its peak before it rises again: not a mere ripple.
const FALLS: f64 = 0.8;

/// The gain grows at least by this ratio meanwhile.
const GROWS: f64 = 1.02;

/// Distortion below which a peak is nothing to speak of, a ratio.
const AUDIBLE: f64 = 0.002;

/// The peak of crossover distortion and the valley after it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Crossover {
    /// THD at the peak, a ratio.
    pub distortion: f64,
    /// Output at the peak, W.
    pub power: f64,
    /// THD at the valley, a ratio.
    pub falls_to: f64,
    /// Output at the valley, W.
    pub at_power: f64,
}

/// Of a sweep, when its output valves work in opposition.
pub(super) fn of(levels: &[Level], output_valves: &[String]) -> Option<Crossover> {
    let opposed = |level: &Level| {
        let mut valves = level.valves.iter();
        valves.any(|valve| valve.opposed && output_valves.contains(&valve.part))
    };
    let gain = |level: &Level| level.output_rms / level.drive;
    let mut best: Option<Crossover> = None;
    for (k, peak) in levels.iter().enumerate() {
        let higher = |other: &&Level| other.thd > peak.thd;
        let after = &levels[k + 1..];
        // Up to where the distortion of the peak is reached again.
        let end = after.iter().position(|l| higher(&l)).unwrap_or(after.len());
        let Some(valley) = after[..end].iter().min_by(|a, b| a.thd.total_cmp(&b.thd)) else {
            continue;
        };
        let is_crossover = opposed(peak)
            && peak.thd > AUDIBLE
            && valley.thd < FALLS * peak.thd
            && gain(valley) > GROWS * gain(peak);
        if is_crossover && best.is_none_or(|best| peak.thd > best.distortion) {
            best = Some(Crossover {
                distortion: peak.thd,
                power: peak.power,
                falls_to: valley.thd,
                at_power: valley.power,
            });
        }
    }
    best
}
