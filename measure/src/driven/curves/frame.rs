//! How far a picture of characteristics reaches, and at which volts its curves stand.

use super::{Point, Section, rises_through_zero};

/// The extent of a family of characteristics.
#[derive(Clone, Debug, PartialEq)]
pub struct Frame {
    /// Greatest anode volts, V.
    pub anode_to: f64,
    /// Greatest current, A; curves leave the picture there.
    pub current_to: f64,
    /// `[curves]` grid volts, falling.
    pub grid: Vec<f64>,
}

/// Curves a family has at most when nobody says which: more cannot be told apart.
const CURVES: f64 = 10.5;

/// Anode volts beyond the limit that are shown, a ratio: a transformer swings the anode there.
const BEYOND: f64 = 1.2;

/// Anode volts of a type without a limit, V.
const USUAL: f64 = 400.0;

/// Where on the anode axis the uppermost curve of a triode leaves the picture, a ratio.
const LEAVES: f64 = 0.5;

/// Where on the anode axis a valve rests, about, a ratio.
const RESTS: f64 = 0.4;

/// Greatest current shown of the one that is permitted at rest there, a ratio: class AB peaks are less.
const PEAK: f64 = 4.0;

/// Current that counts as none, of the greatest.
const NOTHING: f64 = 0.01;

impl Frame {
    /// The extent for a section: as given, or else by its limits and its cut-off. `shown` points are inside.
    pub fn new(
        section: &Section<'_>,
        grid: Option<Vec<f64>>,
        anode_to: Option<f64>,
        shown: &[Point],
    ) -> Self {
        let most = |figure: fn(&Point) -> f64| shown.iter().map(figure).fold(0.0, f64::max);
        let anode_to = anode_to.unwrap_or_else(|| {
            let limit = section.volts_limit().map_or(USUAL, |volts| BEYOND * volts);
            let volts = limit.max(most(|point| point.v_a));
            let step = round_step(volts / 10.0);
            (volts / step).ceil() * step
        });
        let highest = match &grid {
            Some(grid) => grid.iter().copied().fold(f64::NEG_INFINITY, f64::max),
            None => 0.0,
        };
        let current = section.at(LEAVES * anode_to, highest);
        let curve = match section.watts_limit() {
            // Of a triode's steep curves only what a valve is used for.
            Some(watts) if !section.has_fixed_screen() => {
                current.i_a.min(PEAK * watts / (RESTS * anode_to))
            }
            _ => current.i_a.max(current.i_s),
        };
        let current_to = 1.1 * curve.max(most(|point| point.i_a));
        let grid = grid.unwrap_or_else(|| family(cut_off(section, anode_to, NOTHING * current_to)));
        Self {
            anode_to,
            current_to,
            grid,
        }
    }
}

/// Grid volts at which the section passes so little at these anode volts, V, not above zero.
pub(super) fn cut_off(section: &Section<'_>, v_a: f64, nothing: f64) -> f64 {
    let screen = section.screen.map_or(0.0, |screen| screen.at(v_a));
    // Beyond the anode volts every valve is shut, whatever its amplification factor.
    let shut = -v_a.max(screen);
    rises_through_zero((shut, 0.0), |v_g| section.at(v_a, v_g).i_a - nothing)
}

/// Grid volts in round steps from zero down to about that.
fn family(lowest: f64) -> Vec<f64> {
    let step = least_step(lowest.abs() / CURVES, &[1.0, 2.0, 2.5, 5.0]);
    let count = (lowest.abs() / step).floor().max(1.0) as u32;
    (0..=count).map(|k| -step * f64::from(k)).collect()
}

/// The least of 1, 2 or 5 times a power of ten that is not below `step`.
pub fn round_step(step: f64) -> f64 {
    least_step(step, &[1.0, 2.0, 5.0])
}

/// The least of these times a power of ten that is not below `step`.
fn least_step(step: f64, round: &[f64]) -> f64 {
    let decade = 10.0_f64.powf(step.log10().floor());
    // A hair of room, so that rounding does not make a step the next one.
    let round = round
        .iter()
        .copied()
        .find(|&k| k * decade > step * (1.0 - 1e-9));
    decade * round.unwrap_or(10.0)
}
