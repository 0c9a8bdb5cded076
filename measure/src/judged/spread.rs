//! How far a figure may lie from the drawing's: tolerances of parts, spread of valves, mains.
//!
//! ```text
//! u(x) = (high − low)/√12,   Z = ½ (f(x + u) − f(x − u)),   u²(f) = Σ Z²,   share = Z²/u²(f)
//! ```
//!
//! Three answers beside each other. Samples: amplifiers whose values are drawn independently, each anywhere
//! between its limits alike, and solved in full; supplies go together. First order: the second line, with each value moved
//! by itself and the circuit solved in full. Corners: every value at the end of its tolerance that
//! moves the figure one way, solved in full.
//!
//! Symbols   x a value of a part;  u its standard uncertainty;  f the figure
//! Source    JCGM 100:2008 (GUM), 4.3.7 limits and nothing else known: a rectangular distribution; 5.1.2 and
//!           the note to 5.1.3 on Z.  JCGM 101:2008, propagation of distributions by samples (all from memory)
//! Care      corners are the worst case where the figure is monotonic in every value, which is not proved:
//!           samples beyond them are counted, see `corners.rs`.  Selected and matched parts, ageing and parts of one batch, which
//!           are alike, are not rectangular and not independent.  The load is held
//!
//! Over 400 lines because the three answers are asked of the same values in one question.

use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;

use crate::at_rest::voltages::Voltages;
use crate::driven::hum::balance::output_pair;
use crate::instruments::random::Stream;
use crate::instruments::valve::ValveProbe;
use crate::instruments::varied::{self, Allowed, Varied};
use crate::judged::figure::{Figure, OfValve};
use crate::judged::study::Study;
use crate::{Measurement, Progress, Reached, UnderTest};
use sim::System;
use sim::amplifier::Amplifier;
use sim::circuit::PartId;
use sim::error::{Question, SimError};

mod answer;
mod corners;
mod first_order;
mod statistics;
#[cfg(test)]
mod tests;

pub use answer::{Corner, Distribution, FigureSpread, Limits, Quantile, Share, Spread, Stand};
use corners::Solved;
use first_order::{Effect, FirstOrder};
pub use statistics::Estimate;
use statistics::Sorted;

/// Shares of the distribution that are told, ratios.
const QUANTILES: [f64; 5] = [0.025, 0.05, 0.5, 0.95, 0.975];

/// A figure that is asked for, and what it is to be held against.
#[derive(Clone, Debug)]
pub struct Asked {
    /// The figure.
    pub figure: Figure,
    /// Least and greatest that will do; without both, the limit of type or parts list.
    pub least: Option<f64>,
    /// See there.
    pub greatest: Option<f64>,
}

/// The question.
#[derive(Clone, Debug)]
pub struct SpreadOf {
    /// What is looked at; all of them in the same samples.
    pub asked: Vec<Asked>,
    /// How far things may lie off.
    pub allowed: Allowed,
    /// Amplifiers drawn.
    pub samples: usize,
    /// What the draw begins with.
    pub seed: u64,
}

/// Why a sample has no figure.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Missing {
    Oscillates,
    Unsolved,
    Without,
}

type Measured = Result<f64, Missing>;

/// The amplifier as drawn, and what differs from one to the next.
struct Drawn<'a> {
    of: &'a UnderTest<'a>,
    varied: Vec<Varied>,
}

/// Figures usual at idle: anode current and dissipation of the output valves and the balance of a pair; of an
/// amplifier without such, those of the valve that dissipates most. None without a valve.
pub fn usual(amplifier: &Amplifier, rest: &Voltages) -> Vec<Figure> {
    let circuit = &amplifier.circuit;
    let pair = output_pair(circuit, amplifier.bench.load_nodes);
    let name = |part: PartId| circuit.part(part).name.clone();
    let valves: Vec<String> = if let Some((first, second)) = pair {
        vec![name(first), name(second)]
    } else {
        let valves = rest.valves.iter();
        let hottest = valves.max_by(|a, b| a.p_a.value.total_cmp(&b.p_a.value));
        hottest.iter().map(|valve| valve.part.clone()).collect()
    };
    let of = |what: OfValve| {
        let valves = valves.iter();
        valves.map(move |valve| Figure::Valve(valve.clone(), what))
    };
    let mut figures: Vec<Figure> = of(OfValve::AnodeCurrent).collect();
    figures.extend(of(OfValve::AnodeWatts));
    if let [first, second] = &valves[..] {
        figures.push(Figure::Balance(first.clone(), second.clone()));
    }
    figures
}

impl Measurement for SpreadOf {
    type Answer = Spread;

    /// Answers; `progress` is told how many amplifiers are measured and how many there are. The answer does
    /// not depend on the number of threads.
    ///
    /// Cost: the figures of as many amplifiers as there are samples, two for each value that varies, two for
    /// each figure, and for each of its ends one for every value where `corners.rs` says so.
    ///
    /// # Errors
    /// Those of the figures as drawn, [`SimError::Oscillates`] of an amplifier that does so by itself, and
    /// [`Question::NothingVaries`].
    fn ask(&self, of: &UnderTest<'_>, progress: &Progress<'_>) -> Result<Spread, SimError> {
        let amplifier = of.amplifier;
        let drawn = Drawn::new(of, &self.allowed)?;
        let study = Study::near(amplifier, of.system, of);
        let rest = study.rest()?;
        if let Some(growing) = rest.growing {
            return Err(growing.into());
        }
        let nominal: Result<Vec<Option<f64>>, SimError> = self
            .asked
            .iter()
            .map(|asked| Ok(asked.figure.of(&study)?.filter(|figure| figure.is_finite())))
            .collect();
        let nominal = nominal?;

        let moves = 2 * drawn.varied.len();
        let sweeps = match (self.is_cheap(), of.rest.mains.is_some()) {
            (false, _) => 0,
            (true, true) => corners::ON_MAINS,
            (true, false) => corners::STILL,
        };
        // A sweep tries each value once and ends with all together; there may be a few more or fewer.
        let of_corner = 1 + sweeps * (drawn.varied.len() + 1);
        let all = moves + self.samples + 2 * self.asked.len() * of_corner;
        let measured = AtomicUsize::new(0);
        let measure = |asked: &[Asked], ratios: &[f64], scratch: &mut Amplifier| {
            let figures = drawn.measure(asked, ratios, scratch);
            let done = measured.fetch_add(1, Ordering::Relaxed) + 1;
            progress(Reached::of(done, all.max(done)));
            figures
        };
        let each: Vec<Vec<Measured>> = (0..moves + self.samples)
            .into_par_iter()
            .map_init(
                || amplifier.clone(),
                |scratch, k| {
                    let ratios = match k.checked_sub(moves) {
                        None => drawn.moved(k / 2, k % 2 == 1),
                        Some(sample) => drawn.sample(self.seed, sample as u64),
                    };
                    measure(&self.asked, &ratios, scratch)
                },
            )
            .collect();
        let (each, samples) = each.split_at(moves);

        let orders: Vec<FirstOrder> = (0..self.asked.len())
            .map(|figure| {
                let effects = each.chunks_exact(2).zip(&drawn.varied);
                let effects = effects.map(|(sides, varied)| {
                    let side = |k: usize| sides[k][figure].ok();
                    Effect::new(nominal[figure], side(0), side(1), varied)
                });
                FirstOrder::new(nominal[figure], effects.collect())
            })
            .collect();
        let corners: Vec<Solved> = (0..2 * self.asked.len())
            .into_par_iter()
            .map(|corner| {
                let (figure, high) = (corner / 2, corner % 2 == 1);
                let mut scratch = amplifier.clone();
                let asked = &self.asked[figure..=figure];
                let found = samples.iter().filter_map(|figures| figures[figure].ok());
                let stands = orders[figure].stands(high);
                corners::solved(stands, high, sweeps, found, |stands| {
                    let ratios = corners::ratios(stands, &drawn.varied);
                    measure(asked, &ratios, &mut scratch)[0].ok()
                })
            })
            .collect();

        let figures = (0..self.asked.len()).map(|k| {
            let values: Vec<Measured> = samples.iter().map(|figures| figures[k]).collect();
            self.figure(
                k,
                &drawn,
                rest,
                nominal[k],
                &values,
                &orders[k],
                &corners[2 * k..2 * k + 2],
            )
        });
        let allowed = &self.allowed;
        Ok(Spread {
            samples: self.samples,
            seed: self.seed,
            on_mains: of.rest.mains.is_some(),
            tolerance: allowed.parts,
            capacitors: allowed.capacitors,
            inductors: allowed.inductors,
            valve_spread: allowed.valves,
            mu_spread: allowed.mu,
            mains_low: allowed.mains.0,
            mains_high: allowed.mains.1,
            varied: drawn.varied.len(),
            figures: figures.collect(),
        })
    }
}

impl SpreadOf {
    /// True when no figure takes settled periods.
    fn is_cheap(&self) -> bool {
        !self.asked.iter().any(|asked| asked.figure.needs_periods())
    }

    /// What is told of one figure.
    #[allow(
        clippy::too_many_arguments,
        reason = "everything found out about one figure"
    )]
    fn figure(
        &self,
        number: usize,
        drawn: &Drawn<'_>,
        rest: &Voltages,
        nominal: Option<f64>,
        values: &[Measured],
        order: &FirstOrder,
        corners: &[Solved],
    ) -> FigureSpread {
        let (lowest, highest) = (&corners[0], &corners[1]);
        let asked = &self.asked[number];
        let missing = |why: Missing| values.iter().filter(|v| **v == Err(why)).count();
        let found: Vec<f64> = values.iter().filter_map(|value| value.ok()).collect();
        let beyond = |least: Option<f64>, greatest: Option<f64>| {
            let values = found.iter();
            let beyond = values.filter(|&&value| {
                least.is_some_and(|least| value < least)
                    || greatest.is_some_and(|greatest| value > greatest)
            });
            beyond.count()
        };
        let given = asked.least.is_some() || asked.greatest.is_some();
        let (least, greatest) = if given {
            (asked.least, asked.greatest)
        } else {
            (None, asked.figure.limit(rest))
        };
        let limited = least.is_some() || greatest.is_some();
        let limit = limited.then(|| Limits {
            least,
            greatest,
            asked: given,
            beyond: beyond(least, greatest),
        });
        let corner = |solved: &Solved, high| Corner {
            value: solved.value,
            first_order: order.corner_sum(high),
            swept: solved.swept,
        };
        FigureSpread {
            figure: asked.figure.to_string(),
            unit: asked.figure.unit().symbol(),
            drawn: nominal,
            found: found.len(),
            oscillating: missing(Missing::Oscillates),
            unsolved: missing(Missing::Unsolved),
            without: missing(Missing::Without),
            first_order: order.deviation(),
            lowest: corner(lowest, false),
            highest: corner(highest, true),
            beyond_corners: beyond(lowest.value, highest.value),
            limit,
            shares: order.shares(
                |varied| drawn.name(varied),
                &drawn.varied,
                [&lowest.stands, &highest.stands],
            ),
            values: values.iter().map(|value| value.ok()).collect(),
            distribution: Sorted::new(found).map(|sorted| distribution(&sorted)),
        }
    }
}

impl<'a> Drawn<'a> {
    fn new(of: &'a UnderTest<'a>, allowed: &Allowed) -> Result<Self, SimError> {
        let (circuit, rest) = (of.circuit, &of.rest);
        // The amplification factor is changed about the mean volts.
        let probes = ValveProbe::all(circuit, of.system);
        let state = rest.mean_state();
        let volts = |part: PartId| {
            let probe = probes.iter().find(|probe| probe.part == part)?;
            let at = probe.at(&state);
            let screen = if probe.strapped { at.v_ak } else { at.v_sk };
            // A valve that is off has none to speak of.
            (at.v_ak > 0.0).then_some((at.v_ak, screen))
        };
        let mut varied = varied::of_parts(circuit, allowed, volts);
        varied.retain(|varied| varied.parts[0] != of.amplifier.bench.load);
        varied.extend(varied::of_supplies(circuit, allowed));
        if varied.is_empty() {
            return Err(SimError::Question(Question::NothingVaries));
        }
        Ok(Self { of, varied })
    }

    /// The figures of an amplifier with these ratios of its values; `scratch` is a copy that is written over.
    fn measure(&self, asked: &[Asked], ratios: &[f64], scratch: &mut Amplifier) -> Vec<Measured> {
        let none = |why: Missing| vec![Err(why); asked.len()];
        scratch.circuit.clone_from(self.of.circuit);
        for (varied, &ratio) in self.varied.iter().zip(ratios) {
            varied.scale(&mut scratch.circuit, ratio);
        }
        let Ok(system) = System::of(&scratch.circuit) else {
            return none(Missing::Unsolved);
        };
        let study = Study::near(scratch, &system, self.of);
        match study.rest() {
            Ok(rest) if rest.growing.is_none() => {}
            Ok(_) | Err(SimError::Oscillates { .. }) => return none(Missing::Oscillates),
            Err(_) => return none(Missing::Unsolved),
        }
        let figures = asked.iter();
        figures
            .map(|asked| match asked.figure.of(&study) {
                Ok(Some(figure)) if figure.is_finite() => Ok(figure),
                Ok(_) => Err(Missing::Without),
                Err(SimError::Oscillates { .. }) => Err(Missing::Oscillates),
                Err(_) => Err(Missing::Unsolved),
            })
            .collect()
    }

    /// What a value belongs to.
    fn name(&self, varied: &Varied) -> String {
        match &varied.parts[..] {
            [part] if !matches!(varied.quantity, varied::Quantity::Volts) => {
                self.of.circuit.part(*part).name.clone()
            }
            _ if self.of.rest.mains.is_some() => "mains".to_owned(),
            _ => "supplies".to_owned(),
        }
    }

    /// Ratios of a sample, which depend on nothing but the seed and its number.
    fn sample(&self, seed: u64, number: u64) -> Vec<f64> {
        let mut stream = Stream::new(seed, number);
        let values = self.varied.iter();
        values
            .map(|varied| varied.low + stream.share() * (varied.high - varied.low))
            .collect()
    }

    /// Ratios with one value a standard uncertainty off, everything else as drawn.
    fn moved(&self, value: usize, up: bool) -> Vec<f64> {
        let mut ratios = vec![1.0; self.varied.len()];
        let (middle, uncertainty) = self.varied[value].rectangular();
        ratios[value] = middle + if up { uncertainty } else { -uncertainty };
        ratios
    }
}

fn distribution(sorted: &Sorted) -> Distribution {
    let values = sorted.values();
    Distribution {
        mean: sorted.mean(),
        deviation: sorted.deviation(),
        quantiles: QUANTILES
            .into_iter()
            .map(|share| {
                let Estimate { value, error } = sorted.quantile(share);
                Quantile {
                    share,
                    value,
                    error,
                }
            })
            .collect(),
        least: values[0],
        greatest: values[values.len() - 1],
    }
}
