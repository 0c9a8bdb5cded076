//! `noise FILE`.

use std::path::{Path, PathBuf};

use measure::driven::power::PowerOf;
use measure::small_signal::noise::{Noise, NoiseOf};
use serde::Serialize;
use sim::SimError;
use sim::quantity::Unit;

use super::command::{File, OfAmplifier, Told};
use crate::amplifier::Opened;
use crate::argument::{band, given, quantity};
use crate::diagnostic::{Diagnostic, Id};
use crate::failure::Failure;
use crate::progress;
use measure::Measurement;
use measure::judged::study::Study;

mod picture;
mod words;

/// Noise at the load, signal-to-noise ratio, and which part makes the noise.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// The amplifier file.
    file: PathBuf,
    /// Lowest frequency of the band.
    #[arg(long, value_name = "HERTZ", default_value = "20Hz")]
    from: String,
    /// Highest frequency of the band.
    #[arg(long, value_name = "HERTZ", default_value = "20kHz")]
    to: String,
    /// Frequency below which flicker noise exceeds the shot noise of every valve; 0Hz leaves it out. Without it that
    /// of each type whose noise is published, and 1 kHz of others.
    #[arg(long, value_name = "HERTZ")]
    flicker_corner: Option<String>,
    /// Volts rms of the generator that the signal-to-noise ratio is wanted for, as that of a preamplifier is stated;
    /// no rated power is looked for then.
    #[arg(long, value_name = "VOLTS", conflicts_with = "rated")]
    input: Option<String>,
    /// Rated power; without it the power at the bench's distortion limit is found first.
    #[arg(long, value_name = "WATTS")]
    rated: Option<String>,
    /// Write the spectrum to this file, with the largest contributions.
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Write a picture to this file: noise against frequency.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
}

/// What is asked, and the rated power, W, if it is given.
#[derive(Debug)]
pub(super) struct Asked {
    question: NoiseOf,
    rated: Option<f64>,
    /// V rms.
    input: Option<f64>,
}

/// The answer with the powers it is compared with, for JSON.
#[derive(Debug, Serialize)]
pub(super) struct Answer {
    /// W; none when the sweep does not reach the distortion limit.
    rated_power: Option<f64>,
    /// Distortion at that power, a ratio; none when the power was given.
    rated_distortion: Option<f64>,
    /// Why there is no rated power.
    no_rated_power: Option<String>,
    /// Whether that is because a level could not be solved.
    #[serde(skip)]
    unsolved: bool,
    /// dB at the rated power.
    signal_to_noise_db: Option<f64>,
    /// dB at the rated power, noise A-weighted.
    signal_to_noise_a_db: Option<f64>,
    /// dB at one watt; none when the amplifier does not give as much.
    one_watt_db: Option<f64>,
    /// dB at one watt, noise A-weighted.
    one_watt_a_db: Option<f64>,
    /// V rms of the generator that the ratio was asked for.
    input_signal: Option<f64>,
    /// dB for that signal, by the gain at the test frequency; none unless asked for.
    input_signal_to_noise_db: Option<f64>,
    /// dB for that signal, noise A-weighted.
    input_signal_to_noise_a_db: Option<f64>,
    #[serde(flatten)]
    noise: Noise,
}

/// The power that noise is compared with.
#[derive(Debug)]
struct Rated {
    power: f64,
    distortion: Option<f64>,
}

impl Answer {
    fn new(noise: Noise, rated: Result<Rated, NoRated>, input: Option<f64>) -> Self {
        let unsolved = matches!(rated, Err(NoRated::Unsolved(_)));
        let (rated_power, rated_distortion, no_rated_power) = match rated {
            Ok(rated) => (Some(rated.power), rated.distortion, None),
            Err(NoRated::Known(reason) | NoRated::Unsolved(reason)) => (None, None, Some(reason)),
        };
        let ratio = rated_power.map(|power| noise.signal_to_noise_db(power));
        let one_watt = rated_power
            .filter(|power| *power >= 1.0)
            .map(|_| noise.signal_to_noise_db(1.0));
        let at_input = input.and_then(|volts| noise.at_input_db(volts));
        Self {
            input_signal: input,
            input_signal_to_noise_db: at_input.map(|(plain, _)| plain),
            input_signal_to_noise_a_db: at_input.map(|(_, weighted)| weighted),
            rated_power,
            rated_distortion,
            no_rated_power,
            unsolved,
            signal_to_noise_db: ratio.map(|(plain, _)| plain),
            signal_to_noise_a_db: ratio.map(|(_, weighted)| weighted),
            one_watt_db: one_watt.map(|(plain, _)| plain),
            one_watt_a_db: one_watt.map(|(_, weighted)| weighted),
            noise,
        }
    }
}

impl OfAmplifier for Arguments {
    const NAME: &'static str = "noise";
    type Question = Asked;
    type Answer = Answer;

    fn file(&self) -> &Path {
        &self.file
    }

    fn question(&self, opened: &Opened, _: &Study<'_>) -> Result<Asked, Failure> {
        let (from, to) = band(&self.from, &self.to)?;
        let flicker_corner = match &self.flicker_corner {
            Some(text) => Some(quantity("--flicker-corner", text, Unit::Hertz, 0.0)?),
            None => None,
        };
        Ok(Asked {
            question: NoiseOf {
                from,
                to,
                flicker_corner,
                ..NoiseOf::bench(&opened.amplifier.bench)
            },
            rated: given("--rated", self.rated.as_ref(), Unit::Watt)?,
            input: given("--input", self.input.as_ref(), Unit::Volt)?,
        })
    }

    fn files(&self) -> Vec<File<'_, Self>> {
        vec![
            File::csv(self.csv.as_ref(), |told| picture::csv(&told.answer.noise)),
            File::svg(self.svg.as_ref(), |told| {
                picture::svg(told.amplifier, &told.answer.noise)
            }),
        ]
    }

    fn answer(
        &self,
        opened: &Opened,
        known: &Study<'_>,
        question: &Asked,
    ) -> Result<Answer, Failure> {
        known.rest()?;
        let noise = question.question.ask(known.under_test()?, &|_| ())?;
        let rated = match (question.rated, question.input) {
            (Some(power), _) => Ok(Rated {
                power,
                distortion: None,
            }),
            (None, Some(_)) => Err(NoRated::Known(
                "a signal at the input was asked for".to_owned(),
            )),
            (None, None) => measured(opened, known),
        };
        Ok(Answer::new(noise, rated, question.input))
    }

    fn words(told: &Told<'_, Self>) -> String {
        words::text(told.amplifier, told.answer, told.arguments)
    }

    fn verdict(told: &Told<'_, Self>) -> Result<(), Failure> {
        match &told.answer.no_rated_power {
            Some(reason) if told.answer.unsolved => Err(Failure::NoAnswer(Diagnostic::plain(
                Id::NotPeriodic,
                format!(
                    "no signal-to-noise ratio, since the rated power could not be found: {reason}"
                ),
                "the noise itself holds; `--rated 10W` or `--input 5mV` states the ratio for a power or a signal of your own",
            ))),
            Some(_) | None => Ok(()),
        }
    }
}

/// Why there is no rated power.
enum NoRated {
    /// There is none, or none was asked for.
    Known(String),
    /// A level could not be solved.
    Unsolved(String),
}

/// The power at the distortion limit. What cannot be driven to it is no less noisy, so a failure here is
/// told beside the noise.
fn measured(opened: &Opened, known: &Study<'_>) -> Result<Rated, NoRated> {
    let question = PowerOf::bench(&opened.amplifier.bench);
    let under_test = known.under_test().map_err(|error| no_rated(&error))?;
    let limit = progress::show(&progress::counter("levels solved"), |bar| {
        question.limit(under_test, &|reached| progress::tell(bar, reached))
    });
    let level = limit.map_err(|error| no_rated(&error))?.ok_or_else(|| {
        NoRated::Known("the distortion limit is not met inside the sweep".to_owned())
    })?;
    Ok(Rated {
        power: level.power,
        distortion: Some(level.thd),
    })
}

/// An amplifier that bursts into oscillation before its distortion limit is known to have no rated power, as is one whose
/// load no signal reaches.
fn no_rated(error: &SimError) -> NoRated {
    if error.gave_up() {
        NoRated::Unsolved(error.to_string())
    } else {
        NoRated::Known(error.to_string())
    }
}

#[cfg(test)]
mod tests {
    use super::{NoRated, SimError, no_rated};
    use sim::error::Question;

    #[test]
    fn a_level_the_solver_gave_up_on_is_no_answer() {
        let stuck = SimError::Stuck {
            time: 0.0,
            worst: "node g1".to_owned(),
            counts: sim::Counts::default(),
        };
        assert!(matches!(no_rated(&stuck), NoRated::Unsolved(_)));
        let silent = SimError::Question(Question::NoSignal);
        assert!(matches!(no_rated(&silent), NoRated::Known(_)));
    }
}
