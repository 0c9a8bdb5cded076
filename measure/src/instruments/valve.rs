//! What a valve does at given voltages: currents, slopes, dissipation, distance from its limits.

use models::data::{ValveModel, ValveType};
use models::{AnyDevice, Device, Local, ValveCurrents, filament};
use serde::Serialize;

use sim::circuit::{Circuit, PartId};
use sim::parts::Part;
use sim::system::System;

/// Electrode voltages against the cathode, or the middle of the filament, and the currents they bring.
#[derive(Clone, Copy, Debug, Default)]
pub struct Electrodes {
    /// Anode to cathode, V.
    pub v_ak: f64,
    /// Screen to cathode, V; zero in a triode.
    pub v_sk: f64,
    /// Control grid to cathode, V.
    pub v_gk: f64,
    /// Cathode to chassis, V.
    pub v_k: f64,
    /// Currents and slopes.
    pub currents: ValveCurrents,
}

impl Electrodes {
    /// Dissipation of the anode, W.
    pub fn anode_watts(&self) -> f64 {
        self.v_ak * self.currents.anode
    }

    /// Dissipation of the screen, W.
    pub fn screen_watts(&self) -> f64 {
        self.v_sk * self.currents.screen
    }
}

/// An amplifying valve of a circuit with its places in the unknowns.
#[derive(Clone, Debug)]
pub struct ValveProbe {
    /// The part.
    pub part: PartId,
    /// Its designator.
    pub name: String,
    /// Anode, screen, grid; the screen is the anode's in a triode.
    at: [u32; 3],
    /// Both ends of the filament; of a cathode, the same place twice.
    ends: [u32; 2],
    /// True when screen and anode share a node, or it is a triode.
    pub strapped: bool,
    /// True when the drawing says where its heater or filament goes.
    pub heater_drawn: bool,
    kind: ValveType,
}

impl ValveProbe {
    /// All triodes and pentodes of the circuit, in its order; rectifiers and stabilisers are left out.
    pub fn all(circuit: &Circuit, system: &System) -> Vec<Self> {
        circuit
            .parts()
            .filter_map(|(part, placed)| {
                let Part::Valve(valve) = &placed.part else {
                    return None;
                };
                let at: Vec<u32> = placed
                    .nodes
                    .iter()
                    .map(|&node| system.voltage_of(node))
                    .collect();
                let wiring = valve.wiring(&at);
                let anode = wiring.anodes[0];
                let at = [anode, wiring.screen.unwrap_or(anode), wiring.grid?];
                let ends = [wiring.cathode[0], *wiring.cathode.last()?];
                Some(Self {
                    part,
                    name: placed.name.clone(),
                    at,
                    ends,
                    strapped: at[0] == at[1],
                    heater_drawn: valve.filament || circuit.heater_of(part).is_some(),
                    kind: valve.kind.clone(),
                })
            })
            .collect()
    }

    /// Whether the section is left over, its electrodes tied together (common practice, no source).
    pub fn is_spare(&self) -> bool {
        let [cathode, _] = self.ends;
        self.at == [cathode; 3] && self.ends == [cathode; 2]
    }

    /// The type with its limits.
    pub fn kind(&self) -> &ValveType {
        &self.kind
    }

    /// What the electrodes do at `x` `[n+1]`.
    pub fn at(&self, x: &[f64]) -> Electrodes {
        let [anode, screen, grid] = self.at.map(|at| x[at as usize]);
        let [first, second] = self.ends.map(|at| x[at as usize]);
        let cathode = 0.5 * (first + second);
        let (v_ak, v_sk, v_gk) = (anode - cathode, screen - cathode, grid - cathode);
        let currents = |above: f64| match &self.kind.model {
            ValveModel::Triode(triode) => triode.currents(v_ak - above, v_gk - above),
            ValveModel::Pentode(pentode) => {
                pentode.currents(v_ak - above, v_sk - above, v_gk - above)
            }
            ValveModel::Rectifier(_) | ValveModel::Stabiliser(_) => {
                unreachable!("left out by `all`")
            }
        };
        let triode = matches!(self.kind.model, ValveModel::Triode(_));
        Electrodes {
            v_ak,
            v_sk: if triode { 0.0 } else { v_sk },
            v_gk,
            v_k: cathode,
            currents: if self.ends[0] == self.ends[1] {
                currents(0.0)
            } else {
                filament::mean(first - second, currents)
            },
        }
    }

    /// True for a pentode whose screen is an electrode of its own.
    pub fn has_screen(&self) -> bool {
        matches!(self.kind.model, ValveModel::Pentode(_)) && !self.strapped
    }

    /// The limit that [`ValveProbe::anode_watts`] is judged by, W.
    pub fn anode_watts_limit(&self) -> Option<f64> {
        self.kind.limits.watts_of_anode(self.is_strapped_pentode())
    }

    /// The limit of the anode volts, V.
    pub fn anode_volts_limit(&self) -> Option<f64> {
        self.kind.limits.volts_of_anode(self.is_strapped_pentode())
    }

    /// True when the sheet of this strapped pentode prints a dissipation for that connection.
    pub fn has_strapped_limit(&self) -> bool {
        self.is_strapped_pentode() && self.kind.limits.strapped_watts.is_some()
    }

    fn is_strapped_pentode(&self) -> bool {
        matches!(self.kind.model, ValveModel::Pentode(_)) && self.strapped
    }

    /// Dissipation of the anode, W; of a strapped pentode, with its screen.
    pub fn anode_watts(&self, electrodes: &Electrodes) -> f64 {
        let screen = if self.has_screen() {
            0.0
        } else {
            electrodes.screen_watts()
        };
        electrodes.anode_watts() + screen
    }

    /// Anode volts in excess of the knee; infinite for triodes and strapped pentodes, which have none.
    pub fn above_knee(&self, electrodes: &Electrodes) -> f64 {
        if let ValveModel::Pentode(pentode) = &self.kind.model
            && self.has_screen()
        {
            electrodes.v_ak - pentode.knee_voltage(electrodes.v_sk, electrodes.v_gk)
        } else {
            f64::INFINITY
        }
    }
}

/// A figure against its limit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct AgainstLimit {
    /// The figure, SI.
    pub value: f64,
    /// The limit, SI; none when the type or the parts list states none.
    pub limit: Option<f64>,
}

impl AgainstLimit {
    /// The figure in per cent of its limit.
    pub fn percent(&self) -> Option<f64> {
        self.limit.map(|limit| 100.0 * self.value / limit)
    }

    /// True when the figure exceeds its limit by as much as is printed: a tenth of a per cent.
    pub fn is_over(&self) -> bool {
        /// Of the limit; the next digit would print as 100.1 %.
        const TOLD: f64 = 5e-4;
        self.limit
            .is_some_and(|limit| self.value > limit * (1.0 + TOLD))
    }
}

/// Drop along each rectifying path of the part, silicon included, V, and its current, A, at `x` `[n+1]`.
pub fn junction_currents(system: &System, part: PartId, x: &[f64]) -> Vec<(f64, f64)> {
    rectified(system, part, x, AnyDevice::is_rectifier)
}

/// Drop from each anode of the rectifier to its cathode, V, and current of that anode, A, at `x` `[n+1]`.
pub fn rectifier_currents(system: &System, part: PartId, x: &[f64]) -> Vec<(f64, f64)> {
    rectified(system, part, x, AnyDevice::emits)
}

fn rectified(
    system: &System,
    part: PartId,
    x: &[f64],
    of: impl Fn(&AnyDevice) -> bool,
) -> Vec<(f64, f64)> {
    let devices = system.devices().iter();
    devices
        .filter(|placed| placed.part == part && of(&placed.device))
        .filter_map(|placed| {
            let at = placed.gather(x);
            let drop = placed.device.rectifier_drop(&at)?;
            Some((drop, into_first(&placed.device, &at)))
        })
        .collect()
}

/// Current into the first terminal of a device without memory, A.
pub(crate) fn into_first(device: &AnyDevice, at: &[f64]) -> f64 {
    let (mut f, mut df) = (vec![0.0; at.len()], vec![0.0; at.len() * at.len()]);
    let mut out = Local {
        f: &mut f,
        df: &mut df,
    };
    device.eval(at, &[], &mut out);
    f[0]
}

#[cfg(test)]
mod tests {
    use super::AgainstLimit;

    #[test]
    fn what_is_printed_as_a_hundred_per_cent_is_not_over() {
        let of = |value: f64| AgainstLimit {
            value,
            limit: Some(15.0),
        };
        assert!(!of(15.0).is_over() && !of(15.0 * 1.000_4).is_over());
        assert!(of(15.0 * 1.000_6).is_over());
    }
}
