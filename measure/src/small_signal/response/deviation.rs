//! How far a response is from what it should be.
//!
//! ```text
//! Δ(f) = [G(f) − G(1 kHz)] − [T(f) − T(1 kHz)]
//! ```
//!
//! Symbols   G  gain, dB;  T  target, dB;  Δ  deviation, dB

use serde::Serialize;

use super::Probe;
use super::equalisation::{NORMALISED_AT, Target};
use crate::instruments::golden_section::greatest;
use crate::instruments::logarithmic::spaced;
use sim::error::SimError;

/// The band that is heard, Hz, in which the largest deviation is looked for (common practice).
pub(super) const BAND: (f64, f64) = (20.0, 20e3);

/// Points a decade among which the largest deviation is bracketed.
const POINTS_A_DECADE: f64 = 100.0;

/// The deviation from a target.
#[derive(Clone, Debug, Serialize)]
pub struct Deviation {
    /// Least frequency compared, Hz: 20 Hz, or where the target begins.
    pub from: f64,
    /// Greatest, Hz: 20 kHz, or where the target ends.
    pub to: f64,
    /// The largest between these, dB, with its sign.
    pub largest_db: f64,
    /// Where that is, Hz.
    pub at: f64,
    /// `[grid]` dB; none where the target does not reach.
    #[serde(rename = "deviations_db")]
    pub curve: Vec<Option<f64>>,
}

pub(super) fn of(
    probe: &mut Probe<'_>,
    target: &Target,
    (points, gains): (&[f64], &[f64]),
) -> Result<Deviation, SimError> {
    // A target reaches the frequency where it is normalised, or it is none.
    let target_there = target.decibels(NORMALISED_AT).unwrap_or(0.0);
    let offset = probe.decibels(NORMALISED_AT)? - target_there;
    let deviation = |frequency: f64, gain: f64| Some(gain - target.decibels(frequency)? - offset);
    let curve = points
        .iter()
        .zip(gains)
        .map(|(frequency, gain)| deviation(*frequency, *gain))
        .collect();

    // The largest: bracketed on a grid, then solved for.
    let (from, to) = target.reach();
    let (from, to) = (from.max(BAND.0), to.min(BAND.1));
    let band = spaced(from, to, POINTS_A_DECADE);
    let mut size = |frequency: f64| -> Result<f64, SimError> {
        let gain = probe.decibels(frequency)?;
        Ok(deviation(frequency, gain).unwrap_or(0.0))
    };
    let mut worst = (0, size(band[0])?);
    for (k, frequency) in band.iter().enumerate().skip(1) {
        let here = size(*frequency)?;
        if here.abs() > worst.1.abs() {
            worst = (k, here);
        }
    }
    let (k, largest) = worst;
    let (mut at, mut largest_db) = (band[k], largest);
    if k > 0 && k + 1 < band.len() {
        let around = (band[k - 1], band[k + 1]);
        let (frequency, _) = greatest(around, |frequency| Ok(size(frequency)?.abs()))?;
        let here = size(frequency)?;
        // A corner of a table may lie on the grid itself.
        if here.abs() > largest_db.abs() {
            (at, largest_db) = (frequency, here);
        }
    }
    Ok(Deviation {
        from,
        to,
        largest_db,
        at,
        curve,
    })
}
