//! A fit with what is derived from it, and its JSON.

use models::data::ValveKind;
use models::fit::{self, FigurePlace, Fit, Quantity, Residual, fit};
use serde::Serialize;

use super::data::Data;
use super::number;

/// A fit and the figures that took no part in it.
#[derive(Debug)]
pub(super) struct Fitted {
    pub(super) fit: Fit,
    /// Figures of the points that are not in use, with the reason.
    pub(super) held_out: Vec<(Residual, String)>,
}

impl Fitted {
    pub(super) fn of(data: &Data) -> Option<Self> {
        if data.traces.rows.is_empty() && !data.points.iter().any(|point| point.unused.is_none()) {
            return None;
        }
        let fit = fit(&data.points, &data.traces, data.kind)?;
        let mut held_out = Vec::new();
        for (index, point) in data.points.iter().enumerate() {
            if let Some(reason) = &point.unused {
                let figures = fit::compare(&fit.parameters, index, point);
                held_out.extend(figures.into_iter().map(|r| (r, reason.clone())));
            }
        }
        Some(Self { fit, held_out })
    }

    /// Errors of the quantities that occur.
    pub(super) fn errors(&self) -> Vec<Errors> {
        let kinds = [
            Quantity::AnodeCurrent,
            Quantity::ScreenCurrent,
            Quantity::MutualConductance,
            Quantity::Mu,
            Quantity::MuScreen,
            Quantity::AnodeResistance,
        ];
        let all = kinds.into_iter().map(|quantity| {
            let percents = self.fit.errors(&[quantity]);
            Errors {
                quantity: name(quantity),
                count: percents.len(),
                rms: fit::rms(&percents) / 100.0,
                median: fit::median(&percents) / 100.0,
                worst: percents.last().copied().unwrap_or(0.0) / 100.0,
            }
        });
        all.filter(|errors| errors.count > 0).collect()
    }

    pub(super) fn json(&self, data: &Data) -> OneFit {
        let values = self.fit.parameters.values();
        let names = self.fit.parameters.names().iter();
        let parameters = names.zip(values).zip(&self.fit.spread);
        let in_use = self.fit.residuals.iter().map(|r| (r, None));
        let held_out = self.held_out.iter().map(|(r, why)| (r, Some(why.clone())));
        OneFit {
            kind: kind(data.kind),
            valve: data.title.clone(),
            guess: data.guess.clone(),
            rows: data.traces.rows.len(),
            parameters: parameters
                .map(|((name, value), spread)| Parameter {
                    name,
                    value,
                    spread: spread.relative.is_finite().then_some(spread.relative),
                    prior: spread.prior,
                    rests_on_prior: spread.rests_on_prior(),
                })
                .collect(),
            errors: self.errors(),
            residuals: in_use
                .chain(held_out)
                .map(|(r, why)| of_residual(r, why))
                .collect(),
            iterations: self.fit.iterations,
        }
    }
}

fn of_residual(r: &Residual, unused: Option<String>) -> OneResidual {
    let (point, row) = match r.place {
        FigurePlace::Point(_) => (Some(number(r.place)), None),
        FigurePlace::Row(_) => (None, Some(number(r.place))),
    };
    OneResidual {
        point,
        row,
        quantity: name(r.quantity),
        published: r.published,
        fitted: r.fitted,
        error: r.counts().then(|| r.percent() / 100.0),
        widths: r.weighted,
        contradicted: r.contradicted(),
        unused,
    }
}

/// A quantity in the symbols of the trade.
pub(super) fn name(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::AnodeCurrent => "Ia",
        Quantity::CutOff => "Ia, cut-off",
        Quantity::ScreenCurrent => "Ig2",
        Quantity::MutualConductance => "gm",
        Quantity::Mu => "mu",
        Quantity::AnodeResistance => "ra",
        Quantity::MuScreen => "mu g1-g2",
    }
}

/// A kind of valve in words.
pub(super) fn kind(kind: ValveKind) -> &'static str {
    match kind {
        ValveKind::Triode => "triode",
        ValveKind::Pentode => "pentode",
        ValveKind::BeamTetrode => "beam tetrode",
        ValveKind::Rectifier => "rectifier",
        ValveKind::Stabiliser => "stabiliser",
    }
}

/// What `--json` prints.
#[derive(Debug, Serialize)]
pub(super) struct Answer {
    pub(super) fits: Vec<OneFit>,
}

#[derive(Debug, Serialize)]
pub(super) struct OneFit {
    valve: String,
    kind: &'static str,
    guess: Option<String>,
    rows: usize,
    parameters: Vec<Parameter>,
    errors: Vec<Errors>,
    residuals: Vec<OneResidual>,
    iterations: u32,
}

#[derive(Debug, Serialize)]
struct Parameter {
    name: &'static str,
    value: f64,
    spread: Option<f64>,
    prior: f64,
    rests_on_prior: bool,
}

/// Errors of one quantity, as ratios.
#[derive(Debug, Serialize)]
pub(super) struct Errors {
    pub(super) quantity: &'static str,
    pub(super) count: usize,
    pub(super) rms: f64,
    pub(super) median: f64,
    pub(super) worst: f64,
}

#[derive(Debug, Serialize)]
struct OneResidual {
    point: Option<usize>,
    row: Option<usize>,
    quantity: &'static str,
    published: f64,
    fitted: f64,
    error: Option<f64>,
    widths: f64,
    contradicted: bool,
    unused: Option<String>,
}
