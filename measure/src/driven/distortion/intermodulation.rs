//! Intermodulation of two tones.
//!
//! ```text
//! modulation            d_2 = (U(f2−f1) + U(f2+f1))/U(f2),   d_3 = (U(f2−2f1) + U(f2+2f1))/U(f2)
//! difference frequency  d_2 = U(f2−f1)/(U(f1) + U(f2)),      d_3 = (U(2f1−f2) + U(2f2−f1))/(U(f1) + U(f2))
//! ```
//!
//! Symbols   U amplitude of a component of the output, V;  f1 < f2 the tones, Hz
//! Source    IEC 60268-3: modulation distortion and difference-frequency distortion of the 2nd and
//!           3rd order (formulas; from memory)
//! Valid     the sum of the tones' amplitudes at the load is the peak of the sine of the power stated;
//!           the ratio of the tones is that at the generator
//!
//! The circuit is settled over the common period of the tones, so that every product has a bin of its
//! own and no window is needed.

use serde::Serialize;

use super::constant_power::{ConstantPower, peak};
use crate::driven::power::drive::reach_aiming;
use crate::driven::power::{OneByOne, Tone, Wanted};
use sim::common_period::{CommonPeriod, common_period};
use sim::error::{Question, SimError};
use sim::parts::Waveform;
use sim::quantity::{Unit, engineering};
use sim::spectrum::Spectrum;

/// What is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum IntermodulationKind {
    /// A low tone modulates a high one.
    Modulation,
    /// Two tones close together beat.
    DifferenceFrequency,
}

/// A two-tone signal and what is read of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TwoTones {
    /// What is read.
    pub kind: IntermodulationKind,
    /// Hz.
    pub lower: f64,
    /// Hz.
    pub upper: f64,
    /// Amplitude of the lower tone over that of the upper, at the generator.
    pub ratio: f64,
}

/// Intermodulation of one signal.
#[derive(Clone, Debug, Serialize)]
pub struct Intermodulation {
    /// What is read.
    pub kind: IntermodulationKind,
    /// Hz.
    pub lower: f64,
    /// Hz.
    pub upper: f64,
    /// Amplitude of the lower tone over that of the upper, at the generator.
    pub ratio: f64,
    /// Common period of the tones, s.
    pub duration: f64,
    /// Samples of it.
    pub samples: usize,
    /// In rising peak.
    pub levels: Vec<AtPeak>,
}

/// Intermodulation at one peak of the output.
#[derive(Clone, Debug, Serialize)]
pub struct AtPeak {
    /// Power of the sine with the same peak, W.
    pub power: f64,
    /// That peak, V: the sum of the amplitudes of the tones at the load.
    pub peak: f64,
    /// What was read; none when that peak is not reached.
    pub products: Option<Products>,
    /// Why the search ended early; none when it did not.
    pub error: Option<String>,
}

/// Tones and products at the load.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Products {
    /// Peak of the generator, both tones together, V.
    pub drive: f64,
    /// Amplitude of the lower tone, V.
    pub lower: f64,
    /// Amplitude of the upper tone, V.
    pub upper: f64,
    /// Second order, a ratio.
    pub second: f64,
    /// Third order, a ratio.
    pub third: f64,
    /// Whether the supplies stand at their means.
    #[serde(skip)]
    pub at_means: bool,
}

/// Samples of a cycle of the upper tone. Its harmonics up to the 12th are resolved; what is above folds
/// back, where it moves no figure of the examples by more than 1 % of itself.
const SAMPLES_PER_CYCLE: usize = 24;

/// A period has at least so many samples.
const LEAST_SAMPLES: usize = 1024;

/// The longest common period, s: beyond it the answer takes minutes.
const LONGEST: f64 = 0.1;

/// How closely the peak is met, relative: products of the third order rise with the square of it, and
/// some five times as fast at the onset of clipping, so this is one or two per cent of a product.
const CLOSE: f64 = 3e-3;

impl TwoTones {
    /// 60 Hz and 7 kHz, 4:1 (common practice, no source).
    pub const MODULATION: Self = Self {
        kind: IntermodulationKind::Modulation,
        lower: 60.0,
        upper: 7000.0,
        ratio: 4.0,
    };
    /// 250 Hz and 8 kHz, 4:1, the other pair in use (common practice, no source): they repeat with 50 and 60 Hz in a fiftieth
    /// and a tenth of a second, the first pair with 50 Hz in a tenth only.
    pub const ON_THE_MAINS: Self = Self {
        lower: 250.0,
        upper: 8000.0,
        ..Self::MODULATION
    };
    /// 19 and 20 kHz, equal (common practice, no source).
    pub const DIFFERENCE: Self = Self {
        kind: IntermodulationKind::DifferenceFrequency,
        lower: 19e3,
        upper: 20e3,
        ratio: 1.0,
    };

    /// Whether every product can be told from the others.
    ///
    /// # Errors
    /// [`Question::NoCommonPeriod`] and [`Question::TonesOverlap`].
    pub fn check(&self) -> Result<(), SimError> {
        let period = self.period()?;
        let (f1, f2) = (i64::from(period.cycles[0]), i64::from(period.cycles[1]));
        let mut bins = vec![f1, f2];
        bins.extend(match self.kind {
            IntermodulationKind::Modulation => vec![f2 - f1, f2 + f1, f2 - 2 * f1, f2 + 2 * f1],
            IntermodulationKind::DifferenceFrequency => vec![f2 - f1, 2 * f1 - f2, 2 * f2 - f1],
        });
        let count = bins.len();
        bins.sort_unstable();
        bins.dedup();
        if bins.len() < count || bins[0] <= 0 {
            let tones = [self.lower, self.upper].map(|hertz| engineering(hertz, Unit::Hertz));
            return Err(SimError::Question(Question::TonesOverlap(
                tones.join(" and "),
            )));
        }
        Ok(())
    }

    fn period(&self) -> Result<CommonPeriod, SimError> {
        common_period(&[self.lower, self.upper], LONGEST)
    }

    /// Solves for each peak, that of a sine of each power, W.
    pub(super) fn run(
        &self,
        levels: &ConstantPower<'_>,
        powers: &[(f64, bool)],
    ) -> Result<Intermodulation, SimError> {
        let period = self.period()?;
        let upper = period.cycles[1] as usize;
        let samples = upper * SAMPLES_PER_CYCLE.max(LEAST_SAMPLES.div_ceil(upper));
        let question = levels.question_at(self.upper, samples);
        let tone = |drive: f64| self.tone(drive, &period);
        let near = levels.set_out(
            &levels.stand(&question),
            (&tone, self.gain(levels)?),
            powers,
        )?;
        let levels = powers
            .iter()
            .map(|&(power, _)| self.at_peak(levels, &period, samples, power, &near))
            .collect::<Result<Vec<_>, SimError>>()?;
        Ok(Intermodulation {
            kind: self.kind,
            lower: self.lower,
            upper: self.upper,
            ratio: self.ratio,
            duration: period.duration,
            samples,
            levels,
        })
    }

    /// The signal at that peak, V.
    fn tone(&self, drive: f64, period: &CommonPeriod) -> Tone {
        Tone {
            waveform: Waveform::two_tone(drive, self.ratio, (self.lower, self.upper)),
            duration: period.duration,
        }
    }

    /// Peak across the load for a volt of its peak, small.
    fn gain(&self, levels: &ConstantPower<'_>) -> Result<f64, SimError> {
        let share = self.ratio / (1.0 + self.ratio);
        Ok(share * levels.gain(self.lower)? + (1.0 - share) * levels.gain(self.upper)?)
    }

    fn at_peak(
        &self,
        levels: &ConstantPower<'_>,
        period: &CommonPeriod,
        samples: usize,
        power: f64,
        near: &OneByOne,
    ) -> Result<AtPeak, SimError> {
        let peak = peak(power, levels.question.load_ohms);
        let question = levels.question_at(self.upper, samples);
        let driven = levels.stand(&question);
        let miss = |at: &Products| ((at.lower + at.upper) / peak).ln();
        let tone = |drive: f64| self.tone(drive, period);
        let off = |spectrum: &Spectrum| miss(&self.read(0.0, period, spectrum));
        let solve = |drive: f64, slope: Option<f64>| {
            let (settled, drive) = match slope {
                Some(slope) => near.settled_at(
                    &driven,
                    &Wanted {
                        tone: &tone,
                        drive,
                        slope,
                        close: CLOSE,
                        miss: &off,
                    },
                )?,
                None => (near.settled(&driven, &tone(drive), drive)?, drive),
            };
            levels.tell();
            let products = Products {
                at_means: settled.at_means,
                ..self.read(drive, period, &driven.spectrum(&settled))
            };
            Ok((drive, products))
        };
        let gain = self.gain(levels)?;
        let outcome = reach_aiming(levels.guess(power, peak / gain)?, CLOSE, &miss, &solve);
        let (products, error) = match outcome {
            Ok(at) => (Some(at.answer), None),
            Err(short) => (None, short.error.map(|error| error.to_string())),
        };
        Ok(AtPeak {
            power,
            peak,
            products,
            error,
        })
    }

    fn read(&self, drive: f64, period: &CommonPeriod, spectrum: &Spectrum) -> Products {
        let (f1, f2) = (period.cycles[0], period.cycles[1]);
        let volts = |bin: u32| spectrum.amplitude(bin);
        let (lower, upper) = (volts(f1), volts(f2));
        let (second, third) = match self.kind {
            IntermodulationKind::Modulation => (
                (volts(f2 - f1) + volts(f2 + f1)) / upper,
                (volts(f2 - 2 * f1) + volts(f2 + 2 * f1)) / upper,
            ),
            IntermodulationKind::DifferenceFrequency => (
                volts(f2 - f1) / (lower + upper),
                (volts(2 * f1 - f2) + volts(2 * f2 - f1)) / (lower + upper),
            ),
        };
        Products {
            drive,
            lower,
            upper,
            second,
            third,
            at_means: false,
        }
    }
}
