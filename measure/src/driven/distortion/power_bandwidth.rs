//! Where in frequency the power is to be had.
//!
//! Power bandwidth: outward from the test frequency, the first frequencies at which half the rated
//! power, P/2 (−3 dB), comes with more than the distortion limit or not at all. Limit in the bass: the
//! first frequency below that of the test at which a core reaches its saturation flux, where its
//! inductance has fallen to half, while giving the power. For a winding without resistance that is
//!
//! ```text
//! f = v_peak/(2π λ_s)
//! ```
//!
//! Symbols   v_peak across the winding, V;  λ_s flux linkage of saturation, Wb
//! Source    IEC 60268-3, power bandwidth; v = dλ/dt (both from memory)

use serde::Serialize;

use super::constant_power::{ConstantPower, Found, PROBE};
use super::edge::{Edge, edge};
use crate::driven::power::{Cause, Limit, OneByOne};
use sim::error::SimError;

/// The search ends here, Hz: no loudspeaker and no ear goes further.
const LOWEST: f64 = 5.0;
const HIGHEST: f64 = 100e3;

/// Steps of the search, a ratio of frequencies. Distortion may rise and fall again, so that of the band
/// is a fifth of a decade; flux at one voltage only rises as the frequency falls, so that in the bass they are wider.
const BAND_STEP: f64 = 1.584_893_192_461_113_5;
const BASS_STEP: f64 = 3.0;

/// The search in the bass starts at so many times the frequency to which the flux at the test frequency points, if
/// nothing saturates there, and goes on in these steps: levels far beyond saturation are slow to solve and say nothing.
const BASS_START: f64 = 1.5;
const BASS_STEP_NEAR: f64 = 1.6;

/// The band in which half the rated power is had at the distortion limit.
#[derive(Clone, Debug, Serialize)]
pub struct PowerBandwidth {
    /// Half the rated power, W.
    pub power: f64,
    /// The distortion limit, a ratio.
    pub distortion: f64,
    /// Below the test frequency.
    pub low: End,
    /// Above it.
    pub high: End,
}

/// One end of the band.
#[derive(Clone, Debug, Serialize)]
pub struct End {
    /// Hz; none when the band goes on to the end of the search.
    pub frequency: Option<f64>,
    /// End of the search, Hz.
    pub searched_to: f64,
    /// THD at the end of the band, a ratio.
    pub thd: Option<f64>,
    /// What gives up first just outside the band; empty when nothing clips.
    pub first: Vec<Limit>,
    /// Why there is no level outside, where there is none: bursts of oscillation, say.
    pub error: Option<String>,
}

/// Where a power brings a core to saturation in the bass.
#[derive(Clone, Debug, Serialize)]
pub struct BassLimit {
    /// W.
    pub power: f64,
    /// The lowest frequency at which that power is had without saturation, Hz; none when that is so down
    /// to the end of the search.
    pub frequency: Option<f64>,
    /// End of the search, Hz.
    pub searched_to: f64,
    /// The core that saturates below it; none when the power is lost before that.
    pub part: Option<String>,
    /// THD at that frequency, a ratio.
    pub thd: Option<f64>,
    /// Where the power is lost below it, what gives up first.
    pub first: Vec<Limit>,
    /// Why there is no level below it, where there is none.
    pub error: Option<String>,
}

/// Finds both ends of the band of a rated power, W.
pub(super) fn power_bandwidth(
    levels: &ConstantPower<'_>,
    rated: f64,
) -> Result<PowerBandwidth, SimError> {
    let power = 0.5 * rated;
    let distortion = levels.question.distortion_limit;
    let probe = |frequency: f64| {
        let found = levels.at_power(frequency, power, PROBE, OneByOne::default())?;
        let miss = match &found.outcome {
            Ok((level, _)) => (level.thd / distortion).ln(),
            Err(_) => f64::INFINITY,
        };
        Ok((miss, found))
    };
    let end = |searched_to: f64| -> Result<End, SimError> {
        let band = edge((levels.question.frequency, searched_to), BAND_STEP, &probe)?;
        Ok(End {
            frequency: band.as_ref().and_then(frequency),
            searched_to,
            thd: band.as_ref().and_then(thd),
            error: band.as_ref().and_then(error),
            first: band
                .and_then(|band| band.outside)
                .map(|outside| levels.first_of(&outside.found))
                .unwrap_or_default(),
        })
    };
    let (low, high) = rayon::join(|| end(LOWEST), || end(HIGHEST));
    Ok(PowerBandwidth {
        power,
        distortion,
        low: low?,
        high: high?,
    })
}

/// The limit that saturation sets to a power, W, in the bass; none without a core that saturates, or
/// when it does so at the test frequency already.
pub(super) fn bass_limit(
    levels: &ConstantPower<'_>,
    power: f64,
) -> Result<Option<BassLimit>, SimError> {
    let probe = |frequency: f64| {
        let found = levels.at_power(frequency, power, PROBE, OneByOne::default())?;
        let miss = match &found.outcome {
            // Without a core that saturates nothing is asked.
            Ok(_) => found.saturation().map_or(0.0, |(_, share)| share.ln()),
            Err(_) => f64::INFINITY,
        };
        Ok((miss, found))
    };
    let test = levels.question.frequency;
    // At one voltage flux goes with the period.
    let share = probe(test)?.1.saturation().map(|(_, share)| share);
    let start = test * BASS_START * share.unwrap_or(1.0);
    let near = if start < test {
        edge((start, LOWEST), BASS_STEP_NEAR, &probe)?
    } else {
        None
    };
    let band = match near {
        Some(band) => Some(band),
        None => edge((test, LOWEST), BASS_STEP, &probe)?,
    };
    let Some(band) = band else {
        return Ok(None);
    };
    // Just outside either a core is at its saturation, or the power is not had: then what gives up first
    // tells whether the core took it.
    let (mut part, mut first) = (None, Vec::new());
    if let Some(outside) = band.outside.as_ref().map(|outside| &outside.found) {
        if outside.outcome.is_ok() {
            part = outside.saturation().map(|(part, _)| part.to_owned());
        } else {
            first = levels.first_of(outside);
            let core = first.iter().find(|limit| limit.cause == Cause::Saturation);
            part = core.map(|limit| limit.part.clone());
        }
    }
    Ok(Some(BassLimit {
        power,
        frequency: frequency(&band),
        searched_to: LOWEST,
        part,
        thd: thd(&band),
        error: error(&band),
        first,
    }))
}

fn frequency(band: &Edge<Found>) -> Option<f64> {
    band.outside.as_ref().map(|_| band.inside.frequency)
}

fn error(band: &Edge<Found>) -> Option<String> {
    let outside = &band.outside.as_ref()?.found;
    let short = outside.outcome.as_ref().err()?;
    short.error.as_ref().map(SimError::to_string)
}

fn thd(band: &Edge<Found>) -> Option<f64> {
    let level = band.inside.found.outcome.as_ref().ok();
    level.map(|(level, _)| level.thd)
}
