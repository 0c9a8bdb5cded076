//! The worst case: every value where first order sends it, and then looked about from there.
//!
//! What has no effect on an amplifier as drawn may have one in the corner: the supply on the difference of two
//! halves that differ. So each value is tried at its other places by itself, with all others in the corner;
//! what goes further is taken, all at once, and kept when it goes further together.
//!
//! Source    ours; exact where the figure goes one way in each value wherever the others stand, and a step of
//!           coordinate search where not
//! Care      the sweep costs a solution for each value: it is run where a solution is cheap, and where a sample
//!           lies beyond the corner, which proves it is none

use super::answer::Stand;
use crate::measure::varied::Varied;

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

/// The corner from where first order points; `solve` gives the figure of each of some corners, `found` are
/// the samples.
pub(super) fn solved(
    stands: Vec<Stand>,
    high: bool,
    cheap: bool,
    mut found: impl Iterator<Item = f64>,
    solve: impl Fn(&[Vec<Stand>]) -> Vec<Option<f64>>,
) -> Solved {
    let further = |a: f64, b: f64| if high { a > b } else { a < b };
    let value = solve(std::slice::from_ref(&stands))[0];
    let first = Solved {
        stands,
        value,
        swept: false,
    };
    let Some(value) = value else { return first };
    if !cheap && !found.any(|sample| further(sample, value)) {
        return first;
    }
    let mut trials = Vec::new();
    let mut places = Vec::new();
    for (k, stand) in first.stands.iter().enumerate() {
        for other in [Stand::Low, Stand::High] {
            if other != *stand {
                let mut trial = first.stands.clone();
                trial[k] = other;
                trials.push(trial);
                places.push((k, other));
            }
        }
    }
    let mut together = first.stands.clone();
    let mut best = vec![value; together.len()];
    for ((k, other), figure) in places.into_iter().zip(solve(&trials)) {
        if let Some(figure) = figure
            && further(figure, best[k])
        {
            best[k] = figure;
            together[k] = other;
        }
    }
    let first = Solved {
        swept: true,
        ..first
    };
    if together == first.stands {
        return first;
    }
    match solve(std::slice::from_ref(&together))[0] {
        Some(figure) if further(figure, value) => Solved {
            stands: together,
            value: Some(figure),
            swept: true,
        },
        _ => first,
    }
}
