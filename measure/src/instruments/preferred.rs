//! Values that parts are made in, and watts that resistors are made for.
//!
//! Source    IEC 60063, series E12 and E24 (read in a reprint of its table); ratings: common practice, no source

use serde::Serialize;

/// A series of preferred values.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
pub enum Series {
    /// Twelve a decade, for ±10 %.
    E12,
    /// Twenty-four a decade, for ±5 %.
    E24,
}

/// E24 in tenths; every second of them is E12. They follow 10^(k/24), rounded, but for eight that are older.
const E24: [u32; 24] = [
    10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91,
];

/// Ratings of resistors, W.
const RATINGS: [f64; 9] = [0.25, 0.5, 1.0, 2.0, 3.0, 5.0, 10.0, 15.0, 25.0];

/// A resistor is rated for so many times what it dissipates (common practice, no source).
pub const MARGIN: f64 = 2.0;

impl Series {
    /// The values of a decade, in tenths.
    pub fn tenths(self) -> impl Iterator<Item = u32> {
        let every = match self {
            Self::E12 => 2,
            Self::E24 => 1,
        };
        E24.into_iter().step_by(every)
    }

    /// What it is called.
    pub fn name(self) -> &'static str {
        match self {
            Self::E12 => "E12",
            Self::E24 => "E24",
        }
    }

    /// The values next below and next above, of which a preferred value is both. `value` is positive.
    pub fn neighbours(self, value: f64) -> (f64, f64) {
        let decade = value.log10().floor() as i32;
        // A value computed as preferred counts as such to a dozen digits.
        let same = |other: f64| (other / value - 1.0).abs() < 1e-12;
        let around = (decade - 1..=decade + 1)
            .flat_map(|decade| self.tenths().map(move |tenths| scaled(tenths, decade - 1)));
        let (mut below, mut above) = (0.0, f64::INFINITY);
        for other in around {
            if other <= value || same(other) {
                below = f64::max(below, other);
            }
            if other >= value || same(other) {
                above = f64::min(above, other);
            }
        }
        (below, above)
    }

    /// Whether the series has the value, to a dozen digits.
    pub fn has(self, value: f64) -> bool {
        let (below, above) = self.neighbours(value);
        below.to_bits() == above.to_bits()
    }
}

/// Digits and their power of ten read as one number, so that 4.7 k is 4700 to the last bit.
fn scaled(digits: u32, exponent: i32) -> f64 {
    format!("{digits}e{exponent}")
        .parse()
        .expect("digits and an exponent")
}

/// The rating for a dissipation, W: the next one above [`MARGIN`] times it; none when it is beyond them all.
pub fn rating(dissipation: f64) -> Option<f64> {
    RATINGS
        .into_iter()
        .find(|rating| *rating >= MARGIN * dissipation)
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "preferred values are exact")]
mod tests {
    use super::{Series, rating};

    #[test]
    fn the_series_are_those_of_the_standard() {
        // IEC 60063, read in a reprint of its table: E12, and what E24 adds
        let e12 = "1.0 1.2 1.5 1.8 2.2 2.7 3.3 3.9 4.7 5.6 6.8 8.2";
        let added = "1.1 1.3 1.6 2.0 2.4 3.0 3.6 4.3 5.1 6.2 7.5 9.1";
        let list = |series: Series| -> Vec<String> {
            let values = series.tenths();
            values
                .map(|tenths| format!("{}.{}", tenths / 10, tenths % 10))
                .collect()
        };
        assert_eq!(list(Series::E12).join(" "), e12);
        let others: Vec<String> = list(Series::E24).into_iter().skip(1).step_by(2).collect();
        assert_eq!(others.join(" "), added);
        // The reason of a series: values with their tolerance leave next to no gap in the decade; the widest,
        // between 1.3 and 1.5 of E24, is 4.4 %.
        for (series, tolerance) in [(Series::E12, 0.1), (Series::E24, 0.05)] {
            let mut values: Vec<f64> = series.tenths().map(f64::from).collect();
            values.push(100.0);
            for pair in values.windows(2) {
                let (top, bottom) = (pair[0] * (1.0 + tolerance), pair[1] * (1.0 - tolerance));
                assert!(bottom / top < 1.05, "{series:?} {pair:?}");
            }
        }
        // And they follow the geometric series within 4.5 %: 3.0 for 2.87, the worst of the older ones
        for (k, tenths) in Series::E24.tenths().enumerate() {
            let exact = 10.0 * 10_f64.powf(k as f64 / 24.0);
            assert!((f64::from(tenths) / exact - 1.0).abs() < 0.045, "{tenths}");
        }
    }

    #[test]
    fn neighbours_enclose_a_value() {
        assert_eq!(Series::E12.neighbours(5e3), (4700.0, 5600.0));
        assert_eq!(Series::E24.neighbours(5e3), (4700.0, 5100.0));
        assert_eq!(Series::E24.neighbours(9.5), (9.1, 10.0));
        assert_eq!(Series::E12.neighbours(9.5e-9), (8.2e-9, 10e-9));
        assert_eq!(Series::E12.neighbours(4700.0), (4700.0, 4700.0));
        assert_eq!(Series::E12.neighbours(1e6), (1e6, 1e6));
        assert!(Series::E24.has(5100.0) && !Series::E12.has(5100.0));
    }

    #[test]
    fn a_resistor_is_rated_with_a_margin() {
        assert_eq!(rating(0.1), Some(0.25));
        assert_eq!(rating(0.3), Some(1.0));
        assert_eq!(rating(2.5), Some(5.0));
        assert_eq!(rating(13.0), None);
    }
}
