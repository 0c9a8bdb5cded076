//! What an amplifier does before a signal comes: volts and currents, what a meter shows, its supply, switching on.

pub mod readings;
pub(crate) mod still;
pub mod supply;
pub mod switch_on;
pub mod voltages;
