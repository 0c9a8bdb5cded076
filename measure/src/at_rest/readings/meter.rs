//! A voltmeter as a load: ohms for each volt of its range, or the same ohms on every range.
//!
//! ```text
//! R_m = s·V_range   or   R_m,        V_read = V·R_m/(R_m + R_s)  where the source is linear
//! ```
//!
//! Symbols   s  ohms per volt, Ω/V;  V_range  range in use, V;  R_s  resistance of the source, Ω
//! Source    Ohm's law

use serde::Serialize;

use sim::quantity::{Quantity, QuantityError, Unit};

/// Ranges of a pointer meter, V (common practice, no source).
pub const RANGES: [f64; 5] = [10.0, 50.0, 250.0, 500.0, 1000.0];

/// How far a pointer may be off, of full scale (common practice, no source).
const OF_FULL_SCALE: f64 = 0.03;

/// How far a meter with an input resistance may be off, of the reading (common practice, no source).
const OF_READING: f64 = 0.01;

/// The least that a reading may be off, V: the last digit, thermal and contact volts.
pub(super) const LEAST: f64 = 0.02;

/// Ω, or Ω/V, that a voltmeter has: from one that takes an ampere to an electrometer (common practice, no source).
const OHMS: (f64, f64) = (1.0, 1e14);

/// V that a range may have, from a millivoltmeter to a probe for hundreds of kilovolts (common practice, no source).
pub const RANGE_LIMITS: (f64, f64) = (1e-3, 1e6);

/// Endings that make ohms ohms per volt.
const PER_VOLT: [&str; 4] = ["per volt", "/ volt", "/volt", "/v"];

/// A voltmeter.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Meter {
    /// As it was written.
    pub name: String,
    /// Ω/V; none when the input resistance is the same on every range.
    pub ohms_per_volt: Option<f64>,
    /// Ω; none when it goes with the range.
    pub input_ohms: Option<f64>,
}

impl Meter {
    /// Reads `500 ohms per volt`, `20k/V` or an input resistance, `10M`.
    ///
    /// # Errors
    /// Every [`QuantityError`]; [`QuantityError::NotANumber`] also for ohms that no voltmeter has.
    pub fn parse(text: &str) -> Result<Self, QuantityError> {
        let name = text.split_whitespace().collect::<Vec<_>>().join(" ");
        let lower = name.to_lowercase();
        let ending = PER_VOLT.iter().find(|ending| lower.ends_with(**ending));
        // The endings are plain letters, so they have as many bytes in either case.
        let ohms = ending.map_or(name.as_str(), |ending| &name[..name.len() - ending.len()]);
        let ohms = Quantity::parse(ohms, Unit::Ohm)?;
        if !(OHMS.0..=OHMS.1).contains(&ohms) {
            return Err(QuantityError::NotANumber { text: name });
        }
        Ok(Self {
            ohms_per_volt: ending.map(|_| ohms),
            input_ohms: ending.is_none().then_some(ohms),
            name,
        })
    }

    /// Its resistance on a range, V; Ω.
    pub fn resistance(&self, range: f64) -> f64 {
        match (self.input_ohms, self.ohms_per_volt) {
            (Some(ohms), _) => ohms,
            (None, Some(per_volt)) => per_volt * range,
            (None, None) => f64::INFINITY,
        }
    }

    /// The range a careful hand ends on, V: from the highest downwards, as long as what is shown fits the
    /// next one. `read` tells what is shown on a range. None when the range does not matter.
    ///
    /// The smallest range that holds its own reading would be another one: a meter that loads the source
    /// enough pulls any reading into its range.
    pub fn range(&self, ranges: &[f64], read: impl Fn(f64) -> f64) -> Option<f64> {
        self.ohms_per_volt?;
        let mut down = ranges.to_vec();
        down.sort_by(|a, b| b.total_cmp(a));
        let mut at = *down.first()?;
        for &next in &down[1..] {
            if read(at).abs() > next {
                break;
            }
            at = next;
        }
        Some(at)
    }

    /// How far a reading may be off by the meter's own doing, V.
    pub fn accuracy(&self, reading: f64, range: Option<f64>) -> f64 {
        let own = match range {
            Some(range) => OF_FULL_SCALE * range,
            None => OF_READING * reading.abs(),
        };
        own.max(LEAST)
    }
}

#[cfg(test)]
mod tests {
    use super::{Meter, RANGES};

    #[test]
    fn meters_read_as_the_trade_writes_them() {
        let per_volt = |text: &str| Meter::parse(text).unwrap().ohms_per_volt;
        assert_eq!(per_volt("500 ohms per volt"), Some(500.0));
        assert_eq!(per_volt("20k/V"), Some(20e3));
        assert_eq!(per_volt("20 kΩ/V"), Some(20e3));
        assert_eq!(per_volt("1000 Ohms  Per Volt"), Some(1e3));
        assert_eq!(Meter::parse("10M").unwrap().input_ohms, Some(10e6));
        assert_eq!(Meter::parse("11 MΩ").unwrap().input_ohms, Some(11e6));
        for bad in ["", "fast", "20k/A", "-5k/V", "0/V", "1e-308/V", "1e300"] {
            assert!(Meter::parse(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn a_reading_is_off_by_its_scale_or_by_itself() {
        // 3 % of full scale, 1 % of the reading, and never less than 20 mV (common practice, no source).
        let pointer = Meter::parse("20k/V").unwrap();
        let digital = Meter::parse("10M").unwrap();
        for (meter, reading, range, volts) in [
            (&pointer, 200.0, Some(250.0), 7.5),
            (&pointer, 0.1, Some(0.5), 0.02),
            (&digital, -300.0, None, 3.0),
            (&digital, 0.5, None, 0.02),
        ] {
            let found = meter.accuracy(reading, range);
            assert!((found / volts - 1.0).abs() < 1e-14, "{found}");
        }
    }

    #[test]
    fn the_range_is_found_from_above() {
        // 170 V behind 68 k on 500 Ω/V: the 50 V range would show 46 V, and yet nobody would go there.
        let meter = Meter::parse("500 ohms per volt").unwrap();
        let shown = |range: f64| 170.0 * 500.0 * range / (500.0 * range + 68e3);
        assert!(shown(50.0) < 50.0);
        assert_eq!(meter.range(&RANGES, shown), Some(250.0));
        assert_eq!(meter.range(&[50.0], shown), Some(50.0));
        let meter = Meter::parse("10M").unwrap();
        assert_eq!(meter.range(&RANGES, shown), None);
    }
}
