//! From volts at the load to a WAV file: matched, without steady volts, dithered, never clipped.

use std::io::BufWriter;
use std::path::Path;

use hound::{SampleFormat, WavSpec, WavWriter};
use measure::instruments::random::Stream;
use serde::Serialize;

use super::BLOCK;
use super::render::Rendered;
use crate::diagnostic::Id;
use crate::failure::Failure;
use crate::loudness::Meter;
use crate::report::output;

/// The greatest sample written: 0.1 dB below full scale, so that dither clips nothing.
const HIGHEST: f64 = 0.988_553_094_656_939_6;

/// What a sample is written as.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum Bits {
    /// 16 bit, with dither.
    #[value(name = "16")]
    Sixteen,
    /// 24 bit, with dither.
    #[value(name = "24")]
    TwentyFour,
    /// 32 bit float.
    #[value(name = "float")]
    Float,
}

impl Bits {
    /// Whether a WAV file holds so much sound: its length is a number of 32 bits.
    ///
    /// # Errors
    /// A refusal with what to do.
    pub(crate) fn fit(self, frames: u64, channels: usize) -> Result<(), Failure> {
        /// Bytes of a header, with room to spare.
        const HEADER: u64 = 256;
        let bytes = match self {
            Self::Sixteen => 2,
            Self::TwentyFour => 3,
            Self::Float => 4,
        };
        if u32::try_from(frames * channels as u64 * bytes + HEADER).is_ok() {
            return Ok(());
        }
        Err(Failure::plain(
            Id::OutOfBounds,
            format!(
                "a WAV file holds no more than 4 GB, less than this recording in {}",
                self.words()
            ),
            "play it in parts with --from and --for, or with --bits 16",
        ))
    }

    pub(crate) fn words(self) -> &'static str {
        match self {
            Self::Sixteen => "16 bit",
            Self::TwentyFour => "24 bit",
            Self::Float => "32 bit float",
        }
    }
}

/// What is delivered of a rendering.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Delivery {
    /// The output of the amplifier.
    Whole,
    /// That of the linear amplifier.
    Ideal,
    /// What the amplifier adds: the whole without the best fit of the linear.
    Residual,
}

/// A file as it was written.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct Written {
    /// Gated loudness, LUFS; none in silence.
    pub(crate) loudness: Option<f64>,
    /// Greatest sample, full scale 1.
    pub(crate) peak: f64,
    /// Rms, V at the load.
    pub(crate) rms_volts: f64,
    /// Volts at the load for full scale.
    pub(crate) full_scale_volts: f64,
}

/// Levels of a rendering before any gain.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Levels {
    /// LUFS if `scale` were full scale for a volt; none in silence.
    loudness: Option<f64>,
    scale: f64,
    /// V.
    rms: f64,
    /// V.
    peak: f64,
}

impl Levels {
    /// Full scale for a volt at which it is as loud as a recording of this loudness, LUFS, or, where one of
    /// them is too short or too soft to have one, of this rms, full scale 1.
    pub(crate) fn matching(&self, (loudness, rms): (Option<f64>, f64)) -> f64 {
        match (loudness, self.loudness) {
            (Some(wanted), Some(here)) => self.scale * 10_f64.powf((wanted - here) / 20.0),
            _ if self.rms > 0.0 => rms / self.rms,
            _ => self.scale,
        }
    }

    /// Loudness, LUFS, and rms, full scale 1, at the scale it was measured at: what another is made as loud as.
    pub(crate) fn own(&self) -> (Option<f64>, f64) {
        (self.loudness, self.scale * self.rms)
    }

    /// The greatest full scale for a volt that clips nothing.
    pub(crate) fn most(&self) -> f64 {
        if self.peak > 0.0 {
            HIGHEST / self.peak
        } else {
            f64::INFINITY
        }
    }
}

impl Rendered {
    /// Goes through what is delivered, interleaved, V, without steady volts unless these are to stay.
    fn each(
        &mut self,
        what: Delivery,
        keep_dc: bool,
        mut take: impl FnMut(&[f64]) -> Result<(), Failure>,
    ) -> Result<(), Failure> {
        let channels = self.whole.channels();
        let means = if keep_dc && what == Delivery::Whole {
            vec![-self.resting; channels]
        } else {
            self.whole.means()
        };
        let mut linear_means = vec![0.0; channels];
        let mut linear = None;
        if let Some(store) = &mut self.linear {
            linear_means = store.means();
            linear = Some(store.reader()?);
        }
        let mut whole = self.whole.reader()?;
        let (mut volts, mut ideal) = (Vec::new(), Vec::new());
        while whole.read(BLOCK, &mut volts)? {
            if let Some(linear) = &mut linear {
                linear.read(BLOCK, &mut ideal)?;
            }
            for (k, volts) in volts.iter_mut().enumerate() {
                let channel = k % channels;
                let ideal = ideal
                    .get(k)
                    .map_or(0.0, |ideal| ideal - linear_means[channel]);
                *volts = match what {
                    Delivery::Whole => *volts - means[channel],
                    Delivery::Ideal => ideal,
                    Delivery::Residual => *volts - means[channel] - self.fit[channel] * ideal,
                };
            }
            take(&volts)?;
        }
        Ok(())
    }

    /// Levels of what would be delivered; `scale` is about the full scale for a volt it will be delivered at.
    ///
    /// # Errors
    /// Those of the temporary file.
    pub(crate) fn levels(
        &mut self,
        what: Delivery,
        keep_dc: bool,
        rate: u32,
        scale: f64,
    ) -> Result<Levels, Failure> {
        let mut meter = Meter::new(self.whole.channels() as u32, rate)?;
        let (mut peak, mut squares, mut count) = (0.0_f64, 0.0, 0_u64);
        let mut scaled = Vec::new();
        self.each(what, keep_dc, |volts| {
            scaled.clear();
            scaled.extend(volts.iter().map(|volts| scale * volts));
            meter.add(&scaled)?;
            for volts in volts {
                peak = peak.max(volts.abs());
                squares += volts * volts;
            }
            count += volts.len() as u64;
            Ok(())
        })?;
        Ok(Levels {
            loudness: meter.integrated(),
            scale,
            rms: (squares / (count as f64).max(1.0)).sqrt(),
            peak,
        })
    }
}

/// How a file is written.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Form {
    /// Full scale for a volt.
    pub(crate) gain: f64,
    pub(crate) bits: Bits,
    pub(crate) keep_dc: bool,
    /// Samples a second.
    pub(crate) rate: u32,
    pub(crate) overwrite: bool,
}

/// Writes one of the files, whole or not at all.
///
/// # Errors
/// Those of writing.
pub(crate) fn deliver(
    rendered: &mut Rendered,
    what: Delivery,
    form: Form,
    path: &Path,
) -> Result<Written, Failure> {
    let channels = rendered.whole.channels();
    let mut meter = Meter::new(channels as u32, form.rate)?;
    let (mut peak, mut squares) = (0.0_f64, 0.0);
    let count = (rendered.whole.frames() * channels as u64) as f64;
    output::stream(path, form.overwrite, |file| {
        let (bits_per_sample, sample_format) = match form.bits {
            Bits::Sixteen => (16, SampleFormat::Int),
            Bits::TwentyFour => (24, SampleFormat::Int),
            Bits::Float => (32, SampleFormat::Float),
        };
        let spec = WavSpec {
            channels: channels as u16,
            sample_rate: form.rate,
            bits_per_sample,
            sample_format,
        };
        let failed = |error: hound::Error| Failure::Output {
            path: Some(path.to_owned()),
            error: std::io::Error::other(error),
        };
        let mut writer = WavWriter::new(BufWriter::new(file), spec).map_err(failed)?;
        let mut dither = Dither::new();
        let mut scaled = Vec::new();
        let most = f64::from(1_u32 << (bits_per_sample - 1));
        rendered.each(what, form.keep_dc, |volts| {
            scaled.clear();
            for volts in volts {
                squares += volts * volts;
                let sample = form.gain * volts;
                peak = peak.max(sample.abs());
                scaled.push(sample);
                #[allow(
                    clippy::cast_possible_truncation,
                    reason = "what a file of floats holds"
                )]
                match form.bits {
                    Bits::Float => writer.write_sample(sample as f32),
                    Bits::Sixteen | Bits::TwentyFour => {
                        let level = (most * sample + dither.next()).round();
                        writer.write_sample(level.clamp(-most, most - 1.0) as i32)
                    }
                }
                .map_err(failed)?;
            }
            meter.add(&scaled)
        })?;
        writer.finalize().map_err(failed)
    })?;
    Ok(Written {
        loudness: meter.integrated(),
        peak,
        rms_volts: (squares / count.max(1.0)).sqrt(),
        full_scale_volts: form.gain.recip(),
    })
}

/// Triangular dither of two least steps' width.
///
/// Source    Lipshitz, Wannamaker & Vanderkooy, JAES 40 (1992) 355 (from memory)
struct Dither(Stream);

impl Dither {
    /// As for every other file, so that the same question gives the same file.
    fn new() -> Self {
        Self(Stream::new(0, 0))
    }

    /// In steps.
    fn next(&mut self) -> f64 {
        self.0.share() + self.0.share() - 1.0
    }
}

#[cfg(test)]
mod tests {
    use super::{Bits, Dither, Levels};

    #[test]
    fn a_wav_file_holds_four_gigabytes() {
        // Stereo at 192 kHz and 24 bit: 1.152 MB a second, 3728 s (RIFF: a length of 32 bits).
        let frames = |seconds: u64| 192_000 * seconds;
        assert!(Bits::TwentyFour.fit(frames(3728), 2).is_ok());
        assert!(Bits::TwentyFour.fit(frames(3729), 2).is_err());
        assert!(Bits::Sixteen.fit(frames(3729), 2).is_ok());
        assert!(Bits::Float.fit(frames(3700), 2).is_err());
    }

    #[test]
    fn dither_has_the_mean_and_the_spread_of_a_triangle() {
        let mut dither = Dither::new();
        let count = 1_000_000;
        let (mut sum, mut squares, mut most) = (0.0, 0.0, 0.0_f64);
        for _ in 0..count {
            let step = dither.next();
            sum += step;
            squares += step * step;
            most = most.max(step.abs());
        }
        let count = f64::from(count);
        // Variance 1/6: four standard errors are 1.6e-3 of the mean and 8e-4 of the variance.
        assert!((sum / count).abs() < 1.7e-3, "{}", sum / count);
        assert!(
            (squares / count - 1.0 / 6.0).abs() < 8e-4,
            "{}",
            squares / count
        );
        assert!(most < 1.0 && most > 0.99);
    }

    #[test]
    fn what_is_too_short_to_be_loud_is_matched_by_its_rms() {
        let of = |loudness| Levels {
            loudness,
            scale: 0.5,
            rms: 2.0,
            peak: 3.0,
        };
        // 0.1 of full scale from 2 V rms; by loudness 6 dB less is half of what it was measured at, nearly.
        let near = |a: f64, b: f64| assert!((a / b - 1.0).abs() < 1e-12, "{a} {b}");
        near(of(None).matching((Some(-20.0), 0.1)), 0.05);
        near(of(Some(-14.0)).matching((None, 0.1)), 0.05);
        let halved = 0.5 * 10_f64.powf(-6.0 / 20.0);
        near(of(Some(-14.0)).matching((Some(-20.0), 0.1)), halved);
    }
}
