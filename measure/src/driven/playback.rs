//! A recording played through the amplifier: volts of the generator in, volts at the load out, a sample at a
//! time, for as long as it lasts.
//!
//! The samples are volts on the grid the circuit is solved on; between two of them, where a step is cut, the
//! generator follows the cubic through the four around. The amplifier starts from rest, on the mains from the
//! start of a settled period. Nothing is allocated between samples and nothing grows with the length.

use std::ops::Range;

use crate::at_rest::voltages::{Voltages, chart};
use crate::driven::power::drive::reach;
use crate::driven::power::{Level, PowerOf};
use sim::amplifier::Amplifier;
use sim::circuit::{NodeId, PartId};
use sim::error::{Question, SimError};
use sim::parts::Waveform;
use sim::rest::Rest;
use sim::system::{System, Workspace};
use sim::tolerances::Tolerances;
use sim::transient::{Method, Stepper};

mod linear;
mod meters;
#[cfg(test)]
mod tests;

pub use linear::LinearPlayer;
pub use meters::{Meters, RailMeter, ValveMeter};

use meters::Metering;

/// From where the amplifier is followed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Start {
    /// Everything settled, as after a while without signal.
    #[default]
    Rest,
    /// Every capacitor empty, the valves warm: what hot valves hear of the switch.
    Dead,
}

/// How a recording is played.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PlaybackOf {
    /// Samples a second, in and out.
    pub rate: f64,
    /// Method of integration.
    pub method: Method,
    /// How exactly the steps are solved.
    pub tolerances: Tolerances,
    /// From where.
    pub start: Start,
}

impl PlaybackOf {
    /// The usual way at a rate: the trapezoidal rule, which on a grid that resolves the sound gives the most
    /// for the time.
    pub fn at(rate: f64) -> Self {
        Self {
            rate,
            method: Method::Trapezoidal,
            tolerances: Tolerances::default(),
            start: Start::Rest,
        }
    }
}

/// An amplifier at rest, from which any number of players set out.
#[derive(Clone, Debug)]
pub struct Ready<'a> {
    amplifier: &'a Amplifier,
    system: &'a System,
    /// At rest, the generator silent.
    ws: Workspace,
    rest: Rest,
    generator: usize,
}

impl<'a> Ready<'a> {
    /// Finds the rest.
    ///
    /// # Errors
    /// Those of the rest, and [`SimError::Oscillates`] when the amplifier does not stay there.
    pub fn find(amplifier: &'a Amplifier, system: &'a System) -> Result<Self, SimError> {
        let tolerances = Tolerances::default();
        let generator = place(system, amplifier.bench.generator)?;
        let mut ws = system.workspace();
        ws.waveforms[generator] = Waveform::Dc(0.0);
        let rest = Rest::find(system, &tolerances, &mut ws)?;
        rest.stays(system, &ws)?;
        Ok(Self {
            amplifier,
            system,
            ws,
            rest,
            generator,
        })
    }

    /// The chart of volts, currents and watts there.
    ///
    /// # Errors
    /// Those of [`chart`].
    pub fn chart(&self) -> Result<Voltages, SimError> {
        let circuit = &self.amplifier.circuit;
        chart(circuit, self.system, &self.rest, &mut self.ws.clone())
    }

    /// The level at the distortion limit; none when no drive reaches it.
    ///
    /// # Errors
    /// [`Question::NoSignal`], and those of a level that cannot be solved before the limit is reached.
    pub fn limit(&self) -> Result<Option<Level>, SimError> {
        PowerOf::bench(&self.amplifier.bench).limit(
            &self.amplifier.circuit,
            self.system,
            (&self.ws, &self.rest),
            &Tolerances::default(),
        )
    }

    /// Volts across the load at rest, their mean on the mains.
    pub fn resting_output(&self) -> f64 {
        let (a, b) = self.output();
        self.rest.mean(|x| x[a] - x[b])
    }

    /// The period of the mains, s; none when nothing alternates.
    pub fn mains_period(&self) -> Option<f64> {
        self.rest.mains.map(|mains| mains.duration)
    }

    /// Sets out.
    pub fn player(&self, how: &PlaybackOf) -> Player<'a> {
        let mut ws = self.ws.clone();
        if how.start == Start::Dead {
            ws.x.fill(0.0);
        }
        let still = how.start == Start::Rest && self.rest.mains.is_none();
        let stepper = Stepper::new(self.system, how.method, how.tolerances, 0.0, still, &mut ws);
        Player {
            stepper,
            ws,
            generator: self.generator,
            output: self.output(),
            rate: how.rate,
            window: [0.0; 4],
            taken: 0,
            metering: Metering::new(self.amplifier, self.system, &self.rest, how.rate),
        }
    }

    /// The linear amplifier this one is to the smallest signals.
    ///
    /// # Errors
    /// [`SimError::Undetermined`] when its equations have no answer at that rate.
    pub fn linear(&self, rate: f64) -> Result<LinearPlayer<'a>, SimError> {
        let slopes = self
            .system
            .mean_slopes(self.rest.samples(), &mut self.ws.clone());
        let row = self
            .system
            .source_row(self.amplifier.bench.generator)
            .ok_or_else(no_source)?;
        LinearPlayer::new(self.system, &slopes, row as usize, self.output(), rate)
    }

    fn output(&self) -> (usize, usize) {
        let at = |node: NodeId| self.system.voltage_of(node) as usize;
        let (a, b) = self.amplifier.bench.load_nodes;
        (at(a), at(b))
    }
}

/// Volts that no drive brings.
#[derive(Clone, Debug)]
pub struct Unmet {
    /// The most that was seen, V.
    pub most: Option<f64>,
    /// What ended the search.
    pub error: Option<SimError>,
}

/// The drive at which the greatest volts are those wanted, from a guess of it; `peak` plays and tells them.
///
/// # Errors
/// [`Unmet`] when no drive up to four times the guess brings them.
pub fn meet_peak(
    guess: f64,
    wanted: f64,
    peak: &impl Fn(f64) -> Result<f64, SimError>,
) -> Result<f64, Unmet> {
    /// A hundredth of a decibel.
    const CLOSE: f64 = 1e-3;
    let miss = |volts: &f64| (volts / wanted).ln();
    match reach(guess, CLOSE, &miss, peak) {
        // A bracket that could not be closed ends at its nearer end.
        Ok(at) if at.miss.abs() < 10.0 * CLOSE => Ok(at.drive),
        Ok(at) => Err(Unmet {
            most: Some(at.answer),
            error: None,
        }),
        Err(short) => Err(Unmet {
            most: short.nearest.map(|at| at.answer),
            error: short.error,
        }),
    }
}

fn no_source() -> SimError {
    SimError::Question(Question::NotASource("the generator".to_owned()))
}

fn place(system: &System, generator: PartId) -> Result<usize, SimError> {
    system
        .sources()
        .position(|part| part == generator)
        .ok_or_else(no_source)
}

/// An amplifier while it plays.
#[derive(Clone, Debug)]
pub struct Player<'a> {
    stepper: Stepper<'a>,
    ws: Workspace,
    generator: usize,
    output: (usize, usize),
    rate: f64,
    /// The samples around the step under way: see [`Waveform::Stretch`].
    window: [f64; 4],
    /// Samples taken.
    taken: u64,
    metering: Metering,
}

impl Player<'_> {
    /// Samples by which the output comes later than the input, since a step needs the sample after it.
    pub const LATENCY: usize = 1;

    /// Lets the meters read these samples alone, not the silence around a recording.
    pub fn meter_only(&mut self, samples: Range<u64>) {
        self.metering.only(samples);
    }

    /// Plays on: volts of the generator in, volts at the load out, one for one. Before the first sample there
    /// was silence.
    ///
    /// # Errors
    /// [`SimError::Stuck`] with the time since the start.
    ///
    /// # Panics
    /// When the two differ in length.
    pub fn play(&mut self, input: &[f64], output: &mut [f64]) -> Result<(), SimError> {
        assert_eq!(input.len(), output.len(), "one sample out for each in");
        let interval = self.rate.recip();
        let (a, b) = self.output;
        for (volts, out) in input.iter().zip(output) {
            self.window.rotate_left(1);
            self.window[3] = *volts;
            // From the sample before last to the last but one; at first that is the rest itself.
            let reached = self.taken;
            self.taken += 1;
            self.ws.waveforms[self.generator] = Waveform::Stretch {
                start: (reached as f64 - 1.0) * interval,
                interval,
                volts: self.window,
            };
            if reached > 0 {
                self.stepper
                    .advance(reached as f64 / self.rate, &mut self.ws)?;
                self.metering.read(reached, &self.ws.x);
            }
            *out = self.ws.x[a] - self.ws.x[b];
        }
        Ok(())
    }

    /// What the meters show of all that was played.
    pub fn meters(&self) -> Meters {
        self.metering.meters()
    }
}
