//! Volts against time at chosen nodes, from rest.
//!
//! An amplifier that bursts into oscillation is followed once more on a grid that shows it: the steps of a grid for
//! sound damp a burst away.

use std::collections::VecDeque;

use serde::Serialize;

use crate::instruments::peak::{Peak, Places};
use crate::{Measurement, Progress, Reached, UnderTest};
use sim::circuit::NodeId;
use sim::counts::Counts;
use sim::error::SimError;
use sim::parts::Waveform;
use sim::stability::{Bursts, bursts};
use sim::transient::{Method, transient};

/// The question.
#[derive(Clone, Debug)]
pub struct WaveformOf {
    /// The nodes to watch.
    pub nodes: Vec<NodeId>,
    /// What the generator gives, open-circuit volts; none when it is silent.
    pub signal: Option<Waveform>,
    /// Length of the run, s.
    pub duration: f64,
    /// Samples a second.
    pub rate: f64,
    /// Method of integration.
    pub method: Method,
}

/// The answer: one column a node.
#[derive(Clone, Debug, Serialize)]
pub struct Traces {
    /// `[samples]` s.
    pub time: Vec<f64>,
    /// `[nodes][samples]` V.
    pub volts: Vec<Vec<f64>>,
    /// The greatest volts anywhere during the run, windings included; none of a circuit without nodes.
    pub peak: Option<Peak>,
    /// Samples a second that were taken: more than asked for where the amplifier bursts into oscillation.
    pub rate: f64,
    /// The oscillation it bursts into on the way.
    pub bursts: Option<Bursts>,
    /// Work done.
    pub counts: Counts,
}

/// The end of the run that is looked at for bursts, s: two turns of the lowest tone that is heard.
const WATCHED: f64 = 0.1;

/// States a second of it that are looked at, at most twice as many: an amplifier goes from one state to the next in tens of
/// microseconds.
const WATCHED_RATE: f64 = 48e3;

/// It is looked at in stretches of so many seconds, each from the middle of the one before: what turns but a few times in one is
/// no burst.
const STRETCH: f64 = 0.02;

/// States in such a stretch at least.
const LEAST: usize = 64;

/// Samples of a turn of a burst: its shape to a few per cent.
const SAMPLES_OF_TURN: f64 = 24.0;

/// The longest run on a finer grid, in samples; a longer one is told of its bursts and stays as it was asked for.
const MOST_SAMPLES: f64 = 4e6;

impl Measurement for WaveformOf {
    type Answer = Traces;

    /// Runs the circuit from rest, on the mains from the start of a settled period; `progress` gets the share done.
    ///
    /// # Errors
    /// [`sim::error::Question::NotASource`] and [`SimError`] of the run.
    fn ask(&self, of: &UnderTest<'_>, progress: &Progress<'_>) -> Result<Traces, SimError> {
        let (traces, last) = self.run(of, self.rate, progress)?;
        let Some(found) = bursts_on(of, &last, every(self.rate) as f64 / self.rate)? else {
            return Ok(traces);
        };
        let finer = (SAMPLES_OF_TURN * found.frequency / self.rate).ceil();
        let traces = if finer > 1.0 && finer * self.rate * self.duration < MOST_SAMPLES {
            self.run(of, finer * self.rate, progress)?.0
        } else {
            traces
        };
        Ok(Traces {
            bursts: Some(found),
            ..traces
        })
    }
}

/// Every which state of a run at that rate, 1/s, is looked at.
fn every(rate: f64) -> usize {
    (rate / WATCHED_RATE).floor().max(1.0) as usize
}

/// The last burst on states `[states][n+1]` so many seconds apart.
fn bursts_on(
    of: &UnderTest<'_>,
    states: &[Vec<f64>],
    step: f64,
) -> Result<Option<Bursts>, SimError> {
    let long = ((STRETCH / step) as usize).max(LEAST).min(states.len());
    let ws = &mut of.workspace();
    let mut end = states.len();
    while end >= long && long > 0 {
        let stretch = &states[end - long..end];
        let found = bursts(of.system, stretch, step * long as f64, ws)?;
        if found.is_some() || end == long {
            return Ok(found);
        }
        end = (end - long.div_ceil(2)).max(long);
    }
    Ok(None)
}

impl WaveformOf {
    /// The run on a grid of that rate, 1/s, and its last states, [`every`] which.
    fn run(
        &self,
        of: &UnderTest<'_>,
        rate: f64,
        progress: &Progress<'_>,
    ) -> Result<(Traces, Vec<Vec<f64>>), SimError> {
        let system = of.system;
        let ws = &mut match &self.signal {
            Some(signal) => of.driven_by(of.amplifier.bench.generator, signal.clone())?,
            None => of.workspace(),
        };
        let still = of.rest.mains.is_none();
        let at: Vec<u32> = self
            .nodes
            .iter()
            .map(|&node| system.voltage_of(node))
            .collect();
        let mut traces = Traces {
            time: Vec::new(),
            volts: vec![Vec::new(); at.len()],
            peak: None,
            rate,
            bursts: None,
            counts: Counts::default(),
        };
        let every = every(rate);
        let watched = ((WATCHED * rate / every as f64) as usize).max(LEAST);
        let mut last: VecDeque<Vec<f64>> = VecDeque::new();
        let mut watch = Places::of(of.circuit, system).watch();
        transient(
            system,
            self.method,
            (0.0, self.duration, 1.0 / rate),
            still,
            &of.tolerances,
            ws,
            &mut |t: f64, x: &[f64]| {
                traces.time.push(t);
                watch.see(x);
                for (column, &at) in traces.volts.iter_mut().zip(&at) {
                    column.push(x[at as usize]);
                }
                if !traces.time.len().is_multiple_of(every) {
                    return progress(Reached::share(t / self.duration));
                }
                let mut state = if last.len() < watched {
                    Vec::new()
                } else {
                    last.pop_front().unwrap_or_default()
                };
                state.clear();
                state.extend_from_slice(x);
                last.push_back(state);
                progress(Reached::share(t / self.duration));
            },
        )?;
        traces.counts = ws.counts;
        traces.peak = watch.greatest(of.circuit);
        Ok((traces, last.into()))
    }
}
