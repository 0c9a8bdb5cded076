//! Where an amplifier that is stable at rest bursts into oscillation as the drive rises.

use serde::Serialize;

use super::level::Level;
use super::limits::CLOSE;
use sim::error::SimError;

/// The onset of bursts.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Bursting {
    /// Of the oscillation, Hz.
    pub frequency: f64,
    /// Its growth where it is fastest, 1/s.
    pub rate: f64,
    /// Peak of the generator up to which there is none, V.
    pub drive: f64,
    /// Output there, W.
    pub power: f64,
    /// Output there, V rms.
    pub output_rms: f64,
}

/// Between the last level of a sweep and the next, which burst, if that is what `ended` it.
pub(super) fn onset(
    ended: Option<&SimError>,
    levels: &[Level],
    solve: &impl Fn(f64) -> Result<Level, SimError>,
) -> Option<Bursting> {
    let Some(&SimError::Bursts { frequency, rate }) = ended else {
        return None;
    };
    let last = levels.last()?;
    let mut onset = Bursting {
        frequency,
        rate,
        drive: last.drive,
        power: last.power,
        output_rms: last.output_rms,
    };
    let mut high = last.drive * super::climb::STEP;
    while high > CLOSE * onset.drive {
        let middle = f64::sqrt(onset.drive * high);
        match solve(middle) {
            Ok(level) => {
                (onset.drive, onset.power) = (level.drive, level.power);
                onset.output_rms = level.output_rms;
            }
            Err(SimError::Bursts { frequency, rate }) => {
                high = middle;
                (onset.frequency, onset.rate) = (frequency, rate);
            }
            // What else may be wrong there says nothing of the onset.
            Err(_) => break,
        }
    }
    Some(onset)
}
