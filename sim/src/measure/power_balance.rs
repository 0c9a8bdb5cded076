//! Where the power of a settled period goes: what the supplies and the generator give equals what
//! the load and every loss take.

use models::{AnyDevice, Device, Local};
use serde::Serialize;

use crate::circuit::{Circuit, NodeId};
use crate::parts::Part;
use crate::periodic::Period;
use crate::system::System;

/// Mean powers over the period, W.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct PowerBalance {
    /// Given by the sources, what their own resistance takes already subtracted.
    pub given: f64,
    /// Taken by resistors, pots, contacts, leakage and ESR, the load included.
    pub resistors: f64,
    /// Taken by valves and other devices.
    pub devices: f64,
    /// Taken by the resistance of windings.
    pub windings: f64,
    /// Taken by core loss.
    pub cores: f64,
}

impl PowerBalance {
    /// What is taken altogether, W.
    pub fn taken(&self) -> f64 {
        self.resistors + self.devices + self.windings + self.cores
    }

    /// Over one settled period. Core loss is the mean of (dλ/dt)²/R from the samples, by the
    /// spectrum-accurate sum over harmonics, so it assumes the period is finely sampled.
    pub fn of(circuit: &Circuit, system: &System, period: &Period) -> Self {
        let mut balance = Self::default();
        let share = 1.0 / period.samples.len() as f64;
        for x in &period.samples {
            let volts = |node: NodeId| x[system.voltage_of(node) as usize];
            for (id, placed) in circuit.parts() {
                let across = |a: usize, b: usize| volts(placed.nodes[a]) - volts(placed.nodes[b]);
                let currents = system.currents_of(id);
                match &placed.part {
                    Part::Source(_) => balance.given += share * across(0, 1) * x[currents[0] as usize],
                    Part::Resistor(r) => balance.resistors += share * across(0, 1).powi(2) / r.r,
                    Part::Capacitor(c) => balance.resistors += share * across(0, 1).powi(2) * c.leakage,
                    Part::Pot(p) => {
                        let lower = p.fraction.clamp(1e-3, 1.0 - 1e-3);
                        balance.resistors += share
                            * (across(0, 1).powi(2) / (p.r * (1.0 - lower))
                                + across(1, 2).powi(2) / (p.r * lower));
                    }
                    Part::Inductor(l) => {
                        balance.windings += share * l.resistance * x[currents[0] as usize].powi(2);
                    }
                    Part::Transformer(t) => {
                        for (winding, &at) in t.windings.iter().zip(currents) {
                            balance.windings += share * winding.resistance * x[at as usize].powi(2);
                        }
                    }
                    _ => {}
                }
            }
            for placed in system.devices() {
                if matches!(placed.device, AnyDevice::Core(_)) {
                    continue;
                }
                let at = placed.gather(x);
                let n = at.len();
                let (mut f, mut df) = (vec![0.0; n], vec![0.0; n * n]);
                placed.device.eval(&at, &[], &mut Local { f: &mut f, df: &mut df });
                balance.devices += share * at.iter().zip(&f).map(|(v, i)| v * i).sum::<f64>();
            }
        }
        for (id, placed) in circuit.parts() {
            let loss = match &placed.part {
                Part::Transformer(t) => t.loss,
                Part::Inductor(l) => l.loss,
                _ => continue,
            };
            if let (true, Some(flux)) = (loss.is_finite(), system.flux_of(id)) {
                let spectrum = crate::spectrum::Spectrum::of_period(&period.unknown(flux));
                let omega = std::f64::consts::TAU / period.duration;
                let square: f64 = spectrum
                    .harmonics
                    .iter()
                    .map(|h| 0.5 * (f64::from(h.number) * omega * h.amplitude).powi(2))
                    .sum();
                balance.cores += square / loss;
            }
        }
        balance
    }
}
