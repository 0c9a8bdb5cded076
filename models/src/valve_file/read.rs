//! Text of a valve file → [`ValveType`], with the place of every fault.
//!
//! A valve file speaks the trade: milliamperes, picofarads, megohms where its keys say so. This is
//! the one place where those become SI. Unknown keys, limits that are not positive and figures
//! without a source are faults, and all of them are told. A file without parameters is fitted to its
//! points, and one without grid current gets that of its class: a data sheet is enough to add a type.
//!
//! Over 400 lines because it is one table, key beside figure, and the faults of it are tried beside it.

use toml::Spanned;

use super::faults::Faults;
use super::law::{self, NoPoints};
use super::raw::{
    RawAmplifier, RawBase, RawCapacitances, RawDischarge, RawDrop, RawGridNoise, RawHeater,
    RawLimits, RawNear, RawOperation, RawPoint, RawValve,
};
use super::recovery::parse;
use super::{DataError, DataErrorKind};
use crate::data::{
    Base, Capacitances, Connection, Discharge, Drop, GridNoise, Heater, Limits, Near, Operation,
    Point, SectionCapacitances, ValveKind, ValveType,
};

const MILLI: f64 = 1e-3;
const MICRO: f64 = 1e-6;
const PICO: f64 = 1e-12;

/// Part of a pentode's input capacitance that goes to the screen grid.
///
/// ASSUMPTION from one type: the KT88 prints 16 pF in as a tetrode, and 1.2 → 7.9 pF from anode to
/// grid when strapped, so that 6.7 pF of the 16 go to the screen.
const INPUT_TO_SCREEN: f64 = 0.42;

/// Amplification factor from grid to anode that no pentode is below.
const LEAST_OF_AN_ANODE: f64 = 100.0;

/// Reads one valve file.
///
/// # Errors
/// Every fault, with its place in the text.
pub fn read(text: &str) -> Result<ValveType, Vec<DataError>> {
    read_file(text, NoPoints::AreFault)
}

/// Reads one valve file that traced curves go with, which may do without points and `[model]`: its law is
/// then of the priors alone, and to be replaced by a fit.
///
/// # Errors
/// Every fault, with its place in the text.
pub fn read_beside_curves(text: &str) -> Result<ValveType, Vec<DataError>> {
    read_file(text, NoPoints::LeavePriors)
}

fn read_file(text: &str, no_points: NoPoints) -> Result<ValveType, Vec<DataError>> {
    let (raw, mut faults) = parse::<RawValve>(text)?;
    let name = raw.r#type.as_ref().map(|name| name.get_ref().clone());
    if name.is_none() {
        faults.at(0..0, DataErrorKind::MissingKey("type"));
    }
    let valve = read_type(&mut faults, raw, name.unwrap_or_default(), no_points);
    faults.none_or(valve)
}

/// Reads the types that an amplifier file brings with it: tables `[valves.NAME]` with the keys of a
/// valve file, where `type` may be left out.
///
/// # Errors
/// Every fault, with its place in the text.
pub fn read_within(text: &str) -> Result<Vec<ValveType>, Vec<DataError>> {
    let (raw, mut faults) = parse::<RawAmplifier>(text)?;
    let valves = raw.valves.into_iter().filter_map(|(name, raw)| {
        if let Some(said) = raw.r#type.as_ref().filter(|said| *said.get_ref() != name) {
            faults.push(said, DataErrorKind::OtherName(name.clone()));
        }
        read_type(&mut faults, raw, name, NoPoints::AreFault)
    });
    let valves: Vec<ValveType> = valves.collect();
    faults.none_or(Some(valves))
}

/// The type; None when a fault leaves it without a law.
fn read_type(
    faults: &mut Faults,
    raw: RawValve,
    name: String,
    no_points: NoPoints,
) -> Option<ValveType> {
    let kind = *raw.kind.get_ref();
    let heater = raw.heater.as_ref().map(|raw| read_heater(faults, raw));
    if heater.is_none() && kind != ValveKind::Stabiliser {
        faults.push(&raw.kind, DataErrorKind::MissingTable("[heater]"));
    }
    let sections = *raw.sections.get_ref();
    if sections == 0 {
        faults.push(&raw.sections, DataErrorKind::NotPositive("sections"));
    }
    let source = faults.source(&raw.source, &raw.basis, &raw.confidence);
    let near = raw.near.iter().map(|raw| read_near(faults, raw)).collect();
    let base = raw.base.as_ref().map(|raw| read_base(faults, raw));
    let limits = read_limits(faults, &raw.limits);
    let (capacitances, other_sections) = read_capacitances(faults, kind, &raw.capacitances);
    let points: Vec<Point> = raw
        .point
        .iter()
        .map(|point| read_point(faults, kind, point))
        .collect();
    let drops: Vec<Drop> = raw.drop.iter().map(|raw| read_drop(faults, raw)).collect();
    let operations = raw
        .operation
        .iter()
        .map(|raw| read_operation(faults, raw))
        .collect();
    let discharge = raw
        .discharge
        .as_ref()
        .map(|raw| read_discharge(faults, raw));
    let grid_noise = raw
        .grid_noise
        .as_ref()
        .map(|raw| read_grid_noise(faults, raw));
    let law = law::read(faults, &raw, &points, no_points, &drops, discharge.as_ref())?;
    Some(ValveType {
        name,
        aliases: raw.aliases,
        near,
        base,
        class: kind,
        sections,
        heater,
        limits,
        capacitances,
        other_sections,
        model: law.model,
        points,
        drops,
        operations,
        discharge,
        grid_noise,
        fit_error: law.fit_error,
        fitted_on_reading: law.fitted_on_reading,
        grid_class: law.grid_class,
        note: raw.note,
        source,
    })
}

fn read_heater(faults: &mut Faults, raw: &RawHeater) -> Heater {
    Heater {
        voltage: faults.figure("volts", &raw.volts, 1.0),
        current: faults.figure("amps", &raw.amps, 1.0),
        heating: raw.heating,
        centre_tap: raw.centre_tap,
        warm_up: faults.optional("warm_up_seconds", &raw.warm_up_seconds, 1.0),
        source: faults.source(&raw.source, &raw.basis, ""),
    }
}

fn read_limits(faults: &mut Faults, raw: &RawLimits) -> Limits {
    Limits {
        anode_volts: faults.optional("anode_volts", &raw.anode_volts, 1.0),
        anode_watts: faults.optional("anode_watts", &raw.anode_watts, 1.0),
        screen_volts: faults.optional("screen_volts", &raw.screen_volts, 1.0),
        screen_watts: faults.optional("screen_watts", &raw.screen_watts, 1.0),
        strapped_volts: faults.optional("strapped_volts", &raw.strapped_volts, 1.0),
        strapped_watts: faults.optional("strapped_watts", &raw.strapped_watts, 1.0),
        all_anodes_watts: faults.optional("all_anodes_watts", &raw.all_anodes_watts, 1.0),
        cathode_amps: faults.optional("cathode_milliamps", &raw.cathode_milliamps, MILLI),
        heater_cathode_volts: faults.optional(
            "heater_cathode_volts",
            &raw.heater_cathode_volts,
            1.0,
        ),
        grid_leak_fixed: faults.optional("grid_leak_fixed_ohms", &raw.grid_leak_fixed_ohms, 1.0),
        grid_leak_cathode_bias: faults.optional(
            "grid_leak_cathode_bias_ohms",
            &raw.grid_leak_cathode_bias_ohms,
            1.0,
        ),
        peak_inverse_volts: faults.optional("peak_inverse_volts", &raw.peak_inverse_volts, 1.0),
        peak_anode_amps: faults.optional("peak_anode_milliamps", &raw.peak_anode_milliamps, MILLI),
        dc_amps: faults.optional("dc_milliamps", &raw.dc_milliamps, MILLI),
        least_amps: faults.optional("least_milliamps", &raw.least_milliamps, MILLI),
        most_amps: faults.optional("most_milliamps", &raw.most_milliamps, MILLI),
        rating: raw.rating.clone(),
        source: Some(faults.source(&raw.source, &raw.basis, &raw.confidence)),
    }
}

/// The first row, and the rows that are marked as another section's.
fn read_capacitances(
    faults: &mut Faults,
    kind: ValveKind,
    rows: &[RawCapacitances],
) -> (Capacitances, Vec<SectionCapacitances>) {
    let to_screen = if kind.has_screen() {
        INPUT_TO_SCREEN
    } else {
        0.0
    };
    let mut first = None;
    let mut others = Vec::new();
    for raw in rows {
        faults.source(&raw.source, &raw.basis, "");
        let input = faults.figure("input_pf", &raw.input_pf, PICO);
        let capacitances = Capacitances {
            anode_grid: faults.figure("anode_grid_pf", &raw.anode_grid_pf, PICO),
            grid_cathode: input * (1.0 - to_screen),
            anode_cathode: faults.figure("output_pf", &raw.output_pf, PICO),
            grid_screen: input * to_screen,
        };
        match &raw.section {
            Some(section) if *section.get_ref() > 1 => others.push(SectionCapacitances {
                section: *section.get_ref(),
                capacitances,
            }),
            _ => first = first.or(Some(capacitances)),
        }
    }
    (first.unwrap_or_default(), others)
}

fn read_base(faults: &mut Faults, raw: &RawBase) -> Base {
    faults.said("name", &raw.name);
    Base {
        name: raw.name.get_ref().clone(),
        pins: raw.pins.clone(),
        top_cap: raw.top_cap.clone(),
        source: faults.source(&raw.source, &raw.basis, ""),
    }
}

fn read_near(faults: &mut Faults, raw: &RawNear) -> Near {
    faults.said("type", &raw.r#type);
    faults.said("differs", &raw.differs);
    Near {
        name: raw.r#type.get_ref().clone(),
        differs: raw.differs.get_ref().clone(),
    }
}

fn read_point(faults: &mut Faults, kind: ValveKind, spanned: &Spanned<RawPoint>) -> Point {
    let raw = spanned.get_ref();
    let i_a = faults.optional("anode_milliamps", &raw.anode_milliamps, MILLI);
    let i_s = faults.optional("screen_milliamps", &raw.screen_milliamps, MILLI);
    // Bias across a cathode resistor, by the published currents
    let cathode_bias = faults
        .optional("cathode_ohms", &raw.cathode_ohms, 1.0)
        .zip(i_a)
        .map(|(resistance, i_a)| -resistance * (i_a + i_s.unwrap_or(0.0)));
    let gm = faults.optional("gm_milliamps_per_volt", &raw.gm_milliamps_per_volt, MILLI);
    let ra = faults.optional("ra_ohms", &raw.ra_ohms, 1.0);
    let mut mu = faults.optional("mu", &raw.mu, 1.0);
    let mut mu_screen = faults.optional("mu_screen", &raw.mu_screen, 1.0);
    let is_screened = kind.has_screen() && raw.connection == Connection::Normal;
    if is_screened && mu_screen.is_none() && mu.is_some_and(|mu| is_of_screen(mu, gm.zip(ra))) {
        mu_screen = mu.take();
    }
    let point = Point {
        connection: raw.connection,
        v_ak: faults.optional("anode_volts", &raw.anode_volts, 1.0),
        v_sk: faults.optional("screen_volts", &raw.screen_volts, 1.0),
        v_gk: raw.grid_volts.or(cathode_bias),
        i_a,
        i_s,
        gm,
        mu,
        ra,
        mu_screen,
        cut_off: raw.cut_off,
        unused: raw.unused.clone(),
        source: faults.source(&raw.source, &raw.basis, &raw.confidence),
    };
    let complete = point.v_ak.is_some()
        && point.v_gk.is_some_and(f64::is_finite)
        && (point.v_sk.is_some() || !is_screened);
    let explained = point
        .unused
        .as_ref()
        .is_some_and(|why| !why.trim().is_empty());
    if !complete && !explained {
        faults.push(spanned, DataErrorKind::IncompletePoint);
    }
    point
}

/// Whether the `mu` of a pentode's sheet is that of grid and screen: what is not about gm·ra, where both are printed, and
/// else what is too little for an anode.
///
/// Source    of the types here the least of an anode is 132 (6550) and the greatest of a screen 38 (EF86), from memory as
///           they are
fn is_of_screen(mu: f64, anode: Option<(f64, f64)>) -> bool {
    match anode {
        // Printed slopes and resistances of a pentode are rounded by tens of per cent, but not by half.
        Some((gm, ra)) => !(0.5..2.0).contains(&(mu / (gm * ra))),
        None => mu < LEAST_OF_AN_ANODE,
    }
}

fn read_drop(faults: &mut Faults, raw: &RawDrop) -> Drop {
    Drop {
        voltage: faults.figure("volts", &raw.volts, 1.0),
        current: faults.figure("anode_milliamps", &raw.anode_milliamps, MILLI),
        unused: raw.unused.clone(),
        source: faults.source(&raw.source, &raw.basis, &raw.confidence),
    }
}

fn read_operation(faults: &mut Faults, raw: &RawOperation) -> Operation {
    let least = faults.optional("least_choke_henries", &raw.least_choke_henries, 1.0);
    Operation {
        filter: raw.filter,
        volts_rms: faults.optional("anode_volts_rms", &raw.anode_volts_rms, 1.0),
        frequency: faults.optional("frequency_hz", &raw.frequency_hz, 1.0),
        supply_ohms: faults.optional("supply_ohms", &raw.supply_ohms, 1.0),
        reservoir: faults.optional("reservoir_microfarads", &raw.reservoir_microfarads, MICRO),
        choke: faults
            .optional("choke_henries", &raw.choke_henries, 1.0)
            .or(least),
        dc_amps: faults.optional("dc_milliamps", &raw.dc_milliamps, MILLI),
        dc_volts: faults.optional("dc_volts", &raw.dc_volts, 1.0),
        peak_inverse_volts: faults.optional("peak_inverse_volts", &raw.peak_inverse_volts, 1.0),
        source: faults.source(&raw.source, &raw.basis, &raw.confidence),
    }
}

fn read_discharge(faults: &mut Faults, raw: &RawDischarge) -> Discharge {
    Discharge {
        voltage: faults.figure("maintaining_volts", &raw.maintaining_volts, 1.0),
        current: faults.figure("milliamps", &raw.milliamps, MILLI),
        slope_ohms: faults.figure("slope_ohms", &raw.slope_ohms, 1.0),
        strike_volts: faults.optional("strike_volts", &raw.strike_volts, 1.0),
        source: faults.source(&raw.source, &raw.basis, &raw.confidence),
    }
}

fn read_grid_noise(faults: &mut Faults, raw: &RawGridNoise) -> GridNoise {
    GridNoise {
        volts: faults.figure("microvolts", &raw.microvolts, MICRO),
        from: faults.figure("from_hz", &raw.from_hz, 1.0),
        to: faults.figure("to_hz", &raw.to_hz, 1.0),
        source: faults.source(&raw.source, &raw.basis, &raw.confidence),
    }
}

#[cfg(test)]
mod tests {
    use super::super::raw::LETTERS;
    use super::*;

    fn sample() -> String {
        let (_, text) = crate::library::FILES
            .iter()
            .find(|(name, _)| *name == "6V6GT")
            .unwrap();
        (*text).to_owned()
    }

    fn error_of(text: &str) -> (DataError, String) {
        let error = read(text).unwrap_err().remove(0);
        let at = text[error.span.clone()].to_owned();
        (error, at)
    }

    #[test]
    fn units_become_si() {
        let valve = read(&sample()).unwrap();
        assert_eq!(valve.limits.anode_watts, Some(12.0));
        assert!((valve.points[1].i_a.unwrap() - 0.045).abs() < 1e-15);
        assert!((valve.points[1].gm.unwrap() - 4.1e-3).abs() < 1e-15);
        assert!((valve.capacitances.anode_grid - 0.7e-12).abs() < 1e-24);
        let input = valve.capacitances.grid_cathode + valve.capacitances.grid_screen;
        assert!((input - 9e-12).abs() < 1e-24);
    }

    #[test]
    fn an_unknown_key_is_a_fault_with_its_place() {
        let text = sample().replace("anode_watts", "anode_wattage");
        let (error, at) = error_of(&text);
        let DataErrorKind::UnknownKey { nearest, .. } = error.kind else {
            panic!("{error}");
        };
        assert_eq!(nearest.as_deref(), Some("anode_watts"));
        assert_eq!(at, "anode_wattage");
    }

    #[test]
    fn a_limit_must_be_positive() {
        let text = sample().replace("anode_watts = 12", "anode_watts = -12");
        let (error, at) = error_of(&text);
        assert_eq!(error.kind, DataErrorKind::NotPositive("anode_watts"));
        assert!(at.starts_with("-12"), "{at}");
    }

    #[test]
    fn a_point_needs_its_source() {
        let text = sample();
        let at = text.rfind("source = \"RCA").unwrap();
        let end = at + text[at..].find('\n').unwrap();
        let empty = format!("{}source = \"\"{}", &text[..at], &text[end..]);
        assert_eq!(error_of(&empty).0.kind, DataErrorKind::NoSource("source"));
        let none = format!("{}{}", &text[..at], &text[end..]);
        assert!(matches!(error_of(&none).0.kind, DataErrorKind::Form(_)));
    }

    #[test]
    fn a_law_must_be_known_and_whole() {
        let (error, at) = error_of(&sample().replace("\"current sharing\"", "\"current shraing\""));
        assert!(matches!(error.kind, DataErrorKind::UnknownLaw(..)));
        assert_eq!(at, "\"current shraing\"");
        let text = sample().replace("\nknee_size = ", "\n# knee_size = ");
        assert_eq!(
            error_of(&text).0.kind,
            DataErrorKind::MissingParameter("knee_size")
        );
    }

    #[test]
    fn a_letter_of_the_equation_is_answered_with_its_word() {
        for (letter, word) in LETTERS {
            let model = sample().replacen(&format!("\n{word} = "), &format!("\n{letter} = "), 1);
            let faults = read(&model).unwrap_err();
            let said = faults.iter().find_map(|fault| match &fault.kind {
                DataErrorKind::UnknownKey { key, nearest, .. } => Some((key, nearest.as_deref())),
                _ => None,
            });
            assert_eq!(said, Some((&letter.to_owned(), Some(word))));
        }
        // Where the word is no key, a letter is a slip like any other.
        let (fault, _) = error_of(&sample().replace("[limits]\n", "[limits]\nkg = 1\n"));
        assert!(
            matches!(&fault.kind, DataErrorKind::UnknownKey { nearest, .. } if nearest.as_deref() != Some("reciprocal_perveance"))
        );
    }

    /// A data sheet and nothing else: no parameters, no grid current.
    fn bare() -> String {
        let text = sample();
        let end = text
            .find("# Grid current")
            .expect("a comment before the table");
        text[..end].to_owned()
    }

    #[test]
    fn all_faults_are_told_in_their_order() {
        let text = sample()
            .replace("anode_watts = 12", "anode_watts = -12\nanode_wats = 3")
            .replace("volts = 6.3", "volts = 0")
            .replace("\nknee_size = ", "\nknee_sise = ");
        let faults: Vec<String> = read(&text)
            .unwrap_err()
            .iter()
            .map(ToString::to_string)
            .collect();
        assert_eq!(
            faults,
            [
                "`volts` must be above zero",
                "`anode_watts` must be above zero",
                "unknown key `anode_wats`",
                "the law needs `knee_size`",
                "unknown key `knee_sise`",
            ]
        );
    }

    #[test]
    fn mu_of_a_pentode_is_that_of_grid_and_screen_where_it_is_too_little_for_its_anode() {
        let (_, text) = crate::library::FILES
            .iter()
            .find(|(name, _)| *name == "EF86")
            .unwrap();
        let end = text.find("# Grid current").unwrap();
        let as_printed = text[..end].replace("mu_screen = 38", "mu = 38");
        let stored = read(text).unwrap();
        let own = read(&as_printed).unwrap();
        assert_eq!(own.points, stored.points, "with gm and ra beside it");
        // The same points through the same fit, two printed decimals.
        let worst = |valve: &ValveType| valve.fit_error.unwrap().slope_worst_percent;
        assert!(
            (worst(&own) - worst(&stored)).abs() < 0.01,
            "{} {}",
            worst(&own),
            worst(&stored)
        );
        let without = |mu: &str| {
            let text = as_printed
                .replace("mu = 38", mu)
                .replace("ra_ohms = 2500000\n", "");
            let point = read(&text).unwrap().points[0].clone();
            (point.mu, point.mu_screen)
        };
        assert_eq!(without("mu = 38"), (None, Some(38.0)));
        assert_eq!(without("mu = 5000"), (Some(5000.0), None));
        // What is printed of the anode stays that, be it as low as it may.
        let low = as_printed
            .replace("mu = 38", "mu = 90")
            .replace("2500000", "45000");
        let point = read(&low).unwrap().points[0].clone();
        assert_eq!((point.mu, point.mu_screen), (Some(90.0), None));
    }

    #[test]
    fn faults_of_form_are_told_all_at_once_too() {
        let text = sample()
            .replace("kind = \"beam tetrode\"", "kind = \"tetrode\"")
            .replace("volts = 6.3", "volts = \"6.3\"")
            .replace(
                "anode_watts = 12",
                "anode_watts = \"12\"\nanode_wats = { a = 3 }",
            )
            .replace("rating = ", "# rating = ")
            .replacen("input_pf = ", "inputt_pf = ", 1)
            .replace("[model]", "[modell]\na = 1\n[model]");
        let faults = read(&text).unwrap_err();
        let told: Vec<(String, &str)> = faults
            .iter()
            .map(|fault| (fault.kind.to_string(), &text[fault.span.clone()]))
            .collect();
        let said: Vec<&str> = told.iter().map(|(_, at)| *at).collect();
        assert_eq!(
            said,
            [
                "\"tetrode\"",
                "\"6.3\"",
                "[limits]",
                "\"12\"",
                "anode_wats",
                "[[capacitances]]",
                "inputt_pf",
                "modell",
            ],
            "{told:?}"
        );
        // In braces, and at the very beginning.
        let braces = "kind = \"triode\"\nheater = { volts = \"a\", amps = 1, hot = 2 }\n";
        let told: Vec<String> = read(braces)
            .unwrap_err()
            .iter()
            .map(ToString::to_string)
            .collect();
        for word in [
            "`type`",
            "string \"a\"",
            "`hot`",
            "`heating`",
            "`limits`",
            "`sections`",
            "`source`",
            "`basis`",
        ] {
            assert!(
                told.iter().any(|fault| fault.contains(word)),
                "{word}: {told:?}"
            );
        }
    }

    #[test]
    fn a_data_sheet_is_enough() {
        let stored = read(&sample()).unwrap();
        let fitted = read(&bare()).unwrap();
        assert!(fitted.fitted_on_reading && !stored.fitted_on_reading);
        assert_eq!(
            fitted.grid_class,
            Some(crate::grid_current::GridClass::Pentode)
        );
        assert_eq!(stored.grid_class, None);
        // The same points through the same fit; two printed decimals of the stored error.
        let errors = [&stored, &fitted].map(|valve| valve.fit_error.unwrap().current_worst_percent);
        assert!((errors[0] - errors[1]).abs() < 0.01, "{errors:?}");
    }

    #[test]
    fn nothing_is_fitted_to_nothing() {
        let text = bare();
        let points = text.find("[[point]]").unwrap();
        let fault = error_of(&text[..points]).0;
        assert!(
            matches!(fault.kind, DataErrorKind::MissingTable(what) if what.contains("[[point]]"))
        );
    }

    #[test]
    fn types_within_an_amplifier_file_have_their_places_in_it() {
        let table = |text: &str| {
            text.lines()
                .filter(|line| !line.starts_with("type = "))
                .map(
                    |line| match line.strip_prefix("[[").or(line.strip_prefix('[')) {
                        Some(name) => line.replace(name, &format!("valves.OWN.{name}")) + "\n",
                        None => line.to_owned() + "\n",
                    },
                )
                .collect::<String>()
        };
        let text = format!("[amplifier]\n[valves.OWN]\n{}", table(&bare()));
        let text = text.replace("aliases = [\"6V6\", \"6V6GTA\"]\n", "");
        let valves = read_within(&text).unwrap();
        assert_eq!(valves.len(), 1);
        assert_eq!(valves[0].name, "OWN");
        let faulty = text.replace("anode_watts = 12", "anode_watts = 0");
        let fault = read_within(&faulty).unwrap_err().remove(0);
        assert_eq!(fault.kind, DataErrorKind::NotPositive("anode_watts"));
        assert!(faulty[..fault.span.start].ends_with("anode_watts = "));
        let named = text.replace("[valves.OWN]\n", "[valves.OWN]\ntype = \"ELSE\"\n");
        let fault = read_within(&named).unwrap_err().remove(0);
        assert_eq!(fault.kind, DataErrorKind::OtherName("OWN".to_owned()));
    }

    #[test]
    fn a_section_has_its_own_capacitances_where_they_are_published() {
        let find = |name| crate::library::find(name).unwrap();
        let valve = find("12AX7");
        assert!((valve.capacitances_of(1).anode_cathode - 0.46e-12).abs() < 1e-24);
        assert!((valve.capacitances_of(2).anode_cathode - 0.34e-12).abs() < 1e-24);
        let alike = find("6CG7");
        assert_eq!(alike.capacitances_of(2), alike.capacitances);
    }

    #[test]
    fn beside_curves_a_file_needs_no_points() {
        let text = sample();
        let bare = &text[..text.find("[[point]]").unwrap()];
        assert!(read(bare).is_err());
        let valve = read_beside_curves(bare).unwrap();
        assert!(valve.points.is_empty() && valve.fitted_on_reading);
    }
}
