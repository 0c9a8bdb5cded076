//! Packs: up to four valves or diodes of one law, worked out side by side in the lanes of a vector.
//!
//! ```text
//! lane   0       1       2       3
//!        V1      V2a     V2b     V2b      three triodes: the last stands in for the fourth
//! ```
//!
//! Symbols   a lane holds the numbers of one valve
//! Source    the laws are those of `triode.rs`, `pentode/current_sharing.rs`, `rectifier.rs` and `diode.rs`; nothing
//!           is added
//! Valid     as the laws
//! Care      equal to [`crate::Device::eval`] of each valve but for rounding, which is the check.  Both branches of every case are worked out and one is taken, so what belongs to the
//!           other must do no harm
//!
//! Four lanes on every machine, in the widest vectors it has; which those are is asked of it once, when a pack is
//! made. They differ in roundings: a product and a sum are rounded once or twice.

#![expect(
    clippy::inline_always,
    reason = "what is not laid into the function chosen for the machine's vectors is worked out without them"
)]

mod elementary;
mod grids;
mod guard;
mod junctions;
mod pentodes;
mod rectifiers;
#[cfg(all(test, feature = "files"))]
mod tests;
mod triodes;

use fearless_simd::{Level, Simd, dispatch, f64x4, prelude::*};

use crate::any_device::AnyDevice;
use crate::diode::Diode;
use crate::grid_current::GridCurrent;
use crate::pentode::{CurrentSharing, PentodeLaw};
use crate::rectifier::Rectifier;
use crate::triode::Triode;
use junctions::Junctions;
use pentodes::Pentodes;
use rectifiers::Rectifiers;
use triodes::Triodes;

/// Valves in a pack.
pub const WIDTH: usize = 4;
/// Terminals of the largest valve that is packed, a pentode.
pub const MOST: usize = 4;

/// One number of each of four valves.
pub type Four = [f64; WIDTH];

/// As the machine works with them.
type Lanes<S> = f64x4<S>;

/// Where a pack writes, as [`crate::Local`] with four numbers in the place of one.
#[derive(Debug)]
pub struct LocalFours<'a> {
    /// `[n]`
    pub f: &'a mut [Four],
    /// `[n·n]`, row-major.
    pub df: &'a mut [Four],
}

/// Up to four valves of one law.
#[derive(Clone, Debug)]
pub struct Pack {
    law: Law,
    level: Level,
}

#[derive(Clone, Debug)]
enum Law {
    Triodes(Box<Triodes>),
    Pentodes(Box<Pentodes>),
    Rectifiers(Rectifiers),
    Junctions(Junctions),
}

/// A pack and who is in it.
#[derive(Clone, Debug)]
pub struct Packed {
    /// The law.
    pub pack: Pack,
    /// Places of its valves among the devices, one to four.
    pub devices: Vec<usize>,
}

impl Pack {
    /// Fills `out` at the terminal volts `x` `[n]`.
    pub fn eval(&self, x: &[Four], out: &mut LocalFours<'_>) {
        match &self.law {
            Law::Triodes(triodes) => dispatch!(self.level, simd => triodes.eval(simd, x, out)),
            Law::Pentodes(pentodes) => dispatch!(self.level, simd => pentodes.eval(simd, x, out)),
            Law::Rectifiers(anodes) => dispatch!(self.level, simd => anodes.eval(simd, x, out)),
            Law::Junctions(junctions) => {
                dispatch!(self.level, simd => junctions.eval(simd, x, out));
            }
        }
    }
}

/// One number in all lanes.
#[inline(always)]
fn splat<S: Simd>(simd: S, value: f64) -> Lanes<S> {
    Lanes::splat(simd, value)
}

/// Four numbers in their lanes.
#[inline(always)]
fn lanes<S: Simd>(simd: S, four: Four) -> Lanes<S> {
    four.simd_into(simd)
}

/// Stores lanes beside each other.
#[inline(always)]
fn put<S: Simd, const N: usize>(lanes: &[Lanes<S>; N], to: &mut [Four]) {
    let to = &mut to[..N];
    for k in 0..N {
        to[k] = lanes[k].into();
    }
}

/// Writes currents with their slopes as all between an anode and a cathode do.
#[inline(always)]
fn flow<S: Simd>(i: Lanes<S>, slope: Lanes<S>, out: &mut LocalFours<'_>) {
    put(&[i, -i], out.f);
    put(&[slope, -slope, -slope, slope], out.df);
}

/// The packs that `devices` make, and the places of those that are worked out alone.
pub fn packed<'d>(devices: impl Iterator<Item = &'d AnyDevice>) -> (Vec<Packed>, Vec<usize>) {
    let mut triodes: Vec<(usize, &Triode)> = Vec::new();
    let mut pentodes: Vec<(usize, (&CurrentSharing, &GridCurrent))> = Vec::new();
    let mut rectifiers: Vec<(usize, &Rectifier)> = Vec::new();
    let mut diodes: Vec<(usize, &Diode)> = Vec::new();
    let mut alone = Vec::new();
    for (k, device) in devices.enumerate() {
        match device {
            AnyDevice::Triode(triode) => triodes.push((k, triode)),
            AnyDevice::Pentode(pentode) => match &pentode.law {
                PentodeLaw::CurrentSharing(law) => pentodes.push((k, (law, &pentode.grid))),
                PentodeLaw::FallingScreen(_) => alone.push(k),
            },
            AnyDevice::Rectifier(rectifier) => rectifiers.push((k, rectifier)),
            AnyDevice::Diode(diode) => diodes.push((k, diode)),
            AnyDevice::Stabiliser(_)
            | AnyDevice::Core(_)
            | AnyDevice::Transistor(_)
            | AnyDevice::FilamentTriode(_)
            | AnyDevice::FilamentPentode(_)
            | AnyDevice::FilamentRectifier(_) => alone.push(k),
        }
    }
    let mut packs = in_fours(&triodes, |four| Law::Triodes(Box::new(Triodes::of(four))));
    packs.extend(in_fours(&pentodes, |four| {
        Law::Pentodes(Box::new(Pentodes::of(four)))
    }));
    packs.extend(in_fours(&rectifiers, |four| {
        Law::Rectifiers(Rectifiers::of(four))
    }));
    packs.extend(in_fours(&diodes, |four| {
        Law::Junctions(Junctions::of(four))
    }));
    (packs, alone)
}

/// Packs of four; in the last one the last valve stands in for those that are missing.
fn in_fours<T: Copy>(valves: &[(usize, T)], law: impl Fn([T; WIDTH]) -> Law) -> Vec<Packed> {
    valves
        .chunks(WIDTH)
        .map(|chunk| Packed {
            pack: Pack {
                law: law(std::array::from_fn(|lane| {
                    chunk[lane.min(chunk.len() - 1)].1
                })),
                level: Level::new(),
            },
            devices: chunk.iter().map(|&(place, _)| place).collect(),
        })
        .collect()
}
