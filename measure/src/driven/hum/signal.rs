//! Hum with a signal: what the mains does to a tone.
//!
//! Ripple and filaments modulate the gain, and a tone grows sidebands a multiple of the mains frequency
//! above and below it. The tone is put half a mains frequency off the lines of the mains, so that no
//! sideband falls on the hum that is there without it.
//!
//! Source   spectrum of amplitude modulation; hum modulation as sidebands against the tone (common
//!          practice, no source)

use serde::Serialize;

use crate::driven::power::{Bench, PowerOf};
use sim::circuit::Circuit;
use sim::error::SimError;
use sim::rest::Rest;
use sim::small_signal::{Excitation, SmallSignal};
use sim::system::{System, Workspace};
use sim::tolerances::Tolerances;

/// Sidebands looked at on either side: the fourth is twice the ripple's.
const SIDEBANDS: i32 = 4;

/// How hard the amplifier is driven.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Drive {
    /// Peak of the generator, V.
    Volts(f64),
    /// Power into the rated load, W, by the gain of small signals.
    Power(f64),
}

/// Hum with a signal.
#[derive(Clone, Debug, Serialize)]
pub struct WithSignal {
    /// The tone, Hz.
    pub frequency: f64,
    /// Peak of the generator, V.
    pub drive: f64,
    /// The tone at the load, V rms.
    pub tone_rms: f64,
    /// Its power into the rated load, W.
    pub power: f64,
    /// In rising frequency.
    pub sidebands: Vec<Sideband>,
    /// All of them against the tone, dB; none when there is nothing.
    pub all_db: Option<f64>,
    /// What is left to settle, relative.
    pub residual: f64,
}

/// A sideband.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Sideband {
    /// Multiple of the mains frequency from the tone, negative below it.
    pub number: i32,
    /// Hz.
    pub frequency: f64,
    /// V rms.
    pub rms: f64,
    /// Against the tone, dB; none when there is nothing.
    pub db: Option<f64>,
}

/// The tone: the test frequency, moved to the middle between two lines of the mains.
pub(super) fn tone(frequency: f64, mains: f64) -> f64 {
    ((frequency / mains).round() + 0.5) * mains
}

pub(super) fn with_signal(
    question: &PowerOf,
    circuit: &Circuit,
    system: &System,
    (ws, rest): (&Workspace, &Rest),
    mains: f64,
    drive: Drive,
    tolerances: &Tolerances,
) -> Result<WithSignal, SimError> {
    let frequency = tone(question.frequency, mains);
    let drive = match drive {
        Drive::Volts(peak) => peak,
        Drive::Power(watts) => {
            let mut linear = rest.linearised(system, &mut ws.clone());
            let peak = (2.0 * watts * question.load_ohms).sqrt();
            peak / gain(&mut linear, question, frequency)?
        }
    };
    let question = PowerOf {
        frequency,
        ..question.clone()
    };
    let bench = Bench::new(&question, circuit, system, (ws, rest));
    let period = bench.settled(drive, tolerances)?;
    let spectrum = bench.spectrum_of_all(&period);
    let rms = |frequency: f64| {
        let number = (frequency * period.duration).round();
        let peak = spectrum.amplitude(number as u32);
        std::f64::consts::FRAC_1_SQRT_2 * peak
    };
    let tone_rms = rms(frequency);
    let db = |rms: f64| (rms > 0.0 && tone_rms > 0.0).then(|| 20.0 * (rms / tone_rms).log10());
    let sidebands: Vec<Sideband> = (-SIDEBANDS..=SIDEBANDS)
        .filter(|number| *number != 0)
        .map(|number| (number, frequency + f64::from(number) * mains))
        .filter(|(_, at)| *at > 0.0)
        .map(|(number, at)| Sideband {
            number,
            frequency: at,
            rms: rms(at),
            db: db(rms(at)),
        })
        .collect();
    let all = sidebands.iter().map(|s| s.rms * s.rms).sum::<f64>().sqrt();
    Ok(WithSignal {
        frequency,
        drive,
        tone_rms,
        power: tone_rms * tone_rms / question.load_ohms,
        all_db: db(all),
        sidebands,
        residual: period.residual,
    })
}

/// Gain of small signals from the generator to the load.
fn gain(linear: &mut SmallSignal<'_>, question: &PowerOf, frequency: f64) -> Result<f64, SimError> {
    linear.tune(frequency)?;
    let x = linear.response(Excitation::Source(question.generator))?;
    Ok(linear.voltage(&x, question.load.0, question.load.1).norm())
}
