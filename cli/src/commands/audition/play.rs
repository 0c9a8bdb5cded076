//! One amplifier of an audition, from its file to its sound.

use std::path::Path;

use measure::UnderTest;
use measure::at_rest::voltages::{Voltages, chart};

use super::super::listen::Asked;
use super::super::listen::words::burst_words;
use crate::amplifier::Opened;
use crate::caution;
use crate::failure::Failure;
use crate::listening::{Grid, Recording, Render, Rendered, prepare, render};

/// What came of it.
pub(super) struct Played {
    pub(super) rendered: Rendered,
    pub(super) rest: Voltages,
    /// Volts of the generator for full scale.
    pub(super) drive: f64,
    /// Peak of the generator, V.
    pub(super) drive_peak: f64,
    /// Share of the time beyond the distortion limit; none without one.
    pub(super) clipped: Option<f64>,
    /// That limit, W.
    pub(super) limit_power: Option<f64>,
    pub(super) grid: Grid,
    /// About the full scale for a volt that gives the level of the recording.
    pub(super) rough_gain: f64,
    /// It turns the recording round; found beside the recording itself.
    pub(super) inverts: bool,
}

/// Plays it; `progress` is told the frames done.
pub(super) fn play(
    opened: &Opened,
    recording: &Recording,
    asked: &Asked,
    folder: &Path,
    progress: &dyn Fn(u64),
) -> Result<Played, Failure> {
    let of = UnderTest::find(&opened.amplifier, &opened.system)?;
    of.lasts()?;
    let rest = chart(&of)?;
    let prepared = prepare(&of, recording, (asked.level, asked.accuracy_db), &|_| ())?;
    if let Some(bursts) = &prepared.bursts {
        let words = burst_words(bursts);
        caution::warn(&format!("{}: {}", opened.amplifier.title, words.trim_end()));
    }
    let (driven, grid) = (prepared.driven, prepared.grid);
    let rendered = render(
        &Render {
            recording,
            amplifier: &of,
            drive: driven.volts,
            grid,
            start: asked.start,
            linear: false,
            closed_box: asked.closed_box,
            folder,
        },
        progress,
    )?;
    Ok(Played {
        rendered,
        rest,
        drive: driven.volts,
        drive_peak: driven.volts * prepared.heard.peak,
        clipped: driven.clipped,
        limit_power: prepared.limit.map(|level| level.power),
        grid,
        rough_gain: prepared.heard.rough_gain(driven.volts),
        inverts: false,
    })
}
