//! Volts against time at chosen nodes, from rest.

use serde::Serialize;

use sim::circuit::NodeId;
use sim::counts::Counts;
use sim::error::SimError;
use sim::rest::Rest;
use sim::system::{System, Workspace};
use sim::tolerances::Tolerances;
use sim::transient::{Method, transient};

/// The question.
#[derive(Clone, Debug)]
pub struct WaveformOf {
    /// The nodes to watch.
    pub nodes: Vec<NodeId>,
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
    /// Work done.
    pub counts: Counts,
}

impl WaveformOf {
    /// Runs the circuit from rest, on the mains from the start of a settled period, with the waveforms in `ws`; `progress` gets the share done, 0…1.
    ///
    /// # Errors
    /// [`SimError`] of the operating point and of the run.
    pub fn run(
        &self,
        system: &System,
        tolerances: &Tolerances,
        ws: &mut Workspace,
        mut progress: impl FnMut(f64),
    ) -> Result<Traces, SimError> {
        let still = Rest::find(system, tolerances, ws)?.mains.is_none();
        let at: Vec<u32> = self
            .nodes
            .iter()
            .map(|&node| system.voltage_of(node))
            .collect();
        let mut traces = Traces {
            time: Vec::new(),
            volts: vec![Vec::new(); at.len()],
            counts: Counts::default(),
        };
        transient(
            system,
            self.method,
            (0.0, self.duration, 1.0 / self.rate),
            still,
            tolerances,
            ws,
            &mut |t: f64, x: &[f64]| {
                traces.time.push(t);
                for (column, &at) in traces.volts.iter_mut().zip(&at) {
                    column.push(x[at as usize]);
                }
                progress(t / self.duration);
            },
        )?;
        traces.counts = ws.counts;
        Ok(traces)
    }
}
