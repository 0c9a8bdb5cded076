//! The cycle an oscillation settles to, of a circuit whose supplies stand still: its period is unknown.
//!
//! Grid current, cathodes and supplies give way for thousands of turns after an oscillation has grown, and its frequency
//! moves with them. They are not followed: each turn brings its matrix M, and the start moves on by k turns at once, k
//! growing until the cycle closes.
//!
//! ```text
//! x⁺ = x + k (Φ(x⁺, T⁺) − x⁺)   ⇒   (1 + 1/k − M) d − ẋ·dT = Φ(x, T) − x,   d = 0 for the unknown that marks the phase
//! ```
//!
//! Symbols   Φ  where a turn of T, s, leads;  M = ∂Φ/∂x;  ẋ = ∂Φ/∂T;  d, dT  the corrections
//! Source    autonomous circuits: Aprille & Trick, IEEE Trans. CT-19 (1972) 354;  envelopes followed implicitly: Petzold,
//!           SIAM J. Numer. Anal. 18 (1981) 455 (both from memory)
//! A cycle that closes is one it settles on if disturbances of it die away: the eigenvalues of M without the one along ẋ, a
//! shift of the start of the turn, lie inside the unit circle.
//!
//! Care      going on implicitly damps a slow to and fro, the more the farther;  a slow cycle whose steps passed over faster
//!           bursts is not taken to settle;  hysteresis goes its way beside the start, which is not
//!           corrected for it;  of a circuit with many unknowns, or one that does not settle on a cycle, it is where it was last

use nalgebra::{DMatrix, DVector};

use super::bursting::with_bursts;
use super::stretches::{FLOOR, stretches};
use super::{bursts_along, sought};
use crate::grown::{Grown, ToAndFro};
use crate::system::{System, Unknown};
use crate::tolerances::Tolerances;
use crate::transient::sensitivity::Sensitivity;
use crate::transient::{Method, Stepper};
use crate::workspace::Workspace;

/// Steps after which it is given up: up to a second of work.
const MOST_STEPS: u64 = 110_000;

/// Intervals of a turn, cut further where their error asks for it.
const INTERVALS: usize = 64;

/// Turns run at most.
const TURNS: usize = 200;

/// Turns gone on by at first.
const FIRST: f64 = 2.0;

/// So many times as many the next time.
const FASTER: f64 = 3.0;

/// Share of the period that is left to correct where it is settled.
const SETTLED: f64 = 2e-3;

/// Share of the period by which it may change at once, so that a slow to and fro is followed and not damped, and of the largest swing of its kind any unknown.
const AT_ONCE: f64 = 0.02;
const FAR: f64 = 0.2;

/// What the steps of a turn themselves leave, as a share of the largest swing.
const NOISE: f64 = 5e-3;

/// Of the largest size of its kind, what counts as a swing at least.
const SMALL: f64 = 0.01;

/// Turns that must be gone on by at once at the end.
const ENOUGH: f64 = 1e4;

/// Turns below which it is rather followed, and how often that is done.
const LEAST: f64 = 0.5;
const FOLLOWED: usize = 4;

/// Share of Newton's tolerance that a step may leave out on trust.
const LEFT_OUT: f64 = 0.01;

/// Turns run before each that brings its matrix.
const FREE: f64 = 2.0;

/// A turn that was run.
struct Turn {
    /// `[n+1]` where it started.
    start: Vec<f64>,
    /// s
    period: f64,
    /// `[stores]` where it led, less where it started.
    residual: DVector<f64>,
    matrix: DMatrix<f64>,
    /// `[stores]` slopes at its end, 1/s.
    slope: DVector<f64>,
    /// `[stores]` the largest swing of its kind.
    swing: DVector<f64>,
    /// `[steps]` where it went, s and `[n+1]`: what tips over does so in a step, between which it hardly moves.
    path: Vec<(f64, Vec<f64>)>,
}

impl Turn {
    /// How far it is from closing, in these swings.
    fn open(&self) -> f64 {
        self.residual.component_div(&self.swing).amax()
    }

    /// The frequency, Hz, of what bursts on part of it, which its steps damp: what is a hundred times as fast.
    fn bursts(&self, system: &System, ws: &mut Workspace) -> Option<f64> {
        let (samples, lasting) = stretches(&self.start, &self.path, self.period / INTERVALS as f64);
        let found = bursts_along(system, &samples, &lasting, ws).ok()?;
        found.map(|bursts| bursts.frequency)
    }

    /// Whether disturbances of it die away, where it closes.
    fn lasts(&self) -> bool {
        let fastest = self.slope.component_div(&self.swing).iamax();
        // Each turn ends where the unknown that marks the phase is what it was.
        let along = &self.slope / self.slope[fastest];
        let map = &self.matrix - along * self.matrix.row(fastest);
        let map = map.remove_row(fastest).remove_column(fastest);
        (map.complex_eigenvalues().iter()).all(|multiplier| multiplier.norm() < 1.0)
    }

    /// The correction that goes on by as many turns as it may, no more than those; none where these are too few.
    fn onward(&self, turns: &mut f64) -> Option<(DVector<f64>, f64)> {
        while *turns > LEAST {
            let (d, change) = self.correction(*turns)?;
            let far = d.component_div(&self.swing).amax();
            if change.abs() < AT_ONCE * self.period && far < FAR {
                return Some((d, change));
            }
            *turns /= 2.0;
        }
        None
    }

    /// The correction of start and period after which `turns` more are gone on by.
    fn correction(&self, turns: f64) -> Option<(DVector<f64>, f64)> {
        let n = self.residual.len();
        let fastest = self.slope.component_div(&self.swing).iamax();
        let mut matrix = DMatrix::zeros(n + 1, n + 1);
        let mut right = DVector::zeros(n + 1);
        for row in 0..n {
            for column in 0..n {
                matrix[(row, column)] = -self.matrix[(row, column)];
            }
            matrix[(row, row)] += 1.0 + 1.0 / turns;
            matrix[(row, n)] = -self.slope[row];
            right[row] = self.residual[row];
        }
        matrix[(n, fastest)] = 1.0;
        let found = matrix.lu().solve(&right)?;
        let finite = found.iter().all(|value| value.is_finite());
        finite.then(|| (found.rows(0, n).into_owned(), found[n]))
    }
}

/// Share by which a frequency must go back for it to have turned about.
const ABOUT: f64 = 0.05;

/// Turns gone on by at once above which it creeps, and does not leap.
const CREEPING: f64 = 50.0;

/// What it settles to from `ws.x`, on a turn of about `period`, s; where it does not come to rest on one cycle in the turns
/// allowed, what the last was. Where turns cannot be gone on by, the circuit is followed until it `comes_round` again,
/// after so many seconds.
pub(super) fn limit_cycle(
    system: &System,
    mut period: f64,
    comes_round: impl Fn(f64, &mut Workspace) -> Option<f64>,
    ws: &mut Workspace,
) -> Option<Grown> {
    let last_seen = |period: f64, periods: &[f64], last: Option<&Turn>, ws: &mut Workspace| {
        let between = to_and_fro(periods).map(ToAndFro::from);
        if let (None, Some(turn)) = (between, last)
            && let Some(fast) = turn.bursts(system, ws)
        {
            ws.x.copy_from_slice(&turn.start);
            return with_bursts(system, (turn.period, fast), ws);
        }
        Some(Grown {
            frequency: between.is_none().then(|| 1.0 / period),
            settles: false,
            between,
            bursts: None,
            without_bursts: false,
        })
    };
    if sought::too_many(system) {
        return last_seen(period, &[], None, ws);
    }
    let most = ws.counts.steps + MOST_STEPS;
    let mut sensitivity = Sensitivity::whole(system);
    let stores = sensitivity.stores.clone();
    let (mut turns, mut faster) = (FIRST, FASTER);
    let mut last: Option<Turn> = None;
    let mut followed = 0;
    let mut periods = Vec::new();
    for _ in 0..TURNS {
        if ws.counts.steps > most {
            break;
        }
        let turn = run(system, period, &mut sensitivity, ws);
        let worse = |turn: &Turn| {
            (last.as_ref()).is_some_and(|last| turn.open() > f64::max(2.0 * last.open(), NOISE))
        };
        match turn {
            Some(turn) if !worse(&turn) => {
                let left = turn.correction(f64::INFINITY).map(|(_, left)| left);
                let Some(left) = left else { break };
                if turns > CREEPING {
                    periods.push(period);
                }
                if left.abs() < SETTLED * period && turns > ENOUGH {
                    if let Some(fast) = turn.bursts(system, ws) {
                        return with_bursts(system, (period + left, fast), ws);
                    }
                    let settles = turn.lasts();
                    let between = to_and_fro(&periods).filter(|_| !settles);
                    return Some(Grown {
                        frequency: between.is_none().then(|| 1.0 / (period + left)),
                        settles,
                        between: between.map(ToAndFro::from),
                        bursts: None,
                        without_bursts: false,
                    });
                }
                last = Some(turn);
                turns *= faster;
                faster = FASTER;
            }
            Some(_) | None => {
                turns /= FASTER;
                faster = FASTER.sqrt();
            }
        }
        let Some(turn) = &last else { break };
        if let Some((d, change)) = turn.onward(&mut turns) {
            ws.x.copy_from_slice(&turn.start);
            for (&k, d) in stores.iter().zip(d.iter()) {
                ws.x[k] += d;
            }
            period = turn.period + change;
            continue;
        }
        ws.x.copy_from_slice(&turn.start);
        period = turn.period;
        let found = loop {
            if followed == FOLLOWED {
                return last_seen(period, &periods, last.as_ref(), ws);
            }
            followed += 1;
            if let Some(found) = comes_round(period, ws) {
                break found;
            }
        };
        (period, turns, last) = (found, FIRST, None);
    }
    last_seen(period, &periods, last.as_ref(), ws)
}

/// The lowest and the highest frequency, Hz, at which these periods, s, turn about; none where they do not go, come back and
/// go again.
fn to_and_fro(periods: &[f64]) -> Option<[f64; 2]> {
    let mut turned: Vec<f64> = Vec::new();
    let mut longer = None;
    // Since it turned about last.
    let (mut shortest, mut longest) = (f64::INFINITY, 0.0_f64);
    for &period in periods {
        shortest = shortest.min(period);
        longest = longest.max(period);
        let falls = longest > (1.0 + ABOUT) * period;
        let rises = period > (1.0 + ABOUT) * shortest;
        let turns = match longer {
            Some(true) => falls.then_some(longest),
            Some(false) => rises.then_some(shortest),
            None if rises || falls => {
                longer = Some(rises);
                None
            }
            None => None,
        };
        if let Some(extreme) = turns {
            turned.push(extreme);
            longer = longer.map(|longer| !longer);
            (shortest, longest) = (period, period);
        }
    }
    let least = turned.iter().copied().fold(f64::INFINITY, f64::min);
    let most = turned.iter().copied().fold(0.0, f64::max);
    (turned.len() >= 3).then_some([1.0 / most, 1.0 / least])
}

/// Turns from `ws.x`, the last of them with its matrix; none where no solution was found.
fn run(
    system: &System,
    period: f64,
    sensitivity: &mut Sensitivity,
    ws: &mut Workspace,
) -> Option<Turn> {
    // What steps leave out on trust would add up over the turns gone on by.
    let tolerances = Tolerances {
        local_error: 1e4,
        ..Tolerances::default().closer(0.1)
    };
    let mut stepper = Stepper::new(system, Method::TrBdf2, tolerances, 0.0, false, ws);
    ws.trust_within(LEFT_OUT);
    stepper.advance(FREE * period, ws).ok()?;
    stepper.restart(0.0, ws);
    let start = ws.x.clone();
    let (mut least, mut most) = (start.clone(), start.clone());
    let interval = period / INTERVALS as f64;
    sensitivity.begin(system);
    stepper.sensitivity = Some(std::mem::take(sensitivity));
    stepper.path = Some(Vec::new());
    let mut last = start.clone();
    let ended = (1..=INTERVALS).try_for_each(|k| {
        last.copy_from_slice(&ws.x);
        let advanced = stepper.advance(interval * k as f64, ws);
        for ((least, most), x) in least.iter_mut().zip(&mut most).zip(&ws.x) {
            *least = least.min(*x);
            *most = most.max(*x);
        }
        advanced
    });
    *sensitivity = stepper.sensitivity.take().unwrap_or_default();
    ended.ok()?;
    let path = stepper.path.take().unwrap_or_default();
    let matrix = sensitivity.matrix();
    let end = ws.x.clone();
    stepper
        .advance(interval * (INTERVALS + 1) as f64, ws)
        .ok()?;
    let stores = &sensitivity.stores;
    let of = |figure: &dyn Fn(usize) -> f64| {
        DVector::from_iterator(stores.len(), stores.iter().map(|&k| figure(k)))
    };
    let mut largest = [FLOOR, FLOOR, f64::INFINITY];
    for &k in stores {
        let size = SMALL * end[k].abs();
        let largest = &mut largest[kind(system.unknowns()[k])];
        *largest = largest.max(most[k] - least[k]).max(size);
    }
    matrix.iter().all(|value| value.is_finite()).then(|| Turn {
        residual: of(&|k| end[k] - start[k]),
        slope: of(&|k| (ws.x[k] - last[k]) / (2.0 * interval)),
        swing: of(&|k| largest[kind(system.unknowns()[k])]),
        start,
        period,
        matrix,
        path,
    })
}

/// Place among the kinds of unknowns. A flux that drifts swings by nothing else, and is the last.
fn kind(unknown: Unknown) -> usize {
    match unknown {
        Unknown::Voltage(_) | Unknown::Inside(_) => 0,
        Unknown::Current(..) => 1,
        Unknown::Flux(_) => 2,
    }
}

#[cfg(test)]
mod tests {
    use super::to_and_fro;

    #[test]
    fn what_goes_to_and_fro_has_a_lowest_and_a_highest_frequency() {
        // From the start to 75 Hz, up to 110 Hz, down to 80 Hz, up to 105 Hz.
        let hertz = [90.0, 80.0, 75.0, 77.0, 88.0, 110.0, 99.0, 80.0, 95.0, 105.0];
        let periods = hertz.map(|hertz| 1.0 / hertz);
        let [low, high] = to_and_fro(&periods).expect("it turns about three times");
        assert!(
            (low - 75.0).abs() < 1e-9 && (high - 110.0).abs() < 1e-9,
            "{low} {high}"
        );
        assert_eq!(to_and_fro(&periods[..7]), None);
        // One that creeps, and one that trembles.
        assert_eq!(
            to_and_fro(&[90.0, 80.0, 75.0, 74.0].map(|hertz| 1.0 / hertz)),
            None
        );
        assert_eq!(to_and_fro(&[90.0, 88.0].repeat(20)), None);
    }
}
