//! Where text becomes a number and a number becomes text; no other place does either.
//!
//! Values are read in the forms found on drawings and in parts lists: letter codes of IEC 60062
//! (`4k7`, `R47`, `3n3`), a number and a unit (`25 µF`, `12mA`), old forms (`0.1MFD`, `50mmF`,
//! `1 meg`). The digits are never multiplied: the power of ten of the unit is written behind them
//! and the whole is read once, so `4k7` is exactly 4700.
//!
//! Source    letter codes: IEC 60062 (from memory); old forms: common practice on drawings
//!
//! Over 400 lines because text and number are read and written by the same tables.

mod symbols;

use symbols::{PREFIXES, ambiguous, code_exponent, exponent_of, is_prefix};

/// What a value must be measured in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Unit {
    /// Ω.
    Ohm,
    /// F.
    Farad,
    /// H.
    Henry,
    /// V.
    Volt,
    /// A.
    Ampere,
    /// W.
    Watt,
    /// Hz.
    Hertz,
    /// s.
    Second,
    /// Wb, also volt-seconds.
    Weber,
    /// m.
    Metre,
    /// m².
    SquareMetre,
    /// A ratio written in per cent; 70 % is 0.7.
    Percent,
    /// A pure number.
    Number,
}

impl Unit {
    /// All of them.
    pub const ALL: [Self; 13] = [
        Self::Ohm,
        Self::Farad,
        Self::Henry,
        Self::Volt,
        Self::Ampere,
        Self::Watt,
        Self::Hertz,
        Self::Second,
        Self::Weber,
        Self::Metre,
        Self::SquareMetre,
        Self::Percent,
        Self::Number,
    ];

    /// The symbol printed behind a value.
    pub fn symbol(self) -> &'static str {
        match self {
            Self::Ohm => "Ω",
            Self::Farad => "F",
            Self::Henry => "H",
            Self::Volt => "V",
            Self::Ampere => "A",
            Self::Watt => "W",
            Self::Hertz => "Hz",
            Self::Second => "s",
            Self::Weber => "Wb",
            Self::Metre => "m",
            Self::SquareMetre => "cm²",
            Self::Percent => "%",
            Self::Number => "",
        }
    }

    /// The name of the unit in running text, in the plural.
    pub fn plural(self) -> &'static str {
        match self {
            Self::Ohm => "ohms",
            Self::Farad => "farads",
            Self::Henry => "henries",
            Self::Volt => "volts",
            Self::Ampere => "amperes",
            Self::Watt => "watts",
            Self::Hertz => "hertz",
            Self::Second => "seconds",
            Self::Weber => "webers",
            Self::Metre => "metres",
            Self::SquareMetre => "square centimetres",
            Self::Percent => "per cent",
            Self::Number => "a plain number",
        }
    }

    /// Values as they are usually written.
    pub fn examples(self) -> &'static str {
        match self {
            Self::Ohm => "47k, 4k7, R47 or 15 ohm",
            Self::Farad => "0.05u, 50p, 4n7 or 25 µF",
            Self::Henry => "10H or 25mH",
            Self::Volt => "450V or 12mV",
            Self::Ampere => "60mA",
            Self::Watt => "0.5W",
            Self::Hertz => "50Hz or 1 kHz",
            Self::Second => "20ms",
            Self::Weber => "1.2Wb",
            Self::Metre => "0.25mm",
            Self::SquareMetre => "6.5cm2",
            Self::Percent => "10%",
            Self::Number => "0.7",
        }
    }
}

/// Why a text is not the value that was wanted.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum QuantityError {
    /// Nothing there.
    #[error("no value")]
    Empty,
    /// No digits where digits must be.
    #[error("`{text}` is not a value")]
    NotANumber {
        /// What was read.
        text: String,
    },
    /// Digits without a unit where the unit does not go without saying.
    #[error("`{text}` has no unit")]
    MissingUnit {
        /// What was read.
        text: String,
        /// What it should be measured in.
        wanted: Unit,
    },
    /// A good value of the wrong kind.
    #[error("`{text}` is in {}, not {}", found.plural(), wanted.plural())]
    WrongUnit {
        /// What was read.
        text: String,
        /// What it should be measured in.
        wanted: Unit,
        /// What it is measured in.
        found: Unit,
    },
    /// Letters that are no unit.
    #[error("`{suffix}` is no unit")]
    UnknownUnit {
        /// The letters.
        suffix: String,
        /// What it should be measured in.
        wanted: Unit,
    },
    /// Letters that have meant two things.
    #[error("`{suffix}` can mean {first} or {second}")]
    Ambiguous {
        /// The letters.
        suffix: String,
        /// One meaning.
        first: &'static str,
        /// The other.
        second: &'static str,
    },
    /// More than a floating-point number holds.
    #[error("`{text}` is out of all bounds")]
    TooLarge {
        /// What was read.
        text: String,
    },
}

/// Text to number and back. Values are in unprefixed SI units.
#[derive(Clone, Copy, Debug)]
pub struct Quantity;

impl Quantity {
    /// Reads a value. The sign is kept: whether it makes sense is the caller's to judge.
    ///
    /// # Errors
    /// Every [`QuantityError`].
    pub fn parse(text: &str, unit: Unit) -> Result<f64, QuantityError> {
        let (digits, suffix) = split(text)?;
        match read(&digits, suffix, unit) {
            Read::Value(exponent, digits) => finish(text, &digits, exponent),
            Read::Ambiguous(first, second) => Err(QuantityError::Ambiguous {
                suffix: suffix.to_owned(),
                first,
                second,
            }),
            Read::MissingUnit => Err(QuantityError::MissingUnit {
                text: text.trim().to_owned(),
                wanted: unit,
            }),
            Read::No => {
                let text = text.trim().to_owned();
                let other = Unit::ALL.into_iter().find(|&other| {
                    // A letter code alone (`47k`) belongs to no unit in particular.
                    other != unit
                        && !suffix.is_empty()
                        && matches!(read(&digits, suffix, other), Read::Value(..))
                });
                Err(match other {
                    Some(found) => QuantityError::WrongUnit {
                        text,
                        wanted: unit,
                        found,
                    },
                    None if digits.is_empty() => QuantityError::NotANumber { text },
                    None => QuantityError::UnknownUnit {
                        suffix: suffix.to_owned(),
                        wanted: unit,
                    },
                })
            }
        }
    }

    /// The value with all its digits, such that [`Quantity::parse`] gives it back to the last bit.
    pub fn exact(value: f64, unit: Unit) -> String {
        let (digits, exponent) = decimal(&format!("{:e}", value.abs()));
        render(value < 0.0, &digits, exponent, unit)
    }
}

/// Three significant digits, a prefix and the unit: `47.3 kΩ`, `1.52 mA`.
pub fn engineering(value: f64, unit: Unit) -> String {
    if !value.is_finite() {
        return if value.is_nan() {
            "not a number".to_owned()
        } else {
            "infinite".to_owned()
        };
    }
    let (digits, exponent) = decimal(&format!("{:.2e}", value.abs()));
    render(value < 0.0, &digits, exponent, unit)
}

/// A prefix and the unit with three significant digits, or as many more as it takes to show `step`: what differs
/// by less looks alike.
pub fn resolved(value: f64, step: f64, unit: Unit) -> String {
    // Beyond these a reader sees noise.
    const MOST: i32 = 8;
    let decade = |x: f64| x.abs().log10().floor() as i32;
    if !(value.abs() > 0.0 && value.is_finite() && step > 0.0) {
        return engineering(value, unit);
    }
    let behind = (decade(value) - decade(step)).clamp(2, MOST - 1);
    let (digits, exponent) = decimal(&format!("{:.*e}", behind as usize, value.abs()));
    render(value < 0.0, &digits, exponent, unit)
}

/// The digits of a number in scientific notation and the power of ten of the first one.
fn decimal(scientific: &str) -> (String, i32) {
    let (mantissa, exponent) = scientific.split_once('e').unwrap_or((scientific, "0"));
    (mantissa.replace('.', ""), exponent.parse().unwrap_or(0))
}

fn render(negative: bool, digits: &str, exponent: i32, unit: Unit) -> String {
    let zero = digits.bytes().all(|digit| digit == b'0');
    let (scale, prefix) = match unit {
        Unit::Percent => (-2, ""),
        Unit::SquareMetre => (-4, ""),
        Unit::Number => (0, ""),
        _ if zero => (0, ""),
        // Nobody prints millifarads: the letter has meant microfarads too often.
        Unit::Farad if exponent >= -6 => (-6, "µ"),
        _ => {
            let step = exponent.div_euclid(3) * 3;
            PREFIXES
                .into_iter()
                .find(|(power, _)| *power == step.clamp(-12, 9))
                .expect("the steps are in the table")
        }
    };
    let sign = if negative && !zero { "-" } else { "" };
    let number = if zero {
        "0".to_owned()
    } else {
        place_point(digits, exponent - scale)
    };
    let space = if unit == Unit::Number { "" } else { " " };
    format!("{sign}{number}{space}{prefix}{}", unit.symbol())
}

/// Digits with the point behind the digit of weight 10⁰, the first digit having weight 10^`first`.
fn place_point(digits: &str, first: i32) -> String {
    let zeros = |count: u32| "0".repeat(count as usize);
    if first < 0 {
        return format!("0.{}{digits}", zeros(first.unsigned_abs() - 1));
    }
    let whole = first.unsigned_abs() + 1;
    match digits.split_at_checked(whole as usize) {
        Some((whole, "")) => whole.to_owned(),
        Some((whole, part)) => format!("{whole}.{part}"),
        None => format!("{digits}{}", zeros(whole - digits.len() as u32)),
    }
}

/// Sign and digits (perhaps none), and what follows them.
fn split(text: &str) -> Result<(String, &str), QuantityError> {
    let text = text.trim();
    if text.is_empty() {
        return Err(QuantityError::Empty);
    }
    let (sign, rest) = match text.chars().next() {
        Some('-' | '\u{2212}') => (
            "-",
            text[text.chars().next().map_or(0, char::len_utf8)..].trim_start(),
        ),
        Some('+') => ("", text[1..].trim_start()),
        _ => ("", text),
    };
    let mut end = rest
        .find(|c: char| !c.is_ascii_digit() && c != '.')
        .unwrap_or(rest.len());
    // An exponent counts as digits: `1e-9`.
    if end > 0
        && let Some(tail) = rest[end..].strip_prefix(['e', 'E'])
    {
        let signed = tail.strip_prefix(['-', '+']).unwrap_or(tail);
        let length = signed
            .find(|c: char| !c.is_ascii_digit())
            .unwrap_or(signed.len());
        if length > 0 {
            end = rest.len() - signed.len() + length;
        }
    }
    let (number, suffix) = rest.split_at(end);
    if number.matches('.').count() > 1 || number == "." {
        return Err(QuantityError::NotANumber {
            text: text.to_owned(),
        });
    }
    if number.is_empty() && !suffix.ends_with(|c: char| c.is_ascii_digit()) {
        return Err(QuantityError::NotANumber {
            text: text.to_owned(),
        });
    }
    Ok((format!("{sign}{number}"), suffix.trim()))
}

enum Read {
    /// The power of ten and the digits.
    Value(i32, String),
    Ambiguous(&'static str, &'static str),
    MissingUnit,
    No,
}

/// Tries digits and suffix as a value of one unit.
fn read(digits: &str, suffix: &str, unit: Unit) -> Read {
    let bare = digits.trim_start_matches('-').is_empty();
    if suffix.is_empty() {
        return match unit {
            Unit::Ohm | Unit::Number => Read::Value(0, digits.to_owned()),
            _ => Read::MissingUnit,
        };
    }
    if !bare {
        if let Some((first, second)) = ambiguous(suffix, unit) {
            return Read::Ambiguous(first, second);
        }
        if let Some(exponent) = exponent_of(suffix, unit) {
            return Read::Value(exponent, digits.to_owned());
        }
        if is_prefix(suffix) && !matches!(unit, Unit::Ohm | Unit::Farad) {
            return Read::MissingUnit;
        }
    }
    // IEC 60062: the letter stands where the point would be.
    let Some(start) = suffix.find(|c: char| c.is_ascii_digit()) else {
        return Read::No;
    };
    let letter = &suffix[..start];
    let rest = &suffix[start..];
    let length = rest
        .find(|c: char| !c.is_ascii_digit())
        .unwrap_or(rest.len());
    let (decimals, tail) = rest.split_at(length);
    let tail_fits = tail.is_empty() || exponent_of(tail.trim(), unit) == Some(0);
    if digits.contains(['.', 'e', 'E']) || letter.ends_with(' ') || !tail_fits {
        return Read::No;
    }
    match code_exponent(letter, unit) {
        Some(exponent) => Read::Value(exponent, format!("{digits}.{decimals}")),
        None => Read::No,
    }
}

/// A ratio of two plain numbers such as "4:1", both more than zero.
pub fn ratio(text: &str) -> Option<f64> {
    let (first, second) = text.split_once(':')?;
    let positive = |text: &str| {
        let value = Quantity::parse(text, Unit::Number).ok()?;
        (value > 0.0).then_some(value)
    };
    let ratio = positive(first)? / positive(second)?;
    (ratio.is_finite() && ratio > 0.0).then_some(ratio)
}

/// Digits and their power of ten, read as one number.
fn finish(text: &str, digits: &str, exponent: i32) -> Result<f64, QuantityError> {
    let bad = || QuantityError::NotANumber {
        text: text.trim().to_owned(),
    };
    let (mantissa, own) = match digits.split_once(['e', 'E']) {
        Some((mantissa, own)) => (mantissa, own.parse::<i32>().map_err(|_| bad())?),
        None => (digits, 0),
    };
    let power = own.checked_add(exponent).ok_or_else(bad)?;
    let value: f64 = format!("{mantissa}e{power}").parse().map_err(|_| bad())?;
    if value.is_finite() {
        Ok(value)
    } else {
        Err(QuantityError::TooLarge {
            text: text.trim().to_owned(),
        })
    }
}

#[cfg(test)]
mod tests;
