//! The length of the steps of each level, kept from its last rounding.
//!
//! A step is the difference of two times, which rounds in its last digits. To the formula of a step it is as long as the
//! last of its level where no more than that lies between: what was assembled and factored with its `alpha` then serves
//! again.

/// Lengths that agree so far are one, relative: a difference of times that are a million steps old agrees to 1e-10, and
/// 1e-9 of a step's charge is nothing to a method that errs by 1e-4.
const ROUNDING: f64 = 1e-9;

/// The last length of each level, s.
#[derive(Clone, Debug, Default)]
pub(super) struct Lengths(Vec<f64>);

impl Lengths {
    /// The length of a step of that level which the clock gives as `h`, s.
    pub(super) fn of(&mut self, level: u32, h: f64) -> f64 {
        let level = level as usize;
        if level >= self.0.len() {
            // No step is that long.
            self.0.resize(level + 1, f64::INFINITY);
        }
        let last = &mut self.0[level];
        if (h - *last).abs() > ROUNDING * h {
            *last = h;
        }
        *last
    }
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "a length is kept exactly")]
mod tests {
    use super::Lengths;

    #[test]
    fn a_length_is_kept_through_rounding_and_given_up_for_another() {
        let mut lengths = Lengths::default();
        assert_eq!(lengths.of(1, 0.5), 0.5);
        assert_eq!(lengths.of(1, 0.5 + 1e-12), 0.5);
        assert_eq!(lengths.of(0, 1.0), 1.0);
        assert_eq!(lengths.of(1, 0.5 - 1e-12), 0.5);
        assert_eq!(lengths.of(1, 0.4), 0.4);
        assert_eq!(lengths.of(0, 1.0 + 1e-12), 1.0);
    }
}
