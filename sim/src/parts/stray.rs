//! What stray fields of the mains do to a part.

use super::Part;

/// A voltage that stray fields of the mains induce in a winding, in series with it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stray {
    /// Peak volts; from the start of the winding to its finish, in phase with a mains of phase 0.
    pub amplitude: f64,
    /// Hz.
    pub frequency: f64,
}

impl Part {
    /// Whether stray fields induce volts in a winding of it.
    pub fn catches_stray_fields(&self) -> bool {
        match self {
            Self::Inductor(inductor) => inductor.stray.is_some(),
            Self::Transformer(transformer) => {
                transformer.windings.iter().any(|w| w.stray.is_some())
            }
            Self::Resistor(_)
            | Self::Capacitor(_)
            | Self::Valve(_)
            | Self::Device(_)
            | Self::Diodes(_)
            | Self::Source(_)
            | Self::Pot(_)
            | Self::Switch(_)
            | Self::Loudspeaker(_) => false,
        }
    }

    /// Keeps stray fields from its windings.
    pub fn screen_from_stray_fields(&mut self) {
        match self {
            Self::Inductor(inductor) => inductor.stray = None,
            Self::Transformer(transformer) => {
                for winding in &mut transformer.windings {
                    winding.stray = None;
                }
            }
            Self::Resistor(_)
            | Self::Capacitor(_)
            | Self::Valve(_)
            | Self::Device(_)
            | Self::Diodes(_)
            | Self::Source(_)
            | Self::Pot(_)
            | Self::Switch(_)
            | Self::Loudspeaker(_) => {}
        }
    }
}
