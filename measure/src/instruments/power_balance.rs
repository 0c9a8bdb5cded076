//! Where the power of a settled period goes: what the supplies and the generator give equals what
//! the load and every loss take.
//!
//! ```text
//! Σ v·i of sources = Σ v_a·G_ab·v_b + Σ R·i² + Σ v·i of devices + Σ θ·dλ/dt,   means over the period
//! ```
//!
//! Symbols   a, b nodes;  R resistance in the row of a branch, Ω;  θ ampere-turns on a core, A;
//!           λ its flux linkage, Wb
//!
//! Nothing is counted part by part: the sums run over the matrices that were solved, so a part cannot
//! be forgotten. Capacitors, leakage inductance and the lossless part of a core give back in a period
//! what they take.

use models::{AnyDevice, Device, Local};
use serde::Serialize;

use sim::parts::Waveform;
use sim::periodic::Period;
use sim::spectrum::Spectrum;
use sim::system::{System, Unknown};

/// Mean powers over the period, W.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct PowerBalance {
    /// Given by the sources, what their own resistance takes already subtracted.
    pub given: f64,
    /// Taken by conductances between nodes: resistors, pots, contacts, leakage, ESR and the mechanical
    /// loss of a loudspeaker; a load that is a resistor is among them.
    pub resistors: f64,
    /// Taken by valves and other devices.
    pub devices: f64,
    /// Taken by resistance in series with a winding, a voice coil included.
    pub windings: f64,
    /// Taken by cores: eddy loss and hysteresis.
    pub cores: f64,
}

impl PowerBalance {
    /// What is taken altogether, W.
    pub fn taken(&self) -> f64 {
        self.resistors + self.devices + self.windings + self.cores
    }

    /// Over one settled period. Cost: samples × (entries of the matrix + devices).
    pub fn of(system: &System, period: &Period) -> Self {
        let mut balance = Self::default();
        let share = 1.0 / period.samples.len() as f64;
        let mut is_source = vec![false; system.len()];
        // A winding with stray volts stays a winding: what those give is nothing beside the rest.
        let own = system.sources().zip(system.waveforms());
        for (part, _) in own.filter(|(_, waveform)| !matches!(waveform, Waveform::Stray { .. })) {
            for &row in system.currents_of(part) {
                is_source[row as usize] = true;
            }
        }
        let is_node = |k: usize| {
            matches!(
                system.unknowns()[k],
                Unknown::Voltage(_) | Unknown::Inside(_)
            )
        };
        for x in &period.samples {
            for (column, entries) in system.conductance().outer_iterator().enumerate() {
                for (row, &g) in entries.iter() {
                    let power = share * g * x[row] * x[column];
                    match system.unknowns()[row] {
                        // Node to node: a conductance. A branch current is the branch's own business.
                        Unknown::Voltage(_) | Unknown::Inside(_) if is_node(column) => {
                            balance.resistors += power;
                        }
                        // The row of a source holds its voltage in the columns of nodes.
                        Unknown::Current(..) if is_source[row] && is_node(column) => {
                            balance.given += power;
                        }
                        // The row of a winding holds −R on the diagonal.
                        Unknown::Current(..) if !is_source[row] && row == column => {
                            balance.windings -= power;
                        }
                        Unknown::Voltage(_)
                        | Unknown::Inside(_)
                        | Unknown::Current(..)
                        | Unknown::Flux(_) => {}
                    }
                }
            }
            balance.devices += share * devices(system, x);
        }
        for (k, unknown) in system.unknowns().iter().enumerate() {
            if matches!(unknown, Unknown::Flux(_)) {
                balance.cores += core(system, period, k);
            }
        }
        balance
    }
}

/// Power into all devices but cores at `x` `[n+1]`, W.
fn devices(system: &System, x: &[f64]) -> f64 {
    system
        .devices()
        .iter()
        .filter(|placed| !matches!(placed.device, AnyDevice::Core(_)))
        .map(|placed| {
            let at = placed.gather(x);
            let n = at.len();
            let (mut f, mut df) = (vec![0.0; n], vec![0.0; n * n]);
            // Only cores have a memory.
            placed.device.eval(
                &at,
                &[],
                &mut Local {
                    f: &mut f,
                    df: &mut df,
                },
            );
            at.iter().zip(&f).map(|(v, i)| v * i).sum::<f64>()
        })
        .sum()
}

/// Mean of θ·dλ/dt for the core whose flux is unknown `k`, W: harmonic by harmonic, which is exact as
/// far as the samples resolve them.
fn core(system: &System, period: &Period, k: usize) -> f64 {
    // The row of a flux holds minus the turns in the columns of the windings.
    let turns: Vec<(usize, f64)> = system
        .conductance()
        .outer_iterator()
        .enumerate()
        .filter_map(|(column, entries)| entries.get(k).map(|turns| (column, -turns)))
        .collect();
    let theta = Spectrum::of_period(&period.of(|x| turns.iter().map(|&(i, n)| n * x[i]).sum()));
    let flux = Spectrum::of_period(&period.of(|x| x[k]));
    let omega = std::f64::consts::TAU / period.duration;
    let harmonics = theta.harmonics.iter().zip(&flux.harmonics);
    harmonics
        .map(|(theta, flux)| {
            let rate = f64::from(flux.number) * omega * flux.amplitude;
            0.5 * theta.amplitude * rate * (theta.phase - flux.phase).sin()
        })
        .sum()
}
