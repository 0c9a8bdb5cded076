//! Packs: up to four valves of one law, worked out side by side in the lanes of a vector.
//!
//! ```text
//! lane   0       1       2       3
//!        V1      V2a     V2b     V2b      three triodes: the last stands in for the fourth
//! ```
//!
//! Symbols   a lane holds the numbers of one valve
//! Source    the laws are those of `triode.rs` and `pentode/current_sharing.rs`; nothing is added
//! Valid     as the laws
//! Care      equal to [`Device::eval`] of each valve but for rounding; what a valve of the scalar law answers is
//!           the check.  Both branches of every case are worked out and one is taken, so what belongs to the
//!           other must do no harm
//!
//! Four lanes on every machine; where its vectors hold two doubles, a lane pair each.

mod elementary;
mod grids;
mod guard;
mod pentodes;
#[cfg(all(test, feature = "files"))]
mod tests;
mod triodes;

pub use pentodes::Pentodes;
pub use triodes::Triodes;
/// Numbers of four valves.
pub use wide::f64x4 as Lanes;

use crate::any_device::AnyDevice;
use crate::grid_current::GridCurrent;
use crate::pentode::{CurrentSharing, PentodeLaw};
use crate::triode::Triode;

/// Valves in a pack.
pub const WIDTH: usize = 4;
/// Terminals of the largest valve that is packed, a pentode.
pub const MOST: usize = 4;

/// Where a pack writes, as [`crate::Local`] with a lane for each valve.
#[derive(Debug)]
pub struct LocalLanes<'a> {
    /// `[n]`
    pub f: &'a mut [Lanes],
    /// `[n·n]`, row-major.
    pub df: &'a mut [Lanes],
}

/// Up to four valves of one law.
#[derive(Clone, Debug)]
pub enum Pack {
    /// Triodes.
    Triodes(Triodes),
    /// Pentodes of homogeneous current sharing.
    Pentodes(Pentodes),
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
    /// Fills the first `[n]` and `[n·n]` of `out` at the terminal volts `x` `[n]`.
    pub fn eval(&self, x: &[Lanes], out: &mut LocalLanes<'_>) {
        match self {
            Self::Triodes(triodes) => triodes.eval(x, out),
            Self::Pentodes(pentodes) => pentodes.eval(x, out),
        }
    }
}

/// The packs that `devices` make, and the places of those that are worked out alone.
pub fn packed<'d>(devices: impl Iterator<Item = &'d AnyDevice>) -> (Vec<Packed>, Vec<usize>) {
    let mut triodes: Vec<(usize, &Triode)> = Vec::new();
    let mut pentodes: Vec<(usize, (&CurrentSharing, &GridCurrent))> = Vec::new();
    let mut alone = Vec::new();
    for (k, device) in devices.enumerate() {
        match device {
            AnyDevice::Triode(triode) => triodes.push((k, triode)),
            AnyDevice::Pentode(pentode) => match &pentode.law {
                PentodeLaw::CurrentSharing(law) => pentodes.push((k, (law, &pentode.grid))),
                PentodeLaw::FallingScreen(_) => alone.push(k),
            },
            AnyDevice::Diode(_)
            | AnyDevice::Rectifier(_)
            | AnyDevice::Stabiliser(_)
            | AnyDevice::Core(_)
            | AnyDevice::Transistor(_)
            | AnyDevice::FilamentTriode(_)
            | AnyDevice::FilamentPentode(_)
            | AnyDevice::FilamentRectifier(_) => alone.push(k),
        }
    }
    let mut packs = in_fours(&triodes, |four| Pack::Triodes(Triodes::of(four)));
    packs.extend(in_fours(&pentodes, |four| {
        Pack::Pentodes(Pentodes::of(four))
    }));
    (packs, alone)
}

/// Packs of four; in the last one the last valve stands in for those that are missing.
fn in_fours<T: Copy>(valves: &[(usize, T)], pack: impl Fn([T; WIDTH]) -> Pack) -> Vec<Packed> {
    valves
        .chunks(WIDTH)
        .map(|chunk| Packed {
            pack: pack(std::array::from_fn(|lane| {
                chunk[lane.min(chunk.len() - 1)].1
            })),
            devices: chunk.iter().map(|&(place, _)| place).collect(),
        })
        .collect()
}
