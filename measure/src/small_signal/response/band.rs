//! Where a response falls by so many decibels, and its peaks.

use serde::Serialize;

use super::Probe;
use crate::instruments::crossing::crossing;
use crate::instruments::golden_section::greatest;
use sim::error::SimError;

/// Half the power, 10·log₁₀ 2 dB: what the trade calls 3 dB, where ωRC = 1.
const HALF_POWER: f64 = 3.010_299_956_639_812;

/// Falls that are looked for, dB.
const FALLS: [f64; 2] = [1.0, HALF_POWER];

/// Rise and fall that make a peak, dB: less is not heard and shows on no curve.
const RISE: f64 = 0.1;

/// Where the gain has fallen against the gain at the reference.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Fall {
    /// By so much, dB.
    #[serde(rename = "fall_db")]
    pub fall: f64,
    /// The first frequency below the reference, Hz; none when it lies below the grid.
    pub lower: Option<f64>,
    /// The first above, Hz; none when it lies above the grid.
    pub upper: Option<f64>,
}

/// A maximum of the response that stands out.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Peak {
    /// Hz.
    pub frequency: f64,
    /// Above the gain at the reference, dB; negative for a peak in what is cut.
    pub height_db: f64,
    /// Between the limits of 3 dB, where those are known.
    pub inside: bool,
}

/// The crossings of each fall next to the reference; `reference` is its frequency, Hz, and gain, dB.
pub(super) fn falls(
    probe: &mut Probe<'_>,
    (grid, gains): (&[f64], &[f64]),
    reference: (f64, f64),
) -> Result<Vec<Fall>, SimError> {
    let points = || grid.iter().copied().zip(gains.iter().copied());
    let above = || points().filter(|(frequency, _)| *frequency > reference.0);
    let below = || {
        points()
            .rev()
            .filter(|(frequency, _)| *frequency < reference.0)
    };
    let mut falls = Vec::new();
    for fall in FALLS {
        let level = reference.1 - fall;
        let mut next = |points: &mut dyn Iterator<Item = (f64, f64)>| {
            let mut before = reference;
            for point in points {
                if point.1 <= level {
                    let ends = [before, point].map(|(frequency, gain)| (frequency, gain - level));
                    let figure = |frequency: f64| Ok(probe.decibels(frequency)? - level);
                    return crossing(ends[0], ends[1], figure).map(Some);
                }
                before = point;
            }
            Ok(None)
        };
        falls.push(Fall {
            fall,
            lower: next(&mut below())?,
            upper: next(&mut above())?,
        });
    }
    Ok(falls)
}

/// The peaks on both sides of the reference, in rising frequency.
pub(super) fn peaks(
    probe: &mut Probe<'_>,
    (grid, gains): (&[f64], &[f64]),
    reference: (f64, f64),
    falls: &[Fall],
) -> Result<Vec<Peak>, SimError> {
    let split = grid.partition_point(|frequency| *frequency <= reference.0);
    let upper = tops(reference.1, gains[split..].iter().copied()).into_iter();
    let lower = tops(reference.1, gains[..split].iter().rev().copied()).into_iter();
    let mut places: Vec<usize> = lower
        .map(|k| split - 1 - k)
        .chain(upper.map(|k| split + k))
        .collect();
    places.sort_unstable();
    let limits = falls.last();
    let mut peaks = Vec::new();
    for k in places {
        let around = (grid[k.saturating_sub(1)], grid[(k + 1).min(grid.len() - 1)]);
        let (frequency, gain) = greatest(around, |frequency| probe.decibels(frequency))?;
        let inside = limits.is_none_or(|limits| {
            limits.lower.is_none_or(|lower| frequency >= lower)
                && limits.upper.is_none_or(|upper| frequency <= upper)
        });
        peaks.push(Peak {
            frequency,
            height_db: gain - reference.1,
            inside,
        });
    }
    Ok(peaks)
}

/// Places of the maxima that rise by [`RISE`] from the least value before them and fall by as much
/// behind; `start` is the value in front of the first.
fn tops(start: f64, gains: impl Iterator<Item = f64>) -> Vec<usize> {
    let mut found = Vec::new();
    let mut valley = start;
    let mut top: Option<(usize, f64)> = None;
    for (k, gain) in gains.enumerate() {
        match top {
            Some((at, height)) if gain < height - RISE => {
                found.push(at);
                (valley, top) = (gain, None);
            }
            Some((_, height)) if gain <= height => {}
            Some(_) => top = Some((k, gain)),
            None if gain > valley + RISE => top = Some((k, gain)),
            None => valley = valley.min(gain),
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::tops;

    #[test]
    fn only_what_rises_and_falls_again_is_a_peak() {
        let of = |gains: &[f64]| tops(0.0, gains.iter().copied());
        assert_eq!(of(&[0.0, 0.05, 0.0, -1.0, -9.0]), [0; 0], "a flat top");
        assert_eq!(of(&[1.0, 2.0, 1.0, 0.0]), [1]);
        assert_eq!(of(&[-1.0, -9.0, -8.0, -20.0]), [2], "in what is cut");
        assert_eq!(
            of(&[1.0, 1.95, 2.0, 1.95, 2.1, 0.0]),
            [4],
            "ripple on a peak"
        );
        assert_eq!(of(&[1.0, 2.0, 3.0]), [0; 0], "still rising");
        assert_eq!(of(&[3.0, 0.0, 1.0, -1.0]), [0, 2]);
    }
}
