//! What a recording asks of an amplifier, before it is played: its loudness, its peaks, and how often a linear
//! amplifier of the same gain and response would pass any level.
//!
//! The linear amplifier is followed on the recording's own grid, a hundredth of the cost of playing. That bends its
//! treble: what it has above a third of the recording's rate comes out lower, a resonance of a transformer at the top of
//! the band, say. Levels are those of what lies below.

use measure::UnderTest;
use measure::driven::playback::{LinearPlayer, linear};
use rayon::prelude::*;

use super::BLOCK;
use super::recording::Recording;
use crate::failure::Failure;
use crate::loudness::Meter;

/// Bins of the histogram: 0.01 dB each, from 160 dB below one volt for full scale to 80 dB above.
const BINS_A_DECIBEL: f64 = 100.0;
const BOTTOM: f64 = -160.0;
const BINS: usize = 24_000;

/// A place in a recording.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Moment {
    pub(super) frame: u64,
    pub(super) channel: usize,
    /// What makes it the place.
    pub(super) value: f64,
}

/// What was found.
#[derive(Clone, Debug)]
pub(crate) struct Survey {
    /// The greatest sample, full scale 1.
    pub(crate) peak: f64,
    /// Root of the mean square, full scale 1.
    pub(crate) rms: f64,
    /// Gated loudness, LUFS; none in silence.
    pub(crate) loudness: Option<f64>,
    /// Where a linear amplifier gives most: volts at the load for a volt of drive at full scale.
    pub(super) loudest: Moment,
    /// Where its output bends most from sample to sample: the treble that asks most of the grid.
    pub(super) brightest: Moment,
    /// Samples by level of a linear amplifier.
    histogram: Vec<u64>,
}

impl Survey {
    /// Full scale for a volt at the load that keeps about the level of the recording at a drive.
    pub(crate) fn rough_gain(&self, drive: f64) -> f64 {
        let volts = drive * self.loudest.value;
        if volts > 0.0 { self.peak / volts } else { 1.0 }
    }

    /// Share of the time a linear amplifier passes `level`, V at the load for a volt of drive.
    pub(super) fn share_above(&self, level: f64) -> f64 {
        let first = bin(level) + 1;
        let above: u64 = self.histogram[first.min(BINS)..].iter().sum();
        above as f64 / self.count()
    }

    /// The level a linear amplifier passes for this share of the time.
    pub(super) fn level_passed_for(&self, share: f64) -> f64 {
        let wanted = share * self.count();
        let mut above = 0;
        for (k, count) in self.histogram.iter().enumerate().rev() {
            above += count;
            if above as f64 >= wanted {
                return 10_f64.powf((k as f64 / BINS_A_DECIBEL + BOTTOM) / 20.0);
            }
        }
        0.0
    }

    fn count(&self) -> f64 {
        (self.histogram.iter().sum::<u64>() as f64).max(1.0)
    }
}

fn bin(level: f64) -> usize {
    let place = (20.0 * level.log10() - BOTTOM) * BINS_A_DECIBEL;
    // Silence is −∞ dB and goes to the lowest bin.
    (place.max(0.0) as usize).min(BINS - 1)
}

/// A channel under survey.
struct Lane<'a> {
    player: LinearPlayer<'a>,
    input: Vec<f64>,
    output: Vec<f64>,
    frame: u64,
    last: [f64; 2],
    loudest: Moment,
    brightest: Moment,
    histogram: Vec<u64>,
    peak: f64,
    squares: f64,
}

/// Goes through the recording once; `progress` is told the frames done.
pub(crate) fn survey(
    recording: &Recording,
    of: &UnderTest<'_>,
    progress: &dyn Fn(u64),
) -> Result<Survey, Failure> {
    let channels = recording.channels();
    let rate = f64::from(recording.rate());
    let mut meter = Meter::new(channels as u32, recording.rate())?;
    let mut reading = recording.read_from(0)?;
    let mut lanes = (0..channels)
        .map(|channel| {
            Ok(Lane {
                player: linear(of, rate)?,
                input: Vec::new(),
                output: Vec::new(),
                frame: 0,
                last: [0.0; 2],
                loudest: Moment {
                    channel,
                    ..Moment::default()
                },
                brightest: Moment {
                    channel,
                    ..Moment::default()
                },
                histogram: vec![0; BINS],
                peak: 0.0,
                squares: 0.0,
            })
        })
        .collect::<Result<Vec<_>, Failure>>()?;
    let mut columns = vec![Vec::new(); channels];
    let mut interleaved = Vec::new();
    let mut done = 0;
    loop {
        let count = reading.read(BLOCK, &mut columns)?;
        if count == 0 {
            break;
        }
        interleaved.clear();
        for frame in 0..count {
            interleaved.extend(columns.iter().map(|column| column[frame]));
        }
        meter.add(&interleaved)?;
        for (lane, column) in lanes.iter_mut().zip(&mut columns) {
            std::mem::swap(&mut lane.input, column);
        }
        lanes.par_iter_mut().for_each(Lane::take);
        for (lane, column) in lanes.iter_mut().zip(&mut columns) {
            std::mem::swap(&mut lane.input, column);
        }
        done += count as u64;
        progress(done);
    }
    let most = |a: Moment, b: Moment| if b.value > a.value { b } else { a };
    let mut survey = Survey {
        peak: 0.0,
        rms: 0.0,
        loudness: meter.integrated(),
        loudest: Moment::default(),
        brightest: Moment::default(),
        histogram: vec![0; BINS],
    };
    for lane in &lanes {
        survey.peak = survey.peak.max(lane.peak);
        survey.rms += lane.squares;
        survey.loudest = most(survey.loudest, lane.loudest);
        survey.brightest = most(survey.brightest, lane.brightest);
        for (sum, count) in survey.histogram.iter_mut().zip(&lane.histogram) {
            *sum += count;
        }
    }
    survey.rms = (survey.rms / (channels as f64 * done as f64)).sqrt();
    Ok(survey)
}

impl Lane<'_> {
    fn take(&mut self) {
        self.output.resize(self.input.len(), 0.0);
        self.player.play(&self.input, &mut self.output);
        for (sample, &volts) in self.input.iter().zip(&self.output) {
            self.peak = self.peak.max(sample.abs());
            self.squares += sample * sample;
            let level = volts.abs();
            self.histogram[bin(level)] += 1;
            let bend = (volts - 2.0 * self.last[0] + self.last[1]).abs();
            self.last = [volts, self.last[0]];
            for (place, value) in [(&mut self.loudest, level), (&mut self.brightest, bend)] {
                if value > place.value {
                    place.value = value;
                    place.frame = self.frame;
                }
            }
            self.frame += 1;
        }
    }
}
