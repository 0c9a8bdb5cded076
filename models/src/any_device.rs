//! The one list of devices, and what a circuit asks of any of them.
//!
//! Every answer goes through all of the list: a device that is added stops the compiler at each place
//! that has to know it.

use crate::core::Core;
use crate::data::ValveModel;
use crate::device::{Device, Local};
use crate::diode::Diode;
use crate::filament::{Filament, FilamentPentode, FilamentRectifier, FilamentTriode};
use crate::noise::{shot, smoothed};
use crate::pentode::Pentode;
use crate::rectifier::Rectifier;
use crate::stabiliser::Stabiliser;
use crate::transistor::Transistor;
use crate::triode::Triode;

/// The one list to extend: makes the closed enum, its dispatch and the conversions.
macro_rules! devices {
    ($($name:ident),+ $(,)?) => {
        /// Any device, dispatched statically: cloneable, printable and exhaustively listed.
        #[derive(Clone, Debug)]
        pub enum AnyDevice { $(#[doc = concat!("A [`", stringify!($name), "`].")] $name($name)),+ }

        impl Device for AnyDevice {
            fn unknowns(&self) -> &'static [&'static str] {
                match self { $(Self::$name(device) => device.unknowns()),+ }
            }
            fn terminals(&self) -> usize {
                match self { $(Self::$name(device) => device.terminals()),+ }
            }
            fn pattern(&self) -> &'static [bool] {
                match self { $(Self::$name(device) => device.pattern()),+ }
            }
            fn memory(&self) -> usize {
                match self { $(Self::$name(device) => device.memory()),+ }
            }
            #[inline]
            fn eval(&self, x: &[f64], memory: &[f64], out: &mut Local<'_>) {
                match self { $(Self::$name(device) => device.eval(x, memory, out)),+ }
            }
            fn commit(&self, x: &[f64], memory: &mut [f64]) {
                match self { $(Self::$name(device) => device.commit(x, memory)),+ }
            }
            #[inline]
            fn step_fraction(&self, x: &[f64], dx: &[f64]) -> f64 {
                match self { $(Self::$name(device) => device.step_fraction(x, dx)),+ }
            }
            #[inline]
            fn bends(&self, x: &[f64], dx: &[f64]) -> bool {
                match self { $(Self::$name(device) => device.bends(x, dx)),+ }
            }
            #[inline]
            fn flattens(&self, x: &[f64], dx: &[f64]) -> bool {
                match self { $(Self::$name(device) => device.flattens(x, dx)),+ }
            }
        }

        $(impl From<$name> for AnyDevice {
            fn from(device: $name) -> Self { Self::$name(device) }
        })+

        #[cfg(test)]
        impl AnyDevice {
            /// The words of the list.
            pub(crate) const WORDS: &[&str] = &[$(stringify!($name)),+];

            /// Its word in the list.
            pub(crate) fn word(&self) -> &'static str {
                match self { $(Self::$name(_) => stringify!($name)),+ }
            }
        }
    };
}

devices! {
    Diode, Rectifier, Stabiliser, Triode, Pentode, Core, Transistor, FilamentTriode, FilamentPentode,
    FilamentRectifier,
}

impl AnyDevice {
    /// True where all current comes off a hot cathode: cold, it passes nothing.
    pub fn emits(&self) -> bool {
        match self {
            Self::Rectifier(_)
            | Self::Triode(_)
            | Self::Pentode(_)
            | Self::FilamentTriode(_)
            | Self::FilamentPentode(_)
            | Self::FilamentRectifier(_) => true,
            Self::Diode(_) | Self::Stabiliser(_) | Self::Core(_) | Self::Transistor(_) => false,
        }
    }

    /// True of a junction: alone such [`step_fraction`](Device::step_fraction) and [`bends`](Device::bends) may
    /// answer anything but one and no.
    pub fn is_junction(&self) -> bool {
        match self {
            Self::Diode(_) | Self::Transistor(_) => true,
            Self::Stabiliser(_)
            | Self::Rectifier(_)
            | Self::Triode(_)
            | Self::Pentode(_)
            | Self::Core(_)
            | Self::FilamentTriode(_)
            | Self::FilamentPentode(_)
            | Self::FilamentRectifier(_) => false,
        }
    }

    /// Drop of a rectifying device from its anode to its cathode, V, at the voltages `x` `[n]`; to the middle
    /// of a filament. None of any other device.
    pub fn rectifier_drop(&self, x: &[f64]) -> Option<f64> {
        match self {
            Self::Diode(_) | Self::Rectifier(_) => Some(x[0] - x[1]),
            Self::FilamentRectifier(_) => Some(x[0] - 0.5 * (x[1] + x[2])),
            Self::Stabiliser(_)
            | Self::Triode(_)
            | Self::Pentode(_)
            | Self::Core(_)
            | Self::Transistor(_)
            | Self::FilamentTriode(_)
            | Self::FilamentPentode(_) => None,
        }
    }

    /// True of a device that rectifies, silicon or with a hot cathode.
    pub fn is_rectifier(&self) -> bool {
        match self {
            Self::Diode(_) | Self::Rectifier(_) | Self::FilamentRectifier(_) => true,
            Self::Stabiliser(_)
            | Self::Triode(_)
            | Self::Pentode(_)
            | Self::Core(_)
            | Self::Transistor(_)
            | Self::FilamentTriode(_)
            | Self::FilamentPentode(_) => false,
        }
    }

    /// Noise between the first two terminals of a rectifying device, A²/Hz, at the voltages `x` `[n]`; along a
    /// filament that of its middle, from which its ends differ by a few volts of many. None of any other
    /// device: valves with grids have [`crate::noise::ValveNoise`], the rest is taken as silent.
    pub fn noise(&self, x: &[f64]) -> Option<f64> {
        let drop = self.rectifier_drop(x)?;
        let smooth = |law: &Rectifier| {
            let now = law.current(drop);
            smoothed(now.value, now.slope)
        };
        match self {
            Self::Diode(diode) => Some(shot(diode.current(drop).value)),
            Self::Rectifier(law) => Some(smooth(law)),
            Self::FilamentRectifier(law) => Some(smooth(&law.section)),
            Self::Stabiliser(_)
            | Self::Triode(_)
            | Self::Pentode(_)
            | Self::Core(_)
            | Self::Transistor(_)
            | Self::FilamentTriode(_)
            | Self::FilamentPentode(_) => None,
        }
    }
}

impl ValveModel {
    /// The law between the electrodes, anode first and cathode last; laid along a filament, its two ends in
    /// place of the cathode. A stabiliser has none.
    pub fn device(&self, along_filament: bool) -> AnyDevice {
        match (self, along_filament) {
            (Self::Triode(triode), false) => (*triode).into(),
            (Self::Pentode(pentode), false) => (*pentode).into(),
            (Self::Rectifier(rectifier), false) => (*rectifier).into(),
            (Self::Triode(section), true) => Filament { section: *section }.into(),
            (Self::Pentode(section), true) => Filament { section: *section }.into(),
            (Self::Rectifier(section), true) => Filament { section: *section }.into(),
            (Self::Stabiliser(stabiliser), false | true) => (*stabiliser).into(),
        }
    }
}
