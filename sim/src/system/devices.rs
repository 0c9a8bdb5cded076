//! The devices of a circuit in their places, and how they are worked out: valves of one law in packs of four, the
//! rest alone.

use std::ops::Deref;

use models::pack::{self, Four, LocalFours, Pack, WIDTH};
use models::{AnyDevice, Device, Local};

use super::UnknownId;
use crate::circuit::PartId;
use crate::workspace::Workspace;

/// A device in its place.
#[derive(Clone, Debug)]
pub struct PlacedDevice {
    /// The law.
    pub device: AnyDevice,
    /// The part it belongs to.
    pub part: PartId,
    /// `[n]` its unknowns.
    pub at: Vec<UnknownId>,
    /// `[n·n]` where its slopes go in the values of the matrix; unused entries go past the end.
    pub(super) slots: Vec<u32>,
    /// Where its stored values start in the memory.
    pub(super) memory: usize,
}

/// All of them, in the order of their parts; the packs are made anew whenever that changes.
#[derive(Clone, Debug)]
pub(super) struct Devices {
    placed: Vec<PlacedDevice>,
    packs: Vec<PlacedPack>,
    /// Which are in no pack.
    alone: Vec<usize>,
    /// Which are junctions.
    junctions: Vec<usize>,
}

/// A pack in its place. Lanes without a valve of their own have the places of the last one, and none of its current.
#[derive(Clone, Debug)]
struct PlacedPack {
    pack: Pack,
    /// Which devices, one to four.
    devices: Vec<usize>,
    /// `[n]` their unknowns.
    at: Vec<[UnknownId; WIDTH]>,
    /// `[n·n]` where their slopes go.
    slots: Vec<[u32; WIDTH]>,
}

impl PlacedDevice {
    /// The device's unknowns out of `x` `[n+1]`.
    pub fn gather(&self, x: &[f64]) -> Vec<f64> {
        self.at.iter().map(|&at| x[at as usize]).collect()
    }

    /// Adds currents and slopes at `ws.x` to residual and values.
    fn add(&self, emission: f64, ws: &mut Workspace) {
        let n = self.at.len();
        for (value, &at) in ws.local.x.iter_mut().zip(&self.at) {
            *value = ws.x[at as usize];
        }
        let memory = &ws.memory[self.memory..self.memory + self.device.memory()];
        let mut out = Local {
            f: &mut ws.local.f[..n],
            df: &mut ws.local.df[..n * n],
        };
        self.device.eval(&ws.local.x[..n], memory, &mut out);
        for (&f, &at) in out.f.iter().zip(&self.at) {
            ws.residual[at as usize] += emission * f;
        }
        for (&slope, &slot) in out.df.iter().zip(&self.slots) {
            ws.values[slot as usize] += emission * slope;
        }
    }
}

impl PlacedPack {
    fn new(packed: pack::Packed, placed: &[PlacedDevice]) -> Self {
        let of_lane = |lane: usize| {
            let last = packed.devices.len() - 1;
            &placed[packed.devices[lane.min(last)]]
        };
        let lanes = [0, 1, 2, 3].map(of_lane);
        Self {
            at: (0..lanes[0].at.len())
                .map(|k| lanes.map(|placed| placed.at[k]))
                .collect(),
            slots: (0..lanes[0].slots.len())
                .map(|k| lanes.map(|placed| placed.slots[k]))
                .collect(),
            pack: packed.pack,
            devices: packed.devices,
        }
    }

    /// Adds currents and slopes at `ws.x` to residual and values.
    fn add(&self, ws: &mut Workspace) {
        let n = self.at.len();
        let mut x = [[0.0; WIDTH]; pack::MOST];
        for (x, at) in x.iter_mut().zip(&self.at) {
            *x = at.map(|at| ws.x[at as usize]);
        }
        let mut f = [[0.0; WIDTH]; pack::MOST];
        let mut df = [[0.0; WIDTH]; pack::MOST * pack::MOST];
        let mut out = LocalFours {
            f: &mut f[..n],
            df: &mut df[..n * n],
        };
        self.pack.eval(&x[..n], &mut out);
        let mut emission = [0.0; WIDTH];
        for (emission, &device) in emission.iter_mut().zip(&self.devices) {
            *emission = ws.emission[device];
        }
        scatter(&f[..n], &emission, &self.at, &mut ws.residual);
        scatter(&df[..n * n], &emission, &self.slots, &mut ws.values);
    }
}

/// Adds its share of each of `fours` to its place in `sums`.
#[inline]
fn scatter(fours: &[Four], shares: &Four, places: &[[u32; WIDTH]], sums: &mut [f64]) {
    for (four, places) in fours.iter().zip(places) {
        for lane in 0..WIDTH {
            sums[places[lane] as usize] += shares[lane] * four[lane];
        }
    }
}

impl Devices {
    pub(super) fn new(placed: Vec<PlacedDevice>) -> Self {
        let (packs, alone) = pack::packed(placed.iter().map(|placed| &placed.device));
        let packs = packs.into_iter();
        let junctions = (0..placed.len()).filter(|&k| placed[k].device.is_junction());
        Self {
            junctions: junctions.collect(),
            packs: packs
                .map(|packed| PlacedPack::new(packed, &placed))
                .collect(),
            placed,
            alone,
        }
    }

    /// Only those stay that `stays` says.
    pub(super) fn retain(&mut self, stays: impl Fn(&PlacedDevice) -> bool) {
        let mut placed = std::mem::take(&mut self.placed);
        placed.retain(stays);
        *self = Self::new(placed);
    }

    /// Those that may shorten a step of Newton's iteration or bend within it.
    pub(super) fn junctions(&self) -> impl Iterator<Item = &PlacedDevice> {
        self.junctions.iter().map(|&k| &self.placed[k])
    }

    /// Adds their currents and slopes at `ws.x` to residual and values, each times its emission.
    pub(super) fn add(&self, ws: &mut Workspace) {
        for pack in &self.packs {
            pack.add(ws);
        }
        for &k in &self.alone {
            self.placed[k].add(ws.emission[k], ws);
        }
    }
}

impl Deref for Devices {
    type Target = [PlacedDevice];

    fn deref(&self) -> &Self::Target {
        &self.placed
    }
}

#[cfg(test)]
mod tests {
    use models::Device;
    use models::grid_current::{GridClass, GridCurrent};
    use models::triode::{Triode, TriodeParameters};

    use crate::parts::Part;
    use crate::{Circuit, NodeId, System};

    fn triode(kg: f64) -> Triode {
        let parameters = TriodeParameters {
            mu: 20.0,
            x: 1.4,
            kg,
            kp: 120.0,
            kvb: 300.0,
            vct: 0.4,
        };
        Triode::new(
            parameters,
            GridCurrent::assumed(GridClass::MediumMu, 1.0 / kg),
        )
    }

    #[test]
    fn in_packs_and_alone_they_add_up_to_one_residual() {
        // Five valves make a pack and a quarter; they share a cathode, and warm up at their own pace.
        let mut circuit = Circuit::new();
        let (grid, cathode) = (circuit.node("g"), circuit.node("k"));
        for k in 0..5_u32 {
            let anode = circuit.node(&format!("a{k}"));
            let valve = Part::Device(triode(500.0 + 100.0 * f64::from(k)).into());
            circuit
                .add(&format!("V{k}"), valve, &[anode, grid, cathode])
                .expect("well formed");
            circuit
                .add(
                    &format!("R{k}"),
                    Part::resistor(1e5),
                    &[anode, NodeId::CHASSIS],
                )
                .expect("well formed");
        }
        for (name, node) in [("Rg", grid), ("Rk", cathode)] {
            circuit
                .add(name, Part::resistor(1e3), &[node, NodeId::CHASSIS])
                .expect("well formed");
        }
        let system = System::of(&circuit).expect("well formed");
        assert_eq!(system.devices.packs.len(), 2);
        let mut ws = system.workspace();
        ws.emission = vec![1.0, 0.5, 0.25, 0.0, 0.75];
        ws.x.fill(150.0);
        ws.x[system.voltage_of(grid) as usize] = 3.0;
        ws.x[system.voltage_of(cathode) as usize] = 2.0;
        let mut alone = ws.clone();
        system.devices.add(&mut ws);
        for (placed, emission) in system.devices.iter().zip(alone.emission.clone()) {
            assert_eq!(placed.device.memory(), 0);
            placed.add(emission, &mut alone);
        }
        // A hundred roundings of the largest.
        for (pack, alone) in [(&ws.residual, &alone.residual), (&ws.values, &alone.values)] {
            let largest = alone
                .iter()
                .fold(0.0_f64, |most, value| value.abs().max(most));
            assert!(largest > 1e-3);
            for (pack, alone) in pack.iter().zip(alone) {
                assert!((pack - alone).abs() < 1e-14 * largest, "{pack} {alone}");
            }
        }
    }
}
