//! The hum of an amplifier on its own mains, without a signal, and what makes it.
//!
//! ```text
//! U_hum = √(Σ |U_k|²),   U_k the lines of the settled mains period at the load
//! share of a cause = 1 - (U_off/U_hum)²
//! ```
//!
//! Symbols   U_k  rms phasor of line k, V;  U_off  hum of the same circuit, solved again, with one cause
//!           switched off, see `change`
//!
//! Each cause is judged by a full solve of the changed circuit and not by a formula, so iron, rectifiers
//! and feedback act on it as they do. A share is a share of the hum's power that goes when the cause goes:
//! it is negative where a cause cancels another, as the two filaments of a push-pull pair do. In a linear
//! circuit the differences of phasors add up to the hum; [`Hum::sum_db`] says how well they do here.
//!
//! Source   IEC 60268-3, hum: output with the generator replaced by its source resistance, against the
//!          rated output (from memory); A-weighting of IEC 61672-1
//! Care     not in it: what flows in the chassis and its wiring, stray fields nobody stated, microphony
//!
//! Over 400 lines because the question, its answer and the jobs between them are one contract.

use models::noise::thermal;
use nalgebra::Complex;
use rayon::prelude::*;
use serde::Serialize;

use crate::driven::power::PowerOf;
use crate::instruments::rails::{Rail, rails, rectified};
use crate::instruments::weighting::a_weighting;
use crate::small_signal::noise::ROOM;
use crate::under_test::carried;
use crate::{Measurement, Progress, Reached, UnderTest};
use sim::circuit::{Circuit, NodeId, PartId};
use sim::error::{Question, SimError};
use sim::periodic::Settling;
use sim::rest::frequencies;
use sim::small_signal::Excitation;
use sim::system::System;

pub(crate) mod balance;
mod causes;
pub(crate) mod change;
mod reading;
mod signal;

pub use balance::{Balanced, Coupling};
pub use causes::CauseKind;
pub use signal::{Drive, Sideband, WithSignal};

use causes::{Cause, causes};
use change::{Alteration, changed, held};
use reading::Reading;

/// Highest line that is listed, Hz; the totals go on to the last.
const LISTED: f64 = 1e3;

/// A mismatch of the output pair, a ratio of one valve's current at the same volts.
/// Source    new valves of one type lie within ± 10 % or so (common practice, no source)
const MISMATCH: [f64; 2] = [1.1, 0.9];

/// How well a changed circuit closes, relative. What is left of the hum may be picovolts beside the millivolts
/// that went, and closing those to a millionth would be waiting for rounding errors to agree; this keeps
/// each line within a thousandth of a decibel of the swing it came from.
const PERIODICITY: f64 = 1e-5;

/// dB within which the causes, one at a time, must add up for the circuit to pass as linear.
pub const ADDS_UP: f64 = 1.0;

/// Width of the band that is heard, Hz.
const HEARD: f64 = 20e3;

/// Share of the hum that may be left when all causes are off at once for them to pass as what makes most of it: a quarter of its
/// power.
pub const UNEXPLAINED: f64 = 0.5;

/// The question.
#[derive(Clone, Debug)]
pub struct HumOf {
    /// Generator, load and test tone.
    pub bench: PowerOf,
    /// Drive of the test with a signal, if one is wanted.
    pub drive: Option<Drive>,
}

/// The answer. SI units.
#[derive(Clone, Debug, Serialize)]
pub struct Hum {
    /// Hz.
    pub mains_frequency: f64,
    /// Resistance that the generator leaves at the input, Ω.
    pub generator_ohms: f64,
    /// Rated load, Ω.
    pub load_ohms: f64,
    /// Highest line in the totals, Hz.
    pub highest: f64,
    /// Hum across the load, V rms.
    pub output_rms: f64,
    /// Hum across the load, A-weighted, V rms.
    pub output_a_rms: f64,
    /// Multiples of the mains frequency to 1 kHz.
    pub lines: Vec<Line>,
    /// What makes it, those first that leave the least hum when they go.
    pub causes: Vec<CauseOfHum>,
    /// The phasors that go with each cause that is not within another, added up, V rms.
    pub sum_rms: f64,
    /// That sum against the hum, dB; none without causes or hum.
    pub sum_db: Option<f64>,
    /// Hum left when all causes are off at once, V rms.
    pub left_rms: f64,
    /// Hum with an output pair that does not match.
    pub mismatch: Vec<Mismatch>,
    /// How much of each rail's ripple reaches the load.
    pub rails: Vec<RailRejection>,
    /// Common-mode rejection at twice the mains frequency.
    pub balanced: Vec<Balanced>,
    /// Sidebands of a tone; none when not asked for.
    pub with_signal: Option<WithSignal>,
    /// What could not be solved for, and why; all the rest holds without it.
    pub unsolved: Vec<String>,
    /// Length of the period, s.
    pub period: f64,
    /// What is left to settle, relative.
    pub residual: f64,
}

/// A line of the hum.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Line {
    /// Multiple of the mains frequency.
    pub number: u32,
    /// Hz.
    pub frequency: f64,
    /// V rms.
    pub rms: f64,
    /// A-weighted, V rms.
    pub a_rms: f64,
}

/// A cause of hum.
#[derive(Clone, Debug, Serialize)]
pub struct CauseOfHum {
    /// What kind.
    pub kind: CauseKind,
    /// The node of a rail, or the part.
    pub name: String,
    /// Capacitors of a rail, valves of a winding.
    pub parts: Vec<String>,
    /// Name of the cause that this one is a part of: the rail that feeds this rail, the winding of a
    /// filament.
    pub within: Option<String>,
    /// Hum with the cause switched off, V rms.
    pub off_rms: f64,
    /// Hum with the cause switched off, A-weighted, V rms.
    pub off_a_rms: f64,
    /// Share of the hum's power that goes with it; negative when there is more without it.
    pub share: f64,
    /// Share of the A-weighted hum's power that goes with it.
    pub share_a: f64,
    /// Difference of the phasors with and without it, V rms.
    pub difference_rms: f64,
    /// Hum with all other causes off, V rms; none for a part of another cause.
    pub alone_rms: Option<f64>,
}

/// Hum with one valve of the output pair off.
#[derive(Clone, Debug, Serialize)]
pub struct Mismatch {
    /// The valve that differs.
    pub valve: String,
    /// Its current at the same volts, as a ratio.
    pub ratio: f64,
    /// V rms.
    pub output_rms: f64,
    /// A-weighted, V rms.
    pub output_a_rms: f64,
}

/// A rail and what its ripple does, all other rails held still.
#[derive(Clone, Debug, Serialize)]
pub struct RailRejection {
    /// The node.
    pub node: String,
    /// Its capacitors.
    pub capacitors: Vec<String>,
    /// Mean, V.
    pub volts: f64,
    /// Ripple, V rms.
    pub ripple: f64,
    /// Twice the mains frequency, Hz.
    pub frequency: f64,
    /// Its ripple there, V rms.
    pub ripple_there: f64,
    /// What that alone makes at the load, V rms.
    pub output_there: f64,
    /// Ripple over what it makes, dB; none when nothing arrives.
    pub rejection_db: Option<f64>,
}

/// A solve that is to be done.
enum Job {
    Off(usize),
    Alone(usize),
    Silent,
    Mismatched(PartId, f64),
}

impl Job {
    fn words(&self, circuit: &Circuit, causes: &[Cause]) -> String {
        match self {
            Self::Off(k) => format!("without {}", causes[*k].name),
            Self::Alone(k) => format!("with {} alone", causes[*k].name),
            Self::Silent => "without any cause".to_owned(),
            Self::Mismatched(part, ratio) => {
                let valve = &circuit.part(*part).name;
                format!("with {valve} at {:.0} % of its current", 100.0 * ratio)
            }
        }
    }
}

/// The volts that hum, and the period of the mains.
struct Heard<'a> {
    of: &'a UnderTest<'a>,
    load: (NodeId, NodeId),
    period: f64,
}

impl Hum {
    /// Thermal noise of the load by itself in the band that is heard, V rms: hum below it is not there to be mended, and
    /// may be nothing but the rounding of the solve.
    ///
    /// Source    √(4 k T R Δf), Nyquist, Phys. Rev. 32 (1928) 110 (from memory)
    pub fn own_noise_of_load(&self) -> f64 {
        (thermal(self.load_ohms.recip(), ROOM) * HEARD).sqrt() * self.load_ohms
    }

    /// Whether the causes listed are what makes most of it: no more than [`UNEXPLAINED`] is left without them all. Where more is,
    /// none of them can be blamed.
    pub fn is_explained(&self) -> bool {
        self.left_rms <= UNEXPLAINED * self.output_rms
    }
}

impl HumOf {
    /// The question the bench of an amplifier file asks.
    pub fn bench(bench: &sim::amplifier::Bench) -> Self {
        Self {
            bench: PowerOf::bench(bench),
            drive: None,
        }
    }
}

impl Measurement for HumOf {
    type Answer = Hum;

    /// Answers; `progress` is told the number of solves done and of all.
    ///
    /// Cost: two settled mains periods for each cause.
    ///
    /// # Errors
    /// [`Question::NoMains`], [`SimError::Oscillates`] when the amplifier does so by itself, and those of
    /// settling.
    fn ask(&self, of: &UnderTest<'_>, progress: &Progress<'_>) -> Result<Hum, SimError> {
        let (circuit, system, rest) = (of.circuit, of.system, &of.rest);
        let supplies = frequencies(of.waveforms());
        let mains = supplies.into_iter().fold(f64::INFINITY, f64::min);
        let Some(settled) = rest.mains.filter(|_| mains.is_finite()) else {
            return Err(SimError::Question(Question::NoMains));
        };
        of.lasts()?;
        let heard = Heard {
            of,
            load: self.bench.load,
            period: settled.duration,
        };
        let hum = Reading::of(rest, system, self.bench.load, settled.duration);
        let rails = rails(circuit, system, rest, mains, &rectified(circuit));
        let causes = causes(circuit, system, rest, &rails);

        let mut jobs: Vec<Job> = (0..causes.len()).map(Job::Off).collect();
        jobs.extend(
            (0..causes.len())
                .filter(|&k| causes[k].within.is_none())
                .map(Job::Alone),
        );
        jobs.push(Job::Silent);
        let pair = balance::output_pair(circuit, self.bench.load);
        if let Some((first, _)) = pair {
            jobs.extend(MISMATCH.map(|ratio| Job::Mismatched(first, ratio)));
        }
        let done = std::sync::atomic::AtomicUsize::new(0);
        let solved: Vec<Result<Reading, SimError>> = jobs
            .par_iter()
            .map(|job| {
                let reading = heard.without(&causes, job);
                let count = done.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
                progress(Reached::of(count + 1, jobs.len()));
                reading
            })
            .collect();
        let mut unsolved = Vec::new();
        let mut readings: Vec<Option<Reading>> = Vec::new();
        for (job, reading) in jobs.iter().zip(solved) {
            match (job, reading) {
                (_, Ok(reading)) => readings.push(Some(reading)),
                // What is left without them all is what the rest is judged by.
                (Job::Silent, Err(error)) => return Err(error),
                (Job::Off(_) | Job::Alone(_) | Job::Mismatched(..), Err(error)) => {
                    unsolved.push(format!("{}: {error}", job.words(circuit, &causes)));
                    readings.push(None);
                }
            }
        }
        let found = |wanted: &dyn Fn(&Job) -> bool| {
            let place = jobs.iter().position(wanted)?;
            readings[place].as_ref()
        };
        let mut sum = hum.silent();
        let mut listed: Vec<CauseOfHum> = Vec::new();
        for (k, cause) in causes.iter().enumerate() {
            let Some(off) = found(&|job| matches!(job, Job::Off(n) if *n == k)) else {
                continue;
            };
            let alone = found(&|job| matches!(job, Job::Alone(n) if *n == k));
            let difference = hum.less(off);
            if cause.within.is_none() {
                sum.add(&difference);
            }
            listed.push(CauseOfHum {
                kind: cause.kind,
                name: cause.name.clone(),
                parts: cause.parts.clone(),
                within: cause.within.map(|outer| causes[outer].name.clone()),
                off_rms: off.rms(),
                off_a_rms: off.a_rms(),
                share: share(off.rms(), hum.rms()),
                share_a: share(off.a_rms(), hum.a_rms()),
                difference_rms: difference.rms(),
                alone_rms: alone.map(Reading::rms),
            });
        }
        // A stable sort: equal shares keep the order of the file.
        listed.sort_by(|a, b| b.share.total_cmp(&a.share));
        let mut mismatch = Vec::new();
        for (job, reading) in jobs.iter().zip(&readings) {
            if let (Job::Mismatched(part, ratio), Some(reading)) = (job, reading) {
                mismatch.push(Mismatch {
                    valve: circuit.part(*part).name.clone(),
                    ratio: *ratio,
                    output_rms: reading.rms(),
                    output_a_rms: reading.a_rms(),
                });
            }
        }
        let mut linear = of.linearised();
        linear.tune(2.0 * mains)?;
        let transfers = linear.transfers(self.bench.load.0, self.bench.load.1);
        let with_signal = match self.drive {
            None => None,
            Some(drive) => match signal::with_signal(&self.bench, of, mains, drive) {
                Ok(found) => Some(found),
                Err(error @ SimError::Question(_)) => return Err(error),
                Err(error) => {
                    unsolved.push(format!("with a signal: {error}"));
                    None
                }
            },
        };
        let generator = circuit.part(self.bench.generator).part.source();
        Ok(Hum {
            mains_frequency: mains,
            generator_ohms: generator.map_or(0.0, |source| source.resistance),
            load_ohms: self.bench.load_ohms,
            highest: hum.frequency(hum.phasors.len() - 1),
            output_rms: hum.rms(),
            output_a_rms: hum.a_rms(),
            lines: lines(&hum, mains),
            sum_rms: sum.rms(),
            sum_db: (!listed.is_empty() && sum.rms() > 0.0 && hum.rms() > 0.0)
                .then(|| 20.0 * (sum.rms() / hum.rms()).log10()),
            causes: listed,
            left_rms: found(&|job| matches!(job, Job::Silent)).map_or(0.0, Reading::rms),
            mismatch,
            rails: heard.rejections(&rails, mains)?,
            balanced: balance::rejection(circuit, system, rest, &transfers),
            with_signal,
            unsolved,
            period: settled.duration,
            residual: settled.residual,
        })
    }
}

/// Share of the power of `whole` that is not in `rest`, V rms both.
fn share(rest: f64, whole: f64) -> f64 {
    if whole > 0.0 {
        1.0 - (rest / whole).powi(2)
    } else {
        0.0
    }
}

/// The multiples of the mains frequency that are listed.
fn lines(hum: &Reading, mains: f64) -> Vec<Line> {
    let most = (LISTED / mains).round() as u32;
    (1..=most)
        .map(|number| {
            let frequency = f64::from(number) * mains;
            let rms = hum.at(frequency).norm();
            Line {
                number,
                frequency,
                rms,
                a_rms: a_weighting(frequency) * rms,
            }
        })
        .collect()
}

impl Heard<'_> {
    /// The hum of the circuit of a job.
    fn without(&self, causes: &[Cause], job: &Job) -> Result<Reading, SimError> {
        let outer = |kept: Option<usize>| -> Vec<Alteration> {
            let others = causes.iter().enumerate();
            others
                .filter(|(k, cause)| cause.within.is_none() && Some(*k) != kept)
                .flat_map(|(_, cause)| cause.off.clone())
                .collect()
        };
        let changes = match job {
            Job::Off(k) => causes[*k].off.clone(),
            Job::Alone(k) => outer(Some(*k)),
            Job::Silent => outer(None),
            Job::Mismatched(part, ratio) => vec![Alteration::Current(*part, *ratio)],
        };
        let circuit = changed(self.of.circuit, &changes);
        let system = compiled(&circuit);
        let changed = self.of.near_by(
            &circuit,
            &system,
            &Settling {
                periodicity: PERIODICITY,
                ..Settling::default()
            },
        )?;
        Ok(Reading::of(&changed.rest, &system, self.load, self.period))
    }

    /// What the ripple of each rail makes, the others held still: from the circuit linearised.
    fn rejections(&self, rails: &[Rail], mains: f64) -> Result<Vec<RailRejection>, SimError> {
        let holds: Vec<Alteration> = rails
            .iter()
            .map(|rail| Alteration::Hold(rail.node, rail.against, rail.held))
            .collect();
        let circuit = changed(self.of.circuit, &holds);
        let system = compiled(&circuit);
        let samples: Vec<Vec<f64>> = self
            .of
            .rest
            .samples()
            .iter()
            .map(|x| carried(self.of.system, x, &system))
            .collect();
        let mut ws = system.workspace();
        let mut linear = sim::small_signal::SmallSignal::over(&system, &samples, &mut ws);
        let frequency = 2.0 * mains;
        linear.tune(frequency)?;
        rails
            .iter()
            .map(|rail| {
                let source = circuit.find_part(&held(&circuit, rail.node));
                let gain = match source {
                    Some(source) => {
                        let x = linear.response(Excitation::Source(source))?;
                        linear.voltage(&x, self.load.0, self.load.1)
                    }
                    None => Complex::default(),
                };
                let on_rail = (rail.node, rail.against);
                let ripple_there = Reading::of(&self.of.rest, self.of.system, on_rail, self.period)
                    .at(frequency)
                    .norm();
                Ok(RailRejection {
                    node: self.of.circuit.node_name(rail.node).to_owned(),
                    capacitors: rail.capacitors.clone(),
                    volts: rail.volts,
                    ripple: rail.ripple,
                    frequency,
                    ripple_there,
                    output_there: gain.norm() * ripple_there,
                    rejection_db: (gain.norm() > 0.0).then(|| -20.0 * gain.norm().log10()),
                })
            })
            .collect()
    }
}

/// The equations of a changed circuit.
fn compiled(circuit: &Circuit) -> System {
    System::of(circuit)
        .expect("a circuit that compiled stays sound when something in it is held or silenced")
}
