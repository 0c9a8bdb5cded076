//! A drive that follows what is asked of a settled cycle while it is sought.
//!
//! A cycle that is to give so many watts need not be settled at one drive after another: near the settled one each cycle tells
//! what it gives, the drive moves by what that misses, and both arrive together.
//!
//! ```text
//! ln u⁺ = ln u − m/s,   m = ln(figure / wanted),   s = d ln figure / d ln u
//! ```
//!
//! Symbols   u the drive, V;  s from the last two cycles once there are two, else what was expected
//! Care      where it does not arrive soon the cycle is settled at the drive it has then, and the miss is what it is

use crate::parts::Waveform;
use crate::workspace::Workspace;

/// How far from closing a cycle may be that tells what the settled one gives.
const NEAR: f64 = 0.05;

/// ln of the drive it moves by at once, and in all.
const AT_ONCE: f64 = 0.1;
const IN_ALL: f64 = 0.3;

/// Moves at most.
const MOVES: u32 = 8;

/// Slopes from two cycles that are believed, as multiples of the one expected.
const SLOPES: (f64, f64) = (0.4, 2.5);

/// A drive and what it is to bring about.
pub struct Aim<'a> {
    /// The source that is moved, in the order of [`System::sources`](crate::System::sources).
    pub source: usize,
    /// What it gives at a drive, V.
    pub waveform: &'a dyn Fn(f64) -> Waveform,
    /// The drive, V: where it sets out, and where it was when the cycle closed.
    pub drive: f64,
    /// Expected d ln figure / d ln drive.
    pub slope: f64,
    /// How far ln(figure / wanted) may be from zero.
    pub close: f64,
    /// ln(figure / wanted) of a cycle, `[samples][n+1]`.
    pub miss: &'a dyn Fn(&[Vec<f64>]) -> f64,
    /// How the settled cycle goes with the drive, where that is known.
    along: Option<Along>,
    track: Track,
}

/// The way so far.
#[derive(Clone, Copy, Debug, Default)]
struct Track {
    moves: u32,
    /// ln of the drive moved by in all.
    moved: f64,
    /// The last miss, and what the drive was moved by then.
    last: Option<(f64, f64)>,
    given_up: bool,
}

/// How a settled cycle goes with ln of the drive.
#[derive(Clone, Debug)]
pub(super) struct Along {
    /// `[states]` its start.
    pub(super) start: Vec<f64>,
    /// ln of its figure.
    pub(super) slope: f64,
}

/// What came of a cycle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Followed {
    /// It gives what is wanted, as far as that is to be had.
    Met,
    /// It is too far from the settled one to tell.
    Unknown,
    /// The drive has moved by so much, of its logarithm.
    Moved(f64),
}

impl<'a> Aim<'a> {
    /// From that drive, V, of the source; `close` as the field.
    pub fn new(
        (source, waveform): (usize, &'a dyn Fn(f64) -> Waveform),
        (drive, slope): (f64, f64),
        close: f64,
        miss: &'a dyn Fn(&[Vec<f64>]) -> f64,
    ) -> Self {
        Self {
            source,
            waveform,
            drive,
            slope,
            close,
            miss,
            along: None,
            track: Track::default(),
        }
    }

    /// Goes by how the settled cycle does.
    pub(super) fn guided_by(&mut self, along: Along) {
        self.slope = along
            .slope
            .clamp(SLOPES.0 * self.slope, SLOPES.1 * self.slope);
        self.along = Some(along);
    }

    /// What the settled start moves by with ln of the drive, `[states]`, where that is known.
    pub(super) fn start_along(&self) -> Option<&[f64]> {
        self.along.as_ref().map(|along| &along.start[..])
    }

    /// Moves the drive by what the cycle just run misses, which is `residual` from closing.
    pub(super) fn follow(
        &mut self,
        residual: f64,
        samples: &[Vec<f64>],
        ws: &mut Workspace,
    ) -> Followed {
        if self.track.given_up {
            return Followed::Met;
        }
        if residual > NEAR {
            return Followed::Unknown;
        }
        let followed = self.after((self.miss)(samples));
        ws.waveforms[self.source] = (self.waveform)(self.drive);
        followed
    }

    /// Moves the drive after a cycle that misses by so much.
    fn after(&mut self, miss: f64) -> Followed {
        if miss.abs() < self.close {
            return Followed::Met;
        }
        if let Some((before, by)) = self.track.last {
            let (least, most) = (SLOPES.0 * self.slope, SLOPES.1 * self.slope);
            let seen = (miss - before) / by;
            if seen.is_finite() {
                self.slope = seen.clamp(least, most);
            }
        }
        let by = (-miss / self.slope).clamp(-AT_ONCE, AT_ONCE);
        self.track.moves += 1;
        self.track.moved += by;
        // What is not a number is not within it either.
        let within = self.track.moved.abs() < IN_ALL;
        if self.track.moves > MOVES || !within {
            self.track.given_up = true;
            return Followed::Met;
        }
        self.track.last = Some((miss, by));
        self.drive *= by.exp();
        Followed::Moved(by)
    }
}

#[cfg(test)]
mod tests {
    use super::{Aim, Followed, IN_ALL, MOVES};
    use crate::parts::Waveform;

    /// Cycles that give the figure at once, from one volt.
    fn arrives(figure: impl Fn(f64) -> f64, wanted: f64) -> (f64, bool) {
        let aim = &mut Aim::new((0, &Waveform::Dc), (1.0, 1.0), 1e-4, &|_| f64::NAN);
        for _ in 0..=MOVES {
            let miss = (figure(aim.drive) / wanted).ln();
            if aim.after(miss) == Followed::Met {
                break;
            }
        }
        (aim.drive, aim.track.given_up)
    }

    #[test]
    fn the_drive_arrives_where_the_figure_is_met() {
        for wanted in [0.72, 0.76, 0.85] {
            let (drive, given_up) = arrives(f64::tanh, wanted);
            assert!(
                !given_up && (drive.tanh() / wanted).ln().abs() < 1e-4,
                "{drive}"
            );
        }
    }

    #[test]
    fn what_is_far_off_is_left_to_another_search() {
        // A clipper gives no more than one; what grows as the drive would take half as much again.
        for (figure, wanted) in [(f64::tanh as fn(f64) -> f64, 1.01), (|u| u, 1.5)] {
            let (drive, given_up) = arrives(figure, wanted);
            assert!(given_up && drive.ln() < IN_ALL, "{drive}");
        }
        let (drive, given_up) = arrives(|_| f64::NAN, 1.0);
        assert!(given_up && drive.is_finite());
    }
}
