//! How loud: the drive in the trade's terms.

use sim::quantity::{Quantity, Unit, engineering};

use crate::diagnostic::Id;
use crate::failure::Failure;

/// What `--level` takes.
pub(crate) const FORMS: &str = "\"peaks at 10W\", \"peaks at the limit\", \"clipping 1% of the time\", \"input 0.5V\" or \"0dBFS = 2V\"";

/// How loud.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Level {
    /// The loudest peak at the load is that of a sine of this power, W.
    PeaksAt(f64),
    /// The loudest peak is just what the amplifier gives at its distortion limit.
    AtLimit,
    /// More than the amplifier can give is asked of it for this share of the time.
    Clipping(f64),
    /// The loudest peak at the generator is that of a sine of this rms, V.
    Input(f64),
    /// A sine of full scale is one of this rms, V.
    FullScale(f64),
}

impl Level {
    /// From its words.
    pub(crate) fn given(text: &str) -> Result<Self, Failure> {
        read(text).ok_or_else(|| {
            Failure::plain(
                Id::BadValue,
                format!("--level \"{text}\" cannot be read"),
                format!("write {FORMS}"),
            )
        })
    }

    /// Whether the amplifier's distortion limit decides the drive.
    pub(super) fn needs_limit(self) -> bool {
        matches!(self, Self::AtLimit | Self::Clipping(_))
    }

    pub(crate) fn words(self) -> String {
        match self {
            Self::PeaksAt(watts) => format!("peaks at {}", engineering(watts, Unit::Watt)),
            Self::AtLimit => "peaks at the limit".to_owned(),
            Self::Clipping(share) => format!("clipping {:.3} % of the time", 100.0 * share),
            Self::Input(volts) => format!("input {} rms", engineering(volts, Unit::Volt)),
            Self::FullScale(volts) => {
                format!("0 dBFS = {} rms", engineering(volts, Unit::Volt))
            }
        }
    }
}

fn read(text: &str) -> Option<Level> {
    let words: Vec<&str> = text.split_whitespace().collect();
    let tidy = words.join(" ");
    let lower = tidy.to_lowercase();
    let behind = |start: &str| lower.starts_with(start).then(|| tidy[start.len()..].trim());
    let positive = |text: &str, unit| {
        Quantity::parse(text, unit)
            .ok()
            .filter(|value| *value > 0.0 && value.is_finite())
    };
    if let Some(rest) = behind("peaks at") {
        if ["limit", "the limit"].contains(&rest.to_lowercase().as_str()) {
            return Some(Level::AtLimit);
        }
        return positive(rest, Unit::Watt).map(Level::PeaksAt);
    }
    if let Some(rest) = behind("clipping") {
        let share = rest.strip_suffix("of the time").unwrap_or(rest).trim();
        let share = positive(share, Unit::Percent).filter(|share| *share < 1.0);
        return share.map(Level::Clipping);
    }
    if let Some(rest) = behind("input") {
        return positive(rest, Unit::Volt).map(Level::Input);
    }
    // A sine so many decibels from full scale is so many volts.
    let (decibels, volts) = tidy.split_once('=')?;
    let decibels = decibels.trim();
    let number = decibels
        .get(..decibels.len().checked_sub(4)?)
        .filter(|_| decibels.to_lowercase().ends_with("dbfs"))?;
    let decibels: f64 = number.trim().replace('−', "-").parse().ok()?;
    let volts = positive(volts.trim(), Unit::Volt)?;
    (decibels <= 0.0 && decibels > -120.0)
        .then(|| Level::FullScale(volts * 10_f64.powf(-decibels / 20.0)))
}

#[cfg(test)]
mod tests {
    use super::{Level, read};

    #[test]
    fn the_words_of_the_trade_are_read() {
        assert_eq!(read("peaks at 10W"), Some(Level::PeaksAt(10.0)));
        assert_eq!(read("Peaks at  500 mW"), Some(Level::PeaksAt(0.5)));
        assert_eq!(read("peaks at the limit"), Some(Level::AtLimit));
        assert_eq!(read("clipping 1% of the time"), Some(Level::Clipping(0.01)));
        assert_eq!(read("clipping 0.1 %"), Some(Level::Clipping(0.001)));
        assert_eq!(read("input 0.5V"), Some(Level::Input(0.5)));
        assert_eq!(read("0dBFS = 2V"), Some(Level::FullScale(2.0)));
        // −20 dB is a tenth, so full scale is ten times the volts.
        assert_eq!(read("-20 dBFS = 100mV"), Some(Level::FullScale(1.0)));
        for wrong in [
            "",
            "loud",
            "peaks at 10",
            "peaks at -3W",
            "clipping 100%",
            "input 0V",
            "6dBFS = 1V",
            "dBFS = 1V",
        ] {
            assert_eq!(read(wrong), None, "{wrong}");
        }
    }
}
