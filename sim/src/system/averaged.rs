//! A circuit on its mains seen on the mean of a settled cycle: supplies that do not move.

use models::{Device, Local};

use super::{PlacedSource, System};
use crate::parts::Waveform;
use crate::workspace::Workspace;

/// The equations with the rectifiers laid straight, and where to start solving them.
#[derive(Clone, Debug)]
pub(crate) struct Averaged {
    /// No rectifier is left among its devices: their mean slopes are conductances.
    pub(crate) system: System,
    /// At the mean of the cycle; its last sources are what the currents of the rectifiers have beside their slopes.
    pub(crate) ws: Workspace,
}

impl System {
    /// On the mean of `samples` `[samples][n+1]`: alternating sources at zero, each rectifier a conductance of its mean
    /// slope beside the current that makes up its mean current. `ws` has the waveforms, emission and memory.
    pub(crate) fn averaged(&self, samples: &[Vec<f64>], ws: &Workspace) -> Averaged {
        let n = self.len();
        let count = samples.len() as f64;
        let mut mean = vec![0.0; n + 1];
        for x in samples {
            for (mean, x) in mean.iter_mut().zip(x) {
                *mean += x / count;
            }
        }
        let mut waveforms: Vec<Waveform> = (ws.waveforms.iter())
            .map(|waveform| Waveform::Dc(waveform.at_rest()))
            .collect();
        let mut system = self.clone();
        for (placed, &emission) in self.devices.iter().zip(&ws.emission) {
            if !placed.device.is_rectifier() {
                continue;
            }
            let local = placed.at.len();
            let memory = &ws.memory[placed.memory..placed.memory + placed.device.memory()];
            let (mut current, mut slope) = (vec![0.0; local], vec![0.0; local * local]);
            for x in samples {
                let (mut f, mut df) = (vec![0.0; local], vec![0.0; local * local]);
                let mut out = Local {
                    f: &mut f,
                    df: &mut df,
                };
                placed.device.eval(&placed.gather(x), memory, &mut out);
                for (mean, now) in current.iter_mut().zip(&f).chain(slope.iter_mut().zip(&df)) {
                    *mean += emission * now / count;
                }
            }
            let at_mean = placed.gather(&mean);
            for (row, &at) in placed.at.iter().enumerate() {
                let taken: f64 = (0..local)
                    .map(|column| slope[row * local + column] * at_mean[column])
                    .sum();
                if (at as usize) < n {
                    system.sources.push(PlacedSource {
                        part: placed.part,
                        row: at,
                    });
                    waveforms.push(Waveform::Dc(taken - current[row]));
                }
            }
            let conductance = system.conductance.data_mut();
            for (slope, &slot) in slope.iter().zip(&placed.slots) {
                // What falls on the chassis has no slot.
                if let Some(value) = conductance.get_mut(slot as usize) {
                    *value += slope;
                }
            }
        }
        let stay = |(placed, _): &(&super::PlacedDevice, &f64)| !placed.device.is_rectifier();
        let emission = (self.devices.iter().zip(&ws.emission)).filter(stay);
        let emission = emission.map(|(_, &emission)| emission).collect();
        (system.devices).retain(|placed| !placed.device.is_rectifier());
        let mut averaged = system.workspace();
        averaged.emission = emission;
        averaged.waveforms = waveforms;
        averaged.memory.clone_from(&ws.memory);
        averaged.x = mean;
        Averaged {
            system,
            ws: averaged,
        }
    }
}
