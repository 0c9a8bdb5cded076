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
//! Few moments differ: those whose slopes lie farthest apart stand for the others near them, and those known from a cycle
//! near by, in which nothing grew, are not looked at again. Only where by these it grows, every moment for which one that
//! grows stands is looked at, and those before and after it until one fades.
//!
//! Source   slopes frozen in time: the WKB approximation, valid where an oscillation turns often while the slopes
//!          change (from memory);  choice of moments: `moments.rs`
//! Care     oscillations that turn only a few times while they grow are left to the settled cycle itself, and those above
//!          a megahertz to who wires the chassis

use std::sync::Arc;

use nalgebra::Complex;
use serde::Serialize;

use super::moments::{Apart, Metric};
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

/// Growth, e-folds, below which by the moments chosen nothing bursts: those between them were found to grow by half to four
/// times as much, by seven times in one of 32 moments, which is less than what counts.
const PASSED_OVER: f64 = 1.0;

/// Turns an oscillation makes while it grows, at least.
const TURNS: f64 = 3.0;

/// Moments of cycles of a circuit in which nothing grows.
#[derive(Debug)]
pub(crate) struct Quiet {
    /// `[nnz]` what the circuit stores by.
    storage: Vec<f64>,
    /// `[moments][nnz]`
    slopes: Vec<Vec<f64>>,
}

/// Looks at the cycle of `duration`, s, with `samples` `[samples][n+1]`; `ws.x` stays as it is.
///
/// Costs natural frequencies at some dozens of moments; at many more where by these something grows.
///
/// # Errors
/// [`SimError::Undetermined`] when the equations determine nothing at some moment.
pub fn bursts(
    system: &System,
    samples: &[Vec<f64>],
    duration: f64,
    ws: &mut Workspace,
) -> Result<Option<Bursts>, SimError> {
    Ok(bursts_beside(system, samples, duration, &[], ws)?.err())
}

/// As [`bursts`], with the quiet moments of cycles near by, as long as this one: those of this one where nothing bursts.
///
/// # Errors
/// As [`bursts`].
pub(crate) fn bursts_beside(
    system: &System,
    samples: &[Vec<f64>],
    duration: f64,
    known: &[Arc<Quiet>],
    ws: &mut Workspace,
) -> Result<Result<Quiet, Bursts>, SimError> {
    let lasting = vec![duration / samples.len() as f64; samples.len()];
    let slopes: Vec<Vec<f64>> = samples
        .iter()
        .map(|x| system.mean_slopes(std::slice::from_ref(x), ws))
        .collect();
    let storage = system.storage().data();
    let alike = known.iter().filter(|quiet| quiet.storage == storage);
    let known: Vec<&[f64]> = alike
        .flat_map(|quiet| quiet.slopes.iter().map(Vec::as_slice))
        .collect();
    let metric = Metric::of(system.pattern(), &system.rectifying(), &slopes);
    let fresh = Apart::of(&metric, &slopes);
    let beside = fresh.beside(&known, &metric, &slopes);
    let lead = |k: usize| leading(system, &slopes[k], duration);
    let leads = |of: &Apart| -> Result<Vec<Option<Complex<f64>>>, SimError> {
        of.moments.iter().map(|&k| lead(k)).collect()
    };
    let grows = |lead: &Option<Complex<f64>>| lead.is_some_and(|s| s.re > 0.0);
    let found = leads(&beside)?;
    // Those known as quiet stand still at most.
    let growths: Vec<f64> = (beside.nearest.iter().zip(&lasting))
        .map(|(m, &long)| m.map_or(0.0, |m| growth(found[m], long)))
        .collect();
    if strongest(&growths).0 <= PASSED_OVER {
        let own = beside.moments.iter().zip(&found);
        let own = own
            .filter(|(_, lead)| !grows(lead))
            .map(|(&k, _)| slopes[k].clone());
        let used = beside.used.iter().map(|&k| known[k].to_vec());
        return Ok(Ok(Quiet {
            storage: storage.to_vec(),
            slopes: own.chain(used).collect(),
        }));
    }
    let found = leads(&fresh)?;
    let mut cycle: Vec<Option<Complex<f64>>> = fresh
        .nearest
        .iter()
        .map(|m| m.and_then(|m| found[m]))
        .collect();
    follow(&mut cycle, &lasting, &lead)?;
    // What grows at a moment need not burst; then its quiet ones are not known apart from it.
    let none = Quiet {
        storage: storage.to_vec(),
        slopes: Vec::new(),
    };
    let burst = grown(&cycle, &lasting);
    Ok(burst.map_or(Ok(none), Err))
}

/// Looks along a way at every one of its samples, that stand for so many seconds each.
///
/// An oscillation that tips over is where it grows for a few of them alone, which those that stand for others miss.
///
/// # Errors
/// As [`bursts`].
pub(crate) fn bursts_along(
    system: &System,
    samples: &[Vec<f64>],
    lasting: &[f64],
    ws: &mut Workspace,
) -> Result<Option<Bursts>, SimError> {
    let duration = lasting.iter().sum();
    let leads: Result<Vec<_>, _> = (samples.iter())
        .map(|x| {
            let slopes = system.mean_slopes(std::slice::from_ref(x), ws);
            leading(system, &slopes, duration)
        })
        .collect();
    Ok(grown(&leads?, lasting))
}

/// Looks at moments by themselves that others stood for: every one that something may grow in, on either side as far as it
/// does, and the stretches between two such in which by those that stood for them not all that grew is gone.
fn follow(
    cycle: &mut [Option<Complex<f64>>],
    lasting: &[f64],
    lead: &impl Fn(usize) -> Result<Option<Complex<f64>>, SimError>,
) -> Result<(), SimError> {
    let count = cycle.len();
    let grows = |of: &Option<Complex<f64>>| of.is_some_and(|s| s.re > 0.0);
    let mut known = vec![false; count];
    let mut open: Vec<usize> = (0..count).filter(|&k| grows(&cycle[k])).collect();
    while !open.is_empty() {
        while let Some(k) = open.pop() {
            if std::mem::replace(&mut known[k], true) {
                continue;
            }
            cycle[k] = lead(k)?;
            if grows(&cycle[k]) {
                open.extend([(k + 1) % count, (k + count - 1) % count]);
            }
        }
        for end in (0..count).filter(|&k| grows(&cycle[k])) {
            let mut left = 2.0 * COUNTS;
            let gap = (1..count).map(|further| (end + further) % count);
            let gap = gap.take_while(|&k| !grows(&cycle[k]));
            let gap: Vec<usize> = gap
                .take_while(|&k| {
                    left += growth(cycle[k], lasting[k]);
                    left > 0.0
                })
                .collect();
            // Not across all that follows, but to where it grows again.
            let next = (end + gap.len() + 1) % count;
            if left > 0.0 && grows(&cycle[next]) {
                open.extend(gap.into_iter().filter(|&k| !known[k]));
            }
        }
    }
    Ok(())
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

/// e-folds in a time, s; where nothing is known to swing, all that did is gone.
fn growth(lead: Option<Complex<f64>>, time: f64) -> f64 {
    lead.map_or(f64::NEG_INFINITY, |s| s.re * time)
}

/// The stretch over which a cycle of these growths, e-folds each, grows most: how much, its first moment and the one after
/// its last.
fn strongest(growths: &[f64]) -> (f64, usize, usize) {
    // The cycle twice, so that a burst may begin in one and end in the next; none lasts longer than a cycle.
    let (mut best, mut sum, mut first) = ((0.0, 0, 0), 0.0, 0);
    for k in 0..2 * growths.len() {
        if sum <= 0.0 {
            (sum, first) = (0.0, k);
        }
        sum += growths[k % growths.len()];
        if sum > best.0 && k - first < growths.len() {
            best = (sum, first, k + 1);
        }
    }
    best
}

/// The burst that grows most, if it grows enough to count; each moment stands for so many seconds.
fn grown(cycle: &[Option<Complex<f64>>], lasting: &[f64]) -> Option<Bursts> {
    let count = cycle.len();
    let growths: Vec<f64> = (cycle.iter().zip(lasting))
        .map(|(&lead, &long)| growth(lead, long))
        .collect();
    let (most, first, end) = strongest(&growths);
    let rate = |k: usize| cycle[k % count].map_or(f64::NEG_INFINITY, |s| s.re);
    let at = (first..end).max_by(|&a, &b| rate(a).total_cmp(&rate(b)))? % count;
    let s = cycle[at]?;
    let frequency = s.im.abs() / std::f64::consts::TAU;
    let turns = frequency * (first..end).map(|k| lasting[k % count]).sum::<f64>();
    let growing = (0..count).filter(|&k| rate(k) > 0.0);
    (most > COUNTS && turns > TURNS).then(|| Bursts {
        frequency,
        rate: s.re,
        time: lasting[..at].iter().sum(),
        share: growing.map(|k| lasting[k]).sum::<f64>() / lasting.iter().sum::<f64>(),
    })
}

#[cfg(test)]
mod tests {
    use super::{follow, grown, strongest};
    use nalgebra::Complex;

    #[test]
    fn what_stands_still_between_two_that_grow_joins_them_and_what_is_gone_parts_them() {
        let gone = f64::NEG_INFINITY;
        let (most, first, end) = strongest(&[gone, 0.5, 0.0, 0.25, -1.0, 0.5]);
        assert!(
            (most - 0.75).abs() < 1e-15 && (first, end) == (1, 4),
            "{most} {first} {end}"
        );
        // Across the end of the cycle.
        let (most, first, end) = strongest(&[0.5, gone, 0.25, gone, 0.5, 0.5]);
        assert!(
            (most - 1.5).abs() < 1e-15 && (first, end) == (4, 7),
            "{most} {first} {end}"
        );
        assert!(strongest(&[gone, -1.0]).0 <= 0.0);
    }

    #[test]
    fn a_burst_is_followed_beyond_the_moments_that_were_chosen() {
        let s = |re: f64| Some(Complex::new(re, 1e5 * std::f64::consts::TAU));
        // It grows for twice eight moments with four between them in which it hardly fades; those chosen show half of it.
        let truly = |k: usize| match k {
            10..18 | 22..30 => s(7e4),
            18..22 => s(-1e4),
            _ => s(-5e5),
        };
        let mut cycle: Vec<_> = (0..64)
            .map(|k| match k {
                12..16 | 24..28 => s(7e4),
                16..24 => s(-1e5),
                _ => s(-5e5),
            })
            .collect();
        let even = [1e-5; 64];
        assert_eq!(grown(&cycle, &even), None);
        follow(&mut cycle, &even, &|k| Ok(truly(k))).expect("nothing fails");
        let burst = grown(&cycle, &even).expect("16 times 0.7 less 4 times 0.1");
        assert!((burst.share - 16.0 / 64.0).abs() < 1e-12, "{burst:?}");
    }

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
        let even = [1e-5; 64];
        // One moment is two e-folds, which is nothing yet.
        assert_eq!(grown(&cycle(1), &even), None);
        let burst = grown(&cycle(4), &even).expect("eight e-folds, four turns");
        assert!((burst.frequency / 1e5 - 1.0).abs() < 1e-12);
        assert!((burst.rate / 2e5 - 1.0).abs() < 1e-12);
        // A mode that is known at no moment, or fades at all, never bursts.
        assert_eq!(grown(&[None; 8], &even[..8]), None);
        assert_eq!(grown(&[s(-1.0); 8], &even[..8]), None);
        // Growing all the time it is no burst but an oscillation; it counts as well.
        let always = grown(&[s(1e5); 64], &even).expect("it grows");
        // Five e-folds in a cycle are not ten, though the next cycle brings five more.
        assert_eq!(grown(&[s(5.0 / 640e-6); 64], &even), None);
        // The same moments, those that grow a twentieth as long.
        let mut short = even;
        short[..5].fill(5e-7);
        assert_eq!(grown(&cycle(4), &short), None);
        assert!((always.share - 1.0).abs() < f64::EPSILON && burst.share < 0.1);
    }
}
