//! Parameters of a valve from its published points and traced curves.
//!
//! ```text
//! minimise  sum rho(r_i²) + sum ((ln p_j - ln p_j0) / s_j)²,   r = ln(model / published) / s
//! (J'WJ + lambda diag(J'WJ)) step = -J'W r
//! ```
//!
//! Symbols   p parameters, taken as logarithms so that they stay positive;  p_j0, s_j prior and its
//!           width;  s width of a published figure;  rho the Huber loss, W its weights
//! Source    Levenberg, Q. Appl. Math. 2 (1944) 164; Marquardt, J. SIAM 11 (1963) 431; Huber, Ann.
//!           Math. Stat. 35 (1964) 73.  The widths and priors are ours; see the constants
//! Valid     a handful of points of one bogey valve.  Few points fix few parameters: the priors
//!           carry physics that the points do not, and are tight on purpose (loose ones meet the
//!           points and miss the distortion)
//! Care      only characteristic points enter, never amplifier operating figures; a figure that
//!           contradicts the others is outweighed by the Huber loss and reported.  Traced currents are
//!           compared in amperes, (model - traced) / hypot(2 % of it, what the meter resolves), so that
//!           zeros and negative readings have their place
//! Cost      iterations · parameters · (points + rows) evaluations of the law

mod figures;
mod least_squares;
mod parameters;
mod priors;
mod spread;
mod table;
mod traces;

#[cfg(test)]
mod tests;

use crate::data::{FitError, Point, ValveKind};
use least_squares::Problem;

pub use figures::{FigurePlace, Quantity, Residual, compare, compare_points};
pub use parameters::Parameters;
pub use priors::Expectations;
pub use spread::Spread;
pub use table::{model_table, with_model};
pub use traces::{Row, Traces};

/// The answer of a fit.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// The parameters.
    pub parameters: Parameters,
    /// How well each is known, in the order of [`Parameters::values`].
    pub spread: Vec<Spread>,
    /// Every published figure of the points that took part, then every traced current.
    pub residuals: Vec<Residual>,
    /// Iterations taken.
    pub iterations: u32,
}

impl Fit {
    /// The figures that cannot be reconciled with the others.
    pub fn contradicted(&self) -> impl Iterator<Item = &Residual> {
        self.residuals.iter().filter(|r| r.contradicted())
    }

    /// Sizes of the errors of some quantities, percent, ascending; traced currents near zero left out.
    pub fn errors(&self, of: &[Quantity]) -> Vec<f64> {
        errors(&self.residuals, of)
    }

    /// The errors as a valve file states them.
    pub fn error(&self) -> FitError {
        error(&self.residuals)
    }
}

/// Sizes of the errors of some quantities, percent, ascending; traced currents near zero left out.
pub fn errors(residuals: &[Residual], of: &[Quantity]) -> Vec<f64> {
    let mut errors: Vec<f64> = residuals
        .iter()
        .filter(|r| of.contains(&r.quantity) && r.counts())
        .map(|r| r.percent().abs())
        .collect();
    errors.sort_by(f64::total_cmp);
    errors
}

/// The errors as a valve file states them.
pub fn error(residuals: &[Residual]) -> FitError {
    let current = errors(residuals, &[Quantity::AnodeCurrent]);
    let slope = errors(residuals, &[Quantity::MutualConductance, Quantity::Mu]);
    let screen = errors(residuals, &[Quantity::ScreenCurrent]);
    let worst = |errors: &[f64]| errors.last().copied().unwrap_or(0.0);
    FitError {
        current_median_percent: median(&current),
        current_worst_percent: worst(&current),
        slope_median_percent: median(&slope),
        slope_worst_percent: worst(&slope),
        screen_median_percent: (!screen.is_empty()).then(|| median(&screen)),
    }
}

/// Median of ascending values; zero of none.
pub fn median(ascending: &[f64]) -> f64 {
    match ascending.len() {
        0 => 0.0,
        n if n % 2 == 1 => ascending[n / 2],
        n => 0.5 * (ascending[n / 2 - 1] + ascending[n / 2]),
    }
}

/// Root of the mean square; zero of none.
pub fn rms(values: &[f64]) -> f64 {
    let squares: f64 = values.iter().map(|value| value * value).sum();
    (squares / values.len().max(1) as f64).sqrt()
}

/// Fits the law of `kind` to the points in use and to traced curves.
///
/// None for a rectifier, whose perveance follows from one drop, and for a stabiliser.
pub fn fit(points: &[Point], traces: &Traces, kind: ValveKind) -> Option<Fit> {
    fit_expecting(points, traces, kind, &Expectations::default())
}

/// A fit as [`fit`] makes it, with other expectations: to be compared.
pub fn fit_expecting(
    points: &[Point],
    traces: &Traces,
    kind: ValveKind,
    expected: &Expectations,
) -> Option<Fit> {
    let problem = Problem {
        points,
        traces,
        priors: priors::priors(points, traces, kind, expected),
        shape: priors::shape_of(kind, expected)?,
    };
    let least = problem.solve();
    let mut residuals = compare_points(&least.parameters, points);
    let rows = traces.rows.iter().enumerate();
    residuals.extend(rows.flat_map(|(index, row)| {
        figures::compare_row(&least.parameters, traces, index, row)
            .into_iter()
            .flatten()
    }));
    Some(Fit {
        parameters: least.parameters,
        spread: spread::spread(&least.normal, &problem.priors),
        residuals,
        iterations: least.iterations,
    })
}
