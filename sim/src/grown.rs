//! What an oscillation comes to once it has grown.
//!
//! Grid current, cathodes and supplies give way to it. Most settle on one cycle; some never do: bias and supplies creep one way
//! until the swing collapses, and back again.

use std::fmt;

use serde::Serialize;

use crate::quantity::{Unit, engineering};

/// Times in which a disturbance grows 2.7-fold until it is as large as it gets: from a millivolt to a thousand volts.
pub(crate) const LARGE: f64 = 14.0;

/// Whether what turns at a frequency, Hz, and grows at a `rate`, 1/s, turns before it is as large as it gets.
pub(crate) fn swings(frequency: f64, rate: f64) -> bool {
    LARGE * frequency > rate
}

/// What an oscillation comes to.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Grown {
    /// How often it comes round, Hz; of one that does not settle, when it was last seen. None where it does so unevenly: a
    /// mean of a few uneven turns is no figure, and hangs on where it is begun.
    pub frequency: Option<f64>,
    /// Whether it settles on one cycle and stays there.
    pub settles: bool,
    /// Between which frequencies it was seen to go to and fro; none where it was not.
    pub between: Option<ToAndFro>,
    /// The frequency, Hz, of a faster oscillation that grows on part of every turn; none where none does.
    pub bursts: Option<f64>,
    /// Whether the frequency is that of turns without their bursts, which took too long to be followed with them.
    pub without_bursts: bool,
}

/// The frequencies, Hz, of what goes to and fro.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct ToAndFro {
    /// Hz.
    pub lowest: f64,
    /// Hz.
    pub highest: f64,
}

impl From<[f64; 2]> for ToAndFro {
    fn from([lowest, highest]: [f64; 2]) -> Self {
        Self { lowest, highest }
    }
}

impl Grown {
    /// What it settles at, Hz.
    pub fn settled(&self) -> Option<f64> {
        self.frequency.filter(|_| self.settles)
    }
}

impl fmt::Display for Grown {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let hertz = |hertz| engineering(hertz, Unit::Hertz);
        let unevenly = |f: &mut fmt::Formatter<'_>, ToAndFro { lowest, highest }: ToAndFro| {
            let [lowest, highest] = [lowest, highest].map(hertz);
            write!(
                f,
                " and comes round unevenly, between about {lowest} and {highest}"
            )
        };
        if let Some(fast) = self.bursts {
            let fast = hertz(fast);
            write!(
                f,
                "it bursts into oscillation at about {fast} on part of every turn"
            )?;
        }
        let Some(frequency) = self.frequency else {
            let lead = match self.bursts {
                Some(_) => ",",
                None => "it settles on no one frequency",
            };
            f.write_str(lead)?;
            return self.between.map_or(Ok(()), |between| unevenly(f, between));
        };
        let at = hertz(frequency);
        match self.bursts {
            _ if self.settles => write!(f, "at about {at}"),
            None => write!(f, "last seen at about {at}, not settled"),
            Some(_) if self.without_bursts => write!(
                f,
                "; how often it comes round with the bursts is not known, without them at about {at}"
            ),
            Some(_) => write!(f, ", and comes round at about {at}"),
        }
    }
}

/// Whether what starts at a frequency, Hz, and ends so comes back to do so again.
pub(crate) fn comes_back(frequency: f64, grown: Option<Grown>) -> bool {
    frequency > 0.0 || grown.is_some_and(|grown| grown.between.is_some())
}

#[cfg(test)]
mod tests {
    use super::{Grown, comes_back};

    #[test]
    fn what_never_settles_is_told_by_where_it_goes_alone() {
        let uneven = Grown {
            frequency: None,
            settles: false,
            between: Some([3.1, 108.0].into()),
            bursts: None,
            without_bursts: false,
        };
        assert_eq!(
            uneven.to_string(),
            "it settles on no one frequency and comes round unevenly, between about 3.10 Hz and 108 Hz"
        );
        assert!(comes_back(0.0, Some(uneven)) && comes_back(20.0, None) && !comes_back(0.0, None));
    }

    #[test]
    fn what_bursts_is_told_by_a_frequency_only_where_that_is_known() {
        let even = Grown {
            frequency: Some(54.1),
            settles: false,
            between: None,
            bursts: Some(80.7e3),
            without_bursts: false,
        };
        let start = "it bursts into oscillation at about 80.7 kHz on part of every turn";
        let uneven = Grown {
            frequency: None,
            between: Some([48.2, 54.1].into()),
            ..even
        };
        let slow = Grown {
            frequency: Some(0.374),
            without_bursts: true,
            ..even
        };
        for (grown, end) in [
            (even, ", and comes round at about 54.1 Hz"),
            (
                uneven,
                ", and comes round unevenly, between about 48.2 Hz and 54.1 Hz",
            ),
            (
                slow,
                "; how often it comes round with the bursts is not known, without them at about 374 mHz",
            ),
        ] {
            assert_eq!(grown.to_string(), format!("{start}{end}"));
        }
    }
}
