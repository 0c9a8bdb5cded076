//! One reading against the drawing: what it should be, its band, and where it lies.

use serde::Serialize;

use super::band::Band;
use super::meter::Meter;

/// Where a reading lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    /// Within the likely band and the meter's accuracy.
    Within,
    /// Beyond it, yet tolerances all one way could do it.
    Possible,
    /// No tolerances reach it.
    Outside,
}

/// One reading against the drawing.
#[derive(Clone, Debug, Serialize)]
pub struct Compared {
    /// Where.
    pub point: String,
    /// What the meter showed, V.
    pub reading: f64,
    /// What it should show, V.
    pub expected: f64,
    /// Without a meter, V.
    pub volts: f64,
    /// The meter; none when nobody says, and then it loads nothing.
    pub meter: Option<Meter>,
    /// Its range, V; none when it does not matter.
    pub range: Option<f64>,
    /// Reading less what it should be, V.
    pub difference: f64,
    /// The band as the meter shows it.
    pub band: Band,
    /// What the meter may be off by itself, V.
    pub accuracy: f64,
    /// Where it lies.
    pub place: Standing,
}

impl Compared {
    /// The likely band with the meter's accuracy, V.
    pub fn likely(&self) -> f64 {
        self.band.likely.hypot(self.accuracy)
    }

    /// Difference in the words of the trade; a negative voltage is not "high".
    pub fn words(&self) -> &'static str {
        match (self.difference > 0.0, self.expected < 0.0) {
            (true, false) => "high",
            (false, false) => "low",
            (true, true) => "less negative",
            (false, true) => "more negative",
        }
    }
}
