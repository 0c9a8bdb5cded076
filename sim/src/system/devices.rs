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
