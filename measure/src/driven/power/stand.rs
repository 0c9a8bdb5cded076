//! The amplifier driven: settles the circuit at a tone and reads what comes out.

use super::PowerOf;
use super::level::{CoreAtLevel, HARMONICS, Level, ValveAtLevel};
use super::neighbours::Start;
use crate::UnderTest;
use crate::instruments::flux::of_saturation;
use crate::instruments::peak::Places;
use crate::instruments::valve::ValveProbe;
use sim::Workspace;
use sim::circuit::NodeId;
use sim::common_period::common_period;
use sim::error::{Question, SimError};
use sim::parts::{Part, Waveform};
use sim::periodic::{Aim, Period, Settling, settle_aiming};
use sim::rest::{MAINS_SAMPLES, moving};
use sim::small_signal::Excitation;
use sim::spectrum::Spectrum;

/// The longest period solved for when the mains runs along, s.
const LONGEST: f64 = 0.2;

/// Samples of a cycle of the highest tone when the mains runs along and so many cycles make up a period: its steps then
/// number thousands, and 64 of TR-BDF2 are within 7e-4 points of distortion, 32 within four times that.
fn samples_of_cycle(cycles: usize) -> usize {
    const MANY: usize = 100;
    if cycles > MANY { 32 } else { 64 }
}

/// What folds back from above half the samples may move distortion by so much, a thousandth of a point, or by this share
/// of it: what its steps are worth.
const FOLDED: f64 = 1e-5;
const FOLDED_SHARE: f64 = 5e-4;

/// How near to the settled cycle one on the mains is to start, relative, see [`Settling::closeness`]: a cycle is long
/// there, and one more costs more than the last digit is worth. Bias and supply that are off by so much move the watts
/// by 1e-4 at most.
const CLOSE: f64 = 2e-4;

/// Samples, and cycles at least, after which a level that does not close is given up: a few seconds. What closes does so in
/// a dozen cycles or two; an amplifier overdriven by long cycles, two tones say, may never.
const MOST_SAMPLES: usize = 400 * MAINS_SAMPLES;
const LEAST_CYCLES: u32 = 32;

/// Gain below which nothing arrives, a ratio.
const NOTHING: f64 = 1e-9;

/// What the generator gives.
#[derive(Clone, Debug)]
pub(crate) struct Tone {
    /// Open-circuit volts.
    pub(crate) waveform: Waveform,
    /// It repeats after so long, s.
    pub(crate) duration: f64,
}

/// A figure of the output that is asked for, and where its drive is sought.
pub(crate) struct Wanted<'a> {
    /// What the generator gives at a drive, V.
    pub(crate) tone: &'a dyn Fn(f64) -> Tone,
    /// Where the drive sets out, V, and d ln figure / d ln drive there.
    pub(crate) drive: f64,
    pub(crate) slope: f64,
    /// How closely it is met.
    pub(crate) close: f64,
    /// ln(figure / wanted) of the volts across the load.
    pub(crate) miss: &'a dyn Fn(&Spectrum) -> f64,
}

/// An amplifier, the question of the bench, and everything a level needs. Shared between threads.
pub(crate) struct Stand<'a> {
    question: &'a PowerOf,
    of: &'a UnderTest<'a>,
    /// `[n+1]` the unknowns at rest, their mean on the mains.
    still: Vec<f64>,
    valves: Vec<ValveProbe>,
    /// Cores the signal works on: not those of a mains transformer, which swing at rest.
    cores: Vec<PlacedCore>,
    places: Places,
}

/// A core that can saturate.
struct PlacedCore {
    part: String,
    flux: usize,
    saturation: f64,
}

impl<'a> Stand<'a> {
    pub(crate) fn new(question: &'a PowerOf, of: &'a UnderTest<'a>) -> Self {
        Self {
            question,
            of,
            still: of.rest.mean_state(),
            valves: ValveProbe::all(of.circuit, of.system),
            cores: placed_cores(of),
            places: Places::of(of.circuit, of.system),
        }
    }

    /// Settles the circuit at the question's sine of that peak, V, and reads it.
    pub(crate) fn level(&self, drive: f64, start: Start<'_>) -> Result<Level, SimError> {
        let period = self.settled(&self.tone(drive), start)?;
        Ok(self.read(drive, &period))
    }

    /// The question's sine of that peak, V.
    pub(crate) fn tone(&self, drive: f64) -> Tone {
        self.question.tone(drive)
    }

    /// Peak volts across the load for a volt of the generator, of small signals at the question's frequency.
    ///
    /// # Errors
    /// [`Question::NoSignal`] where nothing arrives, and those of the linearised circuit.
    pub(super) fn gain(&self) -> Result<f64, SimError> {
        let mut linear = self.of.linearised();
        linear.tune(self.question.frequency)?;
        let x = linear.response(Excitation::Source(self.question.generator))?;
        let (a, b) = self.question.load;
        let gain = linear.voltage(&x, a, b).norm();
        if gain < NOTHING {
            return Err(SimError::Question(Question::NoSignal));
        }
        Ok(gain)
    }

    /// The settled period at a tone, its spectrum as good as its steps.
    pub(crate) fn settled(&self, tone: &Tone, start: Start<'_>) -> Result<Period, SimError> {
        let (period, ws) = self.sampled(tone, start)?;
        self.resolved(period, ws)
    }

    /// As [`Stand::settled`], at a drive that follows what is asked of it; the drive, V.
    pub(crate) fn settled_at(
        &self,
        wanted: &Wanted<'_>,
        start: Start<'_>,
    ) -> Result<(Period, f64), SimError> {
        let tone = (wanted.tone)(wanted.drive);
        let (period, ws, drive) = self.sampled_at(&tone, start, Some(wanted))?;
        Ok((self.resolved(period, ws)?, drive))
    }

    /// With so many samples as its spectrum needs.
    fn resolved(&self, period: Period, mut ws: Workspace) -> Result<Period, SimError> {
        let turns = period.turns as usize;
        let (of_turn, most) = (period.samples.len() / turns, self.question.settling.samples);
        if of_turn < most && folds(&self.spectrum(&period)) {
            let samples = turns * most.min(4 * of_turn);
            return period.finer(self.of.system, samples, &self.of.tolerances, &mut ws);
        }
        Ok(period)
    }

    /// The settled period at a tone by the samples it took, for extremes and not for harmonics; with where it ended.
    pub(super) fn sampled(
        &self,
        tone: &Tone,
        start: Start<'_>,
    ) -> Result<(Period, Workspace), SimError> {
        let (period, ws, _) = self.sampled_at(tone, start, None)?;
        Ok((period, ws))
    }

    /// The drive, V, besides, where it follows what is wanted.
    fn sampled_at(
        &self,
        tone: &Tone,
        start: Start<'_>,
        wanted: Option<&Wanted<'_>>,
    ) -> Result<(Period, Workspace, f64), SimError> {
        let asked = &self.question.settling.within(MOST_SAMPLES, LEAST_CYCLES);
        let mut ws = self
            .of
            .driven_by(self.question.generator, tone.waveform.clone())?;
        let neighbour = start.nearest(self.of.rest.neighbour());
        let (system, tolerances) = (self.of.system, &self.of.tolerances);
        // The generator is silent there and no supply, however far it is driven.
        let others = moving(self.of.waveforms());
        let still = others.is_empty();
        // With the mains or another signal: a period that holds whole turns of all.
        let (duration, turns, settling) = if still {
            (tone.duration, 1, *asked)
        } else {
            self.beside_others(tone, others, asked)?
        };
        let waveform =
            |drive: f64| wanted.map_or(tone.waveform.clone(), |w| (w.tone)(drive).waveform);
        let miss = |samples: &[Vec<f64>]| {
            let volts = Spectrum::of_period(&self.load_volts(samples)).of_turns(turns);
            wanted.map_or(0.0, |wanted| (wanted.miss)(&volts))
        };
        let place = self.of.place_of(self.question.generator)?;
        let mut aim = wanted.map(|wanted| {
            let (drive, slope) = (wanted.drive, wanted.slope);
            Aim::new((place, &waveform), (drive, slope), wanted.close, &miss)
        });
        let mut period = settle_aiming(
            system,
            duration,
            &settling,
            tolerances,
            neighbour.as_ref(),
            aim.as_mut(),
            &mut ws,
        )?;
        period.turns = turns;
        let drive = aim.map_or(f64::NAN, |aim| aim.drive);
        Ok((period, ws, drive))
    }

    /// Length, turns of the tone and settling of a period with the mains or another signal, of those frequencies, Hz.
    fn beside_others(
        &self,
        tone: &Tone,
        others: Vec<f64>,
        asked: &Settling,
    ) -> Result<(f64, u32, Settling), SimError> {
        let tones = tone.waveform.frequencies();
        let fastest = tones.iter().copied().fold(0.0, f64::max);
        let common = common_period(&[tones, others].concat(), LONGEST)?;
        let turns = (common.duration / tone.duration).round() as u32;
        let cycles = (fastest * tone.duration).round().max(1.0) as usize;
        let enough = cycles * samples_of_cycle(turns as usize * cycles);
        let of_turn = asked.samples.min(enough);
        let settling = Settling {
            samples: MAINS_SAMPLES.max(turns as usize * of_turn),
            closeness: CLOSE,
            ..*asked
        }
        .within(MOST_SAMPLES, LEAST_CYCLES);
        Ok((common.duration, turns, settling))
    }

    /// The volts across the load, `[samples]`, of a period `[samples][n+1]`.
    fn load_volts(&self, samples: &[Vec<f64>]) -> Vec<f64> {
        let at = |node| self.of.system.voltage_of(node) as usize;
        let (a, b) = (at(self.question.load.0), at(self.question.load.1));
        samples.iter().map(|x| x[a] - x[b]).collect()
    }

    /// The spectrum of the volts across the load, with all that is in it.
    pub(crate) fn spectrum_of_all(&self, period: &Period) -> Spectrum {
        Spectrum::of_period(&self.load_volts(&period.samples))
    }

    /// The spectrum of the volts across the load without hum.
    pub(crate) fn spectrum(&self, period: &Period) -> Spectrum {
        self.spectrum_of_all(period).of_turns(period.turns)
    }

    /// What a settled period says of output, valves and cores.
    pub(crate) fn read(&self, drive: f64, period: &Period) -> Level {
        let spectrum = self.spectrum(period);
        let output_rms = spectrum.rms();
        Level {
            drive,
            drive_rms: drive * std::f64::consts::FRAC_1_SQRT_2,
            output_rms,
            power: output_rms * output_rms / self.question.load_ohms,
            thd: spectrum.thd(),
            harmonics: (2..=HARMONICS)
                .map(|number| spectrum.ratio(number))
                .collect(),
            valves: self
                .valves
                .iter()
                .map(|probe| self.valve(probe, period))
                .collect(),
            cores: self.cores(period),
            peak: self.places.greatest(self.of.circuit, &period.samples),
            cycles: period.cycles,
            residual: period.residual,
            forced: period.forced,
            approach: period.approach,
        }
    }

    fn valve(&self, probe: &ValveProbe, period: &Period) -> ValveAtLevel {
        let limits = &probe.kind().limits;
        let mut reading = ValveAtLevel {
            part: probe.name.clone(),
            i_a_rest: probe.at(&self.still).currents.anode,
            i_a: 0.0,
            i_a_most: f64::NEG_INFINITY,
            i_a_least: f64::INFINITY,
            i_s: 0.0,
            i_g_most: 0.0,
            opposed: false,
            has_screen: probe.has_screen(),
            p_a: 0.0,
            p_s: 0.0,
            p_a_limit: probe.anode_watts_limit(),
            p_s_limit: limits.screen_watts,
            above_knee: None,
            v_ak_most: f64::NEG_INFINITY,
        };
        let share = 1.0 / period.samples.len() as f64;
        let mut above_knee = f64::INFINITY;
        let mut at_least = &self.still;
        for x in &period.samples {
            let now = probe.at(x);
            reading.i_a += share * now.currents.anode;
            reading.i_a_most = reading.i_a_most.max(now.currents.anode);
            if now.currents.anode < reading.i_a_least {
                reading.i_a_least = now.currents.anode;
                at_least = x;
            }
            reading.i_s += share * now.currents.screen;
            reading.i_g_most = reading.i_g_most.max(now.currents.grid);
            reading.p_a += share * probe.anode_watts(&now);
            reading.p_s += share * now.screen_watts();
            reading.v_ak_most = reading.v_ak_most.max(now.v_ak);
            above_knee = above_knee.min(probe.above_knee(&now));
        }
        reading.opposed = self.valves.iter().any(|other| {
            other.kind().name == probe.kind().name
                && other.at(at_least).currents.anode > other.at(&self.still).currents.anode
        });
        reading.above_knee = above_knee.is_finite().then_some(above_knee);
        reading
    }

    fn cores(&self, period: &Period) -> Vec<CoreAtLevel> {
        self.cores
            .iter()
            .map(|core| {
                let most = period
                    .samples
                    .iter()
                    .map(|x| x[core.flux].abs())
                    .fold(0.0, f64::max);
                CoreAtLevel {
                    part: core.part.clone(),
                    saturation: most / core.saturation,
                }
            })
            .collect()
    }

    /// Designators of the valves that work on the load's transformer: those whose anode or cathode swings
    /// with one of its windings. Without such a transformer, those that dissipate at least half of what
    /// the hottest does. `period` is a settled one with some signal.
    pub(super) fn output_valves(&self, period: &Period) -> Vec<String> {
        /// Of the largest swing on the iron: an anode fed from the HT end of the winding has far less.
        const SWINGS: f64 = 0.1;
        let (a, b) = self.question.load;
        let on_load = |node| node != NodeId::CHASSIS && (node == a || node == b);
        let iron: Vec<NodeId> = self
            .of
            .circuit
            .parts()
            .filter(|(_, placed)| {
                matches!(placed.part, Part::Transformer(_))
                    && placed.nodes.iter().any(|&n| on_load(n))
            })
            .flat_map(|(_, placed)| placed.nodes.clone())
            .filter(|&node| node != NodeId::CHASSIS)
            .collect();
        let swing = |probe: &ValveProbe| {
            let placed = self.of.circuit.part(probe.part);
            let Part::Valve(valve) = &placed.part else {
                return 0.0;
            };
            let wiring = valve.wiring(&placed.nodes);
            let working = wiring.anodes.iter().chain(wiring.cathode).copied();
            working
                .filter(|node| iron.contains(node))
                .map(|node| {
                    Spectrum::of_period(&period.unknown(self.of.system.voltage_of(node))).rms()
                })
                .fold(0.0, f64::max)
        };
        let swings: Vec<f64> = self.valves.iter().map(swing).collect();
        let largest = swings.iter().copied().fold(0.0, f64::max);
        let watts: Vec<f64> = self
            .valves
            .iter()
            .map(|probe| probe.at(&self.still).anode_watts())
            .collect();
        let hottest = watts.iter().copied().fold(0.0, f64::max);
        self.valves
            .iter()
            .zip(swings.iter().zip(&watts))
            .filter(|(_, (swing, watts))| {
                if largest > 0.0 {
                    **swing >= SWINGS * largest
                } else {
                    **watts >= 0.5 * hottest
                }
            })
            .map(|(probe, _)| probe.name.clone())
            .collect()
    }
}

/// Whether harmonics beyond the last may be as large as to be seen in distortion. The upper quarter of those there are is
/// what comes back from beyond, if they fall no faster: H_k with a share of H_(N−k), which moves THD² by their product.
fn folds(spectrum: &Spectrum) -> bool {
    let upper = spectrum.harmonics.len() / 4 * 3;
    let ratio = |amplitude: f64| amplitude / spectrum.fundamental();
    let power: f64 = spectrum.harmonics[upper..]
        .iter()
        .map(|harmonic| ratio(harmonic.amplitude).powi(2))
        .sum();
    let thd = spectrum.thd();
    power > f64::max(FOLDED, FOLDED_SHARE * thd) * thd
}

/// The cores of [`Stand`].
fn placed_cores(of: &UnderTest<'_>) -> Vec<PlacedCore> {
    /// Swing at rest that makes a core one of the mains, rms of the flux that saturates it: a smoothing
    /// choke swings by hundredths.
    const SWINGS: f64 = 0.2;
    let amplifier = of.amplifier;
    let fed = (amplifier.mains.map(|mains| mains.part), &amplifier.taps[..]);
    of.circuit
        .parts()
        .filter_map(|(id, placed)| {
            let flux = of.system.flux_of(id)? as usize;
            let saturation = of_saturation(of.circuit, fed, id)?;
            let works = of.rest.ripple(|x| x[flux]) < SWINGS * saturation;
            works.then(|| PlacedCore {
                part: placed.name.clone(),
                flux,
                saturation,
            })
        })
        .collect()
}
