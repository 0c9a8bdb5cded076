//! Values in every form the header promises, and what must be refused.

use proptest::prelude::*;

use super::{Quantity, QuantityError, Unit, engineering, resolved};

/// Source    IEC 60062 (BS 1852) letter codes, from memory
#[rustfmt::skip]
const IEC_60062: &[(&str, Unit, f64)] = &[
    ("R47", Unit::Ohm, 0.47),
    ("4R7", Unit::Ohm, 4.7),
    ("47R", Unit::Ohm, 47.0),
    ("470R", Unit::Ohm, 470.0),
    ("1K0", Unit::Ohm, 1000.0),
    ("4K7", Unit::Ohm, 4700.0),
    ("47K", Unit::Ohm, 47e3),
    ("470K", Unit::Ohm, 470e3),
    ("1M0", Unit::Ohm, 1e6),
    ("2M2", Unit::Ohm, 2.2e6),
    ("10M", Unit::Ohm, 10e6),
    ("p33", Unit::Farad, 3.3e-13),
    ("3p3", Unit::Farad, 3.3e-12),
    ("33p", Unit::Farad, 3.3e-11),
    ("330p", Unit::Farad, 3.3e-10),
    ("n33", Unit::Farad, 3.3e-10),
    ("3n3", Unit::Farad, 3.3e-9),
    ("33n", Unit::Farad, 3.3e-8),
    ("330n", Unit::Farad, 3.3e-7),
    ("u33", Unit::Farad, 3.3e-7),
    ("3u3", Unit::Farad, 3.3e-6),
    ("33u", Unit::Farad, 3.3e-5),
    ("330u", Unit::Farad, 0.00033),
    ("3m3", Unit::Farad, 0.0033),
];

/// Source    common practice on drawings and in parts lists, from memory
#[rustfmt::skip]
const TRADE: &[(&str, Unit, f64)] = &[
    ("100k", Unit::Ohm, 1e5), ("470K", Unit::Ohm, 4.7e5), ("1meg", Unit::Ohm, 1e6), ("2.2 Meg", Unit::Ohm, 2.2e6),
    ("15 ohm", Unit::Ohm, 15.0), ("15 ohms", Unit::Ohm, 15.0), ("15Ω", Unit::Ohm, 15.0), ("15 \u{2126}", Unit::Ohm, 15.0),
    ("47000", Unit::Ohm, 47e3), ("5 mΩ", Unit::Ohm, 5e-3), ("4k7 ohm", Unit::Ohm, 4.7e3), ("1 MΩ", Unit::Ohm, 1e6),
    ("0.05u", Unit::Farad, 5e-8), ("50p", Unit::Farad, 5e-11), ("25 µF", Unit::Farad, 25e-6), ("25 μF", Unit::Farad, 25e-6),
    ("0.1MFD", Unit::Farad, 1e-7), ("50mmF", Unit::Farad, 5e-11), ("50 mmfd.", Unit::Farad, 5e-11), ("8 uuF", Unit::Farad, 8e-12),
    (".02u", Unit::Farad, 2e-8), ("4n7F", Unit::Farad, 4.7e-9),
    ("10%", Unit::Percent, 0.1), ("70 %", Unit::Percent, 0.7), ("1 kHz", Unit::Hertz, 1e3), ("400 c/s", Unit::Hertz, 400.0),
    ("12mA", Unit::Ampere, 12e-3), ("-45V", Unit::Volt, -45.0), ("\u{2212}45 V", Unit::Volt, -45.0), ("6V3", Unit::Volt, 6.3),
    ("1.5W", Unit::Watt, 1.5), ("3H", Unit::Henry, 3.0), ("25mH", Unit::Henry, 25e-3), ("1.2Wb", Unit::Weber, 1.2),
    ("6.5cm2", Unit::SquareMetre, 6.5e-4), ("0.25mm", Unit::Metre, 0.25e-3), ("20ms", Unit::Second, 20e-3),
    ("0.7", Unit::Number, 0.7), ("1e-3 A", Unit::Ampere, 1e-3),
];

#[test]
fn letter_codes_and_trade_forms_are_read_to_the_last_bit() {
    for &(text, unit, value) in IEC_60062.iter().chain(TRADE) {
        let read = Quantity::parse(text, unit);
        assert!(
            read.as_ref()
                .is_ok_and(|read| read.to_bits() == value.to_bits()),
            "{text}: {read:?}, not {value}"
        );
    }
}

#[test]
fn a_value_of_the_wrong_kind_names_both_units() {
    let error = Quantity::parse("25 µF", Unit::Ohm).unwrap_err();
    assert_eq!(
        error,
        QuantityError::WrongUnit {
            text: "25 µF".to_owned(),
            wanted: Unit::Ohm,
            found: Unit::Farad
        }
    );
    let error = Quantity::parse("4k7", Unit::Farad).unwrap_err();
    assert!(
        matches!(
            error,
            QuantityError::WrongUnit {
                found: Unit::Ohm,
                ..
            }
        ),
        "{error:?}"
    );
}

#[test]
fn what_cannot_be_told_is_refused() {
    for (text, unit) in [
        ("0.1mF", Unit::Farad),
        (".05M", Unit::Farad),
        ("10m", Unit::Ohm),
    ] {
        let read = Quantity::parse(text, unit);
        assert!(
            matches!(read, Err(QuantityError::Ambiguous { .. })),
            "{text}: {read:?}"
        );
    }
    for (text, unit) in [
        ("450", Unit::Volt),
        ("0.02", Unit::Farad),
        ("70", Unit::Percent),
        ("25m", Unit::Henry),
    ] {
        let read = Quantity::parse(text, unit);
        assert!(
            matches!(read, Err(QuantityError::MissingUnit { .. })),
            "{text}: {read:?}"
        );
    }
    for text in [
        "",
        "k",
        "1.2.3k",
        "4k7k",
        "--5k",
        "k4k",
        "1 furlong",
        "inf",
        "nan",
        "4.5k6",
        ".",
    ] {
        assert!(
            Quantity::parse(text, Unit::Ohm).is_err(),
            "{text:?} was read as {:?}",
            Quantity::parse(text, Unit::Ohm)
        );
    }
    assert!(matches!(
        Quantity::parse("1e999k", Unit::Ohm),
        Err(QuantityError::TooLarge { .. })
    ));
}

#[test]
fn values_are_printed_as_the_trade_prints_them() {
    for (value, unit, text) in [
        (47.3e3, Unit::Ohm, "47.3 kΩ"),
        (1.52e-3, Unit::Ampere, "1.52 mA"),
        (999.9, Unit::Volt, "1.00 kV"),
        (0.0, Unit::Volt, "0 V"),
        (-45.04, Unit::Volt, "-45.0 V"),
        (0.1234, Unit::Percent, "12.3 %"),
        (22e-9, Unit::Farad, "22.0 nF"),
        (4.7e-3, Unit::Farad, "4700 µF"),
        (6.5e-4, Unit::SquareMetre, "6.50 cm²"),
        (3e-14, Unit::Farad, "0.0300 pF"),
    ] {
        assert_eq!(engineering(value, unit), text);
    }
}

#[test]
fn a_ratio_is_two_positive_numbers() {
    for (text, value) in [("4:1", 4.0), ("1 : 2.5", 0.4), (" 3:3", 1.0)] {
        assert_eq!(super::ratio(text), Some(value), "{text}");
    }
    for text in [
        "4",
        "4:",
        ":1",
        "4:1:1",
        "0:1",
        "4:0",
        "-4:1",
        "4V:1V",
        "1e300:1e-300",
        "four to one",
    ] {
        assert_eq!(super::ratio(text), None, "{text}");
    }
}

fn unit() -> impl Strategy<Value = Unit> {
    proptest::sample::select(Unit::ALL.to_vec())
}

proptest! {
    #[test]
    fn what_is_written_exactly_is_read_exactly(mantissa in -10.0f64..10.0, exponent in -15i32..12, unit in unit()) {
        let value = mantissa * 10f64.powi(exponent);
        let text = Quantity::exact(value, unit);
        let read = Quantity::parse(&text, unit);
        prop_assert!(read.as_ref().is_ok_and(|read| (*read + 0.0).to_bits() == (value + 0.0).to_bits()), "{value:e} -> {text} -> {read:?}");
    }

    #[test]
    fn what_is_printed_is_read_within_its_digits(mantissa in 1.0f64..10.0, exponent in -15i32..12, unit in unit()) {
        let value = mantissa * 10f64.powi(exponent);
        let read = Quantity::parse(&engineering(value, unit), unit).unwrap();
        prop_assert!((read - value).abs() <= 0.00501 * 10f64.powi(exponent), "{value:e} -> {read:e}");
    }

    #[test]
    fn no_text_makes_it_panic(text in "\\PC{0,12}", unit in unit()) {
        let _ = Quantity::parse(&text, unit);
    }
}

#[test]
fn a_value_shows_what_tells_it_from_its_neighbours() {
    assert_eq!(resolved(200.0127, 0.05, Unit::Volt), "200.01 V");
    assert_eq!(resolved(0.038_812_3, 2.5e-6, Unit::Ampere), "38.812 mA");
    // Never fewer than three digits, and zero is zero
    assert_eq!(resolved(-0.038_812_3, 1.0, Unit::Ampere), "-38.8 mA");
    assert_eq!(resolved(0.0, 0.1, Unit::Percent), "0 %");
    assert_eq!(resolved(0.123_456, 1e-4, Unit::Percent), "12.35 %");
}
