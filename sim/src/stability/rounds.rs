//! After how long a circuit that is followed repeats itself, and how evenly.

use crate::grown::Grown;

/// Volts by which a rest is pushed.
pub(super) const PUSH: f64 = 1e-3;

/// After how many states `[states][figures]` a circuit repeats itself, judged by what moves most of it in the later half,
/// all ways added; none when it does not.
pub(crate) fn repeats(states: &[impl AsRef<[f64]>]) -> Option<f64> {
    let late = &states[states.len() / 2..];
    if late.len() <= 4 * TIMES {
        // Too few for that many periods of more than four each.
        return None;
    }
    period(&most_moved(late)?)
}

/// After how many states a circuit on cycles of so many states repeats itself, as far as it does not follow these cycles:
/// on the mean where it does so unevenly. None when nothing changes much from cycle to cycle.
pub(crate) fn wanders(states: &[Vec<f64>], cycle: usize) -> Option<Round> {
    /// Change between cycles, as a share of all that moves.
    const APART: f64 = 0.1;
    let of = |k: usize| states.iter().map(move |x| x[k]);
    let apart = |k: usize| -> f64 {
        of(k)
            .zip(of(k).skip(cycle))
            .map(|(a, b)| (b - a).abs())
            .sum()
    };
    let unknowns = states.first().map_or(0, Vec::len);
    let aparts: Vec<f64> = (0..unknowns).map(apart).collect();
    let most = (0..unknowns).max_by(|&a, &b| aparts[a].total_cmp(&aparts[b]))?;
    let figure: Vec<f64> = of(most).collect();
    let mean = figure.iter().sum::<f64>() / figure.len() as f64;
    let moves: f64 = figure.iter().map(|v| (v - mean).abs()).sum();
    Round::of(&lengths(&figure), 2 * TIMES).filter(|_| aparts[most] > APART * moves)
}

/// After how many states a circuit comes round, on the mean of many unequal times; none when some take much
/// longer than others. What comes round in some five cycles of the mains does so once in four, once in six.
pub(crate) fn comes_round(states: &[impl AsRef<[f64]>]) -> Option<Round> {
    /// How unequal, a ratio.
    const UNEQUAL: f64 = 1.5;
    rounds(states)
        .filter(|round| round.shortest > LEAST && round.longest < UNEQUAL * round.shortest)
}

/// States from one rise to the next, at least: fewer may be beats of the steps themselves.
pub(super) const LEAST: f64 = 3.0;

/// States in which a circuit comes round.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Round {
    /// On the mean.
    pub(crate) mean: f64,
    pub(super) shortest: f64,
    pub(super) longest: f64,
}

impl Round {
    /// Of several times; none of fewer than `least`.
    pub(super) fn of(lengths: &[f64], least: usize) -> Option<Self> {
        (lengths.len() >= least).then(|| Self {
            mean: lengths.iter().sum::<f64>() / lengths.len() as f64,
            shortest: lengths.iter().copied().fold(f64::INFINITY, f64::min),
            longest: lengths.iter().copied().fold(0.0, f64::max),
        })
    }

    /// Whether each takes as long as the others.
    pub(crate) fn is_even(&self) -> bool {
        self.longest < EVEN * self.shortest
    }

    /// As what comes round so without settling, in states of so many seconds.
    pub(super) fn uneven(&self, step: f64) -> Grown {
        Grown {
            frequency: None,
            settles: false,
            between: Some(
                [self.longest, self.shortest]
                    .map(|states| 1.0 / (step * states))
                    .into(),
            ),
            bursts: None,
            without_bursts: false,
        }
    }
}

/// Of many times, those of the later half of the states.
pub(super) fn rounds(states: &[impl AsRef<[f64]>]) -> Option<Round> {
    Round::of(
        &lengths(&most_moved(&states[states.len() / 2..])?),
        2 * TIMES,
    )
}

/// Of figures `[states][figures]` that which moves most, all ways added.
pub(super) fn most_moved(states: &[impl AsRef<[f64]>]) -> Option<Vec<f64>> {
    let of = |k: usize| states.iter().map(move |x| x.as_ref()[k]);
    let way = |k: usize| of(k).zip(of(k).skip(1)).map(|(a, b)| (b - a).abs()).sum();
    let figures = states.first().map_or(0, |x| x.as_ref().len());
    let ways: Vec<f64> = (0..figures).map(way).collect();
    let most = (0..ways.len()).max_by(|&a, &b| ways[a].total_cmp(&ways[b]))?;
    Some(of(most).collect())
}

/// Times that a repetition must be seen.
const TIMES: usize = 4;

/// How evenly what comes round evenly does so, a ratio.
const EVEN: f64 = 1.05;

/// Rises that one period may have.
const RISES: usize = 3;

/// After how many samples a figure repeats itself; none when it does not do so evenly.
fn period(samples: &[f64]) -> Option<f64> {
    let lengths = lengths(samples);
    (1..=RISES).find_map(|rises| {
        let late = &lengths[lengths.len().checked_sub(TIMES * rises)?..];
        // Each length is as the one a period before.
        let mut each = (0..rises).map(|first| {
            let of: Vec<f64> = late.iter().skip(first).step_by(rises).copied().collect();
            Round::of(&of, TIMES)
        });
        // Of two or three samples it is an even beat of the steps themselves.
        each.try_fold(0.0, |sum, of| {
            of.filter(|of| of.is_even() && of.shortest > 4.0)
                .map(|of| sum + of.mean)
        })
    })
}

/// Samples from each rise through the middle to the next.
pub(super) fn lengths(samples: &[f64]) -> Vec<f64> {
    /// Share of the swing by which it must have gone below the middle to rise through it anew.
    const BELOW: f64 = 0.1;
    let least = samples.iter().copied().fold(f64::INFINITY, f64::min);
    let most = samples.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let (middle, swing) = (0.5 * (most + least), most - least);
    if swing < 10.0 * PUSH {
        return Vec::new();
    }
    let mut crossings = Vec::new();
    let mut was_below = false;
    for (k, pair) in samples.windows(2).enumerate() {
        was_below |= pair[0] < middle - BELOW * swing;
        if was_below && pair[0] < middle && pair[1] >= middle {
            crossings.push(k as f64 + (middle - pair[0]) / (pair[1] - pair[0]));
            was_below = false;
        }
    }
    crossings.windows(2).map(|pair| pair[1] - pair[0]).collect()
}

#[cfg(test)]
mod tests {
    use super::{comes_round, period, wanders};

    #[test]
    fn what_comes_round_unevenly_is_told_by_its_mean() {
        // A supply that rises for four, five, five states and breaks down.
        let states = |times: &[usize]| -> Vec<Vec<f64>> {
            let up = |&times: &usize| (0..times).map(|k| vec![300.0 + 12.0 * k as f64]);
            times.iter().flat_map(up).collect()
        };
        let found = comes_round(&states(&[4, 5, 5].repeat(20))).expect("it comes round");
        assert!((found.mean / (14.0 / 3.0) - 1.0).abs() < 0.02, "{found:?}");
        assert!(!found.is_even());
        assert!(comes_round(&states(&[8, 13].repeat(20))).is_none());
        assert!(comes_round(&states(&[2].repeat(60))).is_none());
        assert!(comes_round(&states(&[5].repeat(12))).is_none());
    }

    #[test]
    fn a_figure_repeats_after_its_period() {
        let wave = |length: f64, count: usize| -> Vec<f64> {
            let turn = |k: usize| std::f64::consts::TAU * k as f64 / length;
            (0..count)
                .map(|k| 3.0 + turn(k).sin() + 0.3 * (3.0 * turn(k)).cos())
                .collect()
        };
        let found = period(&wave(37.3, 400)).expect("ten periods");
        // Interpolated between samples, of a smooth wave.
        assert!((found / 37.3 - 1.0).abs() < 1e-3, "{found}");
        assert_eq!(period(&wave(37.3, 120)), None);
        // Two pulses a turn, the second soon after the first.
        let pulses = |every: usize| -> Vec<f64> {
            let pulse = |k: usize| matches!(k % every, 0..10 | 20..30);
            (0..1600)
                .map(|k| if pulse(k) { 1.0 } else { 0.0 })
                .collect()
        };
        let found = period(&pulses(150)).expect("ten turns");
        assert!((found / 150.0 - 1.0).abs() < 1e-3, "{found}");
        // Too few turns to be sure of them.
        assert_eq!(period(&pulses(400)), None);
        assert_eq!(period(&vec![1.0; 400]), None);
        // Ever longer.
        let slower: Vec<f64> = (0..2000)
            .map(|k| (40.0 * f64::from(k + 1).ln()).sin())
            .collect();
        assert_eq!(period(&slower), None);
    }

    #[test]
    fn what_follows_its_cycles_does_not_wander() {
        let states = |every: f64| -> Vec<Vec<f64>> {
            let turn = |k: u32, every: f64| (std::f64::consts::TAU * f64::from(k) / every).sin();
            (0..1600)
                .map(|k| {
                    vec![
                        100.0 * turn(k, 100.0),
                        20.0 * turn(k, every) + turn(k, 100.0),
                    ]
                })
                .collect()
        };
        let found = wanders(&states(73.0), 100).expect("it has a period of its own");
        assert!((found.mean / 73.0 - 1.0).abs() < 0.02, "{found:?}");
        assert!(wanders(&states(50.0), 100).is_none());
    }
}
