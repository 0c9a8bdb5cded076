//! How well the data fix each parameter.
//!
//! ```text
//! s_j² = [(J'WJ)⁻¹]_jj
//! ```
//!
//! Symbols   J derivatives of the residuals, in widths, by the logarithms of the parameters, with a row
//!           1/s_j0 for each prior;  W Huber's weights
//! Source    Huber, Robust Statistics (1981) chapter 7 (from memory); with priors it is the curvature of
//!           the logarithm of the posterior
//! Valid     near the minimum, and if the widths of the figures are what they scatter by; an error of the
//!           law itself is not in it
//! Care      relative standard deviations, one parameter at a time: pairs that trade against each other
//!           predict currents better than their spreads say

use nalgebra::DMatrix;

use super::priors::Prior;

/// A parameter's spread beside the width of its prior this much alike rests on the prior alone.
const PRIOR_ALONE: f64 = 0.9;

/// Standard deviation of one parameter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spread {
    /// By data and prior together, relative.
    pub relative: f64,
    /// By the prior alone, relative.
    pub prior: f64,
}

impl Spread {
    /// True when the data say nothing of the parameter: it is what the prior says.
    pub fn rests_on_prior(&self) -> bool {
        self.relative > PRIOR_ALONE * self.prior
    }
}

/// Of every parameter, from J'WJ with the priors, `[parameters · parameters]`; where a figure is so far off that
/// there is no such matrix, what the prior alone says.
pub(super) fn spread(normal: &DMatrix<f64>, priors: &[Prior]) -> Vec<Spread> {
    let covariance = normal.clone().cholesky().map(|factors| factors.inverse());
    let relative = |j: usize| {
        let deviation = covariance.as_ref().map(|c| c[(j, j)].sqrt());
        deviation.filter(|deviation| deviation.is_finite())
    };
    priors
        .iter()
        .enumerate()
        .map(|(j, prior)| Spread {
            relative: relative(j).unwrap_or(prior.width),
            prior: prior.width,
        })
        .collect()
}
