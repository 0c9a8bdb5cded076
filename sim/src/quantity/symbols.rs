//! The letters behind a number and what they are worth.

use super::Unit;

/// Prefixes that are printed: exponent and letter.
pub(super) const PREFIXES: [(i32, &str); 8] = [
    (-12, "p"),
    (-9, "n"),
    (-6, "µ"),
    (-3, "m"),
    (0, ""),
    (3, "k"),
    (6, "M"),
    (9, "G"),
];

/// Letters that stand in the place of the point.
pub(super) fn code_exponent(letter: &str, unit: Unit) -> Option<i32> {
    Some(match (unit, letter) {
        (Unit::Ohm, "R" | "r" | "Ω" | "\u{2126}")
        | (Unit::Volt, "V")
        | (Unit::Ampere, "A")
        | (Unit::Watt, "W")
        | (Unit::Henry, "H") => 0,
        (Unit::Ohm, "k" | "K") => 3,
        (Unit::Ohm, "M") => 6,
        (Unit::Ohm, "G") => 9,
        // Millifarads: with digits behind it the letter can be nothing else.
        (Unit::Farad, "m") => -3,
        (Unit::Farad, "p") => -12,
        (Unit::Farad, "n") => -9,
        (Unit::Farad, "u" | "µ" | "μ") => -6,
        _ => return None,
    })
}

pub(super) fn is_prefix(suffix: &str) -> bool {
    matches!(
        suffix,
        "p" | "n" | "u" | "µ" | "μ" | "m" | "k" | "K" | "M" | "G" | "meg"
    )
}

/// Letters that drawings have used for two different values.
pub(super) fn ambiguous(suffix: &str, unit: Unit) -> Option<(&'static str, &'static str)> {
    match (unit, suffix) {
        (Unit::Farad, "mF" | "mf" | "m" | "M") => {
            Some(("microfarads, as on old drawings", "thousandths of a farad"))
        }
        (Unit::Ohm, "m") => Some(("megohms", "thousandths of an ohm")),
        _ => None,
    }
}

/// The power of ten of a whole suffix, e.g. −6 for `µF`.
pub(super) fn exponent_of(suffix: &str, unit: Unit) -> Option<i32> {
    // Both micro signs, and the letter typed for them.
    let plain: String = suffix
        .chars()
        .filter(|c| !c.is_whitespace() && *c != '.')
        .map(|c| match c {
            'µ' | 'μ' => 'u',
            '\u{2126}' => 'Ω',
            c => c,
        })
        .collect();
    let lower = plain.to_lowercase();
    if unit == Unit::Ohm {
        match plain.as_str() {
            "mΩ" | "mR" | "mohm" | "mohms" => return Some(-3),
            "MΩ" | "M" | "MR" | "Mohm" | "Mohms" => return Some(6),
            _ => {}
        }
    }
    if unit == Unit::Farad && plain == "MF" {
        return Some(-6);
    }
    // A symbol with a prefix of the SI; here a capital M is mega and a small one milli.
    let base = if unit == Unit::SquareMetre {
        "m²"
    } else {
        unit.symbol()
    };
    if unit != Unit::Number
        && let Some(prefix) = plain.strip_suffix(base)
    {
        let spelt = |name: &str| if name == "u" { "µ" } else { name }.to_owned();
        let found = PREFIXES.iter().find(|(_, letter)| *letter == spelt(prefix));
        if let Some((exponent, _)) =
            found.filter(|_| !matches!(unit, Unit::SquareMetre | Unit::Percent))
        {
            return Some(*exponent);
        }
    }
    // Forms in which the case of the letters has never mattered.
    let table: &[(&str, i32)] = match unit {
        Unit::Ohm => &[
            ("r", 0),
            ("ω", 0),
            ("ohm", 0),
            ("ohms", 0),
            ("k", 3),
            ("kω", 3),
            ("kr", 3),
            ("kohm", 3),
            ("kohms", 3),
            ("kilohm", 3),
            ("kilohms", 3),
            ("meg", 6),
            ("megs", 6),
            ("megohm", 6),
            ("megohms", 6),
            ("megω", 6),
            ("g", 9),
            ("gω", 9),
            ("gohm", 9),
            ("gohms", 9),
            ("gigohm", 9),
            ("gigohms", 9),
        ],
        Unit::Farad => &[
            ("p", -12),
            ("pf", -12),
            ("pfd", -12),
            ("uuf", -12),
            ("uufd", -12),
            ("mmf", -12),
            ("mmfd", -12),
            ("mmfds", -12),
            ("n", -9),
            ("nf", -9),
            ("nfd", -9),
            ("u", -6),
            ("uf", -6),
            ("ufd", -6),
            ("mfd", -6),
            ("mfds", -6),
            ("f", 0),
            ("farad", 0),
            ("farads", 0),
        ],
        Unit::Henry => &[
            ("h", 0),
            ("hy", 0),
            ("mhy", -3),
            ("henry", 0),
            ("henries", 0),
            ("henrys", 0),
        ],
        Unit::Volt => &[("v", 0), ("volt", 0), ("volts", 0), ("kv", 3)],
        Unit::Ampere => &[("a", 0), ("amp", 0), ("amps", 0)],
        Unit::Watt => &[("w", 0), ("watt", 0), ("watts", 0), ("kw", 3)],
        Unit::Hertz => &[
            ("hz", 0),
            ("c/s", 0),
            ("cps", 0),
            ("khz", 3),
            ("kc/s", 3),
            ("kcps", 3),
        ],
        Unit::Second => &[("sec", 0), ("second", 0), ("seconds", 0)],
        Unit::Weber => &[("wb", 0), ("vs", 0), ("mvs", -3)],
        Unit::Metre => &[("cm", -2)],
        Unit::SquareMetre => &[
            ("mm2", -6),
            ("mm²", -6),
            ("cm2", -4),
            ("cm²", -4),
            ("m2", 0),
            ("m²", 0),
            ("sqcm", -4),
        ],
        Unit::Percent => &[("%", -2), ("percent", -2), ("pc", -2)],
        Unit::Number => &[],
    };
    table
        .iter()
        .find(|(name, _)| *name == lower)
        .map(|(_, exponent)| *exponent)
}
