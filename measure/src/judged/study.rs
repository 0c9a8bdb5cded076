//! One amplifier and what has been measured of it: every answer is worked out once, when first asked for.
//!
//! The questions are those of the commands with their usual settings, so a figure drawn from here is the
//! figure the command prints. Cost: that of the measurements asked for, nothing else.

use std::sync::OnceLock;

use crate::at_rest::voltages::{Voltages, chart, voltages};
use crate::driven::distortion::{BassLimit, bass_limit};
use crate::driven::hum::{Hum, HumOf};
use crate::driven::power::{Power, PowerOf};
use crate::instruments::near::Known;
use crate::small_signal::impedance::{Impedance, ImpedanceOf};
use crate::small_signal::response::{Response, ResponseOf};
use sim::amplifier::Amplifier;
use sim::error::SimError;
use sim::system::System;
use sim::tolerances::Tolerances;

/// Grid of the response, Hz: that of `response` without `--from` and `--to`.
pub const BAND: (f64, f64) = (1.0, 1e6);

/// An amplifier under measurement. Shared between threads: two that ask the same wait for one answer.
#[derive(Debug)]
pub struct Study<'a> {
    /// The amplifier.
    pub amplifier: &'a Amplifier,
    /// Its equations.
    pub system: &'a System,
    tolerances: Tolerances,
    known: Option<Known<'a>>,
    rest: OnceLock<Result<Voltages, SimError>>,
    power: OnceLock<Result<Power, SimError>>,
    saturation: OnceLock<Result<Option<BassLimit>, SimError>>,
    response: OnceLock<Result<Response, SimError>>,
    impedance: OnceLock<Result<Impedance, SimError>>,
    hum: OnceLock<Result<Hum, SimError>>,
}

impl<'a> Study<'a> {
    /// A study in which nothing has been measured yet.
    pub fn new(amplifier: &'a Amplifier, system: &'a System) -> Self {
        Self {
            amplifier,
            system,
            tolerances: Tolerances::default(),
            known: None,
            rest: OnceLock::new(),
            power: OnceLock::new(),
            saturation: OnceLock::new(),
            response: OnceLock::new(),
            impedance: OnceLock::new(),
            hum: OnceLock::new(),
        }
    }

    /// The same of an amplifier that differs little from one whose rest is known.
    pub(crate) fn near(amplifier: &'a Amplifier, system: &'a System, known: Known<'a>) -> Self {
        Self {
            known: Some(known),
            ..Self::new(amplifier, system)
        }
    }

    /// Volts, currents and watts with no signal.
    ///
    /// # Errors
    /// Those of [`voltages`].
    pub fn rest(&self) -> Result<&Voltages, SimError> {
        known(&self.rest, || {
            let mut ws = self.system.workspace();
            let circuit = &self.amplifier.circuit;
            match &self.known {
                None => voltages(circuit, self.system, &self.tolerances, &mut ws),
                Some(known) => {
                    let rest = known.rest_of(self.system, &self.tolerances, &mut ws)?;
                    chart(circuit, self.system, &rest, &mut ws)
                }
            }
        })
    }

    /// Watts and distortion against drive.
    ///
    /// # Errors
    /// Those of [`PowerOf::run`].
    pub fn power(&self) -> Result<&Power, SimError> {
        known(&self.power, || {
            let question = PowerOf::bench(&self.amplifier.bench);
            question.run(
                &self.amplifier.circuit,
                self.system,
                &self.tolerances,
                &|_| {},
            )
        })
    }

    /// Where the iron ends the power of [`Study::power`] in the bass; none without a core that saturates, or when
    /// that power is not had.
    ///
    /// # Errors
    /// Those of [`Study::power`] and [`bass_limit`].
    pub fn saturation(&self) -> Result<Option<&BassLimit>, SimError> {
        let power = self.power()?;
        known(&self.saturation, || {
            bass_limit(
                &PowerOf::bench(&self.amplifier.bench),
                &self.amplifier.circuit,
                self.system,
                &self.tolerances,
                power,
            )
        })
        .map(Option::as_ref)
    }

    /// What [`Study::response`] asks; its grid holds the frequencies of the answer.
    pub fn response_question(&self) -> ResponseOf {
        ResponseOf::bench(&self.amplifier.circuit, &self.amplifier.bench, BAND)
    }

    /// Gain and phase of the load against frequency.
    ///
    /// # Errors
    /// Those of [`ResponseOf::run`].
    pub fn response(&self) -> Result<&Response, SimError> {
        known(&self.response, || {
            let question = self.response_question();
            let mut answers = question.run(self.system, &self.tolerances)?;
            Ok(answers.swap_remove(0))
        })
    }

    /// Output and input impedance at the test frequency.
    ///
    /// # Errors
    /// Those of [`ImpedanceOf::run`].
    pub fn impedance(&self) -> Result<&Impedance, SimError> {
        known(&self.impedance, || {
            let question = ImpedanceOf::bench(&self.amplifier.bench);
            question.run(&self.amplifier.circuit, self.system, &self.tolerances)
        })
    }

    /// Hum on the amplifier's own mains.
    ///
    /// # Errors
    /// Those of [`HumOf::run`]; without mains that is a question that does not fit.
    pub fn hum(&self) -> Result<&Hum, SimError> {
        known(&self.hum, || {
            let question = HumOf::bench(&self.amplifier.bench);
            question.run(
                &self.amplifier.circuit,
                self.system,
                &self.tolerances,
                &|_, _| {},
            )
        })
    }
}

fn known<T>(
    place: &OnceLock<Result<T, SimError>>,
    measure: impl FnOnce() -> Result<T, SimError>,
) -> Result<&T, SimError> {
    place.get_or_init(measure).as_ref().map_err(Clone::clone)
}
