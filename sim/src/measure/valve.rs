//! What a valve does at given voltages: currents, slopes, dissipation, distance from its limits.

use models::data::{ValveModel, ValveType};
use models::{AnyDevice, ValveCurrents};
use serde::Serialize;

use crate::circuit::{Circuit, PartId};
use crate::parts::Part;
use crate::system::System;

/// Electrode voltages against the cathode and the currents they bring.
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
    /// Anode, screen, grid, cathode; the screen is the anode's in a triode.
    at: [u32; 4],
    /// True when screen and anode share a node, or it is a triode.
    pub strapped: bool,
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
                let at = match valve.kind.model {
                    ValveModel::Triode(_) => [at[0], at[0], at[1], at[2]],
                    ValveModel::Pentode(_) => [at[0], at[1], at[2], at[3]],
                    ValveModel::Rectifier(_) | ValveModel::Stabiliser(_) => return None,
                };
                Some(Self {
                    part,
                    name: placed.name.clone(),
                    at,
                    strapped: at[0] == at[1],
                    kind: valve.kind.clone(),
                })
            })
            .collect()
    }

    /// The type with its limits.
    pub fn kind(&self) -> &ValveType {
        &self.kind
    }

    /// What the electrodes do at `x` `[n+1]`.
    pub fn at(&self, x: &[f64]) -> Electrodes {
        let [anode, screen, grid, cathode] = self.at.map(|at| x[at as usize]);
        let (v_ak, v_gk) = (anode - cathode, grid - cathode);
        match &self.kind.model {
            ValveModel::Triode(triode) => Electrodes {
                v_ak,
                v_sk: 0.0,
                v_gk,
                v_k: cathode,
                currents: triode.currents(v_ak, v_gk),
            },
            ValveModel::Pentode(pentode) => Electrodes {
                v_ak,
                v_sk: screen - cathode,
                v_gk,
                v_k: cathode,
                currents: pentode.currents(v_ak, screen - cathode, v_gk),
            },
            ValveModel::Rectifier(_) | ValveModel::Stabiliser(_) => {
                unreachable!("left out by `all`")
            }
        }
    }

    /// True for a pentode whose screen is an electrode of its own.
    pub fn has_screen(&self) -> bool {
        matches!(self.kind.model, ValveModel::Pentode(_)) && !self.strapped
    }

    /// Dissipation of the anode, W; of a strapped pentode, with its screen. The limit stays the anode's:
    /// sheets rate the strapped valve at that or less.
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
        match &self.kind.model {
            ValveModel::Pentode(pentode) if self.has_screen() => {
                electrodes.v_ak - pentode.knee_voltage(electrodes.v_sk, electrodes.v_gk)
            }
            _ => f64::INFINITY,
        }
    }
}

/// A figure against its limit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Against {
    /// The figure, SI.
    pub value: f64,
    /// The limit, SI; none when the type or the parts list states none.
    pub limit: Option<f64>,
}

impl Against {
    /// The figure in per cent of its limit.
    pub fn percent(&self) -> Option<f64> {
        self.limit.map(|limit| 100.0 * self.value / limit)
    }

    /// True when the figure exceeds its limit.
    pub fn is_over(&self) -> bool {
        self.limit.is_some_and(|limit| self.value > limit)
    }
}

/// The rectifier currents at `x`: current of each anode of the part, A.
pub fn rectifier_currents(system: &System, part: PartId, x: &[f64]) -> Vec<(f64, f64)> {
    system
        .devices()
        .iter()
        .filter(|placed| placed.part == part)
        .filter_map(|placed| match &placed.device {
            AnyDevice::Rectifier(rectifier) => {
                let at = placed.gather(x);
                let v = at[0] - at[1];
                Some((v, rectifier.current(v).value))
            }
            _ => None,
        })
        .collect()
}
