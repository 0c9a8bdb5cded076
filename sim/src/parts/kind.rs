//! What kind of part it is, as far as several places ask.

use models::core::Core;

use super::{Part, Source, Transformer, Valve};

impl Part {
    /// What the trade calls it.
    pub fn words(&self) -> &'static str {
        match self {
            Self::Resistor(_) => "resistor",
            Self::Capacitor(_) => "capacitor",
            Self::Inductor(_) => "choke",
            Self::Transformer(_) => "transformer",
            Self::Valve(_) => "valve",
            Self::Device(_) => "semiconductor",
            Self::Diodes(_) => "rectifier",
            Self::Source(_) => "supply or generator",
            Self::Pot(_) => "pot",
            Self::Switch(_) => "switch",
            Self::Loudspeaker(_) => "loudspeaker",
        }
    }

    /// The valve that it is; none of anything else.
    pub fn valve(&self) -> Option<&Valve> {
        if let Self::Valve(valve) = self {
            Some(valve)
        } else {
            None
        }
    }

    /// The source that it is; none of anything else.
    pub fn source(&self) -> Option<&Source> {
        if let Self::Source(source) = self {
            Some(source)
        } else {
            None
        }
    }

    /// The transformer that it is; none of anything else.
    pub fn transformer(&self) -> Option<&Transformer> {
        if let Self::Transformer(transformer) = self {
            Some(transformer)
        } else {
            None
        }
    }

    /// Ohms of a resistor; none of anything else.
    pub fn ohms(&self) -> Option<f64> {
        if let Self::Resistor(resistor) = self {
            Some(resistor.r)
        } else {
            None
        }
    }

    /// Farads of a capacitor; none of anything else.
    pub fn farads(&self) -> Option<f64> {
        if let Self::Capacitor(capacitor) = self {
            Some(capacitor.c)
        } else {
            None
        }
    }

    /// True of an electrolytic.
    pub fn is_polar(&self) -> bool {
        matches!(self, Self::Capacitor(capacitor) if capacitor.polar)
    }

    /// True of a resistor, a capacitor and a choke.
    pub fn is_passive(&self) -> bool {
        match self {
            Self::Resistor(_) | Self::Capacitor(_) | Self::Inductor(_) => true,
            Self::Transformer(_)
            | Self::Valve(_)
            | Self::Device(_)
            | Self::Diodes(_)
            | Self::Source(_)
            | Self::Pot(_)
            | Self::Switch(_)
            | Self::Loudspeaker(_) => false,
        }
    }

    /// True of a valve or semiconductors that rectify.
    pub fn is_rectifier(&self) -> bool {
        match self {
            Self::Valve(valve) => valve.kind.model.is_rectifier(),
            Self::Device(device) => device.is_rectifier(),
            Self::Diodes(_) => true,
            Self::Resistor(_)
            | Self::Capacitor(_)
            | Self::Inductor(_)
            | Self::Transformer(_)
            | Self::Source(_)
            | Self::Pot(_)
            | Self::Switch(_)
            | Self::Loudspeaker(_) => false,
        }
    }

    /// The core it is wound on; none of what has no winding.
    pub fn core(&self) -> Option<&Core> {
        match self {
            Self::Inductor(inductor) => Some(&inductor.core),
            Self::Transformer(transformer) => Some(&transformer.core),
            Self::Resistor(_)
            | Self::Capacitor(_)
            | Self::Valve(_)
            | Self::Device(_)
            | Self::Diodes(_)
            | Self::Source(_)
            | Self::Pot(_)
            | Self::Switch(_)
            | Self::Loudspeaker(_) => None,
        }
    }
}
