//! Whether a settled cycle bursts into oscillation on part of itself.
//!
//! An amplifier that is stable at rest may oscillate while a valve carries more, or less, than at rest: on the peaks
//! of the signal, say. A method that damps fast oscillations passes over it, so the cycle it settles on is looked at
//! moment by moment: the circuit linearised there, its natural frequencies, and how much an oscillation grows from
//! the moment it starts to grow until it fades.
//!
//! ```text
//! growth of a burst   E = max over t₁ < t₂ ∫ Re s(t) dt,   s(t) the fastest growing natural frequency at the time t
//! ```
//!
//! Few moments differ: those whose slopes lie farthest apart stand for the others near them. Only where one of
//! them grows is every moment looked at.
//!
//! Source   slopes frozen in time: the WKB approximation, valid where an oscillation turns often while the slopes
//!          change (from memory);  choice of moments: Gonzalez, Theor. Comput. Sci. 38 (1985) 293 (from memory)
//! Care     oscillations that turn only a few times while they grow are left to the settled cycle itself, and those above
//!          a megahertz to who wires the chassis

use nalgebra::Complex;
use serde::Serialize;

use super::{Changes, Growing, HIGHEST, frequencies_of, grows_again, sought};
use crate::error::SimError;
use crate::system::System;
use crate::workspace::Workspace;

/// An oscillation that grows on part of a settled cycle.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Bursts {
    /// Where it grows fastest, Hz.
    pub frequency: f64,
    /// Its growth there, 1/s.
    pub rate: f64,
    /// Time of the cycle at which it grows fastest, s.
    pub time: f64,
    /// Share of the cycle in which it grows; 1 is no burst but an oscillation.
    pub share: f64,
}

impl From<Bursts> for SimError {
    fn from(bursts: Bursts) -> Self {
        let Bursts {
            frequency, rate, ..
        } = bursts;
        if bursts.share < 1.0 {
            Self::Bursts { frequency, rate }
        } else {
            Growing {
                frequency,
                rate,
                grown: None,
            }
            .into()
        }
    }
}

/// Growth from which it counts, e-folds: eight thousandfold, from the microvolts of noise to what an oscilloscope shows.
const COUNTS: f64 = 9.0;

/// Turns an oscillation makes while it grows, at least.
const TURNS: f64 = 3.0;

/// Moments looked at, at most, before anything grows: an amplifier has a handful of states, each valve cut off,
/// amplifying, or drawing grid current.
const MOMENTS: usize = 12;

/// Slopes nearer than this share of their largest over the cycle count as the same.
const SAME: f64 = 0.03;

/// Looks at the cycle of `duration`, s, with `samples` `[samples][n+1]`; `ws.x` stays as it is.
///
/// Costs natural frequencies at a dozen moments; at each of the cycle where one of them grows.
///
/// # Errors
/// [`SimError::Undetermined`] when the equations determine nothing at some moment.
pub fn bursts(
    system: &System,
    samples: &[Vec<f64>],
    duration: f64,
    ws: &mut Workspace,
) -> Result<Option<Bursts>, SimError> {
    let slopes: Vec<Vec<f64>> = samples
        .iter()
        .map(|x| system.mean_slopes(std::slice::from_ref(x), ws))
        .collect();
    let (moments, nearest) = apart(&slopes);
    let lead = |k: usize| leading(system, &slopes[k], duration);
    let leads: Vec<Option<Complex<f64>>> =
        moments.iter().map(|&k| lead(k)).collect::<Result<_, _>>()?;
    if leads.iter().flatten().all(|s| s.re <= 0.0) {
        return Ok(None);
    }
    let mut cycle: Vec<Option<Complex<f64>>> = nearest.iter().map(|&m| leads[m]).collect();
    // Once more by itself, every moment of those that something may grow in.
    for (k, s) in cycle.iter_mut().enumerate() {
        if s.is_some_and(|s| s.re > 0.0) {
            *s = lead(k)?;
        }
    }
    Ok(grown(&cycle, duration / samples.len() as f64))
}

/// Of the natural frequencies that turn several times in the cycle, the one that grows fastest or fades most slowly.
fn leading(
    system: &System,
    slopes: &[f64],
    duration: f64,
) -> Result<Option<Complex<f64>>, SimError> {
    let turns = |s: &Complex<f64>| {
        let frequency = s.im / std::f64::consts::TAU;
        frequency * duration > TURNS && frequency < HIGHEST
    };
    if sought::too_many(system) {
        // What fades is not sought among so many: a burst then ends where its growth does.
        let growing = sought::sought(system, slopes)?.into_iter().filter(turns);
        return Ok(growing.max_by(|a, b| a.re.total_cmp(&b.re)));
    }
    let mut modes: Vec<Complex<f64>> =
        frequencies_of(system, slopes, &Changes::none(system), super::SHIFT)?
            .into_iter()
            .filter(turns)
            .collect();
    modes.sort_by(|a, b| b.re.total_cmp(&a.re));
    for s in modes {
        if s.re <= 0.0 || grows_again(system, slopes, s)?.is_some() {
            return Ok(Some(s));
        }
    }
    Ok(None)
}

/// The burst that grows most, each moment lasting `step`, s, if it grows enough to count.
fn grown(cycle: &[Option<Complex<f64>>], step: f64) -> Option<Bursts> {
    let growth = |k: usize| cycle[k % cycle.len()].map_or(f64::NEG_INFINITY, |s| s.re * step);
    // The cycle twice, so that a burst may begin in one and end in the next; none lasts longer than a cycle.
    let (mut best, mut sum, mut first) = ((0.0, 0, 0), 0.0, 0);
    for k in 0..2 * cycle.len() {
        if sum <= 0.0 {
            (sum, first) = (0.0, k);
        }
        sum += growth(k);
        if sum > best.0 && k - first < cycle.len() {
            best = (sum, first, k + 1);
        }
    }
    let (most, first, end) = best;
    let at = (first..end).max_by(|&a, &b| growth(a).total_cmp(&growth(b)))?;
    let s = cycle[at % cycle.len()]?;
    let frequency = s.im.abs() / std::f64::consts::TAU;
    let turns = frequency * step * (end - first) as f64;
    (most > COUNTS && turns > TURNS).then(|| Bursts {
        frequency,
        rate: s.re,
        time: step * (at % cycle.len()) as f64,
        share: cycle.iter().flatten().filter(|s| s.re > 0.0).count() as f64 / cycle.len() as f64,
    })
}

/// Moments whose slopes `[moments][nnz]` lie farthest apart, and which of them, by place, is nearest to each.
fn apart(slopes: &[Vec<f64>]) -> (Vec<usize>, Vec<usize>) {
    let entries = slopes[0].len();
    let most: Vec<f64> = (0..entries)
        .map(|e| slopes.iter().map(|s| s[e].abs()).fold(0.0, f64::max))
        .collect();
    // Most entries are resistors and never change.
    let varying: Vec<usize> = (0..entries)
        .filter(|&e| {
            slopes
                .iter()
                .any(|s| (s[e] - slopes[0][e]).abs() > SAME * most[e])
        })
        .collect();
    let distance = |a: usize, b: usize| {
        varying
            .iter()
            .map(|&e| (slopes[a][e] - slopes[b][e]).abs() / most[e])
            .fold(0.0, f64::max)
    };
    let mut moments = vec![0];
    let mut nearest = vec![0; slopes.len()];
    let mut from: Vec<f64> = (0..slopes.len()).map(|k| distance(k, 0)).collect();
    while moments.len() < MOMENTS {
        let farthest = (0..slopes.len()).max_by(|&a, &b| from[a].total_cmp(&from[b]));
        let Some(next) = farthest.filter(|&k| from[k] > SAME) else {
            break;
        };
        for k in 0..slopes.len() {
            let distance = distance(k, next);
            if distance < from[k] {
                (from[k], nearest[k]) = (distance, moments.len());
            }
        }
        moments.push(next);
    }
    (moments, nearest)
}

#[cfg(test)]
mod tests {
    use super::{apart, grown};
    use nalgebra::Complex;

    #[test]
    fn a_burst_counts_by_what_it_grows_and_may_lie_across_the_end_of_the_cycle() {
        // 100 kHz, growing 2.7-fold every 5 µs for `long` of 64 moments of 10 µs, fading as fast elsewhere.
        let s = |re: f64| Some(Complex::new(re, 1e5 * std::f64::consts::TAU));
        let cycle = |long: usize| -> Vec<_> {
            let grows = |k: usize| (k + 62) % 64 < long || k == 1;
            (0..64)
                .map(|k| s(if grows(k) { 2e5 } else { -2e5 }))
                .collect()
        };
        // One moment is two e-folds, which is nothing yet.
        assert_eq!(grown(&cycle(1), 1e-5), None);
        let burst = grown(&cycle(4), 1e-5).expect("eight e-folds, four turns");
        assert!((burst.frequency / 1e5 - 1.0).abs() < 1e-12);
        assert!((burst.rate / 2e5 - 1.0).abs() < 1e-12);
        // A mode that is known at no moment, or fades at all, never bursts.
        assert_eq!(grown(&[None; 8], 1e-5), None);
        assert_eq!(grown(&[s(-1.0); 8], 1e-5), None);
        // Growing all the time it is no burst but an oscillation; it counts as well.
        let always = grown(&[s(1e5); 64], 1e-5).expect("it grows");
        // Five e-folds in a cycle are not ten, though the next cycle brings five more.
        assert_eq!(grown(&[s(5.0 / 640e-6); 64], 1e-5), None);
        assert!((always.share - 1.0).abs() < f64::EPSILON && burst.share < 0.1);
    }

    #[test]
    fn moments_that_differ_stand_for_those_near_them() {
        let slopes: Vec<Vec<f64>> = [1.0, 1.001, 5.0, 5.01, 0.0, 1.0]
            .map(|g| vec![7.0, g])
            .to_vec();
        let (moments, nearest) = apart(&slopes);
        assert_eq!(moments, [0, 3, 4]);
        assert_eq!(nearest, [0, 0, 1, 1, 2, 0]);
    }
}
