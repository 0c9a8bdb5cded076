//! What is told of a spread. SI units, ratios where the unit is per cent.

use serde::Serialize;

use super::statistics::Estimate;

/// The answer.
#[derive(Clone, Debug, Serialize)]
pub struct Spread {
    /// Amplifiers drawn.
    pub samples: usize,
    /// What the draw began with.
    pub seed: u64,
    /// True when supplies are the mains.
    pub on_mains: bool,
    /// Tolerance of resistances where the file states none, a ratio.
    pub tolerance: f64,
    /// Tolerance of capacitances where the file states none, a ratio.
    pub capacitors: f64,
    /// Tolerance of inductances where the file states none, a ratio.
    pub inductors: f64,
    /// Spread of the current and mutual conductance of valves, a ratio.
    pub valve_spread: f64,
    /// Spread of their amplification factor, a ratio.
    pub mu_spread: f64,
    /// Low mains or supplies, of those in the file.
    pub mains_low: f64,
    /// High mains or supplies.
    pub mains_high: f64,
    /// Values that were varied.
    pub varied: usize,
    /// Each figure.
    pub figures: Vec<FigureSpread>,
}

/// How far one figure spreads.
#[derive(Clone, Debug, Serialize)]
pub struct FigureSpread {
    /// In words.
    pub figure: String,
    /// Symbol of its unit; `%` for a ratio.
    pub unit: &'static str,
    /// As drawn; none where there is none.
    pub drawn: Option<f64>,
    /// Samples in which it exists.
    pub found: usize,
    /// Samples that do not stay at rest.
    pub oscillating: usize,
    /// Samples whose circuit could not be solved.
    pub unsolved: usize,
    /// Samples that have no such figure.
    pub without: usize,
    /// What the samples tell; none with fewer than two of them.
    pub distribution: Option<Distribution>,
    /// First-order standard deviation; none where no part could be moved by itself.
    pub first_order: Option<f64>,
    /// The worst case downwards.
    pub lowest: Corner,
    /// The worst case upwards.
    pub highest: Corner,
    /// Samples beyond these two: the figure is not monotonic in every part.
    pub beyond_corners: usize,
    /// What it is held against; none when there is no limit.
    pub limit: Option<Limits>,
    /// Where the spread comes from, the greatest first.
    pub shares: Vec<Share>,
    /// Every sample; none where the figure does not exist.
    pub values: Vec<Option<f64>>,
}

/// Moments and quantiles.
#[derive(Clone, Debug, Serialize)]
pub struct Distribution {
    /// Mean.
    pub mean: Estimate,
    /// Standard deviation.
    pub deviation: Estimate,
    /// At 2.5, 5, 50, 95 and 97.5 %, rising.
    pub quantiles: Vec<Quantile>,
    /// Least sample.
    pub least: f64,
    /// Greatest sample.
    pub greatest: f64,
}

/// A value below which a share of all amplifiers lies.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Quantile {
    /// The share, a ratio.
    pub share: f64,
    /// The value.
    pub value: f64,
    /// Its standard error; none when too few samples lie beyond it.
    pub error: Option<f64>,
}

/// Every part at the end of its tolerance that moves the figure one way.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Corner {
    /// The figure, solved there; none where there is none.
    pub value: Option<f64>,
    /// What first order makes of it; none where that is not known.
    pub first_order: Option<f64>,
    /// True when each value was also tried elsewhere from there.
    pub swept: bool,
}

/// Limits and what lies beyond them.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Limits {
    /// Not less than this; none when only the other end is limited.
    pub least: Option<f64>,
    /// Not more than this.
    pub greatest: Option<f64>,
    /// True for limits that were asked for, false for those of type or parts list.
    pub asked: bool,
    /// Samples beyond.
    pub beyond: usize,
}

/// Where a part stands in a corner.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stand {
    /// At the low end of its tolerance.
    Low,
    /// As drawn.
    Drawn,
    /// At the high end.
    High,
}

/// The part of a value in the spread.
#[derive(Clone, Debug, Serialize)]
pub struct Share {
    /// Designator; "mains" or "supplies" for what goes together.
    pub part: String,
    /// Which of its values.
    pub quantity: &'static str,
    /// Low end of the tolerance, a ratio of what is drawn.
    pub low: f64,
    /// High end.
    pub high: f64,
    /// True when the file states it.
    pub stated: bool,
    /// Change of the figure by one standard uncertainty of the value; none where it has no figure there.
    pub change: Option<f64>,
    /// Share of the first-order variance, a ratio.
    pub share: Option<f64>,
    /// Where it stands in the lowest corner.
    pub in_lowest: Stand,
    /// Where it stands in the highest corner.
    pub in_highest: Stand,
}
