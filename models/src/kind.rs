//! Kinds of valve.

use serde::Deserialize;

/// Kinds of valve.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ValveKind {
    /// One grid.
    Triode,
    /// Control, screen and suppressor grid.
    Pentode,
    /// Control and screen grid, electrons gathered in beams.
    #[serde(rename = "beam tetrode")]
    BeamTetrode,
    /// Vacuum rectifier; two sections when full-wave.
    Rectifier,
    /// Gas discharge that keeps its volts.
    Stabiliser,
}

impl ValveKind {
    /// True of a kind with a screen grid.
    pub fn has_screen(self) -> bool {
        match self {
            Self::Pentode | Self::BeamTetrode => true,
            Self::Triode | Self::Rectifier | Self::Stabiliser => false,
        }
    }
}
