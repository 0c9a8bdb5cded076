//! How many watts at what distortion, and what sets the limit.
//!
//! ```text
//! P = U²/R_load,   U = rms of the settled output without its mean value
//! ```
//!
//! Each level is a settled period of the whole circuit. The level is swept from 10 mW upwards until the output has
//! stopped rising, then the drive for 1 W, for the rated distortion, for 1, 3, 5 and 10 % and for any output asked
//! for is found by solving again. Distortion may pass a limit several times: crossover distortion falls again as
//! the drive rises. Every passage is told, and the last on the way up is where the limit holds.
//!
//! Source   IEC 60268-3: distortion-limited output power, rated load, total harmonic distortion
//!          (terms; from memory). THD is against the fundamental.
//!
//! Over 400 lines because the answer stands beside how its parts are put together.

use rayon::prelude::*;
use serde::Serialize;

use crate::instruments::load_condition::hangs_on_a_transformer;
use crate::instruments::peak::Peak;
use crate::small_signal::drives::faults;
use crate::{Measurement, Progress, UnderTest};
use sim::circuit::{NodeId, PartId};
use sim::error::SimError;
use sim::parts::Waveform;
use sim::periodic::{Period, Settling};

mod bursting;
mod climb;
mod crossover;
pub(crate) mod drive;
mod interpolation;
mod level;
mod limits;
mod neighbours;
mod one_by_one;
mod stand;
mod target;
mod way_to_limit;

use climb::Climb;
pub(crate) use limits::{GRID_CURRENT, first_to_give_up};
pub(crate) use neighbours::{Neighbour, Start};
pub(crate) use one_by_one::OneByOne;
pub(crate) use stand::{Stand, Tone, Wanted};

pub use bursting::Bursting;
pub use crossover::Crossover;
pub use level::{CoreAtLevel, Level, ValveAtLevel};
pub use limits::{CLASS_A, Cause, Limit, Role};
pub use stand::has_filaments;
pub use target::Output;

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
    /// Outputs at which the distortion is asked for besides.
    pub at: Vec<Output>,
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
    /// True of a stage whose output is volts and no power: no transformer and no loudspeaker stands at its output, and
    /// the load is a grid leak or a line of more than 1 kΩ. It has no output valves and no class.
    pub in_volts: bool,
    /// The sweep, in rising drive.
    pub levels: Vec<Level>,
    /// At one watt; none when the amplifier does not reach it.
    pub one_watt: Option<Level>,
    /// At the distortion limit: the distortion-limited output power.
    pub rated: Option<Level>,
    /// At 1, 3, 5 and 10 % THD: the ratio and the level, none when it is not crossed in the sweep.
    pub at_distortion: Vec<AtDistortion>,
    /// Every passage of the distortion limit, when there is more than one.
    pub passages: Vec<Passage>,
    /// At the outputs asked for.
    pub at_output: Vec<AtOutput>,
    /// Crossover distortion: a distortion that falls again as the drive rises.
    pub crossover: Option<Crossover>,
    /// The greatest power of the sweep, W, at whatever distortion.
    pub greatest: f64,
    /// What gives up, in rising drive.
    pub limits: Vec<Limit>,
    /// Valves whose anode (or cathode) works on the transformer of the load, or, without one, the
    /// valves of the greatest dissipation; none of a stage that gives volts.
    pub output_valves: Vec<String>,
    /// Where it bursts into oscillation, which ends the sweep.
    pub bursting: Option<Bursting>,
    /// The sweep ended early because a level could not be solved: which, and why.
    pub ended_early: Option<String>,
    /// The largest periodicity residual of any level used.
    pub residual: f64,
    /// True where the signal does not reach the load, so that one level stands for all: `ended_early` says why.
    #[serde(skip)]
    pub silent: bool,
}

/// A distortion and the greatest level at which it is reached on the way up.
#[derive(Clone, Debug, Serialize)]
pub struct AtDistortion {
    /// THD, a ratio.
    pub distortion: f64,
    /// The level.
    pub level: Option<Level>,
    /// Every passage, when there is more than one.
    pub passages: Vec<Passage>,
}

/// A level at which the distortion passes a value, in rising drive.
#[derive(Clone, Debug, Serialize)]
pub struct Passage {
    /// Peak of the generator, V.
    pub drive: f64,
    /// Output, W.
    pub power: f64,
    /// Output, V rms.
    pub output_rms: f64,
    /// True when the distortion rises through the value there, false when it falls.
    pub rising: bool,
}

/// An output asked for and its level; none when the sweep does not reach it.
#[derive(Clone, Debug, Serialize)]
pub struct AtOutput {
    /// The output.
    #[serde(flatten)]
    pub output: Output,
    /// The level.
    pub level: Option<Level>,
}

/// Load above which a stage without an output transformer gives volts and no power, Ω: loudspeakers lie below, headphones,
/// lines of 600 Ω and the grid leaks that stages work into above (common practice, no source).
const LINE: f64 = 100.0;

/// Watts into a load, Ω, or the volts across it.
fn output(in_volts: bool, watts: f64, load_ohms: f64) -> Output {
    if in_volts {
        Output::Volts((watts * load_ohms).sqrt())
    } else {
        Output::Watts(watts)
    }
}

impl Power {
    /// An output of so many watts into the rated load as it is told.
    pub fn output(&self, watts: f64) -> Output {
        output(self.in_volts, watts, self.load_ohms)
    }

    /// The greatest volts anywhere at any level.
    pub fn peak(&self) -> Option<Peak> {
        let levels = self.levels.iter().chain(&self.rated);
        levels
            .filter_map(|level| level.peak.clone())
            .reduce(Peak::or)
    }
}

/// Why next to nothing reaches the load, where that is seen.
pub(crate) fn silent(of: &UnderTest<'_>) -> Result<Option<String>, SimError> {
    let mut faults = faults(of)?.into_iter();
    let silent = faults.find(|fault| fault.silent);
    Ok(silent.map(|fault| fault.what.trim_end_matches('.').to_owned()))
}

/// Those of [`Power::output_valves`], by a settled period with some signal.
fn output_valves(stand: &Stand<'_>, period: &Period, in_volts: bool) -> Vec<String> {
    if in_volts {
        Vec::new()
    } else {
        stand.output_valves(period)
    }
}

/// Distortion at which the sweep may start, a ratio: half the smallest that is looked for.
const QUIET: f64 = 0.005;

/// The sweep starts no lower, V peak.
const LEAST_DRIVE: f64 = 1e-6;

/// Drive of the one level of an amplifier whose load the signal does not reach, V peak: no stage clips at so little
/// (common practice, no source).
const QUIET_INPUT: f64 = 1e-3;

impl PowerOf {
    /// The question the bench of an amplifier file asks.
    pub fn bench(bench: &sim::amplifier::Bench) -> Self {
        Self {
            generator: bench.generator,
            load: bench.load_nodes,
            load_ohms: bench.load_ohms,
            frequency: bench.frequency,
            distortion_limit: bench.distortion_limit,
            at: Vec::new(),
            settling: Settling::default(),
        }
    }

    /// The sine of the question with that peak, V.
    pub(crate) fn tone(&self, drive: f64) -> Tone {
        Tone {
            waveform: Waveform::Sine {
                amplitude: drive,
                frequency: self.frequency,
                phase: 0.0,
                offset: 0.0,
            },
            duration: 1.0 / self.frequency,
        }
    }

    /// One level: the settled circuit at a generator of that open-circuit peak, V.
    ///
    /// # Errors
    /// Those of settling.
    pub fn at_drive(&self, of: &UnderTest<'_>, drive: f64) -> Result<Level, SimError> {
        Stand::new(self, of).level(drive, Start::Rest)
    }

    /// See [`Power::in_volts`].
    pub fn in_volts(&self, of: &UnderTest<'_>) -> bool {
        self.load_ohms > LINE && !hangs_on_a_transformer(of.circuit, of.amplifier.bench.load)
    }

    /// Those of [`Power::output_valves`] alone, by one small level.
    ///
    /// # Errors
    /// Those of the first level of the question.
    pub(crate) fn output_valves(&self, of: &UnderTest<'_>) -> Result<Vec<String>, SimError> {
        let stand = Stand::new(self, of);
        let (_, period) = self.start(&stand, silent(of)?.is_some())?;
        Ok(output_valves(&stand, &period, self.in_volts(of)))
    }

    /// An output of so many watts into the rated load as it is told.
    pub(crate) fn output(&self, of: &UnderTest<'_>, watts: f64) -> Output {
        output(self.in_volts(of), watts, self.load_ohms)
    }

    /// The drive a way up starts at, V peak, and the period settled there: that of 10 mW by the gain for small signals, or
    /// less where that is already distorted: into the grid leak of a next stage, say.
    /// Where nothing reaches the load no drive gives 10 mW, and the level is that of a quiet input.
    fn start(&self, stand: &Stand<'_>, silent: bool) -> Result<(f64, Period), SimError> {
        let gain = stand.gain()?;
        if silent {
            let period = stand.settled(&self.tone(QUIET_INPUT), Start::Rest)?;
            return Ok((QUIET_INPUT, period));
        }
        let mut start = (2.0 * 0.01 * self.load_ohms).sqrt() / gain;
        loop {
            let period = stand.settled(&self.tone(start), Start::Rest)?;
            if start <= LEAST_DRIVE || stand.read(start, &period).thd <= QUIET {
                return Ok((start, period));
            }
            start *= 0.5;
        }
    }
}

impl Measurement for PowerOf {
    type Answer = Power;

    /// Answers; `progress` is told the number of levels solved so far.
    ///
    /// # Errors
    /// [`NoSignal`](sim::error::Question::NoSignal) when nothing reaches the load, [`SimError::Oscillates`] when the amplifier
    /// does so by itself.
    fn ask(&self, of: &UnderTest<'_>, progress: &Progress<'_>) -> Result<Power, SimError> {
        self.settled(of, Extent::All, progress)
            .map(|(power, _)| power)
    }
}

/// How much is asked of a sweep.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Extent {
    /// The whole answer.
    All,
    /// The curve with the rated level, one watt and the outputs asked for: neither [`Power::at_distortion`] nor
    /// [`Power::limits`], which cost as much as the curve.
    Curve,
}

impl PowerOf {
    /// The answer, and every level that was settled on the way to it.
    ///
    /// # Errors
    /// Those of [`PowerOf::ask`].
    pub(crate) fn settled(
        &self,
        of: &UnderTest<'_>,
        extent: Extent,
        progress: &Progress<'_>,
    ) -> Result<(Power, Vec<Neighbour>), SimError> {
        of.lasts()?;
        let stand = &Stand::new(self, of);
        let silent = silent(of)?;
        let (start, period) = self.start(stand, silent.is_some())?;
        let in_volts = self.in_volts(of);
        let output_valves = output_valves(stand, &period, in_volts);
        let climb = Climb::beyond_limit(start, self.distortion_limit);
        // Where the signal is lost, no drive brings it out.
        let climb = match silent {
            Some(_) => climb.stay(&period, stand),
            None => climb.run(&period, stand, progress),
        };
        let (levels, mut neighbours) = (climb.levels, climb.neighbours);
        let targets: &[f64] = match extent {
            Extent::All => &[0.01, 0.03, 0.05, 0.10],
            Extent::Curve => &[],
        };
        let mut wanted = vec![target::Target::Output(Output::Watts(1.0))];
        wanted.extend(self.at.iter().copied().map(target::Target::Output));
        let outputs = wanted.len();
        wanted.extend(targets.iter().copied().map(target::Target::Distortion));
        // The limit is often one of these.
        let limit = self.distortion_limit.to_bits();
        let at_limit = targets.iter().position(|thd| thd.to_bits() == limit);
        if at_limit.is_none() {
            wanted.push(target::Target::Distortion(self.distortion_limit));
        }
        let (mut found, near): (Vec<target::Found>, Vec<OneByOne>) = wanted
            .par_iter()
            .map(|target| {
                let near = OneByOne::beside(&neighbours);
                let found = target.find(&levels, &|drive| near.level(stand, drive));
                (found, near)
            })
            .unzip();
        let known = neighbours.len();
        for near in near {
            neighbours.extend(near.into_inner().split_off(known));
        }
        let mut at_distortion = found.split_off(outputs);
        let limit = match at_limit {
            Some(place) => Some(at_distortion[place].clone()),
            None => at_distortion.pop(),
        };
        let (rated, passages) = limit.map_or((None, Vec::new()), |limit| {
            (limit.last, target::several(limit.passages))
        });
        let at_distortion: Vec<AtDistortion> = at_distortion
            .into_iter()
            .zip(targets)
            .map(|(found, &distortion)| AtDistortion {
                distortion,
                level: found.last,
                passages: target::several(found.passages),
            })
            .collect();
        let one_watt = found.remove(0).last;
        let at_output: Vec<AtOutput> = found
            .into_iter()
            .zip(&self.at)
            .map(|(found, &output)| AtOutput {
                output,
                level: found.last,
            })
            .collect();
        let ended = climb
            .ended
            .as_ref()
            .map(|error| climb::ended_at(&levels, error))
            .or_else(|| silent.clone());
        let near = OneByOne::beside(&neighbours);
        let bursting = bursting::onset(climb.ended.as_ref(), &levels, &|drive| {
            near.level(stand, drive)
        });
        // The levels solved for belong to the sweep where onsets are looked for, so that no table shows
        // grid current below the onset it names.
        let mut known: Vec<Level> = levels.clone();
        known.extend(rated.iter().chain(&one_watt).cloned());
        known.extend(at_distortion.iter().filter_map(|at| at.level.clone()));
        known.extend(at_output.iter().filter_map(|at| at.level.clone()));
        known.sort_by(|a, b| a.drive.total_cmp(&b.drive));
        known.dedup_by(|a, b| a.drive.to_bits() == b.drive.to_bits());
        let limits = match extent {
            Extent::All => limits::limits(&known, &output_valves, &|| {
                let near = OneByOne::beside(&neighbours);
                move |drive: f64| near.extremes(stand, drive)
            }),
            Extent::Curve => Vec::new(),
        };
        let crossover = crossover::of(&levels, &output_valves);
        let power = Power {
            frequency: self.frequency,
            mains_period: of.rest.mains.map(|mains| mains.duration),
            load_ohms: self.load_ohms,
            in_volts,
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
            passages,
            at_output,
            crossover,
            output_valves,
            ended_early: ended.filter(|_| bursting.is_none()),
            bursting,
            silent: silent.is_some(),
        };
        Ok((power, neighbours))
    }
}
