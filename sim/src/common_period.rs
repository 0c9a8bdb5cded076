//! The shortest period that holds whole cycles of several frequencies.
//!
//! ```text
//! f_k = p_k/q_k,   1/T = gcd(p_1·L/q_1, p_2·L/q_2, …)/L,   L = lcm(q_1, q_2, …)
//! ```
//!
//! A waveform of several tones repeats after T, and sampled over exactly T every tone and every product
//! of them falls on a bin of its own. The frequencies are taken as the fractions that were written:
//! of all fractions that round to the double, the one with the least denominator.
//!
//! Source   Euclid VII 2 for the greatest common divisor; best approximations by continued fractions,
//!          Khinchin, Continued Fractions (1964) § 6 (from memory)

use crate::error::{Question, SimError};
use crate::quantity::{Quantity, Unit, engineering};

/// A period and the cycles it holds.
#[derive(Clone, Debug, PartialEq)]
pub struct CommonPeriod {
    /// s.
    pub duration: f64,
    /// Whole cycles of each frequency, in the order asked.
    pub cycles: Vec<u32>,
}

/// Denominators above this belong to no frequency anyone sets on a generator.
const LARGEST_DENOMINATOR: u64 = 1_000_000;

/// The common period of `frequencies`, Hz, each more than zero.
///
/// # Errors
/// [`Question::NoCommonPeriod`] when there is none of at most `longest`, s.
pub fn common_period(frequencies: &[f64], longest: f64) -> Result<CommonPeriod, SimError> {
    exact(frequencies)
        .filter(|period| period.duration <= longest)
        .ok_or_else(|| {
            let names: Vec<String> = frequencies
                .iter()
                .map(|&hertz| Quantity::exact(hertz, Unit::Hertz))
                .collect();
            SimError::Question(Question::NoCommonPeriod {
                frequencies: names.join(" and "),
                longest: engineering(longest, Unit::Second),
            })
        })
}

/// The common period as long as it may be; none without frequencies or when a number overflows.
fn exact(frequencies: &[f64]) -> Option<CommonPeriod> {
    let fractions: Vec<(u64, u64)> = frequencies
        .iter()
        .map(|&hertz| fraction(hertz))
        .collect::<Option<_>>()?;
    let mut denominator = 1_u64;
    for &(_, q) in &fractions {
        denominator = (denominator / gcd(denominator, q)).checked_mul(q)?;
    }
    let over: Vec<u64> = fractions
        .iter()
        .map(|&(p, q)| p.checked_mul(denominator / q))
        .collect::<Option<_>>()?;
    let greatest = over.iter().copied().reduce(gcd)?;
    Some(CommonPeriod {
        duration: denominator as f64 / greatest as f64,
        cycles: over
            .iter()
            .map(|p| u32::try_from(p / greatest).ok())
            .collect::<Option<_>>()?,
    })
}

/// The fraction of least denominator that rounds to `value`; none beyond [`LARGEST_DENOMINATOR`].
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a term is a whole number more than zero, and a cast that saturates overflows the check after it"
)]
fn fraction(value: f64) -> Option<(u64, u64)> {
    if !(value.is_finite() && value > 0.0) {
        return None;
    }
    let (mut before, mut last) = ((0_u64, 1_u64), (1_u64, 0_u64));
    let mut rest = value;
    loop {
        let term = rest.floor() as u64;
        let next = (
            term.checked_mul(last.0)?.checked_add(before.0)?,
            term.checked_mul(last.1)?.checked_add(before.1)?,
        );
        (before, last) = (last, next);
        let (p, q) = last;
        if q > LARGEST_DENOMINATOR {
            return None;
        }
        // The quotient of two whole numbers below 2^53 rounds as the text of the number did.
        if (p as f64 / q as f64).to_bits() == value.to_bits() {
            return Some((p, q));
        }
        rest = 1.0 / (rest - rest.floor());
    }
}

fn gcd(mut a: u64, mut b: u64) -> u64 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Periods by hand; a quotient of whole numbers is exact to a rounding.
    fn assert_period(frequencies: &[f64], duration: f64, cycles: &[u32]) {
        let found = common_period(frequencies, 100.0).expect("a common period");
        assert!(
            (found.duration / duration - 1.0).abs() <= f64::EPSILON,
            "{frequencies:?}: {} s",
            found.duration
        );
        assert_eq!(found.cycles, cycles, "{frequencies:?}");
    }

    #[test]
    fn tones_of_the_standard_share_short_periods() {
        assert_period(&[1000.0], 1e-3, &[1]);
        assert_period(&[60.0, 7000.0], 50e-3, &[3, 350]);
        assert_period(&[19e3, 20e3], 1e-3, &[19, 20]);
        assert_period(&[8000.0, 11_950.0], 20e-3, &[160, 239]);
        assert_period(&[50.0, 1000.0], 20e-3, &[1, 20]);
    }

    #[test]
    fn fractions_of_a_hertz_are_what_was_written() {
        assert_period(&[31.5, 1000.0], 2.0, &[63, 2000]);
        assert_period(&[17.18, 60.0], 50.0, &[859, 3000]);
        assert_period(&[0.1, 0.3], 10.0, &[1, 3]);
        assert_period(&[100.0 / 3.0, 50.0], 60e-3, &[2, 3]);
    }

    #[test]
    fn what_shares_none_is_said_with_its_frequencies() {
        for tones in [
            &[60.0, 7000.1][..],
            &[std::f64::consts::PI * 100.0, 1000.0],
            &[1e300, 1.0],
            &[f64::NAN],
            &[0.0, 50.0],
            &[],
        ] {
            let found = common_period(tones, 1.0);
            assert!(
                matches!(
                    found,
                    Err(SimError::Question(Question::NoCommonPeriod { .. }))
                ),
                "{tones:?}: {found:?}"
            );
        }
        let message = common_period(&[60.0, 7000.1], 1.0)
            .expect_err("10 s")
            .to_string();
        assert_eq!(
            message,
            "60 Hz and 7.0001 kHz repeat together only after more than 1.00 s"
        );
    }
}
