//! A WAV file as it comes in: 8 to 32 bit or float, one channel or two, at any rate sound is kept at.

use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};

use hound::{SampleFormat, WavIntoSamples, WavReader, WavSpec};

use crate::diagnostic::Id;
use crate::failure::Failure;
use crate::input;

/// Rates taken, Hz: from telephone speech to the finest that converters give.
const RATES: (u32, u32) = (4_000, 384_000);

/// The stretch of a recording that is wanted, s.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Excerpt {
    /// From its beginning.
    pub(crate) from: f64,
    /// Its length; none is the rest.
    pub(crate) length: Option<f64>,
}

/// A recording that can be read as often as need be.
#[derive(Clone, Debug)]
pub(crate) struct Recording {
    path: PathBuf,
    spec: WavSpec,
    /// Frames left out at the beginning.
    skip: u64,
    /// Frames wanted.
    frames: u64,
}

impl Recording {
    /// Opens it, or says what is wrong with it.
    pub(crate) fn open(path: &Path, part: Excerpt) -> Result<Self, Failure> {
        let reader = reader(path)?;
        let spec = reader.spec();
        let there = u64::from(reader.duration());
        let name = path.display();
        if !(1..=2).contains(&spec.channels) {
            return Err(bad(
                format!("{name} has {} channels", spec.channels),
                "give one channel, or two for left and right",
            ));
        }
        if !(RATES.0..=RATES.1).contains(&spec.sample_rate) {
            return Err(bad(
                format!("{name} says it has {} samples a second", spec.sample_rate),
                "rates from 4 to 384 kHz are read",
            ));
        }
        let known = match spec.sample_format {
            SampleFormat::Int => (8..=32).contains(&spec.bits_per_sample),
            SampleFormat::Float => spec.bits_per_sample == 32,
        };
        if !known {
            return Err(bad(
                format!("{name} has samples of {} bit", spec.bits_per_sample),
                "8 to 32 bit, or 32 bit float, are read",
            ));
        }
        if there == 0 {
            return Err(bad(
                format!("{name} holds no samples"),
                "the recording is empty: was it closed properly?",
            ));
        }
        let rate = f64::from(spec.sample_rate);
        let skip = (part.from * rate).round() as u64;
        if skip >= there {
            return Err(Failure::plain(
                Id::OutOfBounds,
                format!(
                    "--from lies behind the end of {name}, which lasts {:.1} s",
                    there as f64 / rate
                ),
                "begin earlier",
            ));
        }
        let left = there - skip;
        let frames = part.length.map_or(left, |length| {
            ((length * rate).round() as u64).clamp(1, left)
        });
        Ok(Self {
            path: path.to_owned(),
            spec,
            skip,
            frames,
        })
    }

    /// Samples a second.
    pub(crate) fn rate(&self) -> u32 {
        self.spec.sample_rate
    }

    pub(crate) fn channels(&self) -> usize {
        usize::from(self.spec.channels)
    }

    /// Frames that will be read.
    pub(crate) fn frames(&self) -> u64 {
        self.frames
    }

    /// Its length, s.
    pub(crate) fn seconds(&self) -> f64 {
        self.frames as f64 / f64::from(self.rate())
    }

    pub(crate) fn path(&self) -> &Path {
        &self.path
    }

    /// What kind of samples it has.
    pub(crate) fn kind(&self) -> String {
        let form = match self.spec.sample_format {
            SampleFormat::Int => "",
            SampleFormat::Float => " float",
        };
        format!("{} bit{form}", self.spec.bits_per_sample)
    }

    /// From the beginning, or from that frame of it on.
    pub(crate) fn read_from(&self, frame: u64) -> Result<Reading, Failure> {
        let mut reader = reader(&self.path)?;
        let first = u32::try_from(self.skip + frame).unwrap_or(u32::MAX);
        reader
            .seek(first)
            .map_err(|error| self.broken(&error.into()))?;
        let samples = match self.spec.sample_format {
            SampleFormat::Int => Samples::Whole(
                reader.into_samples(),
                f64::from(1_u32 << (self.spec.bits_per_sample - 1)).recip(),
            ),
            SampleFormat::Float => Samples::Float(reader.into_samples()),
        };
        Ok(Reading {
            samples,
            left: self.frames - frame.min(self.frames),
            recording: self.clone(),
        })
    }

    fn broken(&self, error: &hound::Error) -> Failure {
        unreadable(&self.path, error)
    }
}

enum Samples {
    Whole(WavIntoSamples<BufReader<File>, i32>, f64),
    Float(WavIntoSamples<BufReader<File>, f32>),
}

/// A recording while it is read.
pub(crate) struct Reading {
    samples: Samples,
    left: u64,
    recording: Recording,
}

impl Reading {
    /// Up to `frames` frames, full scale 1, into a column for each channel, which are emptied first; the
    /// number read, 0 at the end.
    pub(crate) fn read(
        &mut self,
        frames: usize,
        columns: &mut [Vec<f64>],
    ) -> Result<usize, Failure> {
        let count = (frames as u64).min(self.left) as usize;
        self.left -= count as u64;
        for column in &mut *columns {
            column.clear();
        }
        for _ in 0..count {
            for column in &mut *columns {
                let sample = match &mut self.samples {
                    Samples::Whole(samples, scale) => samples
                        .next()
                        .map(|sample| sample.map(|sample| f64::from(sample) * *scale)),
                    Samples::Float(samples) => samples.next().map(|sample| sample.map(f64::from)),
                };
                let cut = || hound::Error::IoError(std::io::ErrorKind::UnexpectedEof.into());
                let sample = sample
                    .unwrap_or_else(|| Err(cut()))
                    .map_err(|error| self.recording.broken(&error))?;
                if !sample.is_finite() {
                    return Err(bad(
                        format!(
                            "{} holds samples that are no numbers",
                            self.recording.path.display()
                        ),
                        "write it anew from its source",
                    ));
                }
                column.push(sample);
            }
        }
        Ok(count)
    }
}

fn reader(path: &Path) -> Result<WavReader<BufReader<File>>, Failure> {
    input::open(path)
        .map_err(hound::Error::IoError)
        .and_then(|file| WavReader::new(BufReader::new(file)))
        .map_err(|error| unreadable(path, &error))
}

fn bad(message: String, help: &str) -> Failure {
    Failure::plain(Id::Recording, message, help)
}

fn unreadable(path: &Path, error: &hound::Error) -> Failure {
    let name = path.display();
    match error {
        hound::Error::IoError(error) if error.kind() == std::io::ErrorKind::NotFound => {
            Failure::plain(
                Id::CannotRead,
                format!("{name} cannot be opened: there is no such file"),
                "check the spelling of the path",
            )
        }
        // Not one of the machine's: the library found fewer bytes than the header promises.
        hound::Error::IoError(error) if error.raw_os_error().is_none() => bad(
            format!("{name} ends before its header says"),
            "the file was cut short: copy it again, or play the sound part with --for",
        ),
        hound::Error::IoError(error) => bad(
            format!("{name} cannot be read: {error}"),
            "a WAV file is wanted",
        ),
        hound::Error::FormatError(what) => bad(
            format!("{name} is no WAV file, or a damaged one: {what}"),
            "save the recording as WAV: 16 or 24 bit, or 32 bit float",
        ),
        _ => bad(
            format!("{name} is a kind of WAV file that is not read: {error}"),
            "save the recording as WAV: 16 or 24 bit, or 32 bit float",
        ),
    }
}
