//! The worst case: every value where first order sends it, and then looked about from there.
//!
//! What has no effect on an amplifier as drawn may have one in the corner: the supply on the difference of two
//! halves that differ. And of values that each make a harmonic, cancelled as drawn, two may cancel again. So each
//! value in turn is tried at its other places, with all others in the corner, and stays where the figure goes
//! furthest. That is a sweep; the next one starts from there.
//!
//! Source    coordinate search (textbook); exact where the figure goes one way in each value, wherever the
//!           others stand
//! Care      a sweep costs one or two solutions for each value. None is run where a solution is dear, unless a
//!           sample lies beyond the corner, which proves it is none

use super::answer::Stand;
use crate::instruments::varied::Varied;

/// A corner and what there is in it.
#[derive(Clone, Debug)]
pub(super) struct Solved {
    /// Where each value stands.
    pub(super) stands: Vec<Stand>,
    /// The figure; none where there is none.
    pub(super) value: Option<f64>,
    /// True when each value was tried elsewhere.
    pub(super) swept: bool,
}

/// The ratios of values that stand so.
pub(super) fn ratios(stands: &[Stand], varied: &[Varied]) -> Vec<f64> {
    let stands = stands.iter().zip(varied);
    stands
        .map(|(stand, varied)| match stand {
            Stand::Low => varied.low,
            Stand::Drawn => 1.0,
            Stand::High => varied.high,
        })
        .collect()
}

/// Sweeps of a corner: what acts on what acts takes the second, and still circuits cost little.
pub(super) const STILL: usize = 4;

/// Sweeps on the mains, where each solution is a settled period.
pub(super) const ON_MAINS: usize = 1;

/// The corner from where first order points, after `sweeps` of them or until nothing goes further. `solve`
/// gives the figure of a corner, `found` are the samples.
pub(super) fn solved(
    stands: Vec<Stand>,
    high: bool,
    sweeps: usize,
    mut found: impl Iterator<Item = f64>,
    mut solve: impl FnMut(&[Stand]) -> Option<f64>,
) -> Solved {
    let further = |a: f64, b: f64| if high { a > b } else { a < b };
    let value = solve(&stands);
    let mut at = Solved {
        stands,
        value,
        swept: false,
    };
    let Some(mut value) = value else { return at };
    let sweeps = match sweeps {
        0 => usize::from(found.any(|sample| further(sample, value))),
        sweeps => sweeps,
    };
    for _ in 0..sweeps {
        at.swept = true;
        let mut moved = false;
        for k in 0..at.stands.len() {
            for other in [Stand::Low, Stand::High] {
                let before = at.stands[k];
                if other == before {
                    continue;
                }
                at.stands[k] = other;
                match solve(&at.stands) {
                    Some(figure) if further(figure, value) => {
                        value = figure;
                        moved = true;
                    }
                    _ => at.stands[k] = before,
                }
            }
        }
        if !moved {
            break;
        }
    }
    at.value = Some(value);
    at
}
