//! The law of a valve file: its stored parameters, or a fit to its points when it stores none.

use super::DataErrorKind;
use super::faults::Faults;
use super::raw::{Number, RawGrid, RawModel, RawValve};
use crate::data::{Discharge, Drop, FitError, Point, ValveKind, ValveModel};
use crate::fit::{self, Parameters};
use crate::grid_current::{GridClass, GridCurrent};
use crate::pentode::{CurrentSharing, Pentode};
use crate::rectifier::Rectifier;
use crate::stabiliser::Stabiliser;
use crate::triode::{Triode, TriodeParameters};
use toml::Spanned;

/// A law, and what of it the file did not say.
#[derive(Debug)]
pub(super) struct Law {
    pub(super) model: ValveModel,
    pub(super) fit_error: Option<FitError>,
    pub(super) fitted_on_reading: bool,
    pub(super) grid_class: Option<GridClass>,
}

impl Law {
    fn bare(model: ValveModel) -> Self {
        Self {
            model,
            fit_error: None,
            fitted_on_reading: false,
            grid_class: None,
        }
    }
}

/// What it means that a file without `[model]` has no points either.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum NoPoints {
    /// Nothing tells of the law.
    AreFault,
    /// Curves will tell.
    LeavePriors,
}

/// The law; None when a fault of the file leaves none.
pub(super) fn read(
    faults: &mut Faults,
    raw: &RawValve,
    points: &[Point],
    no_points: NoPoints,
    drops: &[Drop],
    discharge: Option<&Discharge>,
) -> Option<Law> {
    let kind = *raw.kind.get_ref();
    if let Some(model) = &raw.model {
        named(faults, kind, model.get_ref())?;
    }
    match kind {
        ValveKind::Rectifier => {
            let Some(drop) = drops.iter().find(|drop| drop.unused.is_none()) else {
                missing(faults, raw, "a [[drop]] in use");
                return None;
            };
            let rectifier = Rectifier::from_drop(drop.voltage, drop.current);
            Some(Law::bare(ValveModel::Rectifier(rectifier)))
        }
        ValveKind::Stabiliser => {
            let Some(tube) = discharge else {
                missing(faults, raw, "[discharge]");
                return None;
            };
            let law = Stabiliser::new(tube.voltage, tube.current, tube.slope_ohms);
            Some(Law::bare(ValveModel::Stabiliser(law)))
        }
        ValveKind::Triode | ValveKind::Pentode | ValveKind::BeamTetrode => {
            amplifying(faults, raw, points, no_points)
        }
    }
}

fn missing(faults: &mut Faults, raw: &RawValve, what: &'static str) {
    match &raw.model {
        Some(model) => faults.push(model, DataErrorKind::MissingTable(what)),
        None => faults.push(&raw.kind, DataErrorKind::MissingTable(what)),
    }
}

/// Whether the law is one of this kind of valve, and says who fitted it.
fn named(faults: &mut Faults, kind: ValveKind, model: &RawModel) -> Option<()> {
    if model.fitted_by.get_ref().trim().is_empty() {
        faults.push(&model.fitted_by, DataErrorKind::NoSource("fitted_by"));
    }
    let known = match kind {
        ValveKind::Rectifier => "three-halves",
        ValveKind::Stabiliser => "maintaining volts",
        ValveKind::Triode => "control voltage",
        ValveKind::Pentode | ValveKind::BeamTetrode => "current sharing",
    };
    let law = model.law.get_ref();
    if law == known {
        return Some(());
    }
    faults.push(&model.law, DataErrorKind::UnknownLaw(law.clone(), known));
    None
}

fn amplifying(
    faults: &mut Faults,
    raw: &RawValve,
    points: &[Point],
    no_points: NoPoints,
) -> Option<Law> {
    let kind = *raw.kind.get_ref();
    let (parameters, error, fitted_on_reading) = if let Some(model) = &raw.model {
        let stored = stored(faults, kind, model)?;
        let model = model.get_ref();
        let error = FitError {
            current_median_percent: model.current_error_median_percent.unwrap_or(f64::NAN),
            current_worst_percent: model.current_error_worst_percent.unwrap_or(f64::NAN),
            slope_median_percent: model.slope_error_median_percent.unwrap_or(f64::NAN),
            slope_worst_percent: model.slope_error_worst_percent.unwrap_or(f64::NAN),
            screen_median_percent: model.screen_error_median_percent,
        };
        (stored, error, false)
    } else {
        let (parameters, error) = fitted(faults, raw, points, no_points)?;
        (parameters, error, true)
    };
    let (kg, mu) = match &parameters {
        Parameters::Triode(p) => (p.kg, p.mu),
        Parameters::Pentode(p) => (p.kg, p.mu),
        Parameters::FallingScreen(p) => (p.hinge.kg, p.hinge.mu),
    };
    let (grid, grid_class) = if let Some(grid) = &raw.grid_current {
        (stored_grid(faults, grid, kg), None)
    } else {
        let watts = raw.limits.anode_watts.as_ref().map(|w| *w.get_ref());
        let class = GridClass::of(kind, mu, watts);
        (GridCurrent::assumed(class, 1.0 / kg), Some(class))
    };
    let model = match parameters {
        Parameters::Triode(p) => ValveModel::Triode(Triode::new(p, grid)),
        Parameters::Pentode(p) => ValveModel::Pentode(Pentode::new(p, grid)),
        Parameters::FallingScreen(p) => ValveModel::Pentode(Pentode::new(p, grid)),
    };
    Some(Law {
        model,
        fit_error: Some(error),
        fitted_on_reading,
        grid_class,
    })
}

/// Parameters from the points of the file.
fn fitted(
    faults: &mut Faults,
    raw: &RawValve,
    points: &[Point],
    no_points: NoPoints,
) -> Option<(Parameters, FitError)> {
    // A fit to faulty figures would say nothing, and one to none is the priors alone.
    if faults.count() > 0 {
        return None;
    }
    let usable = |point: &&Point| point.unused.is_none() && !point.cut_off && point.i_a.is_some();
    if no_points == NoPoints::AreFault && points.iter().find(usable).is_none() {
        missing(
            faults,
            raw,
            "[model], or a [[point]] in use with its anode current",
        );
        return None;
    }
    let fit = fit::fit(points, &fit::Traces::default(), *raw.kind.get_ref())?;
    let error = fit.error();
    Some((fit.parameters, error))
}

/// Parameters as the file stores them; every one that is missing is told.
fn stored(faults: &mut Faults, kind: ValveKind, model: &Spanned<RawModel>) -> Option<Parameters> {
    let before = faults.count();
    let mut need = |key: &'static str, number: &Number| {
        faults.optional(key, number, 1.0).unwrap_or_else(|| {
            faults.push(model, DataErrorKind::MissingParameter(key));
            1.0
        })
    };
    let p = model.get_ref();
    let parameters = if kind.has_screen() {
        Parameters::Pentode(CurrentSharing {
            mu: need("amplification_factor", &p.amplification_factor),
            x: need("exponent", &p.exponent),
            kg: need("reciprocal_perveance", &p.reciprocal_perveance),
            kp: need("cut_off_sharpness", &p.cut_off_sharpness),
            kvb: need("corner_volts_squared", &p.corner_volts_squared),
            vct: need("contact_volts", &p.contact_volts),
            d: need("anode_penetration", &p.anode_penetration),
            f: need("screen_share", &p.screen_share),
            b: need("returned_share", &p.returned_share),
            kap: need("knee_size", &p.knee_size),
            q: need("knee_growth", &p.knee_growth),
            n: need("knee_sharpness", &p.knee_sharpness),
        })
    } else {
        Parameters::Triode(TriodeParameters {
            mu: need("amplification_factor", &p.amplification_factor),
            x: need("exponent", &p.exponent),
            kg: need("reciprocal_perveance", &p.reciprocal_perveance),
            kp: need("cut_off_sharpness", &p.cut_off_sharpness),
            kvb: need("corner_volts_squared", &p.corner_volts_squared),
            vct: need("contact_volts", &p.contact_volts),
        })
    };
    (faults.count() == before).then_some(parameters)
}

/// Grid current of a valve of reciprocal perveance `kg`.
fn stored_grid(faults: &mut Faults, grid: &RawGrid, kg: f64) -> GridCurrent {
    faults.source(&grid.source, &grid.basis, "");
    GridCurrent {
        perveance: faults.figure("share", &grid.share, 1.0) / kg,
        exponent: faults.figure("exponent", &grid.exponent, 1.0),
        sharpness: faults.figure("sharpness_per_volt", &grid.sharpness_per_volt, 1.0),
        offset: grid.offset_volts,
        rise: grid.rise,
        rise_voltage: faults.figure("rise_volts", &grid.rise_volts, 1.0),
    }
}
