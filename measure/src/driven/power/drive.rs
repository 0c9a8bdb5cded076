//! The drive that brings a figure of the output to a wanted value, by solving again until it does.
//!
//! The logarithm of the figure is nearly a straight line in the logarithm of the drive, so the search
//! runs on these: from a guess the secant leads to where the figure is bracketed, and the inverse parabola
//! closes in where it may be trusted, halving where not. A *miss* is ln(figure / wanted): it rises through zero at
//! the target, and counts as met within a closeness.
//!
//! Source   Chandrupatla, Adv. Eng. Softw. 28 (1997) 145 (from memory)

use sim::error::SimError;

/// How closely a figure is met, relative: finer than any of it can be read.
pub(crate) const CLOSE: f64 = 1e-4;

/// Multiple of its closeness within which a figure is met where the drive is.
const STEEP: f64 = 10.0;

/// Solves after which the best so far is taken.
const MOST_SOLVES: u32 = 12;

/// The figure is sought up to this multiple of the drive guessed from the small-signal gain: 12 dB,
/// where what clips has become a square wave and more drive brings nothing more.
const MOST_OVERDRIVE: f64 = 4.0;

/// An answer at a drive.
#[derive(Clone, Debug)]
pub(crate) struct At<T> {
    /// Peak of the generator, V.
    pub(crate) drive: f64,
    /// ln(figure / wanted).
    pub(crate) miss: f64,
    /// The answer.
    pub(crate) answer: T,
}

/// Where a search sets out.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Guess {
    /// Drive that would meet the figure if the output rose as the drive does, V.
    linear: f64,
    /// The drive tried first, V.
    drive: f64,
    /// d ln figure / d ln drive there.
    slope: f64,
}

impl Guess {
    /// Bends of the output that are believed before anything was solved, a ratio of drives.
    const BENT: (f64, f64) = (0.5, 2.0);

    /// By the gain for small signals alone, V.
    pub(crate) fn linear(drive: f64) -> Self {
        Self {
            linear: drive,
            drive,
            slope: 1.0,
        }
    }

    /// The drive tried first, V.
    pub(crate) fn drive(&self) -> f64 {
        self.drive
    }

    /// The output is known to need so many times the drive of the gain for small signals, and its slope there.
    pub(crate) fn bent(linear: f64, times: f64, slope: f64) -> Self {
        Self {
            linear,
            drive: linear * times.clamp(Self::BENT.0, Self::BENT.1),
            slope,
        }
    }
}

/// What was found where the figure could not be met.
#[derive(Clone, Debug)]
pub(crate) struct Short<T> {
    /// The answer that comes nearest.
    pub(crate) nearest: Option<At<T>>,
    /// Why the search ended before the drive was at its most, if it did.
    pub(crate) error: Option<SimError>,
}

/// Meets the figure, within `close`, from a guess of the drive, V; the figure is a voltage, which follows
/// the drive until something clips.
///
/// # Errors
/// [`Short`] when no drive up to [`MOST_OVERDRIVE`] times the guess meets it.
pub(crate) fn reach<T: Clone>(
    guess: Guess,
    close: f64,
    miss: &impl Fn(&T) -> f64,
    solve: &impl Fn(f64) -> Result<T, SimError>,
) -> Result<At<T>, Short<T>> {
    let held = |drive: f64, _: Option<f64>| solve(drive).map(|answer| (drive, answer));
    reach_aiming(guess, close, miss, &held)
}

/// As [`reach`], with solves that may move the drive themselves where they are given the slope d ln figure / d ln drive; they
/// tell the drive they came to, V.
///
/// # Errors
/// As [`reach`].
pub(crate) fn reach_aiming<T: Clone>(
    guess: Guess,
    close: f64,
    miss: &impl Fn(&T) -> f64,
    solve: &impl Fn(f64, Option<f64>) -> Result<(f64, T), SimError>,
) -> Result<At<T>, Short<T>> {
    /// ln drive of one stride at most: a bracket wider than 6 dB gains nothing.
    const STRIDE: f64 = std::f64::consts::LN_2;
    /// Goes a little past where a long line ends, so that the target is bracketed; a short one leads to it.
    const PAST: f64 = 1.02;
    const LONG: f64 = 0.05;
    /// Slopes of ln figure by ln drive that are believed, lest a flat place lead astray.
    const SLOPES: (f64, f64) = (0.25, 4.0);
    /// Share of the miss that following the drive must take off, or it is held from then on: where the figure is read on a finer
    /// grid than the drive follows it on, that comes to the same place for ever.
    const TAKES_OFF: f64 = 0.5;
    let at = |drive: f64, slope: Option<f64>| {
        solve(drive, slope).map(|(drive, answer)| At {
            drive,
            miss: miss(&answer),
            answer,
        })
    };
    let held = |drive: f64| solve(drive, None).map(|(_, answer)| answer);
    let mut slope = guess.slope;
    let mut follows = true;
    let mut nearest: Option<At<T>> = None;
    let mut last: Option<At<T>> = None;
    let mut drive = guess.drive;
    while drive <= MOST_OVERDRIVE * guess.linear && drive >= guess.linear / MOST_OVERDRIVE {
        let following = follows.then(|| slope.clamp(SLOPES.0, SLOPES.1));
        let here = match at(drive, following) {
            Ok(here) => here,
            Err(error) => {
                return Err(Short {
                    nearest,
                    error: Some(error),
                });
            }
        };
        if nearest
            .as_ref()
            .is_none_or(|best| here.miss.abs() < best.miss.abs())
        {
            nearest = Some(here.clone());
        }
        if here.miss.abs() < close {
            return Ok(here);
        }
        drive = here.drive;
        if let Some(last) = last {
            if last.miss.is_sign_negative() != here.miss.is_sign_negative() {
                let (low, high) = if here.miss < 0.0 {
                    (here, last)
                } else {
                    (last, here)
                };
                return close_in(low, high, None, close, miss, &held).map_err(|error| Short {
                    nearest,
                    error: Some(error),
                });
            }
            follows &= here.miss.abs() < TAKES_OFF * last.miss.abs();
            let further = (here.drive / last.drive).ln();
            if further.abs() > f64::EPSILON {
                slope = (here.miss - last.miss) / further;
            }
        }
        let line = -here.miss / slope.clamp(SLOPES.0, SLOPES.1);
        let past = if line.abs() > LONG { PAST } else { 1.0 };
        drive *= (past * line).clamp(-STRIDE, STRIDE).exp();
        last = Some(here);
    }
    Err(Short {
        nearest,
        error: None,
    })
}

/// Closes in on the target between a drive that falls short of it and one that exceeds it; first where it is `expected`,
/// V, if that is between them, else where a straight line is.
///
/// # Errors
/// That of a level between which cannot be solved.
pub(crate) fn close_in<T: Clone>(
    low: At<T>,
    high: At<T>,
    expected: Option<f64>,
    close: f64,
    miss: &impl Fn(&T) -> f64,
    solve: &impl Fn(f64) -> Result<T, SimError>,
) -> Result<At<T>, SimError> {
    // The newest place, the end across the target from it, and the place given up last; with their misses.
    let (mut newest, mut across) = ((low.drive.ln(), low.miss), (high.drive.ln(), high.miss));
    let mut share = expected
        .map(|drive| (drive.ln() - newest.0) / (across.0 - newest.0))
        .filter(|share| (0.0..1.0).contains(share))
        .unwrap_or(newest.1 / (newest.1 - across.1));
    let mut best = if high.miss < -low.miss { high } else { low };
    for _ in 0..MOST_SOLVES {
        // Where the figure rises steeply, the drive is known better than it.
        let slope = (newest.1 - across.1) / (newest.0 - across.0);
        let drive_is_met = best.miss.abs() < (close * slope.abs()).min(STEEP * close);
        if best.miss.abs() < close || drive_is_met {
            break;
        }
        let place = newest.0 + share * (across.0 - newest.0);
        let drive = place.exp();
        let answer = solve(drive)?;
        let here = miss(&answer);
        if here.abs() < best.miss.abs() {
            best = At {
                drive,
                miss: here,
                answer,
            };
        }
        let given_up = if here.is_sign_negative() == newest.1.is_sign_negative() {
            newest
        } else {
            std::mem::replace(&mut across, newest)
        };
        newest = (place, here);
        share = inverse_parabola(newest, across, given_up).unwrap_or(0.5);
    }
    Ok(best)
}

/// Where the parabola of the place by the miss, through three points, is at no miss: as a share of the way from the
/// first to the second; none where it does not rise from one end to the other.
fn inverse_parabola(a: (f64, f64), b: (f64, f64), c: (f64, f64)) -> Option<f64> {
    let along = (a.0 - b.0) / (c.0 - b.0);
    let up = (a.1 - b.1) / (c.1 - b.1);
    (up * up < along && (1.0 - up).powi(2) < 1.0 - along).then(|| {
        a.1 / (b.1 - a.1) * (c.1 / (b.1 - c.1))
            + (c.0 - a.0) / (b.0 - a.0) * (a.1 / (c.1 - a.1)) * (b.1 / (c.1 - b.1))
    })
}

#[cfg(test)]
mod tests {
    use std::cell::Cell;

    use super::{CLOSE, Guess, reach, reach_aiming};
    use sim::error::{Question, SimError};

    /// A clipper: tanh gives at most one volt.
    #[allow(clippy::unnecessary_wraps, reason = "what a solver returns")]
    fn clipper(drive: f64) -> Result<f64, SimError> {
        Ok(drive.tanh())
    }

    #[test]
    fn a_figure_is_met_from_a_guess_below_or_above() {
        for wanted in [1e-3, 0.5, 0.95] {
            for guess in [0.3 * f64::atanh(wanted), wanted, 2.0 * f64::atanh(wanted)] {
                let miss = |volts: &f64| (volts / wanted).ln();
                let found =
                    reach(Guess::linear(guess), CLOSE, &miss, &clipper).expect("it can be had");
                assert!(
                    (found.answer / wanted).ln().abs() < CLOSE,
                    "{wanted} from {guess}: {found:?}"
                );
            }
        }
    }

    #[test]
    fn a_drive_that_follows_another_reading_of_the_figure_is_held() {
        // Followed by a reading that is a hundredth off, it comes to the same drive from everywhere.
        let (wanted, solves) = (0.5_f64, Cell::new(0));
        let solve = |drive: f64, slope: Option<f64>| {
            solves.set(solves.get() + 1);
            assert!(solves.get() < 20, "it goes on for ever");
            let drive = slope.map_or(drive, |_| (1.01 * wanted).atanh());
            Ok((drive, drive.tanh()))
        };
        let miss = |volts: &f64| (volts / wanted).ln();
        let found =
            reach_aiming(Guess::linear(wanted), CLOSE, &miss, &solve).expect("it can be had");
        assert!((found.answer / wanted).ln().abs() < CLOSE, "{found:?}");
    }

    #[test]
    fn what_cannot_be_had_ends_at_the_nearest() {
        let miss = |volts: &f64| (volts / 1.2_f64).ln();
        let short = reach(Guess::linear(1.2), CLOSE, &miss, &clipper)
            .expect_err("a clipper gives one volt");
        assert!(short.error.is_none());
        assert!(short.nearest.is_some_and(|at| at.answer > 0.99));
        let broken = |drive: f64| {
            if drive > 1.3 {
                Err(SimError::Question(Question::NoSignal))
            } else {
                clipper(drive)
            }
        };
        let short = reach(Guess::linear(1.2), CLOSE, &miss, &broken).expect_err("it breaks");
        assert!(short.error.is_some() && short.nearest.is_some());
    }
}
