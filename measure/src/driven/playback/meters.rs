//! The meters watched while a recording plays.

use std::ops::Range;

use serde::Serialize;
use sim::circuit::Circuit;

use crate::UnderTest;
use crate::driven::power::GRID_CURRENT;
use crate::instruments::peak::{Peak, Places, Watch};
use crate::instruments::rails::{rails, rectified, supplied};
use crate::instruments::valve::{AgainstLimit, ValveProbe};

/// Readings a second. Peaks of what is heard last longer than between two of them; reading every step of a
/// fine grid would cost more than it tells.
const READINGS: f64 = 48_000.0;

/// Rails are judged by means over this, s: whole periods of 50 and 60 Hz ripple leave no trace.
const SAG: f64 = 0.1;

/// Anodes are judged by means over so many of these, a second that slides on by a tenth: no anode is faster.
const TENTHS: usize = 10;

/// What the meters show. SI units.
#[derive(Clone, Debug, Serialize)]
pub struct Meters {
    /// What was played, s.
    pub seconds: f64,
    /// Greatest volts at the load from their mean.
    pub peak_volts: f64,
    /// The power of a sine with these peaks into the rated load, W.
    pub peak_power: f64,
    /// Mean power into the rated load, W.
    pub mean_power: f64,
    /// The greatest volts anywhere, windings and what came before and after the recording included; none of a circuit
    /// without nodes.
    pub peak: Option<Peak>,
    /// Every triode and pentode.
    pub valves: Vec<ValveMeter>,
    /// Smoothed rails above the chassis or below, those of the highest volts first.
    pub rails: Vec<RailMeter>,
}

/// A valve while a recording plays.
#[derive(Clone, Debug, Serialize)]
pub struct ValveMeter {
    /// Designator.
    pub part: String,
    /// How often grid current set in.
    pub grid_current_events: u64,
    /// Share of the time during which it flowed.
    pub grid_current_share: f64,
    /// Dissipation of the anode in the hottest second, W, or all along where it was shorter; of a strapped pentode,
    /// with its screen.
    pub hottest: AgainstLimit,
    /// Its mean, W.
    pub mean_watts: f64,
}

/// A rail while a recording plays.
#[derive(Clone, Debug, Serialize)]
pub struct RailMeter {
    /// The node.
    pub node: String,
    /// V at rest, mean.
    pub rest: f64,
    /// The mean over a tenth of a second that differs most from it, V.
    pub sagged: f64,
}

impl RailMeter {
    /// Sag, a ratio; positive when the rail lost volts.
    pub fn sag(&self) -> f64 {
        1.0 - self.sagged / self.rest
    }
}

/// The meters at work.
#[derive(Clone, Debug)]
pub(super) struct Metering {
    load_ohms: f64,
    output: (usize, usize),
    rate: f64,
    /// Steps from one reading to the next.
    every: u64,
    /// Steps that are read.
    only: Range<u64>,
    readings: u64,
    sum: f64,
    squares: f64,
    least: f64,
    most: f64,
    valves: Vec<Watched>,
    rails: Vec<WatchedRail>,
    anywhere: Watch,
}

#[derive(Clone, Debug)]
struct Watched {
    probe: ValveProbe,
    draws: bool,
    events: u64,
    drawing: u64,
    watts: f64,
    hottest: Hottest,
}

#[derive(Clone, Debug)]
struct WatchedRail {
    name: String,
    at: usize,
    rest: f64,
    tenth: Tenth,
    /// The mean over a tenth of a second that differs most from rest.
    farthest: Option<f64>,
}

/// Means over tenths of a second.
#[derive(Clone, Debug)]
struct Tenth {
    /// Readings in one.
    length: u64,
    count: u64,
    sum: f64,
}

impl Tenth {
    fn new(readings: f64) -> Self {
        Self {
            length: ((SAG * readings).round() as u64).max(1),
            count: 0,
            sum: 0.0,
        }
    }

    /// The mean of a tenth that ends with this reading.
    fn add(&mut self, value: f64) -> Option<f64> {
        self.sum += value;
        self.count += 1;
        if self.count < self.length {
            return None;
        }
        let mean = self.sum / self.count as f64;
        self.sum = 0.0;
        self.count = 0;
        Some(mean)
    }
}

/// The greatest mean over a sliding second.
#[derive(Clone, Debug)]
struct Hottest {
    tenth: Tenth,
    /// The last tenths, the oldest overwritten next.
    ring: [f64; TENTHS],
    tenths: usize,
    most: Option<f64>,
}

impl Hottest {
    fn new(readings: f64) -> Self {
        Self {
            tenth: Tenth::new(readings),
            ring: [0.0; TENTHS],
            tenths: 0,
            most: None,
        }
    }

    fn add(&mut self, value: f64) {
        let Some(mean) = self.tenth.add(value) else {
            return;
        };
        self.ring[self.tenths % TENTHS] = mean;
        self.tenths += 1;
        if self.tenths >= TENTHS {
            let second = self.ring.iter().sum::<f64>() / TENTHS as f64;
            self.most = Some(self.most.map_or(second, |most| most.max(second)));
        }
    }
}

impl Metering {
    pub(super) fn new(of: &UnderTest<'_>, rate: f64) -> Self {
        let (circuit, system, rest) = (of.circuit, of.system, &of.rest);
        let bench = &of.amplifier.bench;
        let every = (rate / READINGS).round().max(1.0);
        let readings = rate / every;
        let at = |node| system.voltage_of(node) as usize;
        let (a, b) = bench.load_nodes;
        // Without mains the frequency only tells smoothing from coupling: 50 Hz does as well as any.
        let mains = rest.mains.map_or(50.0, |mains| mains.duration.recip());
        let from = match rest.mains {
            Some(_) => rectified(circuit),
            None => supplied(circuit),
        };
        let mut watched: Vec<WatchedRail> = rails(circuit, system, rest, mains, &from)
            .iter()
            .map(|rail| WatchedRail {
                name: circuit.node_name(rail.node).to_owned(),
                at: at(rail.node),
                rest: rail.volts,
                tenth: Tenth::new(readings),
                farthest: None,
            })
            .collect();
        watched.sort_by(|a, b| b.rest.abs().total_cmp(&a.rest.abs()));
        Self {
            load_ohms: bench.load_ohms,
            output: (at(a), at(b)),
            rate: readings,
            every: every as u64,
            only: 0..u64::MAX,
            readings: 0,
            sum: 0.0,
            squares: 0.0,
            least: f64::INFINITY,
            most: f64::NEG_INFINITY,
            valves: ValveProbe::all(circuit, system)
                .into_iter()
                .map(|probe| Watched {
                    probe,
                    draws: false,
                    events: 0,
                    drawing: 0,
                    watts: 0.0,
                    hottest: Hottest::new(readings),
                })
                .collect(),
            rails: watched,
            anywhere: Places::of(circuit, system).watch(),
        }
    }

    /// Reads these steps alone.
    pub(super) fn only(&mut self, steps: Range<u64>) {
        self.only = steps;
    }

    /// Takes the unknowns `x` `[n+1]` at a step.
    pub(super) fn read(&mut self, step: u64, x: &[f64]) {
        if !step.is_multiple_of(self.every) {
            return;
        }
        self.anywhere.see(x);
        if !self.only.contains(&step) {
            return;
        }
        self.readings += 1;
        let volts = x[self.output.0] - x[self.output.1];
        self.sum += volts;
        self.squares += volts * volts;
        self.least = self.least.min(volts);
        self.most = self.most.max(volts);
        for valve in &mut self.valves {
            let electrodes = valve.probe.at(x);
            let watts = valve.probe.anode_watts(&electrodes);
            valve.watts += watts;
            valve.hottest.add(watts);
            let draws = electrodes.currents.grid > GRID_CURRENT;
            valve.events += u64::from(draws && !valve.draws);
            valve.drawing += u64::from(draws);
            valve.draws = draws;
        }
        for rail in &mut self.rails {
            if let Some(mean) = rail.tenth.add(x[rail.at]) {
                let off = |volts: f64| (volts - rail.rest).abs();
                if rail
                    .farthest
                    .is_none_or(|farthest| off(mean) > off(farthest))
                {
                    rail.farthest = Some(mean);
                }
            }
        }
    }

    pub(super) fn meters(&self, circuit: &Circuit) -> Meters {
        let count = (self.readings as f64).max(1.0);
        let mean = self.sum / count;
        let peak_volts = f64::max(self.most - mean, mean - self.least).max(0.0);
        Meters {
            seconds: self.readings as f64 / self.rate,
            peak_volts,
            peak_power: peak_volts.powi(2) / (2.0 * self.load_ohms),
            mean_power: (self.squares / count - mean * mean).max(0.0) / self.load_ohms,
            peak: self.anywhere.greatest(circuit),
            valves: self
                .valves
                .iter()
                .map(|valve| ValveMeter {
                    part: valve.probe.name.clone(),
                    grid_current_events: valve.events,
                    grid_current_share: valve.drawing as f64 / count,
                    hottest: AgainstLimit {
                        // What is shorter than a second has its mean alone.
                        value: valve.hottest.most.unwrap_or(valve.watts / count),
                        limit: valve.probe.anode_watts_limit(),
                    },
                    mean_watts: valve.watts / count,
                })
                .collect(),
            rails: self
                .rails
                .iter()
                .map(|rail| RailMeter {
                    node: rail.name.clone(),
                    rest: rail.rest,
                    sagged: rail.farthest.unwrap_or(rail.rest),
                })
                .collect(),
        }
    }
}
