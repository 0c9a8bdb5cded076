//! Text of a valve file → [`ValveType`], with the place of every fault.
//!
//! A valve file speaks the trade: milliamperes, picofarads, megohms where its keys say so. This is
//! the one place where those become SI. Unknown keys, limits that are not positive and figures
//! without a source are faults.
//!
//! Over 400 lines because it is two tables: every key a file may have, and what it comes to.

use serde::Deserialize;
use toml::Spanned;

use super::{
    Base, Capacitances, Connection, DataError, DataErrorKind, Discharge, Drop, Filter, FitError,
    Heater, Heating, Limits, Near, Operation, Point, SectionCapacitances, Source, ValveKind,
    ValveModel, ValveType,
};
use crate::grid_current::GridCurrent;
use crate::pentode::{CurrentSharing, Pentode};
use crate::rectifier::Rectifier;
use crate::stabiliser::Stabiliser;
use crate::triode::{Triode, TriodeParameters};

const MILLI: f64 = 1e-3;
const MICRO: f64 = 1e-6;
const PICO: f64 = 1e-12;

/// Part of a pentode's input capacitance that goes to the screen grid.
///
/// ASSUMPTION from one type: the KT88 prints 16 pF in as a tetrode, and 1.2 → 7.9 pF from anode to
/// grid when strapped, so that 6.7 pF of the 16 go to the screen.
const INPUT_TO_SCREEN: f64 = 0.42;

// What a file may say ─────────────────────────────────────────────────────────────────────────────

type Number = Option<Spanned<f64>>;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawValve {
    r#type: String,
    kind: ValveKind,
    #[serde(default)]
    aliases: Vec<String>,
    #[serde(default)]
    near: Vec<RawNear>,
    base: Option<RawBase>,
    sections: Spanned<u32>,
    #[serde(default)]
    note: String,
    source: Spanned<String>,
    basis: Spanned<String>,
    #[serde(default)]
    confidence: String,
    heater: Option<RawHeater>,
    limits: RawLimits,
    #[serde(default)]
    capacitances: Vec<RawCapacitances>,
    #[serde(default)]
    point: Vec<Spanned<RawPoint>>,
    #[serde(default)]
    drop: Vec<RawDrop>,
    #[serde(default)]
    operation: Vec<RawOperation>,
    discharge: Option<RawDischarge>,
    model: Spanned<RawModel>,
    grid_current: Option<RawGrid>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawNear {
    r#type: Spanned<String>,
    differs: Spanned<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawBase {
    name: Spanned<String>,
    #[serde(default)]
    pins: Vec<String>,
    top_cap: Option<String>,
    source: Spanned<String>,
    basis: Spanned<String>,
    #[serde(rename = "note")]
    _note: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawHeater {
    volts: Spanned<f64>,
    amps: Spanned<f64>,
    heating: Heating,
    #[serde(default)]
    centre_tap: bool,
    warm_up_seconds: Number,
    source: Spanned<String>,
    basis: Spanned<String>,
    #[serde(rename = "note")]
    _note: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawLimits {
    anode_volts: Number,
    anode_watts: Number,
    screen_volts: Number,
    screen_watts: Number,
    strapped_volts: Number,
    strapped_watts: Number,
    all_anodes_watts: Number,
    cathode_milliamps: Number,
    heater_cathode_volts: Number,
    grid_leak_fixed_ohms: Number,
    grid_leak_cathode_bias_ohms: Number,
    peak_inverse_volts: Number,
    peak_anode_milliamps: Number,
    dc_milliamps: Number,
    least_milliamps: Number,
    most_milliamps: Number,
    rating: String,
    source: Spanned<String>,
    basis: Spanned<String>,
    #[serde(default)]
    confidence: String,
    #[serde(rename = "note")]
    _note: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawCapacitances {
    section: Option<Spanned<u32>>,
    anode_grid_pf: Spanned<f64>,
    input_pf: Spanned<f64>,
    output_pf: Spanned<f64>,
    source: Spanned<String>,
    basis: Spanned<String>,
    #[serde(rename = "note")]
    _note: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawPoint {
    #[serde(default)]
    connection: Connection,
    anode_volts: Number,
    screen_volts: Number,
    grid_volts: Option<f64>,
    cathode_ohms: Number,
    anode_milliamps: Number,
    screen_milliamps: Number,
    gm_milliamps_per_volt: Number,
    mu: Number,
    ra_ohms: Number,
    mu_screen: Number,
    #[serde(default)]
    cut_off: bool,
    unused: Option<String>,
    source: Spanned<String>,
    basis: Spanned<String>,
    #[serde(default)]
    confidence: String,
    #[serde(rename = "note")]
    _note: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawDrop {
    volts: Spanned<f64>,
    anode_milliamps: Spanned<f64>,
    unused: Option<String>,
    source: Spanned<String>,
    basis: Spanned<String>,
    #[serde(default)]
    confidence: String,
    #[serde(rename = "note")]
    _note: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawOperation {
    filter: Filter,
    anode_volts_rms: Number,
    frequency_hz: Number,
    supply_ohms: Number,
    reservoir_microfarads: Number,
    choke_henries: Number,
    least_choke_henries: Number,
    dc_milliamps: Number,
    dc_volts: Number,
    peak_inverse_volts: Number,
    source: Spanned<String>,
    basis: Spanned<String>,
    #[serde(default)]
    confidence: String,
    #[serde(rename = "note")]
    _note: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawDischarge {
    maintaining_volts: Spanned<f64>,
    milliamps: Spanned<f64>,
    slope_ohms: Spanned<f64>,
    strike_volts: Number,
    source: Spanned<String>,
    basis: Spanned<String>,
    #[serde(default)]
    confidence: String,
    #[serde(rename = "note")]
    _note: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawModel {
    law: Spanned<String>,
    mu: Number,
    x: Number,
    kg: Number,
    kp: Number,
    kvb: Number,
    vct: Number,
    d: Number,
    f: Number,
    b: Number,
    kap: Number,
    q: Number,
    n: Number,
    current_error_median_percent: Option<f64>,
    current_error_worst_percent: Option<f64>,
    slope_error_worst_percent: Option<f64>,
    fitted_by: Spanned<String>,
    #[serde(rename = "note")]
    _note: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawGrid {
    share: Spanned<f64>,
    exponent: Spanned<f64>,
    sharpness_per_volt: Spanned<f64>,
    offset_volts: f64,
    rise: f64,
    rise_volts: Spanned<f64>,
    source: Spanned<String>,
    basis: Spanned<String>,
}

// What it comes to ────────────────────────────────────────────────────────────────────────────────

/// Reads one valve file.
///
/// # Errors
/// The first fault, with its place in the text.
pub fn read(text: &str) -> Result<ValveType, DataError> {
    let raw: RawValve = toml::from_str(text).map_err(|error| DataError {
        span: error.span().unwrap_or(0..text.len()),
        kind: DataErrorKind::Form(error.message().to_owned()),
    })?;
    let points = raw
        .point
        .iter()
        .map(|point| read_point(raw.kind, point))
        .collect::<Result<Vec<_>, _>>()?;
    let drops = raw
        .drop
        .iter()
        .map(read_drop)
        .collect::<Result<Vec<_>, _>>()?;
    let operations = raw
        .operation
        .iter()
        .map(read_operation)
        .collect::<Result<Vec<_>, _>>()?;
    let discharge = raw.discharge.as_ref().map(read_discharge).transpose()?;
    let (model, fit_error) = read_model(&raw, &drops, discharge.as_ref())?;
    if raw.heater.is_none() && raw.kind != ValveKind::Stabiliser {
        return Err(fault(&raw.model, DataErrorKind::MissingTable("[heater]")));
    }
    above_zero(
        "sections",
        f64::from(*raw.sections.get_ref()),
        &raw.sections,
    )?;
    let (capacitances, other_sections) = read_capacitances(raw.kind, &raw.capacitances)?;
    Ok(ValveType {
        kind: raw.kind,
        sections: *raw.sections.get_ref(),
        heater: raw.heater.as_ref().map(read_heater).transpose()?,
        limits: read_limits(&raw.limits)?,
        capacitances,
        other_sections,
        base: raw.base.as_ref().map(read_base).transpose()?,
        near: raw.near.iter().map(read_near).collect::<Result<_, _>>()?,
        model,
        points,
        drops,
        operations,
        discharge,
        fit_error,
        source: source(&raw.source, &raw.basis, &raw.confidence)?,
        name: raw.r#type,
        aliases: raw.aliases,
        note: raw.note,
    })
}

fn fault<T>(at: &Spanned<T>, kind: DataErrorKind) -> DataError {
    DataError {
        span: at.span(),
        kind,
    }
}

fn above_zero<T>(key: &'static str, value: f64, at: &Spanned<T>) -> Result<f64, DataError> {
    if value > 0.0 && value.is_finite() {
        Ok(value)
    } else {
        Err(fault(at, DataErrorKind::NotPositive(key)))
    }
}

/// A positive figure, in SI after `unit`.
fn figure(key: &'static str, number: &Spanned<f64>, unit: f64) -> Result<f64, DataError> {
    above_zero(key, *number.get_ref(), number).map(|value| value * unit)
}

/// The same for a figure that may be absent.
fn optional(key: &'static str, number: &Number, unit: f64) -> Result<Option<f64>, DataError> {
    number
        .as_ref()
        .map(|number| figure(key, number, unit))
        .transpose()
}

fn source(
    text: &Spanned<String>,
    basis: &Spanned<String>,
    confidence: &str,
) -> Result<Source, DataError> {
    for (key, said) in [("source", text), ("basis", basis)] {
        if said.get_ref().trim().is_empty() {
            return Err(fault(said, DataErrorKind::NoSource(key)));
        }
    }
    Ok(Source {
        text: text.get_ref().clone(),
        basis: basis.get_ref().clone(),
        confidence: confidence.to_owned(),
    })
}

fn read_heater(raw: &RawHeater) -> Result<Heater, DataError> {
    Ok(Heater {
        voltage: figure("volts", &raw.volts, 1.0)?,
        current: figure("amps", &raw.amps, 1.0)?,
        heating: raw.heating,
        centre_tap: raw.centre_tap,
        warm_up: optional("warm_up_seconds", &raw.warm_up_seconds, 1.0)?,
        source: source(&raw.source, &raw.basis, "")?,
    })
}

fn read_limits(raw: &RawLimits) -> Result<Limits, DataError> {
    Ok(Limits {
        anode_volts: optional("anode_volts", &raw.anode_volts, 1.0)?,
        anode_watts: optional("anode_watts", &raw.anode_watts, 1.0)?,
        screen_volts: optional("screen_volts", &raw.screen_volts, 1.0)?,
        screen_watts: optional("screen_watts", &raw.screen_watts, 1.0)?,
        strapped_volts: optional("strapped_volts", &raw.strapped_volts, 1.0)?,
        strapped_watts: optional("strapped_watts", &raw.strapped_watts, 1.0)?,
        all_anodes_watts: optional("all_anodes_watts", &raw.all_anodes_watts, 1.0)?,
        cathode_amps: optional("cathode_milliamps", &raw.cathode_milliamps, MILLI)?,
        heater_cathode_volts: optional("heater_cathode_volts", &raw.heater_cathode_volts, 1.0)?,
        grid_leak_fixed: optional("grid_leak_fixed_ohms", &raw.grid_leak_fixed_ohms, 1.0)?,
        grid_leak_cathode_bias: optional(
            "grid_leak_cathode_bias_ohms",
            &raw.grid_leak_cathode_bias_ohms,
            1.0,
        )?,
        peak_inverse_volts: optional("peak_inverse_volts", &raw.peak_inverse_volts, 1.0)?,
        peak_anode_amps: optional("peak_anode_milliamps", &raw.peak_anode_milliamps, MILLI)?,
        dc_amps: optional("dc_milliamps", &raw.dc_milliamps, MILLI)?,
        least_amps: optional("least_milliamps", &raw.least_milliamps, MILLI)?,
        most_amps: optional("most_milliamps", &raw.most_milliamps, MILLI)?,
        rating: raw.rating.clone(),
        source: Some(source(&raw.source, &raw.basis, &raw.confidence)?),
    })
}

/// The first row, and the rows that are marked as another section's.
fn read_capacitances(
    kind: ValveKind,
    rows: &[RawCapacitances],
) -> Result<(Capacitances, Vec<SectionCapacitances>), DataError> {
    let to_screen = match kind {
        ValveKind::Pentode | ValveKind::BeamTetrode => INPUT_TO_SCREEN,
        ValveKind::Triode | ValveKind::Rectifier | ValveKind::Stabiliser => 0.0,
    };
    let mut first = None;
    let mut others = Vec::new();
    for raw in rows {
        source(&raw.source, &raw.basis, "")?;
        let input = figure("input_pf", &raw.input_pf, PICO)?;
        let capacitances = Capacitances {
            anode_grid: figure("anode_grid_pf", &raw.anode_grid_pf, PICO)?,
            grid_cathode: input * (1.0 - to_screen),
            anode_cathode: figure("output_pf", &raw.output_pf, PICO)?,
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
    Ok((first.unwrap_or_default(), others))
}

fn read_base(raw: &RawBase) -> Result<Base, DataError> {
    said("name", &raw.name)?;
    Ok(Base {
        name: raw.name.get_ref().clone(),
        pins: raw.pins.clone(),
        top_cap: raw.top_cap.clone(),
        source: source(&raw.source, &raw.basis, "")?,
    })
}

fn read_near(raw: &RawNear) -> Result<Near, DataError> {
    said("type", &raw.r#type)?;
    said("differs", &raw.differs)?;
    Ok(Near {
        name: raw.r#type.get_ref().clone(),
        differs: raw.differs.get_ref().clone(),
    })
}

/// A text that must not be empty.
fn said(key: &'static str, text: &Spanned<String>) -> Result<(), DataError> {
    if text.get_ref().trim().is_empty() {
        return Err(fault(text, DataErrorKind::Empty(key)));
    }
    Ok(())
}

fn read_point(kind: ValveKind, spanned: &Spanned<RawPoint>) -> Result<Point, DataError> {
    let raw = spanned.get_ref();
    let i_a = optional("anode_milliamps", &raw.anode_milliamps, MILLI)?;
    let i_s = optional("screen_milliamps", &raw.screen_milliamps, MILLI)?;
    // Bias across a cathode resistor, by the published currents
    let cathode_bias = optional("cathode_ohms", &raw.cathode_ohms, 1.0)?
        .zip(i_a)
        .map(|(resistance, i_a)| -resistance * (i_a + i_s.unwrap_or(0.0)));
    let point = Point {
        connection: raw.connection,
        v_ak: optional("anode_volts", &raw.anode_volts, 1.0)?,
        v_sk: optional("screen_volts", &raw.screen_volts, 1.0)?,
        v_gk: raw.grid_volts.or(cathode_bias),
        i_a,
        i_s,
        gm: optional("gm_milliamps_per_volt", &raw.gm_milliamps_per_volt, MILLI)?,
        mu: optional("mu", &raw.mu, 1.0)?,
        ra: optional("ra_ohms", &raw.ra_ohms, 1.0)?,
        mu_screen: optional("mu_screen", &raw.mu_screen, 1.0)?,
        cut_off: raw.cut_off,
        unused: raw.unused.clone(),
        source: source(&raw.source, &raw.basis, &raw.confidence)?,
    };
    let has_screen = matches!(kind, ValveKind::Pentode | ValveKind::BeamTetrode);
    let needs_screen = has_screen && point.connection == Connection::Normal;
    let complete = point.v_ak.is_some()
        && point.v_gk.is_some_and(f64::is_finite)
        && (point.v_sk.is_some() || !needs_screen);
    let explained = point
        .unused
        .as_ref()
        .is_some_and(|why| !why.trim().is_empty());
    if !complete && !explained {
        return Err(fault(spanned, DataErrorKind::IncompletePoint));
    }
    Ok(point)
}

fn read_drop(raw: &RawDrop) -> Result<Drop, DataError> {
    Ok(Drop {
        voltage: figure("volts", &raw.volts, 1.0)?,
        current: figure("anode_milliamps", &raw.anode_milliamps, MILLI)?,
        unused: raw.unused.clone(),
        source: source(&raw.source, &raw.basis, &raw.confidence)?,
    })
}

fn read_operation(raw: &RawOperation) -> Result<Operation, DataError> {
    let least = optional("least_choke_henries", &raw.least_choke_henries, 1.0)?;
    Ok(Operation {
        filter: raw.filter,
        volts_rms: optional("anode_volts_rms", &raw.anode_volts_rms, 1.0)?,
        frequency: optional("frequency_hz", &raw.frequency_hz, 1.0)?,
        supply_ohms: optional("supply_ohms", &raw.supply_ohms, 1.0)?,
        reservoir: optional("reservoir_microfarads", &raw.reservoir_microfarads, MICRO)?,
        choke: optional("choke_henries", &raw.choke_henries, 1.0)?.or(least),
        dc_amps: optional("dc_milliamps", &raw.dc_milliamps, MILLI)?,
        dc_volts: optional("dc_volts", &raw.dc_volts, 1.0)?,
        peak_inverse_volts: optional("peak_inverse_volts", &raw.peak_inverse_volts, 1.0)?,
        source: source(&raw.source, &raw.basis, &raw.confidence)?,
    })
}

fn read_discharge(raw: &RawDischarge) -> Result<Discharge, DataError> {
    Ok(Discharge {
        voltage: figure("maintaining_volts", &raw.maintaining_volts, 1.0)?,
        current: figure("milliamps", &raw.milliamps, MILLI)?,
        slope_ohms: figure("slope_ohms", &raw.slope_ohms, 1.0)?,
        strike_volts: optional("strike_volts", &raw.strike_volts, 1.0)?,
        source: source(&raw.source, &raw.basis, &raw.confidence)?,
    })
}

fn read_model(
    raw: &RawValve,
    drops: &[Drop],
    discharge: Option<&Discharge>,
) -> Result<(ValveModel, Option<FitError>), DataError> {
    let model = raw.model.get_ref();
    if model.fitted_by.get_ref().trim().is_empty() {
        return Err(fault(
            &model.fitted_by,
            DataErrorKind::NoSource("fitted_by"),
        ));
    }
    let need = |key: &'static str, number: &Number| {
        optional(key, number, 1.0)?
            .ok_or_else(|| fault(&raw.model, DataErrorKind::MissingParameter(key)))
    };
    let unknown_law = |known: &'static str| {
        let name = model.law.get_ref().clone();
        fault(&model.law, DataErrorKind::UnknownLaw(name, known))
    };
    let errors = FitError {
        current_median_percent: model.current_error_median_percent.unwrap_or(f64::NAN),
        current_worst_percent: model.current_error_worst_percent.unwrap_or(f64::NAN),
        slope_worst_percent: model.slope_error_worst_percent.unwrap_or(f64::NAN),
    };
    match (raw.kind, model.law.get_ref().as_str()) {
        (ValveKind::Rectifier, "three-halves") => {
            let drop = drops.iter().find(|drop| drop.unused.is_none());
            let drop = drop.ok_or_else(|| {
                fault(&raw.model, DataErrorKind::MissingTable("a [[drop]] in use"))
            })?;
            let rectifier = Rectifier::from_drop(drop.voltage, drop.current);
            Ok((ValveModel::Rectifier(rectifier), None))
        }
        (ValveKind::Rectifier, _) => Err(unknown_law("three-halves")),
        (ValveKind::Stabiliser, "maintaining volts") => {
            let tube = discharge
                .ok_or_else(|| fault(&raw.model, DataErrorKind::MissingTable("[discharge]")))?;
            let law = Stabiliser::new(tube.voltage, tube.current, tube.slope_ohms);
            Ok((ValveModel::Stabiliser(law), None))
        }
        (ValveKind::Stabiliser, _) => Err(unknown_law("maintaining volts")),
        (ValveKind::Triode, "control voltage") => {
            let parameters = TriodeParameters {
                mu: need("mu", &model.mu)?,
                x: need("x", &model.x)?,
                kg: need("kg", &model.kg)?,
                kp: need("kp", &model.kp)?,
                kvb: need("kvb", &model.kvb)?,
                vct: need("vct", &model.vct)?,
            };
            let triode = Triode::new(parameters, read_grid(raw, parameters.kg)?);
            Ok((ValveModel::Triode(triode), Some(errors)))
        }
        (ValveKind::Triode, _) => Err(unknown_law("control voltage")),
        (ValveKind::Pentode | ValveKind::BeamTetrode, "current sharing") => {
            let parameters = CurrentSharing {
                mu: need("mu", &model.mu)?,
                x: need("x", &model.x)?,
                kg: need("kg", &model.kg)?,
                kp: need("kp", &model.kp)?,
                kvb: need("kvb", &model.kvb)?,
                vct: need("vct", &model.vct)?,
                d: need("d", &model.d)?,
                f: need("f", &model.f)?,
                b: need("b", &model.b)?,
                kap: need("kap", &model.kap)?,
                q: need("q", &model.q)?,
                n: need("n", &model.n)?,
            };
            let pentode = Pentode::new(parameters, read_grid(raw, parameters.kg)?);
            Ok((ValveModel::Pentode(pentode), Some(errors)))
        }
        (ValveKind::Pentode | ValveKind::BeamTetrode, _) => Err(unknown_law("current sharing")),
    }
}

/// Grid current of a valve of reciprocal perveance `kg`.
fn read_grid(raw: &RawValve, kg: f64) -> Result<GridCurrent, DataError> {
    let grid = raw
        .grid_current
        .as_ref()
        .ok_or_else(|| fault(&raw.model, DataErrorKind::MissingTable("[grid_current]")))?;
    source(&grid.source, &grid.basis, "")?;
    Ok(GridCurrent {
        perveance: figure("share", &grid.share, 1.0)? / kg,
        exponent: figure("exponent", &grid.exponent, 1.0)?,
        sharpness: figure("sharpness_per_volt", &grid.sharpness_per_volt, 1.0)?,
        offset: grid.offset_volts,
        rise: grid.rise,
        rise_voltage: figure("rise_volts", &grid.rise_volts, 1.0)?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample() -> String {
        let (_, text) = crate::library::FILES
            .iter()
            .find(|(name, _)| *name == "6V6GT")
            .unwrap();
        (*text).to_owned()
    }

    fn error_of(text: &str) -> (DataError, String) {
        let error = read(text).unwrap_err();
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
        assert!(matches!(error.kind, DataErrorKind::Form(_)));
        assert!(at.contains("anode_wattage"), "{at}");
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
        let text = sample().replace("\nkap = ", "\n# kap = ");
        assert_eq!(
            error_of(&text).0.kind,
            DataErrorKind::MissingParameter("kap")
        );
    }
}
