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
//! Care      hysteresis goes its way beside the start, which is not corrected for it;  of a circuit with many unknowns, or
//!           one that does not settle on a cycle, it is where it was last

use nalgebra::{DMatrix, DVector};

use super::sought;
use crate::system::{System, Unknown};
use crate::tolerances::Tolerances;
use crate::transient::sensitivity::Sensitivity;
use crate::transient::{Method, Stepper};
use crate::workspace::Workspace;

/// Steps after which it is given up: half a second or a second of work.
const MOST_STEPS: u64 = 80_000;

/// Intervals of a turn, cut further where their error asks for it.
const INTERVALS: usize = 64;

/// Turns run at most.
const TURNS: usize = 120;

/// Turns gone on by at first.
const FIRST: f64 = 2.0;

/// So many times as many the next time.
const FASTER: f64 = 3.0;

/// Share of the period that is left to correct where it is settled.
const SETTLED: f64 = 2e-3;

/// Share of the period by which it may change at once, and of the largest swing of its kind any unknown.
const AT_ONCE: f64 = 0.05;
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

/// Keeps what does not swing from dividing by nothing: V or A.
const FLOOR: f64 = 1e-9;

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
}

impl Turn {
    /// How far it is from closing, in these swings.
    fn open(&self) -> f64 {
        self.residual.component_div(&self.swing).amax()
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

/// The period, s, it settles to from `ws.x`, on a turn of about `period`, s; where it does not come to rest on one cycle in
/// the turns allowed, that of the last. Where turns cannot be gone on by, the circuit is followed until it `comes_round`
/// again, after so many seconds.
pub(super) fn limit_cycle(
    system: &System,
    mut period: f64,
    comes_round: impl Fn(f64, &mut Workspace) -> Option<f64>,
    ws: &mut Workspace,
) -> f64 {
    if sought::too_many(system) {
        return period;
    }
    let most = ws.counts.steps + MOST_STEPS;
    let mut sensitivity = Sensitivity::whole(system);
    let stores = sensitivity.stores.clone();
    let (mut turns, mut faster) = (FIRST, FASTER);
    let mut last: Option<Turn> = None;
    let mut followed = 0;
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
                let Some(left) = left else { return period };
                if left.abs() < SETTLED * period && turns > ENOUGH {
                    return period + left;
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
        let Some(turn) = &last else { return period };
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
                return period;
            }
            followed += 1;
            if let Some(found) = comes_round(period, ws) {
                break found;
            }
        };
        (period, turns, last) = (found, FIRST, None);
    }
    period
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
