//! Recordings through the amplifier: read, play, judge, deliver. What `listen` and `audition` share.
//!
//! ```text
//! recording ─ × drive ─ finer grid ─ amplifier ─ back to its rate ─ store ─ × gain, dither ─ WAV
//! ```
//!
//! Everything runs in blocks: memory does not grow with the length of the recording, but for a third of a megabyte
//! an hour that the meter of loudness keeps.

mod chain;
mod closed_box;
mod delivery;
mod drive;
mod grid;
mod level;
mod original;
mod preparation;
mod recording;
mod render;
mod store;
mod survey;

pub(crate) use closed_box::ClosedBox;
pub(crate) use delivery::{Bits, Delivery, Form, Levels, Written, deliver};
pub(crate) use grid::Grid;
pub(crate) use level::Level;
pub(crate) use original::original;
pub(crate) use preparation::{Stage, prepare};
pub(crate) use recording::{Excerpt, Recording};
pub(crate) use render::{Render, Rendered, render};

/// Frames worked on at a time: a fifth of a second of most recordings.
const BLOCK: usize = 8192;

/// A level in decibels, with its unit.
pub(crate) fn decibels(level: f64) -> String {
    format!("{level:.1} dB")
}

/// A gated loudness in words.
pub(crate) fn loudness(loudness: Option<f64>) -> String {
    loudness.map_or_else(
        || "too short or too soft for a loudness".to_owned(),
        |loudness| format!("{loudness:.2} LUFS"),
    )
}
