//! The load line of one valve: its working point, and what a swing along it brings.
//!
//! ```text
//! resistor      v_a = V - v_k - R i_w
//! transformer   v_a = V - v_k - R (i_w - i_w0)
//! ```
//!
//! Symbols   V supply, R load, v_k volts of the cathode resistor, if any;  i_w current of the winding or
//!           resistor, i_w0 at rest
//! Source    definitions; harmonics by Fourier's integral over the line at a sine on the grid
//! Valid     a load that is a resistance; windings without resistance; the cathode resistor bypassed;
//!           no grid current in the source

use serde::Serialize;

use super::{Point, Section, rises_through_zero};
use sim::spectrum::Spectrum;

/// What sets the grid volts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Bias {
    /// Grid to cathode, V.
    Grid(f64),
    /// A resistor in the cathode, Ω, the grid at the chassis.
    Cathode(f64),
}

/// How the load is joined to the anode.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Coupling {
    /// It carries the anode current from the supply.
    Resistor,
    /// The anode rests at the volts of the supply.
    Transformer,
}

/// The question.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LoadLineOf {
    /// Supply, V.
    pub supply: f64,
    /// Load, Ω.
    pub ohms: f64,
    /// How it is joined.
    pub coupling: Coupling,
    /// The bias.
    pub bias: Bias,
    /// Peak of the swing at the grid, V; none: until the grid is at the cathode's volts.
    pub swing: Option<f64>,
}

/// The answer, SI.
#[derive(Clone, Debug, Serialize)]
pub struct LoadLine {
    /// Supply, V.
    pub supply: f64,
    /// Load, Ω.
    pub ohms: f64,
    /// True when the load is joined by a transformer.
    pub transformer: bool,
    /// Volts of the cathode resistor; none without one.
    pub v_k: Option<f64>,
    /// The working point.
    pub rest: Point,
    /// Anode dissipation there, W; of a strapped pentode with its screen.
    pub p_a: f64,
    /// Mutual conductance there, S, anode and load winding alone.
    pub gm: f64,
    /// Anode resistance there, Ω.
    pub ra: f64,
    /// Points on the line, at the grid volts of the family.
    pub points: Vec<Point>,
    /// A sine on the grid; none where the grid rests at or above the cathode's volts.
    pub swing: Option<Swing>,
}

/// What a sine on the grid brings. Amplitudes are peaks.
#[derive(Clone, Debug, Serialize)]
pub struct Swing {
    /// At the grid, V; in a pair, at each grid.
    pub drive: f64,
    /// Least anode volts, V.
    pub v_a_least: f64,
    /// Greatest anode volts, V.
    pub v_a_most: f64,
    /// Fundamental across the load, V; in a pair, across half of the primary.
    pub fundamental: f64,
    /// Volts across the load for a volt at the grid, fundamental, a ratio.
    pub gain: f64,
    /// Power of the fundamental in the load, W.
    pub power: f64,
    /// Second to fifth harmonic against the fundamental, ratios.
    pub harmonics: Vec<f64>,
    /// Total harmonic distortion, a ratio.
    pub thd: f64,
    /// Mean current of the supply into one valve's anode, A.
    pub i_mean: f64,
}

/// Samples of a swing: harmonics of what can be cut off and kneed fold back far below the fifth.
pub(super) const SAMPLES: usize = 256;

/// Highest harmonic told.
pub(super) const HARMONICS: u32 = 5;

impl LoadLineOf {
    /// Draws the line of a section through the grid volts of a family.
    pub fn run(&self, section: &Section<'_>, grid: &[f64]) -> LoadLine {
        let (v_k, v_g) = match self.bias {
            Bias::Grid(volts) => (0.0, volts),
            Bias::Cathode(ohms) => {
                let v_k = rises_through_zero((0.0, self.supply), |v_k| {
                    let v_a = self.rests_at(section, self.supply - v_k, -v_k);
                    v_k - ohms * section.cathode(v_a, -v_k)
                });
                (v_k, -v_k)
            }
        };
        let supply = self.supply - v_k;
        let v_a = self.rests_at(section, supply, v_g);
        let rest = section.at(v_a, v_g);
        let slopes = section.winding(v_a, v_g);
        let line = |v_g: f64| {
            let v_a = match self.coupling {
                Coupling::Resistor => self.rests_at(section, supply, v_g),
                Coupling::Transformer => {
                    // The iron gives the volts back that the load has taken: up to twice the supply
                    // and beyond it by what the rest current can drive through the load.
                    let top = v_a + self.ohms * slopes.current;
                    rises_through_zero((0.0, top), |v| {
                        section.winding(v, v_g).current - slopes.current + (v - v_a) / self.ohms
                    })
                }
            };
            section.at(v_a, v_g)
        };
        LoadLine {
            supply: self.supply,
            ohms: self.ohms,
            transformer: self.coupling == Coupling::Transformer,
            v_k: matches!(self.bias, Bias::Cathode(_)).then_some(v_k),
            p_a: rest.v_a * rest.i_a,
            gm: slopes.by_grid,
            ra: slopes.by_anode.recip(),
            points: grid.iter().map(|&v_g| line(v_g)).collect(),
            swing: self.swing(rest, line),
            rest,
        }
    }

    /// Anode volts where the section rests, V.
    fn rests_at(&self, section: &Section<'_>, supply: f64, v_g: f64) -> f64 {
        match self.coupling {
            Coupling::Transformer => supply,
            Coupling::Resistor => rises_through_zero((0.0, supply.max(0.0)), |v_a| {
                section.winding(v_a, v_g).current - (supply - v_a) / self.ohms
            }),
        }
    }

    fn swing(&self, rest: Point, line: impl Fn(f64) -> Point) -> Option<Swing> {
        let drive = self.swing.unwrap_or(-rest.v_g);
        if drive <= 0.0 {
            return None;
        }
        let cycle: Vec<Point> = grid_cycle(drive).map(|e| line(rest.v_g + e)).collect();
        let volts: Vec<f64> = cycle.iter().map(|point| rest.v_a - point.v_a).collect();
        let mean = cycle.iter().map(|point| point.i_a).sum::<f64>() / SAMPLES as f64;
        Some(Swing::new(drive, &cycle, &volts, (self.ohms, mean)))
    }
}

/// A sine of that peak on the grid, V `[SAMPLES]`.
pub(super) fn grid_cycle(drive: f64) -> impl Iterator<Item = f64> {
    (0..SAMPLES).map(move |k| drive * (std::f64::consts::TAU * k as f64 / SAMPLES as f64).sin())
}

impl Swing {
    /// From one valve's points over a cycle and the volts across its load.
    pub(super) fn new(
        drive: f64,
        cycle: &[Point],
        volts: &[f64],
        (ohms, i_mean): (f64, f64),
    ) -> Self {
        let spectrum = Spectrum::of_period(volts);
        let fundamental = spectrum.fundamental();
        let anode = cycle.iter().map(|point| point.v_a);
        Self {
            drive,
            v_a_least: anode.clone().fold(f64::INFINITY, f64::min),
            v_a_most: anode.fold(f64::NEG_INFINITY, f64::max),
            fundamental,
            gain: fundamental / drive,
            power: 0.5 * fundamental * fundamental / ohms,
            harmonics: (2..=HARMONICS).map(|k| spectrum.ratio(k)).collect(),
            thd: spectrum.thd(),
            i_mean,
        }
    }
}
