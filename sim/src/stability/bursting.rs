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

use super::rounds::{Round, lengths, most_moved, repeats};
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
    followed(system, (period, fast), ws).told(period, fast)
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

impl Followed {
    /// What that is, of what comes round in a period, s, without what bursts on it at a frequency, Hz.
    fn told(&self, period: f64, fast: f64) -> Option<Grown> {
        // While bias follows the bursts it is on its way.
        let late = &self.means[self.means.len() / 4..];
        let all = most_moved(late).map_or(Vec::new(), |figure| lengths(&figure));
        let late = &all[all.len().saturating_sub(TIMES)..];
        let without = Grown {
            frequency: Some(1.0 / period),
            settles: false,
            between: None,
            bursts: Some(fast),
            without_bursts: true,
        };
        let Some(round) = Round::of(late, 1) else {
            if self.time < NONE_SEEN * period {
                return Some(without);
            }
            return repeats(&self.last).map(|steps| Grown {
                frequency: Some(1.0 / (steps * self.interval)),
                bursts: None,
                without_bursts: false,
                ..without
            });
        };
        let hertz = |means: f64| 1.0 / (means * self.mean);
        let [lowest, highest] = [hertz(round.longest), hertz(round.shortest)];
        let between = if late.len() < TIMES {
            // Few turns: they set out from the one without bursts.
            Some([lowest.min(1.0 / period), highest.max(1.0 / period)].into())
        } else {
            (highest > AGREE * lowest).then(|| [lowest, highest].into())
        };
        Some(Grown {
            frequency: between.is_none().then(|| hertz(round.mean)),
            between,
            without_bursts: false,
            ..without
        })
    }
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

#[cfg(test)]
mod tests {
    use super::Followed;

    /// Sixty-four means a turn, of turns that take these times, s; after some of it a hundred intervals of 80 kHz.
    fn seen(turns: &[f64], time: f64) -> Followed {
        let mean = 20e-3 / 64.0;
        let mut means = Vec::new();
        let mut start = 0.0;
        for &turn in turns {
            while (means.len() as f64) * mean < start + turn {
                let phase = ((means.len() as f64) * mean - start) / turn;
                means.push(vec![300.0, 40.0 * (std::f64::consts::TAU * phase).sin()]);
            }
            start += turn;
        }
        means.truncate((time / mean) as usize);
        let last = |k: u32| {
            vec![
                300.0,
                5.0 * (std::f64::consts::TAU / 8.0 * f64::from(k)).sin(),
            ]
        };
        Followed {
            time,
            mean,
            interval: 1.0 / (8.0 * 80e3),
            means,
            last: (0..100).map(last).collect(),
        }
    }

    #[test]
    fn turns_that_agree_are_told_by_their_mean_and_others_by_a_band() {
        let even = seen(&[18.5e-3; 8], 0.148)
            .told(20e-3, 80e3)
            .expect("it turns");
        // Turns interpolated between sixty-four means of a sine.
        let hertz = even.frequency.expect("it is even");
        assert!((hertz * 18.5e-3 - 1.0).abs() < 2e-3, "{even:?}");
        assert!(even.between.is_none() && !even.without_bursts && even.bursts == Some(80e3));
        let uneven = seen(&[16e-3, 20e-3].repeat(4), 0.144).told(20e-3, 80e3);
        assert!(uneven.is_some_and(|grown| grown.frequency.is_none()));
        let between = uneven.and_then(|grown| grown.between).expect("they differ");
        // From one rise through the middle to the next is a turn of one length each.
        assert!((between.lowest - 50.0).abs() < 1.0 && (between.highest - 62.5).abs() < 1.0);
        // Of two turns it is not known where they lead: from fifty a second to what was seen.
        let few = seen(&[18.5e-3; 8], 0.06).told(20e-3, 80e3);
        let between = few.and_then(|grown| grown.between).expect("they are few");
        assert!((between.lowest - 50.0).abs() < 1e-9 && (between.highest - 54.05).abs() < 0.2);
    }

    #[test]
    fn where_no_turn_was_seen_none_is_told() {
        let short = seen(&[18.5e-3; 8], 0.015)
            .told(20e-3, 80e3)
            .expect("it turned before");
        assert!(
            short.without_bursts && short.frequency == Some(50.0),
            "{short:?}"
        );
        // Nothing slow is left: the fast oscillation lasts.
        let still = seen(&[1e3], 0.14).told(20e-3, 80e3).expect("it is seen");
        let hertz = still.frequency.expect("it is even");
        assert!((hertz / 80e3 - 1.0).abs() < 0.01, "{still:?}");
        assert!(still.bursts.is_none() && !still.settles);
    }
}
