//! The composite characteristic of a push-pull pair: the two valves as one.
//!
//! ```text
//! i(v, e) = i_w(v, b + e) - i_w(2V - v, b - e)        composite current against anode volts of one half
//! i = (V - v) / (R_aa / 4)                            composite load line
//! ```
//!
//! Symbols   V supply, b bias of both, e drive at each grid in opposition, V;  v anode volts of the first
//!           valve;  i_w of the section;  R_aa load from anode to anode, Ω
//! Source    Thompson, Proc. IRE 21 (1933) 591 (from memory)
//! Valid     like valves, halves of the primary coupled to each other without leakage, no winding resistance

use serde::Serialize;

use super::load_line::{SAMPLES, Swing, grid_cycle};
use super::{Point, Section, rises_through_zero};

/// The question.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PairOf {
    /// Supply, V.
    pub supply: f64,
    /// Load from anode to anode, Ω.
    pub ohms: f64,
    /// Grid to cathode of both, V.
    pub bias: f64,
    /// Peak of the drive at each grid, V; none: until the grid is at the cathode's volts.
    pub swing: Option<f64>,
}

/// The answer, SI.
#[derive(Clone, Debug, Serialize)]
pub struct Pair {
    /// Supply, V.
    pub supply: f64,
    /// Load from anode to anode, Ω.
    pub ohms: f64,
    /// One valve at rest.
    pub rest: Point,
    /// Anode dissipation of one valve there, W; of a strapped pentode with its screen.
    pub p_a: f64,
    /// Slope of the composite line through rest, as a resistance, Ω.
    pub ra: f64,
    /// Composite curves, a drive each.
    pub curves: Vec<Composite>,
    /// Where the load line meets each of them.
    pub points: Vec<PairPoint>,
    /// A sine on the grids; none where they rest at or above the cathode's volts.
    pub swing: Option<Swing>,
}

/// One composite curve.
#[derive(Clone, Debug, Serialize)]
pub struct Composite {
    /// Drive at each grid, V.
    pub drive: f64,
    /// `[points]` anode volts of the first valve, V.
    pub v_a: Vec<f64>,
    /// `[points]` composite current, A.
    pub current: Vec<f64>,
}

/// Both valves where the load line meets a composite curve.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct PairPoint {
    /// Drive at each grid, V.
    pub drive: f64,
    /// Composite current, A.
    pub current: f64,
    /// The valve whose grid is driven upwards.
    pub first: Point,
    /// The other.
    pub second: Point,
}

/// Points of a composite curve.
const POINTS: usize = 200;

impl PairOf {
    /// The composite characteristic of two such sections, with a curve for each of these drives, V.
    pub fn run(&self, section: &Section<'_>, drives: &[f64]) -> Pair {
        let rest = section.at(self.supply, self.bias);
        let slopes = section.winding(self.supply, self.bias);
        let curve = |&drive: &f64| {
            let v_a: Vec<f64> = (0..=POINTS)
                .map(|k| 2.0 * self.supply * (k as f64 / POINTS as f64))
                .collect();
            Composite {
                drive,
                current: v_a
                    .iter()
                    .map(|&v| self.current(section, v, drive))
                    .collect(),
                v_a,
            }
        };
        Pair {
            supply: self.supply,
            ohms: self.ohms,
            p_a: rest.v_a * rest.i_a,
            ra: 0.5 / slopes.by_anode,
            curves: drives.iter().map(curve).collect(),
            points: drives.iter().map(|&e| self.point(section, e)).collect(),
            swing: self.swing(section),
            rest,
        }
    }

    fn current(&self, section: &Section<'_>, v: f64, drive: f64) -> f64 {
        let first = section.winding(v, self.bias + drive).current;
        first
            - section
                .winding(2.0 * self.supply - v, self.bias - drive)
                .current
    }

    fn point(&self, section: &Section<'_>, drive: f64) -> PairPoint {
        let half = 0.25 * self.ohms;
        let v = rises_through_zero((0.0, 2.0 * self.supply), |v| {
            self.current(section, v, drive) - (self.supply - v) / half
        });
        PairPoint {
            drive,
            current: (self.supply - v) / half,
            first: section.at(v, self.bias + drive),
            second: section.at(2.0 * self.supply - v, self.bias - drive),
        }
    }

    fn swing(&self, section: &Section<'_>) -> Option<Swing> {
        let drive = self.swing.unwrap_or(-self.bias);
        if drive <= 0.0 {
            return None;
        }
        let cycle: Vec<Point> = grid_cycle(drive)
            .map(|e| self.point(section, e).first)
            .collect();
        let volts: Vec<f64> = cycle.iter().map(|point| self.supply - point.v_a).collect();
        let mean = cycle.iter().map(|point| point.i_a).sum::<f64>() / SAMPLES as f64;
        Some(Swing::new(drive, &cycle, &volts, (0.25 * self.ohms, mean)))
    }
}
