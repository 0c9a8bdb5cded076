//! Volts against time at chosen nodes, from rest.

use serde::Serialize;

use crate::instruments::peak::{Peak, Places};
use crate::{Measurement, Progress, Reached, UnderTest};
use sim::circuit::NodeId;
use sim::counts::Counts;
use sim::error::SimError;
use sim::parts::Waveform;
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
    /// Work done.
    pub counts: Counts,
}

impl Measurement for WaveformOf {
    type Answer = Traces;

    /// Runs the circuit from rest, on the mains from the start of a settled period; `progress` gets the share done.
    ///
    /// # Errors
    /// [`sim::error::Question::NotASource`] and [`SimError`] of the run.
    fn ask(&self, of: &UnderTest<'_>, progress: &Progress<'_>) -> Result<Traces, SimError> {
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
            counts: Counts::default(),
        };
        let places = Places::of(of.circuit, system);
        let mut watch = places.watch();
        transient(
            system,
            self.method,
            (0.0, self.duration, 1.0 / self.rate),
            still,
            &of.tolerances,
            ws,
            &mut |t: f64, x: &[f64]| {
                traces.time.push(t);
                watch.see(x);
                for (column, &at) in traces.volts.iter_mut().zip(&at) {
                    column.push(x[at as usize]);
                }
                progress(Reached::share(t / self.duration));
            },
        )?;
        traces.counts = ws.counts;
        traces.peak = watch.greatest(of.circuit);
        Ok(traces)
    }
}
