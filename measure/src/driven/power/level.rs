//! One level of the sweep: a settled period and what it says of every valve and core.

use serde::Serialize;

use super::PowerOf;
use crate::instruments::valve::ValveProbe;
use sim::circuit::{Circuit, NodeId};
use sim::common_period::common_period;
use sim::error::SimError;
use sim::parts::{Part, Waveform};
use sim::periodic::{Approach, Period, Settling, settle};
use sim::rest::{MAINS_SAMPLES, Rest, moving};
use sim::spectrum::Spectrum;
use sim::system::{System, Workspace};
use sim::tolerances::Tolerances;

/// The longest period solved for when the mains runs along, s.
const LONGEST: f64 = 0.2;

/// Samples of a turn of the signal when the mains runs along: the steps of one mains period then number
/// thousands, and 64 of TR-BDF2 are within 7e-4 points of distortion.
const SAMPLES_OF_TURN: usize = 64;

/// Highest harmonic reported.
pub(super) const HARMONICS: u32 = 9;

/// A settled level.
#[derive(Clone, Debug, Serialize)]
pub struct Level {
    /// Peak of the generator's open-circuit voltage, V.
    pub drive: f64,
    /// The same as rms, V.
    pub drive_rms: f64,
    /// Output without its mean value, rms, V.
    pub output_rms: f64,
    /// Power into the rated load, W.
    pub power: f64,
    /// Total harmonic distortion against the fundamental, a ratio.
    pub thd: f64,
    /// H2…H9 against the fundamental, ratios.
    pub harmonics: Vec<f64>,
    /// Every triode and pentode.
    pub valves: Vec<ValveAtLevel>,
    /// Every core that can saturate.
    pub cores: Vec<CoreAtLevel>,
    /// Cycles run until settled.
    pub cycles: u32,
    /// What is left to settle, relative: see [`Period::residual`].
    pub residual: f64,
    /// The way that led to the settled period.
    pub approach: Approach,
}

/// A valve over a cycle.
#[derive(Clone, Debug, Serialize)]
pub struct ValveAtLevel {
    /// Designator.
    pub part: String,
    /// Anode current with no signal, A.
    pub i_a_rest: f64,
    /// Mean anode current, A.
    pub i_a: f64,
    /// Greatest anode current, A.
    pub i_a_most: f64,
    /// Least anode current, A.
    pub i_a_least: f64,
    /// Mean screen current, A.
    pub i_s: f64,
    /// Greatest grid current, A.
    pub i_g_most: f64,
    /// True when, while this valve conducts least, another of its type conducts above its rest: the two
    /// work in opposition, as a push-pull pair does and parallel valves do not.
    pub opposed: bool,
    /// True for a pentode whose screen is not tied to its anode.
    pub has_screen: bool,
    /// Mean anode dissipation, W; of a strapped pentode, with its screen.
    pub p_a: f64,
    /// Mean screen dissipation, W.
    pub p_s: f64,
    /// Anode dissipation limit, W.
    pub p_a_limit: Option<f64>,
    /// Screen dissipation limit, W.
    pub p_s_limit: Option<f64>,
    /// Least anode voltage in excess of the knee, V; none for a triode.
    pub above_knee: Option<f64>,
    /// Highest anode voltage against the cathode, V.
    pub v_ak_most: f64,
}

/// A core over a cycle.
#[derive(Clone, Debug, Serialize)]
pub struct CoreAtLevel {
    /// Designator.
    pub part: String,
    /// Greatest flux as a share of the flux where the inductance has fallen to half.
    pub saturation: f64,
}

/// Everything a level needs, shared between threads.
pub(crate) struct Bench<'a> {
    question: &'a PowerOf,
    circuit: &'a Circuit,
    system: &'a System,
    /// At rest; on the mains, at the start of a period.
    rest: &'a Workspace,
    /// `[n+1]` the unknowns at rest, their mean on the mains.
    still: Vec<f64>,
    valves: Vec<ValveProbe>,
    /// Cores the signal works on: not those of a mains transformer, which swing at rest.
    cores: Vec<PlacedCore>,
}

/// The settled start of a level, from which levels of nearly its drive settle in fewer cycles.
#[derive(Clone, Debug)]
pub(crate) struct Neighbour {
    drive: f64,
    /// `[n+1]`.
    start: Vec<f64>,
}

/// A core that can saturate.
struct PlacedCore {
    part: String,
    flux: usize,
    saturation: f64,
}

impl<'a> Bench<'a> {
    pub(crate) fn new(
        question: &'a PowerOf,
        circuit: &'a Circuit,
        system: &'a System,
        (ws, rest): (&'a Workspace, &Rest),
    ) -> Self {
        Self {
            question,
            circuit,
            system,
            rest: ws,
            still: rest.mean_state(),
            valves: ValveProbe::all(circuit, system),
            cores: placed_cores(circuit, system, rest),
        }
    }

    /// Settles the circuit at a drive, from rest, and reads it.
    pub(crate) fn level(&self, drive: f64, tolerances: &Tolerances) -> Result<Level, SimError> {
        Ok(self.read(drive, &self.settled(drive, tolerances)?))
    }

    /// The same from the settled start of the nearest drive among `neighbours`; without any, from rest. Also its
    /// own start.
    pub(crate) fn level_near(
        &self,
        drive: f64,
        neighbours: &[Neighbour],
        tolerances: &Tolerances,
    ) -> Result<(Level, Neighbour), SimError> {
        let apart = |other: &Neighbour| (drive / other.drive).ln().abs();
        let nearest = neighbours
            .iter()
            .min_by(|a, b| apart(a).total_cmp(&apart(b)));
        let (sine, duration) = (self.question.sine(drive), 1.0 / self.question.frequency);
        let period = self.settled_from(nearest, sine, duration, tolerances)?;
        let start = period.samples[0].clone();
        Ok((self.read(drive, &period), Neighbour { drive, start }))
    }

    /// The settled period at a drive.
    pub(crate) fn settled(&self, drive: f64, tolerances: &Tolerances) -> Result<Period, SimError> {
        let sine = self.question.sine(drive);
        self.settled_on(sine, 1.0 / self.question.frequency, tolerances)
    }

    /// The settled period on a waveform that repeats after `duration`, s.
    pub(crate) fn settled_on(
        &self,
        waveform: Waveform,
        duration: f64,
        tolerances: &Tolerances,
    ) -> Result<Period, SimError> {
        self.settled_from(None, waveform, duration, tolerances)
    }

    fn settled_from(
        &self,
        neighbour: Option<&Neighbour>,
        waveform: Waveform,
        duration: f64,
        tolerances: &Tolerances,
    ) -> Result<Period, SimError> {
        let mut ws = self.rest.clone();
        let mut run_in = self.question.settling.run_in;
        if let Some(neighbour) = neighbour {
            ws.x.copy_from_slice(&neighbour.start);
            run_in = 0;
        }
        self.question.drive(self.system, waveform, &mut ws)?;
        // The generator is silent there and no supply, however far it is driven.
        let others = moving(&self.rest.waveforms);
        if others.is_empty() {
            return settle(
                self.system,
                duration,
                &self.question.settling,
                tolerances,
                &mut ws,
            );
        }
        // With the mains or another signal: a period that holds whole turns of all.
        let mut all = vec![1.0 / duration];
        all.extend(&others);
        let common = common_period(&all, LONGEST)?;
        let turns = common.cycles[0];
        let settling = Settling {
            samples: MAINS_SAMPLES
                .max(turns as usize * self.question.settling.samples.min(SAMPLES_OF_TURN)),
            run_in,
            ..self.question.settling
        };
        let period = settle(self.system, common.duration, &settling, tolerances, &mut ws)?;
        Ok(Period { turns, ..period })
    }

    /// The spectrum of the volts across the load, with all that is in it.
    pub(crate) fn spectrum_of_all(&self, period: &Period) -> Spectrum {
        Spectrum::of_period(&self.output(period))
    }

    /// The volts across the load.
    fn output(&self, period: &Period) -> Vec<f64> {
        let (a, b) = self.question.load;
        let (a, b) = (
            self.system.voltage_of(a) as usize,
            self.system.voltage_of(b) as usize,
        );
        period.of(|x| x[a] - x[b])
    }

    /// The spectrum of the volts across the load without hum.
    pub(crate) fn spectrum(&self, period: &Period) -> Spectrum {
        self.spectrum_of_all(period).of_turns(period.turns)
    }

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
            cycles: period.cycles,
            residual: period.residual,
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
            let placed = self.circuit.part(probe.part);
            let Part::Valve(valve) = &placed.part else {
                return 0.0;
            };
            let wiring = valve.wiring(&placed.nodes);
            let working = wiring.anodes.iter().chain(wiring.cathode).copied();
            working
                .filter(|node| iron.contains(node))
                .map(|node| {
                    Spectrum::of_period(&period.unknown(self.system.voltage_of(node))).rms()
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

/// The cores of [`Bench`].
fn placed_cores(circuit: &Circuit, system: &System, rest: &Rest) -> Vec<PlacedCore> {
    /// Swing at rest that makes a core one of the mains, rms of the flux that saturates it: a smoothing
    /// choke swings by hundredths.
    const SWINGS: f64 = 0.2;
    circuit
        .parts()
        .filter_map(|(id, placed)| {
            let core = match &placed.part {
                Part::Transformer(transformer) => &transformer.core,
                Part::Inductor(inductor) => &inductor.core,
                _ => return None,
            };
            let flux = system.flux_of(id)? as usize;
            let saturation = core.saturation_flux();
            // A linear core never saturates: its flux limit is infinite.
            let works = saturation.is_finite() && rest.ripple(|x| x[flux]) < SWINGS * saturation;
            works.then(|| PlacedCore {
                part: placed.name.clone(),
                flux,
                saturation,
            })
        })
        .collect()
}
