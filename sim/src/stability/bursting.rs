//! How often a slow oscillation comes round that bursts into a faster one on part of every turn.
//!
//! The steps by which a slow cycle is found damp its bursts, and bursts change how long a turn takes: grid current charges
//! coupling capacitors, cathodes and supplies give way. So some turns are followed by the trapezoidal rule, which damps
//! nothing, in intervals of an eighth of a turn of the burst that are cut as usual where their error asks for it.
//!
//! A turn is told from the volts that move most once the burst is averaged out of them.
//!
//! Care   bursts grow out of what the solver leaves over, a microvolt, which is about the noise of an amplifier; a millivolt
//!        begins them sooner, by a few times in which they grow 2.7-fold.  Turns too long to be followed with their bursts are told
//!        without them

use super::swing::{Round, lengths, most_moved, repeats};
use crate::grown::Grown;
use crate::system::System;
use crate::tolerances::Tolerances;
use crate::transient::{Method, Stepper};
use crate::workspace::Workspace;

/// Steps after which it is followed no further: a second of work.
const MOST_STEPS: u64 = 400_000;

/// Turns followed at most, as long as those without bursts. Bias follows in two or three.
const TURNS: f64 = 7.0;

/// Turns seen at the end that must agree, and within what ratio, for their mean to be told: half of the fiftieth within which a
/// frequency is right.
const TIMES: usize = 4;
const AGREE: f64 = 1.01;

/// The steps may err so many times as much as is usual: it moves the turns of our example by less than 1e-3.
const LOOSER: f64 = 10.0;

/// Turns, as long as those without bursts, in which none is seen where it is the fast oscillation that lasts.
const NONE_SEEN: f64 = 3.0;

/// Intervals of a turn of the burst: the trapezoidal rule has it grow by seven eighths of its rate then.
const OF_A_BURST: f64 = 8.0;

/// Means that are taken of a slow turn, each over a turn of the burst at least.
const MEANS: f64 = 128.0;

/// Turns of the burst that are kept one by one.
const KEPT: f64 = 64.0;

/// What is seen of an oscillation that comes round in a period, s, by steps that damp what bursts on it at a frequency, Hz,
/// followed from `ws.x` on it; none where it ends in something else.
pub(super) fn with_bursts(
    system: &System,
    (period, fast): (f64, f64),
    ws: &mut Workspace,
) -> Option<Grown> {
    let followed = followed(system, (period, fast), ws);
    let turns = followed.time / period;
    // While bias follows the bursts it is on its way.
    let late = &followed.means[followed.means.len() / 4..];
    let all = most_moved(late).map_or(Vec::new(), |figure| lengths(&figure));
    let late = &all[all.len().saturating_sub(TIMES)..];
    let hertz = |means: f64| 1.0 / (means * followed.mean);
    let without = Grown {
        frequency: 1.0 / period,
        settles: false,
        between: None,
        bursts: Some(fast),
        without_bursts: true,
    };
    let Some(round) = Round::of(late, 1) else {
        if turns < NONE_SEEN {
            return Some(without);
        }
        let steps = repeats(&followed.last)?;
        return Some(Grown {
            frequency: 1.0 / (steps * followed.interval),
            settles: false,
            between: None,
            bursts: None,
            without_bursts: false,
        });
    };
    let [lowest, highest] = [hertz(round.longest), hertz(round.shortest)];
    let even = late.len() == TIMES && highest < AGREE * lowest;
    // On few turns the one without bursts is where they set out from.
    let from = if late.len() < TIMES {
        1.0 / period
    } else {
        lowest
    };
    Some(Grown {
        frequency: hertz(round.mean),
        between: (!even).then(|| [lowest.min(from), highest.max(from)].into()),
        without_bursts: false,
        ..without
    })
}

/// Where it went.
struct Followed {
    /// s
    time: f64,
    /// s, of a mean and of an interval.
    mean: f64,
    interval: f64,
    /// `[means][voltages]`
    means: Vec<Vec<f64>>,
    /// `[intervals][voltages]` the last of them.
    last: Vec<Vec<f64>>,
}

/// Follows it from `ws.x` as far as the work allowed leads, or until no solution is found.
fn followed(system: &System, (period, fast): (f64, f64), ws: &mut Workspace) -> Followed {
    let voltages: Vec<usize> = (0..system.len())
        .filter(|&k| system.unknowns()[k].is_voltage())
        .collect();
    let interval = 1.0 / (OF_A_BURST * fast);
    let intervals = f64::max(period / MEANS / interval, OF_A_BURST).ceil();
    let mean = intervals * interval;
    let most = ws.counts.steps + MOST_STEPS;
    let mut tolerances = Tolerances::default();
    tolerances.local_error *= LOOSER;
    let mut stepper = Stepper::new(system, Method::Trapezoidal, tolerances, 0.0, false, ws);
    ws.trust_within(1.0);
    let mut means: Vec<Vec<f64>> = Vec::with_capacity((TURNS * period / mean) as usize + 1);
    let kept = (KEPT * OF_A_BURST) as usize;
    let mut last: Vec<Vec<f64>> = vec![vec![0.0; voltages.len()]; kept];
    let mut taken = 0_usize;
    'followed: while means.len() as f64 * mean < TURNS * period {
        let mut sums = vec![0.0; voltages.len()];
        for _ in 0..intervals as usize {
            let time = interval * (taken + 1) as f64;
            if ws.counts.steps > most || stepper.advance(time, ws).is_err() {
                break 'followed;
            }
            let kept = &mut last[taken % kept];
            for ((sum, kept), &at) in sums.iter_mut().zip(kept).zip(&voltages) {
                *sum += ws.x[at];
                *kept = ws.x[at];
            }
            taken += 1;
        }
        for sum in &mut sums {
            *sum /= intervals;
        }
        means.push(sums);
    }
    if taken < kept {
        last.truncate(taken);
    } else {
        last.rotate_left(taken % kept);
    }
    Followed {
        time: interval * taken as f64,
        mean,
        interval,
        means,
        last,
    }
}
