//! The amplifier driven: settles the circuit at a tone and reads what comes out.

use super::PowerOf;
use super::level::{CoreAtLevel, HARMONICS, Level, ValveAtLevel};
use super::neighbours::Start;
use crate::UnderTest;
use crate::instruments::flux::of_saturation;
use crate::instruments::peak::Places;
use crate::instruments::valve::ValveProbe;
use sim::circuit::{Circuit, NodeId};
use sim::error::{Question, SimError};
use sim::parts::{Part, Waveform};
use sim::periodic::Period;
use sim::small_signal::Excitation;
use sim::spectrum::Spectrum;

mod settled;

pub(crate) use settled::Wanted;

/// Gain below which nothing arrives, a ratio.
const NOTHING: f64 = 1e-9;

/// How exactly a period holds those of the mains, a ratio: rounding.
const SAME: f64 = 1e-9;

/// What the generator gives.
#[derive(Clone, Debug)]
pub(crate) struct Tone {
    /// Open-circuit volts.
    pub(crate) waveform: Waveform,
    /// It repeats after so long, s.
    pub(crate) duration: f64,
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
    /// What stands across the load without a signal, and after how long, s, it repeats; none where nothing does.
    hum: Option<(Spectrum, f64)>,
    /// Whether quick tones may have their supplies at the means.
    at_means: bool,
    /// Whether a filament is a cathode, and hums by itself.
    has_filaments: bool,
}

/// Volts across a load in samples `[samples][n+1]`.
fn volts_across(of: &UnderTest<'_>, (a, b): (NodeId, NodeId), samples: &[Vec<f64>]) -> Vec<f64> {
    let at = |node| of.system.voltage_of(node) as usize;
    let (a, b) = (at(a), at(b));
    samples.iter().map(|x| x[a] - x[b]).collect()
}

/// Whether the filament of a valve is its cathode, rectifiers aside.
pub fn has_filaments(circuit: &Circuit) -> bool {
    circuit.parts().any(|(_, placed)| {
        matches!(&placed.part, Part::Valve(valve) if valve.filament) && !placed.part.is_rectifier()
    })
}

/// A core that can saturate.
struct PlacedCore {
    part: String,
    flux: usize,
    saturation: f64,
}

impl<'a> Stand<'a> {
    pub(crate) fn new(question: &'a PowerOf, of: &'a UnderTest<'a>) -> Self {
        let hum = of.rest.mains.map(|mains| {
            let volts = volts_across(of, question.load, of.rest.samples());
            (Spectrum::of_period(&volts), mains.duration)
        });
        Self {
            question,
            of,
            hum,
            still: of.rest.mean_state(),
            valves: ValveProbe::all(of.circuit, of.system)
                .into_iter()
                .filter(|valve| !valve.is_spare())
                .collect(),
            cores: placed_cores(of),
            places: Places::of(of.circuit, of.system),
            at_means: false,
            has_filaments: has_filaments(of.circuit),
        }
    }

    /// Quick tones with the supplies at their means.
    pub(crate) fn at_means(self) -> Self {
        Self {
            at_means: true,
            ..self
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

    /// The volts across the load, `[samples]`, of a period `[samples][n+1]`.
    fn load_volts(&self, samples: &[Vec<f64>]) -> Vec<f64> {
        volts_across(self.of, self.question.load, samples)
    }

    /// The spectrum across the load of a signal that turns so often in samples `[samples][n+1]` of a period, s, that the mains
    /// runs along in: what stands there without it, at the same moments of the mains, is no part of it.
    fn spectrum_beside(&self, samples: &[Vec<f64>], (duration, turns): (f64, u32)) -> Spectrum {
        let all = Spectrum::of_period(&self.load_volts(samples));
        let without = self.hum.as_ref().and_then(|(hum, repeats)| {
            let times = (duration / repeats).round();
            ((duration / (times * repeats) - 1.0).abs() < SAME)
                .then(|| all.without(hum, times as u32))
        });
        without.unwrap_or(all).of_turns(turns)
    }

    /// The spectrum of the volts across the load, with all that is in it.
    pub(crate) fn spectrum_of_all(&self, period: &Period) -> Spectrum {
        Spectrum::of_period(&self.load_volts(&period.samples))
    }

    /// The spectrum of the volts across the load without hum.
    pub(crate) fn spectrum(&self, period: &Period) -> Spectrum {
        if period.at_means {
            return self.spectrum_of_all(period);
        }
        self.spectrum_beside(&period.samples, (period.duration, period.turns))
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
            at_means: period.at_means,
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
