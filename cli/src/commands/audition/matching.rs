//! Tracks made equally loud.
//!
//! The louder of two is mostly called the better one, whatever else there is between them; so everything is brought to
//! the loudness of the recording, and all together below it when a peak of one would clip.

use serde::Serialize;

use crate::failure::Failure;
use crate::listening::{Delivery, Levels, Rendered, Written};

/// dB; when no gain moves by more, the match has been found.
const SETTLED: f64 = 0.001;

/// Rounds of measuring: the gates move with the level only where there is hardly any, and then by less each time.
const ROUNDS: usize = 4;

/// What the tracks are equal in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub(super) enum MatchedBy {
    /// Gated loudness.
    Loudness,
    /// Root of the mean square: something was too short or too soft for a loudness.
    Rms,
}

impl MatchedBy {
    /// dB between the loudest and the softest of the files.
    pub(super) fn spread_db(self, files: &[Written], gains: &[f64]) -> f64 {
        let levels = files.iter().zip(gains).map(|(file, gain)| match self {
            Self::Loudness => file.loudness.unwrap_or(f64::NEG_INFINITY),
            Self::Rms => 20.0 * (file.rms_volts * gain).log10(),
        });
        let (least, most) = levels.fold((f64::INFINITY, f64::NEG_INFINITY), |(least, most), db| {
            (least.min(db), most.max(db))
        });
        most - least
    }
}

/// A match.
#[derive(Debug)]
pub(super) struct Match {
    pub(super) by: MatchedBy,
    /// Full scale for a volt, of each track.
    pub(super) gains: Vec<f64>,
    /// By how much the first track is softer than it was, dB.
    pub(super) softer_db: f64,
}

/// Matches tracks, each with about its full scale for a volt, to the first, whose gain of 1 is the level wanted.
pub(super) fn matched(tracks: &mut [(&mut Rendered, f64)], rate: u32) -> Result<Match, Failure> {
    let mut gains: Vec<f64> = tracks.iter().map(|(_, gain)| *gain).collect();
    let mut by = MatchedBy::Loudness;
    for _ in 0..ROUNDS {
        let levels = tracks
            .iter_mut()
            .zip(&gains)
            .map(|((rendered, _), &gain)| rendered.levels(Delivery::Whole, false, rate, gain))
            .collect::<Result<Vec<_>, Failure>>()?;
        let (next, next_by) = step(&levels);
        let moved = next
            .iter()
            .zip(&gains)
            .map(|(next, gain)| 20.0 * (next / gain).log10().abs());
        let moved = moved.fold(0.0, f64::max);
        (gains, by) = (next, next_by);
        if moved < SETTLED {
            break;
        }
    }
    let softer_db = -20.0 * gains[0].log10();
    Ok(Match {
        by,
        gains,
        softer_db,
    })
}

/// Gains that make all as loud as the first is now, lowered together until none clips.
fn step(levels: &[Levels]) -> (Vec<f64>, MatchedBy) {
    let all = levels.iter().all(|levels| levels.own().0.is_some());
    let (loudness, rms) = levels[0].own();
    let gains: Vec<f64> = levels
        .iter()
        .map(|levels| levels.matching((loudness.filter(|_| all), rms)))
        .collect();
    let room = gains
        .iter()
        .zip(levels)
        .map(|(gain, levels)| levels.most() / gain)
        .fold(1.0, f64::min);
    let by = if all {
        MatchedBy::Loudness
    } else {
        MatchedBy::Rms
    };
    (gains.into_iter().map(|gain| room * gain).collect(), by)
}
