//! What counts as a change.
//!
//! A figure moves when it differs by a step or more: 1 % of a share, 0.1 dB, 1 dB of a gain margin, 1°, one point of a percentage. That
//! is a thousand times and more what the solver leaves open, half of what a service meter shows, and a tenth of what
//! valves of one type differ by; smaller changes are real in the equations and idle on the bench.
//!
//! Source   ours; meters and spread of valves common practice, no source

use serde::Serialize;

use super::figures::{Reading, Scale};

/// A share that counts as a step.
const SHARE: f64 = 0.01;
/// Decibels that do.
const DECIBELS: f64 = 0.1;
/// Decibels of a gain margin that do: nobody designs one closer.
const MARGIN: f64 = 1.0;
/// Degrees that do.
const DEGREES: f64 = 1.0;
/// Points of a percentage that do.
const POINTS: f64 = 0.01;

/// Steps that stand for a figure there is on one side only: those of ten times as much.
const THERE_OR_NOT: f64 = 231.0;

/// The steps in words.
pub fn shares() -> String {
    format!(
        "{} % (a point of a balance), {DECIBELS} dB ({MARGIN} dB of gain margin) or {DEGREES}°",
        100.0 * SHARE
    )
}

/// A figure that moves.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Shift {
    /// Its name.
    pub figure: String,
    /// Symbol of its unit; `dB`, `°`, empty of a ratio.
    pub unit: &'static str,
    /// With the part; none where there is no such figure.
    pub with: Option<f64>,
    /// Without it.
    pub without: Option<f64>,
    /// By how many steps it moves.
    pub steps: f64,
    /// How it is counted.
    #[serde(skip)]
    pub scale: Scale,
}

/// Every figure that moves, those that move most first.
pub(super) fn changes(with: &[Reading], without: &[Reading]) -> Vec<Shift> {
    let mut changes: Vec<Shift> = with
        .iter()
        .filter_map(|drawn| {
            let now = without.iter().find(|now| now.figure == drawn.figure)?;
            let steps = steps(drawn, now);
            (steps >= 1.0).then(|| Shift {
                figure: drawn.figure.clone(),
                unit: drawn.unit,
                with: drawn.value,
                without: now.value,
                steps,
                scale: drawn.scale,
            })
        })
        .collect();
    // And what there is only without the part.
    let new = without
        .iter()
        .filter(|now| now.value.is_some())
        .filter(|now| !with.iter().any(|drawn| drawn.figure == now.figure))
        .map(|now| Shift {
            figure: now.figure.clone(),
            unit: now.unit,
            with: None,
            without: now.value,
            steps: THERE_OR_NOT,
            scale: now.scale,
        });
    changes.extend(new);
    changes.sort_by(|a, b| b.steps.total_cmp(&a.steps));
    changes
}

/// By how many steps two readings of one figure differ.
pub(super) fn steps(a: &Reading, b: &Reading) -> f64 {
    let bound = |reading: &Reading| reading.value.or(reading.beyond);
    let (Some(x), Some(y)) = (bound(a), bound(b)) else {
        return if a.value.is_some() == b.value.is_some() {
            0.0
        } else {
            THERE_OR_NOT
        };
    };
    let apart = (x - y).abs();
    match a.scale {
        Scale::Decibels => apart / DECIBELS,
        Scale::Margin => apart / MARGIN,
        Scale::Degrees => apart / DEGREES,
        Scale::Points => apart / POINTS,
        Scale::Share { least } => {
            let (low, high) = (x.abs().min(y.abs()), x.abs().max(y.abs()));
            if apart <= least {
                0.0
            } else if x * y <= 0.0 {
                // From nothing, or through it: counted from where the figure begins.
                (apart / least.max(f64::MIN_POSITIVE))
                    .ln()
                    .clamp(0.0, 700.0)
                    / SHARE.ln_1p()
            } else {
                (high / low.max(least)).ln().max(0.0) / SHARE.ln_1p()
            }
        }
    }
}
