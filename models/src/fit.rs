//! Parameters of a valve from its published points.
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
//!           contradicts the others is outweighed by the Huber loss and reported.  One file: the
//!           widths and priors mean nothing apart from the problem they weigh
//!
//! Over 400 lines because the residuals, their weights and the iteration are one fit.

use nalgebra::{DMatrix, DVector};

use crate::currents::ValveCurrents;
use crate::data::{Connection, Point, ValveKind};
use crate::grid_current::GridCurrent;
use crate::pentode::{CurrentSharing, FallingScreen, Pentode, PentodeLaw};
use crate::triode::{Triode, TriodeParameters};

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
    /// A cut-off point: a factor e.
    pub(super) const CUT_OFF: f64 = 1.0;
}

/// Residuals, in widths, beyond which the loss grows linearly.
const HUBER: f64 = 2.0;
/// A figure further from the fitted law than this many widths contradicts the others.
const CONTRADICTION: f64 = 4.0;
/// Amplification factor where no point tells.
const TYPICAL_MU: f64 = 9.0;
/// Exponent of a typical valve: between 3/2 of the ideal diode and the droop of real cathodes.
const TYPICAL_X: f64 = 1.4;
/// Contact potential and initial velocity of a typical oxide cathode, V.
const TYPICAL_VCT: f64 = 0.4;
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

/// One published figure against the fitted law.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Residual {
    /// Index of the point in the slice given to [`fit`].
    pub point: usize,
    /// Which figure of the point.
    pub quantity: Quantity,
    /// As published, SI.
    pub published: f64,
    /// As the law gives it, SI.
    pub fitted: f64,
    /// ln(fitted / published) in widths of the figure.
    pub weighted: f64,
}

impl Residual {
    /// fitted / published - 1, percent.
    pub fn percent(&self) -> f64 {
        100.0 * (self.fitted / self.published - 1.0)
    }

    /// True when the figure cannot be reconciled with the others.
    pub fn contradicted(&self) -> bool {
        self.weighted.abs() > CONTRADICTION
    }
}

/// Parameters that were fitted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Parameters {
    /// Of the control-voltage law.
    Triode(TriodeParameters),
    /// Of the sharing law.
    Pentode(CurrentSharing),
    /// Of the law of the falling screen current.
    FallingScreen(FallingScreen),
}

impl Parameters {
    /// Names of the parameters, in the order of [`Parameters::values`].
    pub fn names(&self) -> &'static [&'static str] {
        match self {
            Self::Triode(_) => &["mu", "x", "kg", "kp", "kvb", "vct"],
            Self::Pentode(_) => &[
                "mu", "x", "kg", "kp", "kvb", "vct", "d", "f", "b", "kap", "q", "n",
            ],
            Self::FallingScreen(_) => &[
                "mu", "x", "kg", "kp", "kvb", "vct", "share", "more", "width", "growth",
            ],
        }
    }

    /// Values of the parameters, SI.
    pub fn values(&self) -> Vec<f64> {
        match self {
            Self::Triode(p) => vec![p.mu, p.x, p.kg, p.kp, p.kvb, p.vct],
            Self::Pentode(p) => vec![
                p.mu, p.x, p.kg, p.kp, p.kvb, p.vct, p.d, p.f, p.b, p.kap, p.q, p.n,
            ],
            Self::FallingScreen(p) => {
                let h = p.hinge;
                vec![
                    h.mu, h.x, h.kg, h.kp, h.kvb, h.vct, p.share, p.more, p.width, p.growth,
                ]
            }
        }
    }

    /// The same law with other values, in the order of [`Parameters::values`].
    #[must_use]
    pub fn with(&self, v: &[f64]) -> Self {
        match self {
            Self::Triode(_) => Self::Triode(TriodeParameters {
                mu: v[0],
                x: v[1],
                kg: v[2],
                kp: v[3],
                kvb: v[4],
                vct: v[5],
            }),
            Self::Pentode(_) => Self::Pentode(CurrentSharing {
                mu: v[0],
                x: v[1],
                kg: v[2],
                kp: v[3],
                kvb: v[4],
                vct: v[5],
                d: v[6],
                f: v[7],
                b: v[8],
                kap: v[9],
                q: v[10],
                n: v[11],
            }),
            Self::FallingScreen(p) => Self::FallingScreen(FallingScreen {
                hinge: TriodeParameters {
                    mu: v[0],
                    x: v[1],
                    kg: v[2],
                    kp: v[3],
                    kvb: v[4],
                    vct: v[5],
                },
                fall: p.fall,
                share: v[6],
                more: v[7],
                width: v[8],
                growth: v[9],
            }),
        }
    }

    /// Currents at a point, without grid current; a strapped point has its screen on the anode.
    fn currents(&self, point: &Point) -> Option<ValveCurrents> {
        let (v_ak, v_gk) = (point.v_ak?, point.v_gk?);
        match self {
            Self::Triode(p) => Some(Triode::new(*p, GridCurrent::none()).currents(v_ak, v_gk)),
            Self::Pentode(p) => Self::of_pentode((*p).into(), point, v_ak, v_gk),
            Self::FallingScreen(p) => Self::of_pentode((*p).into(), point, v_ak, v_gk),
        }
    }

    fn of_pentode(law: PentodeLaw, point: &Point, v_ak: f64, v_gk: f64) -> Option<ValveCurrents> {
        let pentode = Pentode::new(law, GridCurrent::none());
        match point.connection {
            Connection::Normal => Some(pentode.currents(v_ak, point.v_sk?, v_gk)),
            Connection::Strapped => Some(pentode.currents(v_ak, v_ak, v_gk).strapped()),
        }
    }
}

/// The answer of a fit.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// The parameters.
    pub parameters: Parameters,
    /// Every published figure of the points that took part.
    pub residuals: Vec<Residual>,
    /// Iterations taken.
    pub iterations: u32,
}

impl Fit {
    /// The figures that cannot be reconciled with the others.
    pub fn contradicted(&self) -> impl Iterator<Item = &Residual> {
        self.residuals.iter().filter(|r| r.contradicted())
    }

    /// Sizes of the errors of some quantities, percent, ascending.
    pub fn errors(&self, of: &[Quantity]) -> Vec<f64> {
        let mut errors: Vec<f64> = self
            .residuals
            .iter()
            .filter(|r| of.contains(&r.quantity))
            .map(|r| r.percent().abs())
            .collect();
        errors.sort_by(f64::total_cmp);
        errors
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

/// kp of a typical valve is HINGE_FACTOR · mu^HINGE_POWER. The width of the hinge against the cut-off volts
/// is mu/kp: a third for mu 4, a sixth for mu 100. It stands for the spread of mu over the cathode, which
/// grows as the grid becomes open and its wires coarse.
///
/// Chosen by comparing a few laws of growth on published operations, see VALIDATION.md.
const HINGE_FACTOR: f64 = 1.5;
const HINGE_POWER: f64 = 1.3;

/// Prior of one parameter: centre and width of its logarithm.
#[derive(Clone, Copy, Debug)]
struct Prior {
    centre: f64,
    width: f64,
}

/// Priors of a kind of valve, in the order of the parameters.
///
/// mu: the published value. x: between 3/2 of the ideal diode and the droop of real cathodes. kp:
/// the island effect grows with mu. vct: oxide cathodes. The knee constants of pentodes (kap, q,
/// n) and the return share b are not fixed by points above the knee, so they are held close.
fn priors(points: &[Point], kind: ValveKind) -> Vec<Prior> {
    let mu = published_mu(points);
    let prior = |centre: f64, width: f64| Prior { centre, width };
    let mut priors = vec![
        prior(mu, 0.06),
        prior(TYPICAL_X, 0.04),
        prior(perveance_guess(points, mu), 3.0),
        prior(HINGE_FACTOR * mu.powf(HINGE_POWER), 0.35),
        prior(300.0, 0.5),
        prior(TYPICAL_VCT, 0.5),
    ];
    let sharing = match kind {
        ValveKind::BeamTetrode => [0.07, 0.2, 0.16, 3.0],
        ValveKind::Pentode => [0.15, 0.35, 0.20, 2.5],
        ValveKind::Triode | ValveKind::Rectifier | ValveKind::Stabiliser => return priors,
    };
    let [f, b, kap, n] = sharing;
    priors.extend([
        prior(0.02, 0.7),
        prior(f, 0.5),
        prior(b, 0.05),
        prior(kap, 0.10),
        prior(0.6, 0.05),
        prior(n, 0.10),
    ]);
    priors
}

/// Mean of the published amplification factors, screen or strapped for a pentode; without any, what the
/// slope of the first point with a current and a mutual conductance says of the bare power law.
fn published_mu(points: &[Point]) -> f64 {
    let all: Vec<f64> = used(points)
        .filter_map(|(_, point)| point.mu_screen.or(point.mu))
        .collect();
    if all.is_empty() {
        return used(points)
            .find_map(|(_, point)| mu_of_slope(point))
            .unwrap_or(TYPICAL_MU);
    }
    all.iter().sum::<f64>() / all.len() as f64
}

/// i = v^x/kg with v = v_s/mu + v_gk + vct gives v = x i/gm, and mu from it.
fn mu_of_slope(point: &Point) -> Option<f64> {
    let drive = TYPICAL_X * point.i_a? / point.gm?;
    let cut_off = drive - point.v_gk? - TYPICAL_VCT;
    (cut_off > 0.0 && !point.cut_off).then_some(point.v_sk.or(point.v_ak)? / cut_off)
}

/// kg of the first point with a current, from the bare power law.
fn perveance_guess(points: &[Point], mu: f64) -> f64 {
    used(points)
        .find_map(|(_, p)| {
            let drive = p.v_sk.or(p.v_ak)? / mu + p.v_gk?;
            let current = p.i_a.filter(|_| !p.cut_off)?;
            (drive > 0.0).then(|| drive.powf(TYPICAL_X) / current)
        })
        .unwrap_or(1e3)
}

fn used(points: &[Point]) -> impl Iterator<Item = (usize, &Point)> {
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
    let pentode = !matches!(parameters, Parameters::Triode(_));
    let triode_like = !pentode || point.connection == Connection::Strapped;
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
                point: index,
                quantity,
                published,
                fitted,
                weighted: (fitted / published).ln() / width,
            })
        })
        .collect()
}

/// All figures of the points in use.
pub fn compare_all(parameters: &Parameters, points: &[Point]) -> Vec<Residual> {
    used(points)
        .flat_map(|(index, point)| compare(parameters, index, point))
        .collect()
}

/// The weighted problem at one set of logarithms.
struct Problem<'a> {
    points: &'a [Point],
    priors: Vec<Prior>,
    shape: Parameters,
}

impl Problem<'_> {
    fn at(&self, logs: &DVector<f64>) -> Parameters {
        let values: Vec<f64> = logs.iter().map(|log| log.exp()).collect();
        self.shape.with(&values)
    }

    /// Residuals of the figures, then of the priors, in widths.
    fn residuals(&self, logs: &DVector<f64>) -> DVector<f64> {
        let figures = compare_all(&self.at(logs), self.points);
        let figures = figures.iter().map(|r| r.weighted);
        let priors = self.priors.iter().zip(logs.iter());
        let priors = priors.map(|(prior, log)| (log - prior.centre.ln()) / prior.width);
        DVector::from_iterator(figures.len() + self.priors.len(), figures.chain(priors))
    }

    /// Huber loss of the figures plus squares of the priors.
    fn loss(&self, residuals: &DVector<f64>) -> f64 {
        let figures = residuals.len() - self.priors.len();
        let huber = |r: f64| {
            if r.abs() <= HUBER {
                r * r
            } else {
                HUBER * (2.0 * r.abs() - HUBER)
            }
        };
        residuals
            .iter()
            .enumerate()
            .map(|(i, r)| if i < figures { huber(*r) } else { r * r })
            .sum()
    }

    /// Derivatives with respect to the logarithms by central differences, `[residuals · parameters]`.
    fn jacobian(&self, logs: &DVector<f64>) -> DMatrix<f64> {
        const STEP: f64 = 1e-5;
        let columns: Vec<_> = (0..logs.len())
            .map(|j| {
                let (mut up, mut down) = (logs.clone(), logs.clone());
                up[j] += STEP;
                down[j] -= STEP;
                (self.residuals(&up) - self.residuals(&down)) / (2.0 * STEP)
            })
            .collect();
        DMatrix::from_columns(&columns)
    }
}

/// Fits the law of `kind` to the points in use; from `start`, or from the centre of the priors.
///
/// None for a rectifier, whose perveance follows from one drop. Cost: some hundred evaluations of
/// every point.
pub fn fit(points: &[Point], kind: ValveKind, start: Option<&Parameters>) -> Option<Fit> {
    const MOST_ITERATIONS: u32 = 500;
    const DONE: f64 = 1e-10;
    let shape = shape_of(kind)?;
    let problem = Problem {
        points,
        priors: priors(points, kind),
        shape,
    };
    let centre: Vec<f64> = problem.priors.iter().map(|prior| prior.centre).collect();
    let first = start.map_or(centre, Parameters::values);
    let mut logs = DVector::from_iterator(first.len(), first.iter().map(|value| value.ln()));
    let mut residuals = problem.residuals(&logs);
    let mut loss = problem.loss(&residuals);
    let mut lambda = 1e-3;
    let mut iterations = 0;
    while iterations < MOST_ITERATIONS {
        iterations += 1;
        let Some(step) = step(&problem, &logs, &residuals, lambda) else {
            break;
        };
        let trial = &logs + &step;
        let trial_residuals = problem.residuals(&trial);
        let trial_loss = problem.loss(&trial_residuals);
        if trial_loss <= loss {
            (logs, residuals, loss) = (trial, trial_residuals, trial_loss);
            lambda = (lambda / 5.0).max(1e-12);
            if step.amax() < DONE {
                break;
            }
        } else {
            lambda *= 4.0;
            if lambda > 1e12 {
                break;
            }
        }
    }
    let parameters = problem.at(&logs);
    Some(Fit {
        parameters,
        residuals: compare_all(&parameters, points),
        iterations,
    })
}

/// Any parameters of the law of a kind of valve.
fn shape_of(kind: ValveKind) -> Option<Parameters> {
    let ones = [1.0; 12];
    match kind {
        ValveKind::Triode => {
            let any = TriodeParameters {
                mu: 1.0,
                x: 1.0,
                kg: 1.0,
                kp: 1.0,
                kvb: 1.0,
                vct: 1.0,
            };
            Some(Parameters::Triode(any))
        }
        ValveKind::Pentode | ValveKind::BeamTetrode => {
            let any = CurrentSharing {
                mu: 1.0,
                x: 1.0,
                kg: 1.0,
                kp: 1.0,
                kvb: 1.0,
                vct: 1.0,
                d: 1.0,
                f: 1.0,
                b: 1.0,
                kap: 1.0,
                q: 1.0,
                n: 1.0,
            };
            Some(Parameters::Pentode(any).with(&ones))
        }
        ValveKind::Rectifier | ValveKind::Stabiliser => None,
    }
}

/// One damped step of the re-weighted normal equations.
fn step(
    problem: &Problem<'_>,
    logs: &DVector<f64>,
    residuals: &DVector<f64>,
    lambda: f64,
) -> Option<DVector<f64>> {
    let jacobian = problem.jacobian(logs);
    let figures = residuals.len() - problem.priors.len();
    let weight = |i: usize, r: f64| {
        if i < figures {
            (HUBER / r.abs().max(HUBER)).sqrt()
        } else {
            1.0
        }
    };
    let weights = DVector::from_iterator(
        residuals.len(),
        residuals.iter().enumerate().map(|(i, r)| weight(i, *r)),
    );
    let mut weighted = jacobian;
    for (mut row, w) in weighted.row_iter_mut().zip(weights.iter()) {
        row *= *w;
    }
    let right = weighted.transpose() * residuals.component_mul(&weights);
    let mut normal = weighted.transpose() * &weighted;
    for j in 0..normal.nrows() {
        normal[(j, j)] *= 1.0 + lambda;
    }
    normal.cholesky().map(|factors| -factors.solve(&right))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::data::{Source, ValveModel};
    use crate::library;

    /// What six printed digits leave of a parameter, with ten times to spare for the order of
    /// operations of another machine.
    const STORED_DIGITS: f64 = 5e-5;

    fn stored(model: &ValveModel) -> Option<Parameters> {
        match model {
            ValveModel::Triode(triode) => Some(Parameters::Triode(*triode.parameters())),
            ValveModel::Pentode(pentode) => Some(match pentode.law {
                PentodeLaw::CurrentSharing(law) => Parameters::Pentode(law),
                PentodeLaw::FallingScreen(law) => Parameters::FallingScreen(law),
            }),
            ValveModel::Rectifier(_) | ValveModel::Stabiliser(_) => None,
        }
    }

    #[test]
    fn every_stored_parameter_is_what_its_points_give() {
        for valve in library::valves() {
            let Some(stored) = stored(&valve.model) else {
                continue;
            };
            let fitted = fit(&valve.points, valve.kind, None).unwrap();
            let pairs = stored.values().into_iter().zip(fitted.parameters.values());
            for ((old, new), name) in pairs.zip(stored.names()) {
                assert!(
                    (old / new - 1.0).abs() < STORED_DIGITS,
                    "{} {name}: stored {old}, fitted {new}",
                    valve.name
                );
            }
        }
    }

    #[test]
    fn every_stored_fit_error_is_true() {
        for valve in library::valves() {
            let (Some(stored), Some(error)) = (stored(&valve.model), valve.fit_error) else {
                continue;
            };
            let check = Fit {
                parameters: stored,
                residuals: compare_all(&stored, &valve.points),
                iterations: 0,
            };
            let current = check.errors(&[Quantity::AnodeCurrent]);
            let slope = check.errors(&[Quantity::MutualConductance, Quantity::Mu]);
            let worst = |errors: &[f64]| errors.last().copied().unwrap_or(0.0);
            // Two printed decimals, and six digits of the parameters
            for (said, found) in [
                (error.current_median_percent, median(&current)),
                (error.current_worst_percent, worst(&current)),
                (error.slope_worst_percent, worst(&slope)),
            ] {
                assert!(
                    (said - found).abs() < 0.01,
                    "{}: {said} {found}",
                    valve.name
                );
            }
        }
    }

    #[test]
    fn the_laws_meet_the_points_within_the_stated_bounds() {
        // Four types print figures that exclude each other, see their files: 12AT7 gives 3.0 and
        // 3.7 mA at the same voltages, EF86 3.0 mA at two biases a fifth of a volt apart; by the two
        // points of the 6SF5 the current rises with drive at half the rate of its slope; of the PX4 its
        // maker's curves and table are known to disagree.
        for valve in library::valves() {
            let Some(error) = valve.fit_error else {
                continue;
            };
            let (median, worst) = match valve.name.as_str() {
                "12AT7" => (3.0, 17.0),
                "EF86" | "6SF5" => (7.0, 12.0),
                "PX4" => (9.0, 16.0),
                _ => (3.0, 9.0),
            };
            assert!(error.current_median_percent <= median, "{}", valve.name);
            assert!(error.current_worst_percent <= worst, "{}", valve.name);
            assert!(error.slope_worst_percent <= 7.0, "{}", valve.name);
        }
    }

    /// Points that a law itself gives.
    fn made(parameters: &Parameters, voltages: &[(f64, f64, f64)]) -> Vec<Point> {
        let pentode = !matches!(parameters, Parameters::Triode(_));
        voltages
            .iter()
            .map(|&(v_ak, v_sk, v_gk)| {
                let mut point = Point {
                    connection: Connection::Normal,
                    v_ak: Some(v_ak),
                    v_sk: pentode.then_some(v_sk),
                    v_gk: Some(v_gk),
                    i_a: None,
                    i_s: None,
                    gm: None,
                    mu: None,
                    ra: None,
                    mu_screen: None,
                    cut_off: false,
                    unused: None,
                    source: Source {
                        text: "made".into(),
                        basis: "computed".into(),
                        confidence: String::new(),
                    },
                };
                let at = parameters.currents(&point).unwrap();
                point.i_a = Some(at.anode);
                point.i_s = pentode.then_some(at.screen);
                point.gm = Some(at.gm());
                point.ra = Some(at.ra());
                point.mu = (!pentode).then(|| at.mu());
                point
            })
            .collect()
    }

    #[test]
    fn points_made_by_a_triode_give_its_curves_back() {
        let truth = Parameters::Triode(TriodeParameters {
            mu: 20.0,
            x: 1.35,
            kg: 500.0,
            kp: 100.0,
            kvb: 350.0,
            vct: 0.5,
        });
        let at = |v, g| (v, 0.0, g);
        let points = made(
            &truth,
            &[
                at(90.0, 0.0),
                at(90.0, -2.0),
                at(150.0, -4.0),
                at(250.0, -8.0),
                at(250.0, -11.0),
                at(350.0, -12.0),
            ],
        );
        let fitted = fit(&points, ValveKind::Triode, None).unwrap();
        // Elsewhere on the curves; the priors, off by up to 25 %, may pull by a percent
        let elsewhere = made(
            &truth,
            &[at(200.0, -5.0), at(300.0, -11.0), at(120.0, -1.0)],
        );
        for r in compare_all(&fitted.parameters, &elsewhere) {
            assert!(r.percent().abs() < 1.0, "{r:?}");
        }
    }

    #[test]
    fn points_made_by_a_pentode_give_its_curves_back() {
        let truth = Parameters::Pentode(CurrentSharing {
            mu: 9.0,
            x: 1.42,
            kg: 800.0,
            kp: 50.0,
            kvb: 300.0,
            vct: 0.4,
            d: 0.03,
            f: 0.09,
            b: 0.2,
            kap: 0.165,
            q: 0.6,
            n: 3.0,
        });
        let points = made(
            &truth,
            &[
                (250.0, 250.0, -12.5),
                (180.0, 180.0, -8.5),
                (315.0, 225.0, -13.0),
                (300.0, 300.0, -20.0),
                (400.0, 250.0, -16.0),
            ],
        );
        let fitted = fit(&points, ValveKind::BeamTetrode, None).unwrap();
        let elsewhere = made(&truth, &[(280.0, 240.0, -11.0), (350.0, 280.0, -18.0)]);
        for r in compare_all(&fitted.parameters, &elsewhere) {
            let bound = if r.quantity == Quantity::AnodeResistance {
                10.0 // the knee is held by its prior, and ra lives on it
            } else {
                1.5
            };
            assert!(r.percent().abs() < bound, "{r:?}");
        }
    }

    #[test]
    fn one_false_point_is_reported_and_does_not_carry_the_fit() {
        let valve = library::find("300B").unwrap();
        let clean = fit(&valve.points, valve.kind, None).unwrap();
        let mut points = valve.points.clone();
        points[10].i_a = points[10].i_a.map(|i| 1.5 * i);
        let fitted = fit(&points, valve.kind, None).unwrap();
        assert!(fitted.contradicted().any(|r| r.point == 10));
        let current = |f: &Fit| f.residuals[0].fitted;
        assert!((current(&fitted) / current(&clean) - 1.0).abs() < 0.01);
    }
}
