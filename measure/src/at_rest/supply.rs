//! The power supply of an amplifier on its own mains: volts, ripple, stresses, regulation, discharge.
//!
//! Every figure is read from a settled period of the whole circuit, at each end and in the middle of the
//! mains band and on each tap of the mains transformer; each is solved by itself, so that threads change
//! nothing. Ripple, peaks and rms currents are those of the samples.
//!
//! Care   a period has [`sim::rest::MAINS_SAMPLES`] samples: a peak that lasts a twentieth of it is read to
//!        a thousandth
//!
//! Over 400 lines because the answer is one long table of types.

use rayon::prelude::*;
use serde::Serialize;
use std::sync::atomic::{AtomicUsize, Ordering};

use crate::driven::power::{PowerOf, Stand, Start};
use crate::instruments::peak::{Peak, Places, most};
use crate::{Measurement, Progress, Reached, UnderTest};
use sim::System;
use sim::amplifier::{Amplifier, Mains, Taps};
use sim::circuit::Circuit;
use sim::error::SimError;
use sim::parts::Waveform;
use sim::periodic::Period;
use sim::system::Workspace;

mod beyond;
mod capacitor_current;
mod discharge;
mod figures;
mod points;
mod source_ohms;

pub use beyond::{Beyond, Kind, Solved as SolvedConditions, Stress, beyond};
pub use discharge::{DISCHARGED, Discharge, LONGEST};
pub(crate) use discharge::{discharge_cold, without_leakage};
use figures::Reading;
pub use figures::{
    AnodeStress, CapacitorStress, CoreStress, Figures, PairStress, Plug, PointVolts,
    RectifierStress, SharingResistor, StabiliserStress, WindingStress,
};
use points::Points;
pub(crate) use points::junctions;

/// The question.
#[derive(Clone, Debug)]
pub struct SupplyOf {
    mains: Mains,
    taps: Vec<Taps>,
    power: PowerOf,
    /// Peak of the generator at full drive, V; none leaves full drive out.
    pub drive: Option<f64>,
}

/// A place in the mains band.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Band {
    /// The least volts to be reckoned with.
    Low,
    /// The volts of the file, or those set.
    Nominal,
    /// The greatest volts to be reckoned with.
    High,
}

/// The answer.
#[derive(Clone, Debug, Serialize)]
pub struct Supply {
    /// Designator of the mains.
    pub mains: String,
    /// Hz.
    pub frequency: f64,
    /// Designator of the mains transformer, when it has taps to choose from or one that is named.
    pub transformer: Option<String>,
    /// No signal: each tap at low, nominal and high mains.
    pub conditions: Vec<Condition>,
    /// Full drive at nominal mains on the tap in use; none when no drive was given.
    pub full_drive: Option<Condition>,
    /// From idle to full drive, each HT point; empty without full drive.
    pub regulation: Vec<Regulation>,
    /// After switching off at high mains on the tap in use.
    pub discharge: Vec<Discharge>,
    /// Why the discharge could not be followed; none when it was.
    pub discharge_failed: Option<String>,
    /// The greatest volts anywhere under any of the conditions, windings included.
    pub peak: Option<Peak>,
    /// Over a mains period at nominal mains, no signal.
    pub traces: Traces,
}

/// The supply under one condition.
#[derive(Clone, Debug, Serialize)]
pub struct Condition {
    /// Volts of the tap, V; none without a mains transformer.
    pub tap: Option<f64>,
    /// True on the tap in use.
    pub in_use: bool,
    /// Place in the band.
    pub band: Band,
    /// Mains, V rms.
    pub volts: f64,
    /// Peak of the generator, V; none with no signal.
    pub drive: Option<f64>,
    /// Power into the load, W; none with no signal.
    pub output: Option<f64>,
    /// Why there are no figures; none when there are.
    pub failed: Option<String>,
    /// The figures.
    pub figures: Option<Figures>,
}

/// An HT point from idle to full drive.
#[derive(Clone, Debug, Serialize)]
pub struct Regulation {
    /// The node.
    pub node: String,
    /// Mean at idle, V.
    pub idle: f64,
    /// Mean at full drive, V.
    pub driven: f64,
    /// The change as a share of the idle volts.
    pub change: f64,
}

/// Waveforms over a mains period.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Traces {
    /// s.
    pub time: Vec<f64>,
    /// Volts of each HT point against the chassis.
    pub points: Vec<Trace>,
    /// Current of each rectifying path, A.
    pub currents: Vec<Trace>,
}

/// One waveform.
#[derive(Clone, Debug, Serialize)]
pub struct Trace {
    /// Node, or designator and anode.
    pub name: String,
    /// True at a rectifier itself.
    pub reservoir: bool,
    /// V or A, a value a sample.
    pub values: Vec<f64>,
}

/// A condition to be solved.
#[derive(Clone, Copy, Debug)]
struct Job {
    tap: Option<f64>,
    in_use: bool,
    band: Band,
    volts: f64,
    /// True where the circuit is as it was found at rest.
    as_drawn: bool,
    drive: Option<f64>,
}

/// What solving it gave.
struct Solved {
    condition: Condition,
    error: Option<SimError>,
    discharge: Option<Result<Vec<Discharge>, SimError>>,
    peak: Option<Peak>,
    traces: Option<Traces>,
}

impl SupplyOf {
    /// The question of an amplifier with its own mains; none of one without.
    pub fn of(amplifier: &Amplifier) -> Option<Self> {
        Some(Self {
            mains: amplifier.mains?,
            taps: amplifier.taps.clone(),
            power: PowerOf::bench(&amplifier.bench),
            drive: None,
        })
    }

    /// The supply of the amplifier where it rests on its mains at a place of the band, on the tap in use.
    pub(crate) fn resting(&self, of: &UnderTest<'_>, band: Band, volts: f64) -> Condition {
        let points = Points::of(of.circuit);
        let reading = Reading {
            circuit: of.circuit,
            system: of.system,
            mains: self.mains.part,
            taps: &self.taps,
            points: &points,
            period: &of.rest.period(1.0 / self.mains.frequency),
        };
        Condition {
            tap: None,
            in_use: true,
            band,
            volts,
            drive: None,
            output: None,
            failed: None,
            figures: Some(reading.figures(&mut of.workspace())),
        }
    }

    /// Conditions the question comes to.
    pub fn conditions(&self) -> usize {
        3 * self.taps.first().map_or(1, |taps| taps.all.len()) + usize::from(self.drive.is_some())
    }
}

impl Measurement for SupplyOf {
    type Answer = Supply;

    /// Answers; `progress` is told the number of conditions solved so far.
    ///
    /// # Errors
    /// Those of settling at nominal mains on the tap in use, with no signal and at full drive; where another
    /// condition does not settle, the answer says so.
    fn ask(&self, of: &UnderTest<'_>, progress: &Progress<'_>) -> Result<Supply, SimError> {
        let circuit = of.circuit;
        let jobs = self.jobs(circuit);
        let points = Points::of(circuit);
        let done = AtomicUsize::new(0);
        let mut solved: Vec<Solved> = jobs
            .par_iter()
            .map(|job| {
                let solved = self.solve(of, *job, &points);
                let done = done.fetch_add(1, Ordering::Relaxed) + 1;
                progress(Reached::of(done, jobs.len()));
                solved
            })
            .collect();
        for solved in &mut solved {
            if solved.condition.in_use
                && solved.condition.band == Band::Nominal
                && let Some(error) = solved.error.take()
            {
                return Err(error);
            }
        }
        let traces = solved.iter_mut().find_map(|solved| solved.traces.take());
        let discharge = solved.iter_mut().find_map(|solved| solved.discharge.take());
        let (discharge, discharge_failed) = match discharge {
            Some(Ok(discharge)) => (discharge, None),
            Some(Err(error)) => (Vec::new(), Some(error.to_string())),
            None => (Vec::new(), Some("high mains did not settle".to_owned())),
        };
        let peak = most(solved.iter_mut().map(|solved| solved.peak.take()));
        let (driven, conditions): (Vec<Condition>, Vec<Condition>) = solved
            .into_iter()
            .map(|solved| solved.condition)
            .partition(|condition| condition.drive.is_some());
        let full_drive = driven.into_iter().next();
        Ok(Supply {
            mains: circuit.part(self.mains.part).name.clone(),
            frequency: self.mains.frequency,
            transformer: self
                .taps
                .first()
                .map(|taps| circuit.part(taps.part).name.clone()),
            regulation: regulation(&conditions, full_drive.as_ref()),
            conditions,
            full_drive,
            discharge,
            discharge_failed,
            peak,
            traces: traces.unwrap_or_default(),
        })
    }
}

impl SupplyOf {
    fn jobs(&self, circuit: &Circuit) -> Vec<Job> {
        let source = circuit.part(self.mains.part).part.source();
        let set = source.map_or(0.0, |source| source.waveform.alternating_rms());
        // A chassis that is unplugged with --set is asked about as it is when plugged in.
        let nominal = if set > 0.0 { set } else { self.mains.nominal };
        let band = [
            (Band::Low, self.mains.low),
            (Band::Nominal, nominal),
            (Band::High, self.mains.high),
        ];
        let taps: Vec<(Option<f64>, bool)> = match self.taps.first() {
            None => vec![(None, true)],
            Some(taps) => {
                // The tap in use is one of them to the figures that were written.
                let apart = |tap: &f64| (tap - taps.in_use).abs();
                let in_use = taps
                    .all
                    .iter()
                    .copied()
                    .min_by(|a, b| apart(a).total_cmp(&apart(b)));
                let all = taps.all.iter();
                all.map(|&tap| (Some(tap), Some(tap) == in_use)).collect()
            }
        };
        let mut jobs = Vec::new();
        for (tap, in_use) in taps {
            for (band, volts) in band {
                let job = Job {
                    tap,
                    in_use,
                    band,
                    volts,
                    as_drawn: in_use && band == Band::Nominal && set > 0.0,
                    drive: None,
                };
                jobs.push(job);
                if in_use && band == Band::Nominal && self.drive.is_some() {
                    jobs.push(Job {
                        drive: self.drive,
                        ..job
                    });
                }
            }
        }
        jobs
    }

    fn solve(&self, of: &UnderTest<'_>, job: Job, points: &Points) -> Solved {
        let mut condition = Condition {
            tap: job.tap,
            in_use: job.in_use,
            band: job.band,
            volts: job.volts,
            drive: job.drive,
            output: None,
            failed: None,
            figures: None,
        };
        let circuit = if job.as_drawn {
            of.circuit.clone()
        } else {
            self.under(of.circuit, job)
        };
        // The tap and the volts are values of parts: they do not change what can be drawn.
        let system = System::of(&circuit).expect("the circuit of another tap has no other faults");
        let reading = |period: &Period, ws: &mut Workspace| {
            let reading = Reading {
                circuit: &circuit,
                system: &system,
                mains: self.mains.part,
                taps: &self.taps,
                points,
                period,
            };
            let traces = (job.band == Band::Nominal && job.in_use && job.drive.is_none())
                .then(|| traces(&reading));
            (reading.figures(ws), traces)
        };
        let solved = (!job.as_drawn)
            .then(|| of.near(&circuit, &system))
            .transpose();
        let found = solved.and_then(|changed| {
            let of = changed.as_ref().unwrap_or(of);
            let rest = &of.rest;
            let Some(drive) = job.drive else {
                let period = rest.period(1.0 / self.mains.frequency);
                return Ok((period, None, of.workspace()));
            };
            let stand = Stand::new(&self.power, of);
            let period = stand.settled(&stand.tone(drive), Start::Rest)?;
            let output = stand.read(drive, &period).power;
            Ok((period, Some(output), of.workspace()))
        });
        let (error, period) = match found {
            Ok((period, output, ws)) => {
                condition.output = output;
                (None, Some((period, ws)))
            }
            Err(error) => {
                condition.failed = Some(error.to_string());
                (Some(error), None)
            }
        };
        let mut solved = Solved {
            condition,
            error,
            peak: None,
            discharge: None,
            traces: None,
        };
        if let Some((period, mut ws)) = period {
            let (figures, traces) = reading(&period, &mut ws);
            solved.condition.figures = Some(figures);
            solved.peak = Places::of(&circuit, &system).greatest(&circuit, &period.samples);
            solved.traces = traces;
            if job.in_use && job.band == Band::High {
                solved.discharge = Some(discharge::discharge(
                    &circuit,
                    &system,
                    &points.capacitors(),
                    &period.samples[0],
                    &of.tolerances,
                ));
            }
        }
        solved
    }

    /// The circuit at the mains volts and on the tap of a condition.
    fn under(&self, circuit: &Circuit, job: Job) -> Circuit {
        let mut circuit = circuit.clone();
        circuit.set_waveform(
            self.mains.part,
            Waveform::Alternating {
                amplitude: job.volts * std::f64::consts::SQRT_2,
                frequency: self.mains.frequency,
                phase: 0.0,
            },
        );
        if let (Some(taps), Some(tap), false) = (self.taps.first(), job.tap, job.in_use) {
            taps.choose(tap, &mut circuit);
        }
        circuit
    }
}

fn traces(reading: &Reading<'_>) -> Traces {
    let count = reading.period.samples.len();
    let points = reading.volts_of_points().into_iter();
    let mut currents = Vec::new();
    for (id, placed) in reading.circuit.parts() {
        let junctions = points::junctions(placed);
        for (junction, path) in junctions.iter().zip(reading.paths(id)) {
            let anode = reading.circuit.node_name(junction.anode);
            currents.push(Trace {
                name: format!("{} from {anode}", placed.name),
                reservoir: true,
                values: path.into_iter().map(|(_, amps)| amps).collect(),
            });
        }
    }
    Traces {
        time: (0..count)
            .map(|k| reading.period.duration * (k as f64 / count as f64))
            .collect(),
        points: points
            .map(|(name, reservoir, values)| Trace {
                name,
                reservoir,
                values,
            })
            .collect(),
        currents,
    }
}

fn regulation(conditions: &[Condition], driven: Option<&Condition>) -> Vec<Regulation> {
    let idle = conditions
        .iter()
        .find(|condition| condition.in_use && condition.band == Band::Nominal);
    let (Some(idle), Some(driven)) = (
        idle.and_then(|condition| condition.figures.as_ref()),
        driven.and_then(|condition| condition.figures.as_ref()),
    ) else {
        return Vec::new();
    };
    idle.points
        .iter()
        .zip(&driven.points)
        .map(|(idle, driven)| Regulation {
            node: idle.node.clone(),
            idle: idle.volts,
            driven: driven.volts,
            change: (driven.volts - idle.volts) / idle.volts,
        })
        .collect()
}
