//! From how loud to how many volts.

use std::f64::consts::SQRT_2;

use measure::driven::playback::{Ready, meet_peak};
use measure::driven::power::Level as AtLevel;
use sim::SimError;
use sim::quantity::{Unit, engineering};

use super::grid::Stretch;
use super::level::{FORMS, Level};
use super::recording::Recording;
use super::survey::Survey;
use crate::amplifier::Opened;
use crate::diagnostic::{Diagnostic, Id};
use crate::failure::Failure;

/// A drive and what it asks of the amplifier.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Driven {
    /// Volts of the generator for a sample of full scale.
    pub(crate) volts: f64,
    /// Share of the time for which more is asked than the amplifier gives at its distortion limit; none when
    /// it has none.
    pub(crate) clipped: Option<f64>,
}

/// The drive for a level; `limit` is the amplifier at its distortion limit.
pub(crate) fn drive(
    level: Level,
    (opened, ready): (&Opened, &Ready<'_>),
    recording: &Recording,
    survey: &Survey,
    limit: Option<&AtLevel>,
) -> Result<Driven, Failure> {
    let bench = &opened.amplifier.bench;
    // Of a sine of that rms.
    let clip = limit.map(|level| SQRT_2 * level.output_rms);
    let loudest = survey.loudest.value;
    if survey.peak <= 0.0 {
        return Err(Failure::plain(
            Id::Recording,
            format!("{} is silent", recording.path().display()),
            "there is nothing to play",
        ));
    }
    let needs_limit = || {
        let message = format!(
            "--level \"{}\" needs a distortion limit, and no drive brings this amplifier to {} %",
            level.words(),
            100.0 * bench.distortion_limit
        );
        Failure::plain(Id::OutOfBounds, message, format!("write {FORMS}"))
    };
    let no_signal = || Failure::from(SimError::Question(sim::error::Question::NoSignal));
    if loudest <= 0.0 {
        return Err(no_signal());
    }
    let volts = match level {
        Level::Input(rms) => SQRT_2 * rms / survey.peak,
        Level::FullScale(rms) => SQRT_2 * rms,
        Level::AtLimit => clip.ok_or_else(needs_limit)? / loudest,
        Level::Clipping(share) => {
            let passed = survey.level_passed_for(share);
            if passed <= 0.0 {
                return Err(no_signal());
            }
            clip.ok_or_else(needs_limit)? / passed
        }
        Level::PeaksAt(watts) => {
            let wanted = (2.0 * watts * bench.load_ohms).sqrt();
            let stretch = Stretch::of(recording, survey.loudest)?;
            let peak = |drive: f64| stretch.peak(ready, recording.rate(), drive);
            met(wanted, loudest, watts, &peak)?
        }
    };
    Ok(Driven {
        volts,
        clipped: clip.map(|clip| survey.share_above(clip / volts)),
    })
}

fn met(
    wanted: f64,
    loudest: f64,
    watts: f64,
    peak: &dyn Fn(f64) -> Result<f64, Failure>,
) -> Result<f64, Failure> {
    let failed = std::cell::Cell::new(None);
    let played = |drive: f64| {
        peak(drive).map_err(|failure| match failure {
            Failure::Run(error) => error,
            other => {
                failed.set(Some(other));
                SimError::Question(sim::error::Question::NoSignal)
            }
        })
    };
    meet_peak(wanted / loudest, wanted, &played).map_err(|unmet| {
        if let Some(failure) = failed.take() {
            return failure;
        }
        if let Some(error) = unmet.error {
            return error.into();
        }
        let most = unmet.most.map_or_else(String::new, |most| {
            let most = engineering((most / wanted).powi(2) * watts, Unit::Watt);
            format!("; the most its loudest stretch reaches is {most}")
        });
        Failure::NoAnswer(Diagnostic::plain(
            Id::NotReached,
            format!(
                "this recording's peaks do not reach {} here{most}",
                engineering(watts, Unit::Watt)
            ),
            "ask for less, or for \"clipping 1% of the time\"",
        ))
    })
}
