//! Published figures beside what a law gives, in widths.

use super::Parameters;
use super::traces::{Row, Traces};
use crate::data::{Connection, Point};

/// Widths of published figures, as relative standard deviations: what rounding and the drawing of
/// a bogey curve leave.
mod width {
    /// Anode current.
    pub(super) const CURRENT: f64 = 0.02;
    /// Mutual conductance and amplification factor, and the anode resistance of a triode.
    pub(super) const SLOPE: f64 = 0.03;
    /// Screen current: sheets of one type differ by tens of percent.
    pub(super) const SCREEN: f64 = 0.10;
    /// Anode resistance of a pentode: printed as an approximation.
    pub(super) const PENTODE_RA: f64 = 0.10;
    /// Amplification factor of control grid against screen: printed to one or two digits.
    pub(super) const MU_SCREEN: f64 = 0.05;
    /// A current read off a curve tracer or meter, beside what the meter resolves.
    pub(super) const TRACED: f64 = 0.02;
    /// A cut-off point: a factor e.
    pub(super) const CUT_OFF: f64 = 1.0;
}

/// A figure further from the fitted law than this many widths contradicts the others.
const CONTRADICTION: f64 = 4.0;
/// Readings below this many floors are left out of errors in percent: rounding alone is a tenth of them.
const ABOVE_FLOOR: f64 = 10.0;
/// Slopes below this share of a current per volt count as this much: keeps logarithms finite.
const FLOOR: f64 = 1e-12;

/// A figure that a point may carry.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Quantity {
    /// Anode current.
    AnodeCurrent,
    /// Anode current of a cut-off point.
    CutOff,
    /// Screen current.
    ScreenCurrent,
    /// Mutual conductance.
    MutualConductance,
    /// Amplification factor.
    Mu,
    /// Anode resistance.
    AnodeResistance,
    /// Amplification factor of control grid against screen.
    MuScreen,
}

/// Where a figure comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FigurePlace {
    /// Index of a published point.
    Point(usize),
    /// Index of a traced row.
    Row(usize),
}

/// One published or traced figure against the fitted law.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Residual {
    /// Which point or row carries it.
    pub place: FigurePlace,
    /// Which figure of the point.
    pub quantity: Quantity,
    /// As published, SI.
    pub published: f64,
    /// As the law gives it, SI.
    pub fitted: f64,
    /// One standard deviation of the published figure, SI.
    pub width: f64,
    /// ln(fitted / published) in widths of the figure; of a traced current (fitted - traced) / width.
    pub weighted: f64,
    /// What the meter resolves of a traced current, A; zero for a published figure.
    pub floor: f64,
}

impl Residual {
    /// fitted / published - 1, percent.
    pub fn percent(&self) -> f64 {
        100.0 * (self.fitted / self.published - 1.0)
    }

    /// True when a percentage means something: the reading stands well above what the meter resolves.
    pub fn counts(&self) -> bool {
        self.published.abs() > ABOVE_FLOOR * self.floor
    }

    /// True when the figure cannot be reconciled with the others.
    pub fn contradicted(&self) -> bool {
        self.weighted.abs() > CONTRADICTION
    }
}

pub(super) fn used(points: &[Point]) -> impl Iterator<Item = (usize, &Point)> {
    points
        .iter()
        .enumerate()
        .filter(|(_, point)| point.unused.is_none())
}

/// Published figures of one point beside what `parameters` gives.
pub fn compare(parameters: &Parameters, index: usize, point: &Point) -> Vec<Residual> {
    let Some(at) = parameters.currents(point) else {
        return Vec::new();
    };
    let triode_like = !parameters.has_screen() || point.connection == Connection::Strapped;
    let ra_width = if triode_like {
        width::SLOPE
    } else {
        width::PENTODE_RA
    };
    // Control grid against screen at constant cathode current
    let slope_of_space = |k: usize| at.anode_slopes[k] + at.screen_slopes[k];
    let mu_screen = slope_of_space(2) / slope_of_space(1).max(FLOOR);
    let (current, current_width) = if point.cut_off {
        (Quantity::CutOff, width::CUT_OFF)
    } else {
        (Quantity::AnodeCurrent, width::CURRENT)
    };
    let table = [
        (current, point.i_a, at.anode, current_width),
        (Quantity::ScreenCurrent, point.i_s, at.screen, width::SCREEN),
        (Quantity::MutualConductance, point.gm, at.gm(), width::SLOPE),
        (Quantity::Mu, point.mu, at.mu(), width::SLOPE),
        (Quantity::AnodeResistance, point.ra, at.ra(), ra_width),
        (
            Quantity::MuScreen,
            point.mu_screen,
            mu_screen,
            width::MU_SCREEN,
        ),
    ];
    table
        .into_iter()
        .filter_map(|(quantity, published, fitted, width)| {
            let published = published?;
            let fitted = fitted.max(FLOOR);
            Some(Residual {
                place: FigurePlace::Point(index),
                quantity,
                published,
                fitted,
                width: width * published,
                weighted: (fitted / published).ln() / width,
                floor: 0.0,
            })
        })
        .collect()
}

/// All figures of the points in use.
pub fn compare_points(parameters: &Parameters, points: &[Point]) -> Vec<Residual> {
    used(points)
        .flat_map(|(index, point)| compare(parameters, index, point))
        .collect()
}

/// The traced currents of one row beside what `parameters` gives: anode, screen.
pub(super) fn compare_row(
    parameters: &Parameters,
    traces: &Traces,
    index: usize,
    row: &Row,
) -> [Option<Residual>; 2] {
    let at = parameters.at(row.v_ak, row.v_sk, row.v_gk, row.strapped);
    let residual = |quantity, traced: Option<f64>, fitted: f64, floor: f64| {
        let (traced, fitted) = (traced?, fitted);
        let width = (width::TRACED * traced).hypot(floor);
        Some(Residual {
            place: FigurePlace::Row(index),
            quantity,
            published: traced,
            fitted,
            width,
            weighted: (fitted - traced) / width,
            floor,
        })
    };
    let (a, s) = (traces.anode_floor, traces.screen_floor);
    [
        residual(Quantity::AnodeCurrent, row.i_a, at.anode, a),
        residual(Quantity::ScreenCurrent, row.i_s, at.screen, s),
    ]
}
