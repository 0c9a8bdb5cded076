//! A square wave through an amplifier: overshoot, ringing and rise time, as an oscilloscope shows them.
//!
//! ```text
//! overshoot = (greatest − V)/V,   V = |gain at mid band|·drive,   rise time from 0.1 V to 0.9 V
//! ```
//!
//! The figures are read on a single edge out of rest that is held for [`HELD`] cycles, so that no ringing
//! of an earlier edge is counted in; the wave itself is run beside it for the eye.
//!
//! Symbols   V  the level the edge settles to, V
//! Source    terms of IEC 60469, pulse techniques (from memory); a square wave of 10 kHz is common
//!           practice, no source
//! Care      the circuit is run as it is, valves and iron nonlinear. The step of time follows the fastest
//!           natural frequency the response still shows. On its mains the same run without the wave is taken
//!           off, so that neither hum nor the start of the mains is read as overshoot

use std::f64::consts::TAU;

use models::currents::{ANODE, GRID, SCREEN};
use nalgebra::Complex;
use serde::Serialize;

use crate::instruments::valve::ValveProbe;
use crate::small_signal::loop_gain::LoopGain;
use crate::{Measurement, Progress, UnderTest};
use sim::circuit::{NodeId, PartId};
use sim::error::{Question, SimError};
use sim::parts::{Part, Waveform};
use sim::small_signal::Excitation;
use sim::system::{System, Workspace};
use sim::tolerances::Tolerances;
use sim::transient::{Method, transient};

/// The frequency of the wave, Hz.
pub const FREQUENCY: f64 = 10e3;

/// Cycles of the wave for which the single edge is held.
pub const HELD: f64 = 10.0;

/// Cycles of the wave that are run before those that are shown, and how many these are.
const RUN_IN: u32 = 4;
const SHOWN: u32 = 2;

/// Samples kept of the wave shown: one every 0.2 µs.
const KEPT: u32 = 1000;

/// Steps in a cycle of the fastest natural frequency: a rule of second order then follows it to some
/// thousandths.
const STEPS_A_CYCLE: f64 = 40.0;

/// Gain below this share of mid band leaves no trace on a screen: 26 dB down.
const UNSEEN: f64 = 0.05;

/// The greatest rate, Hz; a run of 1 ms has 40 000 steps then.
const MOST_RATE: f64 = 40e6;

/// Share of its anode current at rest that a valve may swing by at mid band: edges ask the stages within
/// the loop for some times that, and must not clip either.
const SMALL_SWING: f64 = 0.1;

/// The greatest level, as power of a sine of that peak into the rated load, W.
const MOST_POWER: f64 = 1.0;

/// Steps of the wave for each of the hum without it: hundreds of hertz against hundreds of kilohertz.
const HUM_COARSER: f64 = 16.0;
/// Swings below this share of the level are no ringing: the error of a step.
const NOISE: f64 = 2e-3;

/// The question.
#[derive(Clone, Debug)]
pub struct SquareWaveOf {
    /// The generator, a source.
    pub generator: PartId,
    /// The ends of the load.
    pub load: (NodeId, NodeId),
    /// Peak of the generator, V.
    pub drive: f64,
    /// Volts of the load for each volt of the generator at mid band.
    pub gain: Complex<f64>,
    /// Steps a second.
    pub rate: f64,
}

/// The answer.
#[derive(Clone, Debug, Serialize)]
pub struct SquareWave {
    /// Peak of the generator, open circuit, V.
    pub drive: f64,
    /// The level the edge settles to, V.
    pub level: f64,
    /// Above that level, a ratio.
    pub overshoot: f64,
    /// From 10 to 90 %, s; none when the level is not reached.
    pub rise_time: Option<f64>,
    /// The ringing; none when nothing swings back and forth.
    pub ringing: Option<Ringing>,
    /// Steps a second.
    pub rate: f64,
    /// `[samples]` two cycles of the wave from a rising edge, s.
    pub time: Vec<f64>,
    /// `[samples]` the output there, V.
    pub volts: Vec<f64>,
}

/// A ringing after an edge.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Ringing {
    /// Hz.
    pub frequency: f64,
    /// Each swing to the one a cycle before, a ratio.
    pub decay: f64,
    /// Cycles until the swing is a tenth of the first; none when it is not in the run.
    pub cycles: Option<f64>,
}

impl SquareWaveOf {
    /// The question for a load condition whose loop gain is known; `drive` is the generator's peak, V.
    pub fn new(generator: PartId, load: (NodeId, NodeId), drive: f64, response: &LoopGain) -> Self {
        let reach = response.reach(UNSEEN).max(FREQUENCY * HELD);
        let fastest = response
            .modes
            .iter()
            .map(|s| s.norm() / TAU)
            .filter(|f| *f <= reach)
            .fold(reach / HELD, f64::max);
        Self {
            generator,
            load,
            drive,
            gain: response.mid.with,
            rate: (STEPS_A_CYCLE * fastest).min(MOST_RATE),
        }
    }
}

impl Measurement for SquareWaveOf {
    type Answer = SquareWave;

    /// Runs the edge and the wave from rest, on the mains from the start of its period.
    ///
    /// # Errors
    /// [`SimError::Stuck`]; [`Question::NotASource`].
    fn ask(&self, of: &UnderTest<'_>, _: &Progress<'_>) -> Result<SquareWave, SimError> {
        let (system, tolerances, ws) = (of.system, &of.tolerances, of.workspace());
        let place = system
            .sources()
            .position(|part| part == self.generator)
            .ok_or_else(|| SimError::Question(Question::NotASource("the generator".to_owned())))?;
        let humming = ws.waveforms.iter().any(Waveform::alternates);
        let run = |frequency: f64, cycles: f64| {
            let follow = |amplitude: f64, rate: f64| {
                let mut ws = ws.clone();
                ws.waveforms[place] = Waveform::Square {
                    amplitude,
                    frequency,
                };
                self.follow(system, tolerances, (cycles / frequency, rate), &mut ws)
            };
            // An amplifier that inverts is shown upright.
            let (time, mut volts) = follow(self.drive * self.gain.re.signum(), self.rate)?;
            if humming {
                let (at, hum) = follow(0.0, self.rate / HUM_COARSER)?;
                for (t, volts) in time.iter().zip(&mut volts) {
                    *volts -= interpolated(&at, &hum, *t);
                }
            }
            Ok::<_, SimError>((time, volts))
        };
        let level = self.gain.norm() * self.drive;
        let (time, volts) = run(FREQUENCY / (2.0 * HELD), 0.5)?;
        let overshoot = (volts.iter().copied().fold(0.0, f64::max) / level - 1.0).max(0.0);
        let rise_time = rise_time(&time, &volts, level);
        let ringing = ringing(&time, &volts, level);
        let (time, volts) = run(FREQUENCY, f64::from(RUN_IN + SHOWN))?;
        let start = f64::from(RUN_IN) / FREQUENCY;
        let every = f64::from(SHOWN) / FREQUENCY / f64::from(KEPT);
        let shown: Vec<f64> = (0..=KEPT).map(|k| f64::from(k) * every).collect();
        Ok(SquareWave {
            drive: self.drive,
            level,
            overshoot,
            rise_time,
            ringing,
            rate: self.rate,
            volts: shown
                .iter()
                .map(|t| interpolated(&time, &volts, start + t))
                .collect(),
            time: shown,
        })
    }
}

impl SquareWaveOf {
    /// The output against time from rest until then, s, at so many steps a second.
    fn follow(
        &self,
        system: &System,
        tolerances: &Tolerances,
        (until, rate): (f64, f64),
        ws: &mut Workspace,
    ) -> Result<(Vec<f64>, Vec<f64>), SimError> {
        let steps = (until * rate).ceil();
        let (a, b) = (
            system.voltage_of(self.load.0) as usize,
            system.voltage_of(self.load.1) as usize,
        );
        let rest = ws.x[a] - ws.x[b];
        let still = !ws.waveforms.iter().any(Waveform::alternates);
        let (mut time, mut volts) = (Vec::new(), Vec::new());
        transient(
            system,
            Method::TrBdf2,
            (0.0, until, until / steps),
            still,
            tolerances,
            ws,
            &mut |t: f64, x: &[f64]| {
                time.push(t);
                volts.push(x[a] - x[b] - rest);
            },
        )?;
        Ok((time, volts))
    }
}

/// The peak of the generator, V, at which nothing clips: the load takes no more than a watt from a sine
/// of it, and no valve swings by more than a tenth of its anode current.
///
/// # Errors
/// [`SimError::Undetermined`]; [`Question::NoSignal`].
pub fn small_drive(of: &UnderTest<'_>) -> Result<f64, SimError> {
    let (circuit, bench) = (of.circuit, &of.amplifier.bench);
    let ws = of.at_mean();
    let mut linear = of.linearised();
    linear.tune(bench.frequency)?;
    let x = linear.response(Excitation::Source(bench.generator))?;
    let gain = linear
        .voltage(&x, bench.load_nodes.0, bench.load_nodes.1)
        .norm();
    if gain < 1e-9 {
        return Err(SimError::Question(Question::NoSignal));
    }
    let mut drive = (2.0 * MOST_POWER * bench.load_ohms).sqrt() / gain;
    for probe in ValveProbe::all(circuit, of.system) {
        let currents = probe.at(&ws.x).currents;
        let placed = circuit.part(probe.part);
        let Part::Valve(valve) = &placed.part else {
            continue;
        };
        let wiring = valve.wiring(&placed.nodes);
        let volts = |node: NodeId| linear.voltage(&x, node, NodeId::CHASSIS);
        // Of a filament its middle.
        let ends = wiring.cathode.len() as f64;
        let cathode: Complex<f64> = wiring.cathode.iter().map(|end| volts(*end) / ends).sum();
        let of = |slope: f64, node: Option<NodeId>| {
            node.map_or_else(Complex::default, |node| (volts(node) - cathode) * slope)
        };
        let slopes = currents.anode_slopes;
        let swing = of(slopes[ANODE], wiring.anodes.first().copied())
            + of(slopes[SCREEN], wiring.screen)
            + of(slopes[GRID], wiring.grid);
        if swing.norm() > 0.0 {
            drive = drive.min(SMALL_SWING * currents.anode / swing.norm());
        }
    }
    Ok(drive)
}

/// The value at a time between equally spaced samples.
fn interpolated(time: &[f64], volts: &[f64], t: f64) -> f64 {
    let k = time.partition_point(|at| *at < t).clamp(1, time.len() - 1);
    let part = (t - time[k - 1]) / (time[k] - time[k - 1]);
    volts[k - 1] + part.min(1.0) * (volts[k] - volts[k - 1])
}

/// From 10 to 90 % of the level, s.
fn rise_time(time: &[f64], volts: &[f64], level: f64) -> Option<f64> {
    let crossed = |share: f64| {
        let wanted = share * level;
        let k = volts.iter().position(|v| *v >= wanted)?.max(1);
        let part = (wanted - volts[k - 1]) / (volts[k] - volts[k - 1]);
        Some(time[k - 1] + part * (time[k] - time[k - 1]))
    };
    Some(crossed(0.9)? - crossed(0.1)?)
}

/// The extremes after the edge: time and volts of a parabola through the samples about each.
fn extremes(time: &[f64], volts: &[f64]) -> Vec<(f64, f64)> {
    let step = time.get(1).map_or(0.0, |next| next - time[0]);
    volts
        .windows(3)
        .enumerate()
        .filter(|(_, v)| (v[1] > v[0]) != (v[2] > v[1]))
        .filter_map(|(k, v)| {
            let (slope, curve) = (0.5 * (v[2] - v[0]), v[2] - 2.0 * v[1] + v[0]);
            (curve != 0.0).then(|| {
                let place = -slope / curve;
                (time[k + 1] + place * step, v[1] + 0.5 * slope * place)
            })
        })
        .collect()
}

/// Reads the ringing off an edge.
fn ringing(time: &[f64], volts: &[f64], level: f64) -> Option<Ringing> {
    /// Swings are read as far as they are above this share of the first: behind it bias settles slowly.
    const READ: f64 = 0.05;
    const TENTH: f64 = 0.1;
    let start = volts.iter().position(|v| *v >= 0.5 * level)?;
    let extremes = extremes(&time[start..], &volts[start..]);
    let swings: Vec<f64> = extremes
        .windows(2)
        .map(|pair| (pair[1].1 - pair[0].1).abs())
        .collect();
    // A kink on the edge swings little.
    let largest = (0..swings.len())
        .rev()
        .max_by(|&a, &b| swings[a].total_cmp(&swings[b]))?;
    let (extremes, swings) = (&extremes[largest..], &swings[largest..]);
    let first = swings[0];
    let least = (READ * first).max(NOISE * level);
    let above = swings.iter().take_while(|swing| **swing > least).count();
    if above < 2 {
        return None;
    }
    // Both swings of a cycle below a tenth: one alone may be where two ringings meet.
    let low = |k: usize| swings.get(k).is_none_or(|swing| *swing < TENTH * first);
    let tenth = (1..swings.len()).find(|&k| low(k) && low(k + 1));
    // What is left of a cycle and the cycles to a tenth are read off the same swings.
    let read = tenth.map_or(above, |k| k + 1);
    let cycles = 0.5 * (read - 1) as f64;
    let turns = read.min(above);
    Some(Ringing {
        frequency: 0.5 * turns as f64 / (extremes[turns].0 - extremes[0].0),
        decay: (swings[read - 1] / first).powf(1.0 / cycles),
        cycles: tenth.map(|k| 0.5 * k as f64),
    })
}

#[cfg(test)]
mod tests {
    use super::{ringing, rise_time};

    #[test]
    fn a_ringing_edge_is_read_back() {
        // 1 − e^(−σt)(cos ωt + σ/ω sin ωt)
        let (omega, sigma) = (std::f64::consts::TAU * 50e3, 3e4);
        let time: Vec<f64> = (0..20_000).map(|k| f64::from(k) * 5e-8).collect();
        let volts: Vec<f64> = time
            .iter()
            .map(|t| {
                let (s, c) = (omega * t).sin_cos();
                2.0 * (1.0 - (-sigma * t).exp() * (c + sigma / omega * s))
            })
            .collect();
        let found = ringing(&time, &volts, 2.0).expect("it rings");
        // Parabolas through three of 400 samples a cycle.
        assert!((found.frequency / 50e3 - 1.0).abs() < 1e-4, "{found:?}");
        let decay = (-sigma / 50e3_f64).exp();
        assert!((found.decay / decay - 1.0).abs() < 1e-3, "{found:?}");
        // ln 10 cycles of decay 0.549: 3.84, so the swing after four is the first below a tenth.
        assert_eq!(found.cycles, Some(4.0));
        let rise = rise_time(&time, &volts, 2.0).expect("it rises");
        assert!(rise > 2e-6 && rise < 10e-6, "{rise}");
        // Two ringings in one, the shorter first: what is left a cycle later agrees with the cycles to a tenth.
        let both: Vec<f64> = time
            .iter()
            .map(|t| {
                let fade = (-2e5 * t).exp() + (-5e3 * t).exp();
                1.0 - 0.5 * fade * (omega * t).cos()
            })
            .collect();
        let found = ringing(&time, &both, 1.0).expect("it rings");
        let tenth = 0.1_f64.powf(1.0 / found.cycles.expect("it fades"));
        assert!((found.decay - tenth).abs() < 0.02, "{found:?} and {tenth}");
        // A large ringing soon gone, a small one that stays: a cycle leaves less than a tenth, the cycles to it are one at most.
        let mixed: Vec<f64> = time
            .iter()
            .map(|t| {
                let (fast, stays) = ((-1.2e5 * t).exp(), 0.03 * (-1e3 * t).exp());
                1.0 - fast * (omega * t).cos() - stays * (3.0 * omega * t).cos()
            })
            .collect();
        let found = ringing(&time, &mixed, 1.0).expect("it rings");
        let cycles = found.cycles.expect("it fades");
        assert!(found.decay.powf(cycles) < 0.1, "{found:?}");
        // A kink on the way up, before it rings.
        let kinked: Vec<f64> = (time.iter().zip(&volts))
            .map(|(t, v)| v + 0.1 * (-((t - 6e-6) / 4e-7).powi(2)).exp())
            .collect();
        let found = ringing(&time, &kinked, 2.0).expect("it rings");
        assert!((found.decay / decay - 1.0).abs() < 0.01, "{found:?}");
        let slow: Vec<f64> = time.iter().map(|t| 1.0 - (-t * 1e5).exp()).collect();
        assert_eq!(ringing(&time, &slow, 1.0), None);
        // ln 9 time constants.
        let rise = rise_time(&time, &slow, 1.0).expect("it rises");
        assert!((rise / (9f64.ln() * 1e-5) - 1.0).abs() < 1e-4);
    }
}
