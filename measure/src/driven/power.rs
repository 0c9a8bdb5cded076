//! How many watts at what distortion, and what sets the limit.
//!
//! ```text
//! P = U²/R_load,   U = rms of the settled output without its mean value
//! ```
//!
//! Each level is a settled period of the whole circuit. The level is swept from 10 mW upwards, then
//! the drive for 1 W, for the rated distortion and for 1, 3, 5 and 10 % is found by solving again.
//!
//! Source   IEC 60268-3: distortion-limited output power, rated load, total harmonic distortion
//!          (terms; from memory). THD is against the fundamental.

use rayon::prelude::*;
use serde::Serialize;

use sim::circuit::{Circuit, NodeId, PartId};
use sim::error::{Question, SimError};
use sim::parts::Waveform;
use sim::periodic::{Period, Settling};
use sim::rest::Rest;
use sim::system::{System, Workspace};
use sim::tolerances::Tolerances;

pub(crate) mod drive;
mod level;
mod limits;
mod target;

pub(crate) use level::Bench;
pub(crate) use limits::{GRID_CURRENT, first_to_give_up};

pub use level::{CoreAtLevel, Level, ValveAtLevel};
pub use limits::{Cause, Limit, Role};

/// The question.
#[derive(Clone, Debug)]
pub struct PowerOf {
    /// The generator, a source.
    pub generator: PartId,
    /// The ends of the load.
    pub load: (NodeId, NodeId),
    /// Rated load, Ω.
    pub load_ohms: f64,
    /// Test frequency, Hz.
    pub frequency: f64,
    /// Distortion that limits rated power, a ratio.
    pub distortion_limit: f64,
    /// How a level is settled.
    pub settling: Settling,
}

/// The answer. SI units; ratios, not per cent.
#[derive(Clone, Debug, Serialize)]
pub struct Power {
    /// Test frequency, Hz.
    pub frequency: f64,
    /// Rated load, Ω.
    pub load_ohms: f64,
    /// Distortion that limits rated power, a ratio.
    pub distortion_limit: f64,
    /// The period of the mains the levels were solved on, s; none when nothing alternates.
    pub mains_period: Option<f64>,
    /// The sweep, in rising drive.
    pub levels: Vec<Level>,
    /// At one watt; none when the amplifier does not reach it.
    pub one_watt: Option<Level>,
    /// At the distortion limit: the distortion-limited output power.
    pub rated: Option<Level>,
    /// At 1, 3, 5 and 10 % THD: the ratio and the level, none when it is not crossed in the sweep.
    pub at_distortion: Vec<AtDistortion>,
    /// The greatest power of the sweep, W, at whatever distortion.
    pub greatest: f64,
    /// What gives up, in rising drive.
    pub limits: Vec<Limit>,
    /// Valves whose anode (or cathode) works on the transformer of the load, or, without one, the
    /// valves of the greatest dissipation.
    pub output_valves: Vec<String>,
    /// The sweep ended early because a level could not be solved: why.
    pub ended_early: Option<String>,
    /// The largest periodicity residual of any level used.
    pub residual: f64,
}

/// A distortion and the level where it is first reached.
#[derive(Clone, Debug, Serialize)]
pub struct AtDistortion {
    /// THD, a ratio.
    pub distortion: f64,
    /// The level.
    pub level: Option<Level>,
}

/// Levels of the sweep solved together.
const BATCH: usize = 8;

/// Step of the sweep, a ratio of drive: 1.25 dB.
const STEP: f64 = 1.154_781_984_689_458;

/// The sweep ends here whatever happens: this far above the drive of 10 mW, a ratio (80 dB).
const MOST_DRIVE: f64 = 1e4;

/// Peak of the generator from which the gain is read, V: too small to distort.
const SMALL: f64 = 1e-3;

/// Distortion at which the sweep may start, a ratio: half the smallest that is looked for.
const QUIET: f64 = 0.005;

/// The sweep starts no lower, V peak.
const LEAST_DRIVE: f64 = 1e-6;

/// Distortion at which the sweep has seen enough, a ratio.
const ENOUGH: f64 = 0.12;

impl PowerOf {
    /// The question the bench of an amplifier file asks.
    pub fn bench(bench: &sim::amplifier::Bench) -> Self {
        Self {
            generator: bench.generator,
            load: bench.load_nodes,
            load_ohms: bench.load_ohms,
            frequency: bench.frequency,
            distortion_limit: bench.distortion_limit,
            settling: Settling::default(),
        }
    }

    /// Answers from the operating point; `progress` is told the number of levels solved so far.
    ///
    /// # Errors
    /// [`Question::NoSignal`] when nothing reaches the load, [`SimError::Oscillates`] when the amplifier
    /// does so by itself, and those of the operating point.
    pub fn run(
        &self,
        circuit: &Circuit,
        system: &System,
        tolerances: &Tolerances,
        progress: &(impl Fn(usize) + Sync),
    ) -> Result<Power, SimError> {
        let (ws, rest) = self.rest(system, tolerances)?;
        rest.stays(system, &ws)?;
        let bench = level::Bench::new(self, circuit, system, (&ws, &rest));
        // A circuit on its mains is slow to settle and starts at its neighbours. Which these are does not depend on
        // threads: only whole batches of the sweep join them.
        let mut neighbours: Vec<level::Neighbour> = Vec::new();
        let settled = |drive: f64, neighbours: &[level::Neighbour]| {
            bench.level_near(drive, neighbours, tolerances)
        };

        let small = bench.settled(SMALL, tolerances)?;
        let start = self.start(&bench, &small, &|drive| bench.level(drive, tolerances))?;
        let output_valves = bench.output_valves(&small);
        let enough = f64::max(ENOUGH, 1.2 * self.distortion_limit);

        // The sweep, a batch at a time.
        let mut levels: Vec<Level> = Vec::new();
        let mut ended_early = None;
        let mut k = 0;
        while ended_early.is_none() {
            let batch: Vec<f64> = (k..k + BATCH)
                .map(|k| start * STEP.powi(k as i32))
                .collect();
            k += BATCH;
            let solved: Vec<Result<_, SimError>> = batch
                .par_iter()
                .map(|&drive| settled(drive, &neighbours))
                .collect();
            for level in solved {
                match level {
                    Ok((level, neighbour)) => {
                        levels.push(level);
                        if rest.mains.is_some() {
                            neighbours.push(neighbour);
                        }
                    }
                    Err(error) => {
                        ended_early = Some(error.to_string());
                        break;
                    }
                }
            }
            progress(levels.len());
            let done = levels
                .last()
                .is_none_or(|last| last.thd > enough || last.drive > MOST_DRIVE * start);
            if done {
                break;
            }
        }
        // What the last batch solved beyond the end says nothing anyone asked.
        if let Some(end) = levels.iter().position(|level| level.thd > enough) {
            levels.truncate(end + 1);
        }
        if levels.is_empty() {
            // The first level failed: its reason is the answer.
            return Err(bench
                .level(start, tolerances)
                .err()
                .unwrap_or(SimError::Question(Question::NoSignal)));
        }

        let solve = |drive: f64| settled(drive, &neighbours).map(|(level, _)| level);
        let targets = [0.01, 0.03, 0.05, 0.10];
        let mut wanted = vec![target::Target::Power(1.0)];
        wanted.extend(targets.map(target::Target::Distortion));
        // The limit is often one of these.
        let limit = self.distortion_limit.to_bits();
        let at_limit = targets.iter().position(|thd| thd.to_bits() == limit);
        if at_limit.is_none() {
            wanted.push(target::Target::Distortion(self.distortion_limit));
        }
        let mut found: Vec<Option<Level>> = wanted
            .par_iter()
            .map(|target| target.find(&levels, &solve))
            .collect();
        let rated = match at_limit {
            Some(place) => found[1 + place].clone(),
            None => found.pop().flatten(),
        };
        let one_watt = found.remove(0);
        let at_distortion = found
            .into_iter()
            .zip(targets)
            .map(|(level, distortion)| AtDistortion { distortion, level })
            .collect();
        // The levels solved for belong to the sweep where onsets are looked for, so that no table shows
        // grid current below the onset it names.
        let mut known: Vec<Level> = levels.clone();
        known.extend(rated.iter().chain(&one_watt).cloned());
        known.sort_by(|a, b| a.drive.total_cmp(&b.drive));
        let limits = limits::limits(&known, &output_valves, &solve);
        Ok(Power {
            frequency: self.frequency,
            mains_period: rest.mains.map(|mains| mains.duration),
            load_ohms: self.load_ohms,
            distortion_limit: self.distortion_limit,
            greatest: levels.iter().map(|level| level.power).fold(0.0, f64::max),
            residual: levels
                .iter()
                .map(|level| level.residual)
                .fold(0.0, f64::max),
            levels,
            limits,
            one_watt,
            rated,
            at_distortion,
            output_valves,
            ended_early,
        })
    }

    /// The level at the distortion limit alone, the first on the way up, for a part of the cost of
    /// [`PowerOf::run`], of a circuit whose rest is known, `ws` at the start of it; none when no drive reaches the
    /// limit.
    ///
    /// # Errors
    /// [`Question::NoSignal`], and those of a level that cannot be solved before the limit is reached.
    pub(crate) fn limit(
        &self,
        circuit: &Circuit,
        system: &System,
        (ws, rest): (&Workspace, &Rest),
        tolerances: &Tolerances,
    ) -> Result<Option<Level>, SimError> {
        /// Levels solved together, and the ratio between two: 3.75 dB.
        const TOGETHER: i32 = 4;
        const STRIDE: f64 = STEP * STEP * STEP;
        let bench = level::Bench::new(self, circuit, system, (ws, rest));
        let solve = |drive: f64| bench.level(drive, tolerances);
        let small = bench.settled(SMALL, tolerances)?;
        let start = self.start(&bench, &small, &solve)?;
        let mut levels: Vec<Level> = Vec::new();
        let mut from = start;
        while from <= MOST_DRIVE * start
            && levels
                .last()
                .is_none_or(|level| level.thd < self.distortion_limit)
        {
            let batch: Vec<Result<Level, SimError>> = (0..TOGETHER)
                .into_par_iter()
                .map(|k| solve(from * STRIDE.powi(k)))
                .collect();
            for level in batch {
                let level = level?;
                let enough = level.thd >= self.distortion_limit;
                levels.push(level);
                if enough {
                    break;
                }
            }
            from *= STRIDE.powi(TOGETHER);
        }
        Ok(target::Target::Distortion(self.distortion_limit).find(&levels, &solve))
    }

    /// The drive a way up starts at, V peak: that of 10 mW, or less where that is already distorted: into the
    /// grid leak of a next stage, say.
    fn start(
        &self,
        bench: &level::Bench<'_>,
        small: &Period,
        solve: &impl Fn(f64) -> Result<Level, SimError>,
    ) -> Result<f64, SimError> {
        let gain = bench.read(SMALL, small).output_rms * std::f64::consts::SQRT_2 / SMALL;
        if gain < 1e-9 {
            return Err(SimError::Question(Question::NoSignal));
        }
        let mut start = (2.0 * 0.01 * self.load_ohms).sqrt() / gain;
        while start > LEAST_DRIVE && solve(start)?.thd > QUIET {
            start *= 0.5;
        }
        Ok(start)
    }

    /// One level: the settled circuit at a generator of that open-circuit peak, V.
    ///
    /// # Errors
    /// Those of the operating point and of settling.
    pub fn at_drive(
        &self,
        circuit: &Circuit,
        system: &System,
        tolerances: &Tolerances,
        drive: f64,
    ) -> Result<Level, SimError> {
        let (ws, rest) = self.rest(system, tolerances)?;
        level::Bench::new(self, circuit, system, (&ws, &rest)).level(drive, tolerances)
    }

    /// The circuit at rest, the generator silent, and a workspace at the start of it.
    pub(crate) fn rest(
        &self,
        system: &System,
        tolerances: &Tolerances,
    ) -> Result<(Workspace, Rest), SimError> {
        let mut ws = system.workspace();
        self.drive(system, self.sine(0.0), &mut ws)?;
        let rest = Rest::find(system, tolerances, &mut ws)?;
        Ok((ws, rest))
    }

    /// The test tone of that peak, V.
    fn sine(&self, amplitude: f64) -> Waveform {
        Waveform::Sine {
            amplitude,
            frequency: self.frequency,
            phase: 0.0,
            offset: 0.0,
        }
    }

    /// Sets the generator.
    fn drive(
        &self,
        system: &System,
        waveform: Waveform,
        ws: &mut Workspace,
    ) -> Result<(), SimError> {
        let place = system
            .sources()
            .position(|part| part == self.generator)
            .ok_or_else(|| SimError::Question(Question::NotASource("the generator".to_owned())))?;
        ws.waveforms[place] = waveform;
        Ok(())
    }
}
