//! What is kept of a run: envelopes of a mains cycle each, and the peaks.

use serde::Serialize;

use super::{CapacitorAtSwitchOn, Phase, RectifierAtSwitchOn, Surge};
use crate::instruments::peak::{Peak, Places, Watch};
use crate::instruments::valve::{AgainstLimit, into_first};
use sim::circuit::{Circuit, NodeId, PartId};
use sim::parts::Part;
use sim::rest::Rest;
use sim::system::{System, Workspace};

/// Volts against time, a point for each mains cycle.
#[derive(Clone, Debug, Serialize)]
pub struct Envelope {
    /// `[cycles]` end of the cycle, s.
    pub time: Vec<f64>,
    /// Every capacitor.
    pub capacitors: Vec<CapacitorEnvelope>,
}

/// The volts of a capacitor, first end to second.
#[derive(Clone, Debug, Serialize)]
pub struct CapacitorEnvelope {
    /// Designator.
    pub part: String,
    /// `[cycles]` the least of the cycle, V.
    pub least: Vec<f64>,
    /// `[cycles]` the greatest of the cycle, V.
    pub greatest: Vec<f64>,
}

/// Something watched: its extremes in the cycle that runs and over all.
#[derive(Clone, Copy, Debug)]
struct Extremes {
    least: f64,
    greatest: f64,
    sum: f64,
    count: f64,
    peak: f64,
    at: f64,
}

impl Extremes {
    const NOTHING: Self = Self {
        least: f64::INFINITY,
        greatest: f64::NEG_INFINITY,
        sum: 0.0,
        count: 0.0,
        peak: 0.0,
        at: 0.0,
    };

    fn accept(&mut self, t: f64, value: f64) {
        self.least = self.least.min(value);
        self.greatest = self.greatest.max(value);
        self.sum += value;
        self.count += 1.0;
        if value.abs() > self.peak {
            self.peak = value.abs();
            self.at = t;
        }
    }

    /// The next cycle begins; the peak stays.
    fn next_cycle(&mut self) {
        *self = Self {
            peak: self.peak,
            at: self.at,
            ..Self::NOTHING
        };
    }

    fn surge(&self, phase: Phase, at_rest: f64) -> Surge {
        Surge {
            peak: self.peak,
            at: self.at,
            phase,
            at_rest,
        }
    }
}

/// What is watched and what was seen.
#[derive(Debug)]
pub(super) struct Record<'a> {
    circuit: &'a Circuit,
    system: &'a System,
    period: f64,
    time: f64,
    capacitors: Vec<(PartId, Extremes)>,
    /// Of each, its devices: one for an anode.
    rectifiers: Vec<(PartId, Vec<usize>, Extremes)>,
    /// Place of the mains current in the unknowns.
    mains: Option<(usize, Extremes)>,
    /// Mean volts of each capacitor in the cycle that ended.
    means: Vec<f64>,
    anywhere: Watch,
    envelope: Envelope,
}

impl<'a> Record<'a> {
    pub(super) fn new(
        circuit: &'a Circuit,
        system: &'a System,
        mains: Option<PartId>,
        period: f64,
    ) -> Self {
        let capacitors: Vec<(PartId, Extremes)> = circuit
            .parts()
            .filter(|(_, placed)| matches!(placed.part, Part::Capacitor(_)))
            .map(|(id, _)| (id, Extremes::NOTHING))
            .collect();
        let rectifiers = circuit.parts().filter_map(|(id, _)| {
            let devices = system.devices().iter().enumerate();
            let own: Vec<usize> = devices
                .filter(|(_, placed)| placed.part == id && placed.device.is_rectifier())
                .map(|(k, _)| k)
                .collect();
            (!own.is_empty()).then_some((id, own, Extremes::NOTHING))
        });
        Self {
            circuit,
            system,
            period,
            time: 0.0,
            rectifiers: rectifiers.collect(),
            mains: mains.map(|id| (system.currents_of(id)[0] as usize, Extremes::NOTHING)),
            means: vec![0.0; capacitors.len()],
            anywhere: Places::of(circuit, system).watch(),
            envelope: Envelope {
                time: Vec::new(),
                capacitors: capacitors
                    .iter()
                    .map(|(id, _)| CapacitorEnvelope {
                        part: circuit.part(*id).name.clone(),
                        least: Vec::new(),
                        greatest: Vec::new(),
                    })
                    .collect(),
            },
            capacitors,
        }
    }

    pub(super) fn period(&self) -> f64 {
        self.period
    }

    /// Takes the solution in `ws` at `t`, s.
    pub(super) fn accept(&mut self, t: f64, ws: &Workspace) {
        self.time = t;
        self.anywhere.see(&ws.x);
        for (id, extremes) in &mut self.capacitors {
            extremes.accept(t, across(self.circuit, self.system, *id, &ws.x));
        }
        for (_, devices, extremes) in &mut self.rectifiers {
            for &k in devices.iter() {
                let current = ws.emission[k] * anode_current(self.system, k, &ws.x);
                extremes.accept(t, current);
            }
        }
        if let Some((at, extremes)) = &mut self.mains {
            extremes.accept(t, ws.x[*at]);
        }
    }

    pub(super) fn end_cycle(&mut self) {
        self.envelope.time.push(self.time);
        let kept = self.envelope.capacitors.iter_mut().zip(&mut self.means);
        for ((_, extremes), (envelope, mean)) in self.capacitors.iter_mut().zip(kept) {
            envelope.least.push(extremes.least);
            envelope.greatest.push(extremes.greatest);
            *mean = extremes.sum / extremes.count;
            extremes.next_cycle();
        }
    }

    /// Mean volts of a capacitor in the cycle that ended.
    pub(super) fn mean(&self, capacitor: usize) -> f64 {
        self.means[capacitor]
    }

    /// The capacitor that holds the most energy at rest, with its mean volts there.
    pub(super) fn reservoir(&self, rest: &Rest) -> Option<(usize, f64)> {
        let at_rest = self.capacitors.iter().enumerate().map(|(k, (id, _))| {
            let volts = rest.mean(|x| across(self.circuit, self.system, *id, x));
            (k, volts, self.capacitance(*id) * volts.powi(2))
        });
        at_rest
            .filter(|(_, _, energy)| *energy > 0.0)
            .max_by(|a, b| a.2.total_cmp(&b.2))
            .map(|(k, volts, _)| (k, volts))
    }

    /// Designators of capacitors in series with one of the HT, as in a doubler: those that go on where it ends, with volts
    /// like its own.
    pub(super) fn in_series(&self, capacitor: usize, rest: &Rest) -> Vec<String> {
        /// Shares of its volts that pass for like its own.
        const LIKE: std::ops::Range<f64> = 0.7..1.4;
        let nodes = |k: usize| &self.circuit.part(self.capacitors[k].0).nodes;
        let volts = |k: usize| {
            let id = self.capacitors[k].0;
            rest.mean(|x| across(self.circuit, self.system, id, x))
        };
        let own = nodes(capacitor);
        let follows = |k: &usize| {
            let other = nodes(*k);
            let joined = [(own[0], other[1]), (own[1], other[0])];
            joined.iter().any(|(a, b)| a == b && *a != NodeId::CHASSIS)
                && LIKE.contains(&(volts(*k) / volts(capacitor)))
        };
        let others = (0..self.capacitors.len()).filter(|k| *k != capacitor);
        let series = others.filter(follows);
        series.map(|k| self.capacitor_name(k).to_owned()).collect()
    }

    /// The greatest volts anywhere so far.
    pub(super) fn peak(&self) -> Option<Peak> {
        self.anywhere.greatest(self.circuit)
    }

    fn capacitance(&self, id: PartId) -> f64 {
        self.circuit.part(id).part.farads().unwrap_or(0.0)
    }

    pub(super) fn capacitor_name(&self, capacitor: usize) -> &str {
        &self.circuit.part(self.capacitors[capacitor].0).name
    }

    pub(super) fn capacitors(&self, rest: &Rest) -> Vec<CapacitorAtSwitchOn> {
        let watched = self.capacitors.iter().zip(&self.envelope.capacitors);
        watched
            .map(|((id, extremes), envelope)| {
                let placed = self.circuit.part(*id);
                let polar = placed.part.is_polar();
                let least = envelope.least.iter().copied().fold(0.0, f64::min);
                CapacitorAtSwitchOn {
                    part: placed.name.clone(),
                    capacitance: self.capacitance(*id),
                    peak: AgainstLimit {
                        value: extremes.peak,
                        limit: placed.ratings.volts,
                    },
                    at: extremes.at,
                    at_rest: rest.most(|x| across(self.circuit, self.system, *id, x).abs()),
                    reversed: polar.then_some(-least),
                }
            })
            .collect()
    }

    /// Every rectifier with its greatest current, the mains switched on at that phase.
    pub(super) fn rectifiers(&self, phase: Phase, rest: &Rest) -> Vec<RectifierAtSwitchOn> {
        let watched = self.rectifiers.iter();
        watched
            .map(|(id, devices, extremes)| {
                let placed = self.circuit.part(*id);
                let (kind, limit) = placed.part.valve().map_or_else(
                    || ("silicon".to_owned(), None),
                    |valve| (valve.kind.name.clone(), valve.kind.limits.peak_anode_amps),
                );
                let at_rest = devices
                    .iter()
                    .map(|&device| rest.most(|x| anode_current(self.system, device, x)))
                    .fold(0.0, f64::max);
                RectifierAtSwitchOn {
                    part: placed.name.clone(),
                    kind,
                    surge: extremes.surge(phase, at_rest),
                    limit,
                }
            })
            .collect()
    }

    /// The greatest current taken from the mains; none when no part is the mains.
    pub(super) fn mains_surge(&self, phase: Phase, rest: &Rest) -> Option<Surge> {
        self.mains
            .map(|(at, extremes)| extremes.surge(phase, rest.most(|x| x[at].abs())))
    }

    pub(super) fn into_envelope(self) -> Envelope {
        self.envelope
    }
}

fn across(circuit: &Circuit, system: &System, id: PartId, x: &[f64]) -> f64 {
    let place = |k: usize| system.voltage_of(circuit.part(id).nodes[k]) as usize;
    x[place(0)] - x[place(1)]
}

/// Current into the anode of a rectifying device with a hot cathode, A.
fn anode_current(system: &System, device: usize, x: &[f64]) -> f64 {
    let placed = &system.devices()[device];
    into_first(&placed.device, &placed.gather(x))
}
