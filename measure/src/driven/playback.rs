//! A recording played through the amplifier: volts of the generator in, volts at the load out, a sample at a
//! time, for as long as it lasts.
//!
//! The samples are volts on the grid the circuit is solved on; between two of them, where a step is cut, the
//! generator follows the cubic through the four around. The amplifier starts from rest, on the mains from the
//! start of a settled period. Nothing is allocated between samples and nothing grows with the length.

use std::ops::Range;

use crate::UnderTest;
use crate::driven::power::drive::{Guess, reach};
use sim::circuit::{Circuit, NodeId, PartId};
use sim::error::{Question, SimError};
use sim::parts::Waveform;
use sim::stability::{Bursts, bursts};
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

/// The resting volts across the load, their mean on the mains.
pub fn resting_output(of: &UnderTest<'_>) -> f64 {
    let (a, b) = output(of);
    of.rest.mean(|x| x[a] - x[b])
}

impl PlaybackOf {
    /// A player that sets out from an amplifier at rest, or from nothing.
    ///
    /// # Errors
    /// [`Question::NotASource`] when there is no generator.
    pub fn player<'a>(&self, of: &UnderTest<'a>) -> Result<Player<'a>, SimError> {
        let generator = place(of.system, of.amplifier.bench.generator)?;
        let mut ws = of.workspace();
        if self.start == Start::Dead {
            ws.x.fill(0.0);
        }
        let still = self.start == Start::Rest && of.rest.mains.is_none();
        let stepper = Stepper::new(of.system, self.method, self.tolerances, 0.0, still, &mut ws);
        Ok(Player {
            stepper,
            ws,
            generator,
            output: output(of),
            rate: self.rate,
            window: [0.0; 4],
            taken: 0,
            metering: Metering::new(of, self.rate),
            circuit: of.circuit,
            system: of.system,
            watched: None,
        })
    }
}

/// The linear amplifier this one is to the smallest signals.
///
/// # Errors
/// [`Question::NotASource`] when there is no generator; [`SimError::Undetermined`] when the equations have no
/// answer at that rate, 1/s.
pub fn linear<'a>(of: &UnderTest<'a>, rate: f64) -> Result<LinearPlayer<'a>, SimError> {
    let slopes = of
        .system
        .mean_slopes(of.rest.samples(), &mut of.workspace());
    let row = of
        .system
        .source_row(of.amplifier.bench.generator)
        .ok_or_else(no_source)?;
    LinearPlayer::new(of.system, &slopes, row as usize, output(of), rate)
}

/// Where the volts of the load's ends stand.
fn output(of: &UnderTest<'_>) -> (usize, usize) {
    let at = |node: NodeId| of.system.voltage_of(node) as usize;
    let (a, b) = of.amplifier.bench.load_nodes;
    (at(a), at(b))
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
    match reach(Guess::linear(guess), CLOSE, &miss, peak) {
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
    circuit: &'a Circuit,
    system: &'a System,
    /// `[samples][n+1]` every state, where bursts are watched for.
    watched: Option<Vec<Vec<f64>>>,
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
                if let Some(watched) = &mut self.watched {
                    watched.push(self.ws.x.clone());
                }
            }
            *out = self.ws.x[a] - self.ws.x[b];
        }
        Ok(())
    }

    /// Keeps every state from now on, for [`Player::bursts`]: for a stretch, not for a recording.
    pub fn watch(&mut self) {
        self.watched = Some(Vec::new());
    }

    /// Whether the amplifier bursts into oscillation where what it was watched at is loudest. A grid for sound does
    /// not follow such bursts, and the trapezoidal rule gives them a pitch that is not theirs: watch by TR-BDF2.
    ///
    /// # Errors
    /// [`SimError::Undetermined`].
    pub fn bursts(&self) -> Result<Option<Bursts>, SimError> {
        /// Samples looked at on both sides of the loudest: some milliseconds.
        const AROUND: usize = 1024;
        let Some(states) = self.watched.as_ref().filter(|states| !states.is_empty()) else {
            return Ok(None);
        };
        let (a, b) = self.output;
        let volts = |x: &Vec<f64>| x[a] - x[b];
        let rest = volts(&states[0]);
        let loud = |x: &Vec<f64>| (volts(x) - rest).abs();
        let loudest = (0..states.len())
            .max_by(|&j, &k| loud(&states[j]).total_cmp(&loud(&states[k])))
            .unwrap_or(0);
        let last = (loudest + AROUND).min(states.len());
        let around = &states[loudest.saturating_sub(AROUND)..last];
        let duration = around.len() as f64 / self.rate;
        bursts(self.system, around, duration, &mut self.ws.clone())
    }

    /// What the meters show of all that was played.
    pub fn meters(&self) -> Meters {
        self.metering.meters(self.circuit)
    }
}
