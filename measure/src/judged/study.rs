//! One amplifier and what has been measured of it: every answer is worked out once, when first asked for.
//!
//! The questions are those of the commands with their usual settings, so a figure drawn from here is the
//! figure the command prints. Cost: that of the measurements asked for, nothing else.

use std::sync::OnceLock;

use crate::at_rest::voltages::{Voltages, unjudged};
use crate::driven::distortion::{BassLimit, bass_limit};
use crate::driven::hum::{Hum, HumOf};
use crate::driven::power::{Level, Power, PowerOf};
use crate::small_signal::impedance::{Impedance, ImpedanceOf};
use crate::small_signal::loop_gain::held;
use crate::small_signal::response::{Response, ResponseOf};
use crate::{Measurement, UnderTest};
use sim::amplifier::Amplifier;
use sim::error::SimError;
use sim::system::System;

/// Grid of the response, Hz: that of `response` without `--from` and `--to`.
pub const BAND: (f64, f64) = (1.0, 1e6);

/// What is known of an amplifier so far. Shared between threads: two that ask the same wait for one answer.
#[derive(Debug)]
pub struct Study<'a> {
    /// The amplifier.
    pub amplifier: &'a Amplifier,
    /// Its equations.
    pub system: &'a System,
    near: Option<&'a UnderTest<'a>>,
    /// Whether a level is sought alone where no more of the power is asked.
    one_figure: bool,
    under_test: OnceLock<Result<UnderTest<'a>, SimError>>,
    held: OnceLock<Result<UnderTest<'a>, SimError>>,
    volts: OnceLock<Result<Voltages, SimError>>,
    rest: OnceLock<Result<Voltages, SimError>>,
    limit: OnceLock<Result<Option<Level>, SimError>>,
    one_watt: OnceLock<Result<Option<Level>, SimError>>,
    power: OnceLock<Result<Power, SimError>>,
    output_valves: OnceLock<Result<Vec<String>, SimError>>,
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
            near: None,
            one_figure: false,
            under_test: OnceLock::new(),
            held: OnceLock::new(),
            volts: OnceLock::new(),
            rest: OnceLock::new(),
            limit: OnceLock::new(),
            one_watt: OnceLock::new(),
            power: OnceLock::new(),
            output_valves: OnceLock::new(),
            saturation: OnceLock::new(),
            response: OnceLock::new(),
            impedance: OnceLock::new(),
            hum: OnceLock::new(),
        }
    }

    /// A study of an amplifier that differs little from one whose rest is known.
    pub(crate) fn near(
        amplifier: &'a Amplifier,
        system: &'a System,
        known: &'a UnderTest<'a>,
    ) -> Self {
        Self {
            near: Some(known),
            ..Self::new(amplifier, system)
        }
    }

    /// A study of which one figure is asked: a level is sought alone, and what grows is told without what it comes to.
    pub(crate) fn of_one_figure(self) -> Self {
        Self {
            one_figure: true,
            ..self
        }
    }

    /// The amplifier at rest.
    ///
    /// # Errors
    /// Those of [`UnderTest::find`].
    pub fn under_test(&self) -> Result<&UnderTest<'a>, SimError> {
        known(&self.under_test, || {
            let found = match self.near {
                None => UnderTest::find(self.amplifier, self.system),
                Some(near) => near.near(&self.amplifier.circuit, self.system),
            }?;
            Ok(if self.one_figure {
                found.without_ends()
            } else {
                found
            })
        })
    }

    /// The amplifier at rest; one that oscillates so that there is none, at the rest it would have if nothing came back
    /// from its output, see [`held`].
    ///
    /// # Errors
    /// Those of [`UnderTest::find`].
    pub fn under_test_or_held(&self) -> Result<&UnderTest<'a>, SimError> {
        let found = self.under_test();
        let oscillates = matches!(
            found,
            Err(SimError::Oscillates { .. } | SimError::Repeats { .. })
        );
        if !oscillates {
            return found;
        }
        known(&self.held, || held(self.amplifier, self.system)).or(found)
    }

    /// Volts, currents and watts with no signal; nothing is told of what grows.
    ///
    /// # Errors
    /// Those of [`chart`](crate::at_rest::voltages::chart), but for what grows.
    pub fn volts(&self) -> Result<&Voltages, SimError> {
        known(&self.volts, || unjudged(self.under_test()?))
    }

    /// Volts, currents and watts with no signal.
    ///
    /// # Errors
    /// Those of [`chart`](crate::at_rest::voltages::chart).
    pub fn rest(&self) -> Result<&Voltages, SimError> {
        known(&self.rest, || {
            let volts = self.volts()?.clone();
            Ok(Voltages {
                growing: self.under_test()?.growing()?,
                ..volts
            })
        })
    }

    /// Whether a level is sought by itself and not in a whole sweep: where one figure is asked, and on the mains, where a
    /// sweep takes five times as long as the two levels of a scorecard.
    fn alone(&self) -> bool {
        self.one_figure || (self.amplifier.mains.is_some() && self.power.get().is_none())
    }

    /// The level at 1 W; none when that is not reached.
    ///
    /// # Errors
    /// Those of [`PowerOf`].
    pub fn one_watt(&self) -> Result<Option<&Level>, SimError> {
        if !self.alone() {
            return Ok(self.power()?.one_watt.as_ref());
        }
        known(&self.one_watt, || {
            let of = self.under_test()?;
            of.lasts()?;
            PowerOf::bench(&self.amplifier.bench).level_at(of, 1.0)
        })
        .map(Option::as_ref)
    }

    /// The level at the distortion limit; none when it is not reached.
    ///
    /// # Errors
    /// Those of [`PowerOf`].
    pub fn limit(&self) -> Result<Option<&Level>, SimError> {
        if !self.alone() {
            return Ok(self.power()?.rated.as_ref());
        }
        known(&self.limit, || {
            let of = self.under_test()?;
            of.lasts()?;
            PowerOf::bench(&self.amplifier.bench).limit(of, &|_| ())
        })
        .map(Option::as_ref)
    }

    /// Designators of the output valves, as [`Power::output_valves`].
    ///
    /// # Errors
    /// Those of [`PowerOf`].
    pub fn output_valves(&self) -> Result<&[String], SimError> {
        if !self.alone() {
            return Ok(&self.power()?.output_valves);
        }
        let valves = known(&self.output_valves, || {
            let of = self.under_test()?;
            of.lasts()?;
            PowerOf::bench(&self.amplifier.bench).output_valves(of)
        })?;
        Ok(valves)
    }

    /// What [`Study::power`] told, where it was asked and could be told.
    pub(crate) fn swept(&self) -> Option<&Power> {
        self.power.get()?.as_ref().ok()
    }

    /// Watts and distortion against drive.
    ///
    /// # Errors
    /// Those of [`PowerOf`].
    pub fn power(&self) -> Result<&Power, SimError> {
        known(&self.power, || {
            self.ask(&PowerOf::bench(&self.amplifier.bench))
        })
    }

    /// Where the iron ends the power of [`Study::power`] in the bass; none without a core that saturates, or when
    /// that power is not had.
    ///
    /// # Errors
    /// Those of [`Study::power`] and [`bass_limit`].
    pub fn saturation(&self) -> Result<Option<&BassLimit>, SimError> {
        let power = self.power()?;
        let question = PowerOf::bench(&self.amplifier.bench);
        known(&self.saturation, || {
            bass_limit(&question, self.under_test()?, power)
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
    /// Those of [`ResponseOf`].
    pub fn response(&self) -> Result<&Response, SimError> {
        known(&self.response, || {
            Ok(self.ask(&self.response_question())?.swap_remove(0))
        })
    }

    /// Output and input impedance at the test frequency.
    ///
    /// # Errors
    /// Those of [`ImpedanceOf`].
    pub fn impedance(&self) -> Result<&Impedance, SimError> {
        known(&self.impedance, || {
            self.ask(&ImpedanceOf::bench(&self.amplifier.bench))
        })
    }

    /// Hum on the amplifier's own mains.
    ///
    /// # Errors
    /// Those of [`HumOf`]; without mains that is a question that does not fit.
    pub fn hum(&self) -> Result<&Hum, SimError> {
        known(&self.hum, || self.ask(&HumOf::bench(&self.amplifier.bench)))
    }

    fn ask<M: Measurement>(&self, question: &M) -> Result<M::Answer, SimError> {
        question.ask(self.under_test()?, &|_| ())
    }
}

fn known<T>(
    place: &OnceLock<Result<T, SimError>>,
    measure: impl FnOnce() -> Result<T, SimError>,
) -> Result<&T, SimError> {
    place.get_or_init(measure).as_ref().map_err(Clone::clone)
}
