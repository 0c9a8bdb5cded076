//! Gain and phase against frequency for small signals, and where they leave the band.
//!
//! ```text
//! H(f) = U_out / E,   gain in dB = 20·log₁₀|H|
//! ```
//!
//! Symbols   E  electromotive force of the generator, V;  U_out  volts of an output, V
//! Source    IEC 60268-3: gain-limited effective frequency range, against the gain at a reference
//!           frequency (terms; from memory)
//! Valid     signals that change no slope of a valve or a core
//! Care      limits and peaks are solved for on H itself; the grid only brackets them, so a resonance
//!           narrower than a step of it (1.2 %) may be passed over
//!
//! Cost: one factorisation and solution for every point of the grid and every step of a search.

use nalgebra::Complex;
use serde::Serialize;

use crate::instruments::logarithmic::{decibels, spaced};
use crate::{Measurement, Progress, UnderTest};
use sim::amplifier::Bench;
use sim::circuit::{Circuit, NodeId, PartId};
use sim::error::{Question, SimError};
use sim::small_signal::{Excitation, SmallSignal};

mod band;
mod deviation;
pub mod equalisation;

pub use band::{Fall, Peak};
pub use deviation::Deviation;
use equalisation::Target;

/// Points of the grid in a decade.
pub const POINTS_A_DECADE: f64 = 200.0;

/// Frequencies of the table, Hz: the octaves of ISO 266 (preferred frequencies; from memory) and both
/// ends of the band that is heard.
pub const STANDARD: [f64; 13] = [
    16.0, 20.0, 31.5, 63.0, 125.0, 250.0, 500.0, 1e3, 2e3, 4e3, 8e3, 16e3, 20e3,
];

/// Gain below which nothing is said to arrive, a ratio: the rounding of a solution.
const NOTHING: f64 = 1e-15;

/// Phase at the reference is stated from this upwards, degrees: an inverting stage stands at 180, one that
/// does not at 0, and neither flips where it is a few degrees off.
const LEAST_PHASE: f64 = -135.0;

/// The question.
#[derive(Clone, Debug)]
pub struct ResponseOf {
    /// The generator, a source.
    pub generator: PartId,
    /// Where the output is taken.
    pub outputs: Vec<Output>,
    /// Least frequency of the grid, Hz.
    pub from: f64,
    /// Greatest, Hz.
    pub to: f64,
    /// Frequency the gain is stated at and the limits are counted from, Hz.
    pub reference: f64,
    /// What the response should be.
    pub target: Option<Target>,
}

/// A voltage with a name.
#[derive(Clone, Debug)]
pub struct Output {
    /// What it is called.
    pub name: String,
    /// From the first node to the second.
    pub nodes: (NodeId, NodeId),
}

/// Gain and phase of one output. SI units, levels in dB, angles in degrees.
#[derive(Clone, Debug, Serialize)]
pub struct Response {
    /// The output.
    pub output: String,
    /// Magnitude at the reference, a ratio.
    pub gain: f64,
    /// That magnitude, dB.
    pub gain_db: f64,
    /// Phase there, degrees.
    pub phase_degrees: f64,
    /// Where the gain has fallen by 1 dB and by 3 dB, which is half the power.
    pub falls: Vec<Fall>,
    /// Peaks, in rising frequency.
    pub peaks: Vec<Peak>,
    /// At standard frequencies.
    pub table: Vec<Row>,
    /// From what it should be; none without a target.
    pub deviation: Option<Deviation>,
    /// `[grid]` gain, dB.
    #[serde(rename = "gains_db")]
    pub gains: Vec<f64>,
    /// `[grid]` phase without jumps, degrees.
    #[serde(rename = "phases_degrees")]
    pub phases: Vec<f64>,
}

/// A line of the table.
#[derive(Clone, Debug, Serialize)]
pub struct Row {
    /// Hz.
    pub frequency: f64,
    /// dB.
    pub gain_db: f64,
    /// dB, against the gain at the reference.
    pub relative_db: f64,
    /// Degrees.
    pub phase_degrees: f64,
}

impl Measurement for ResponseOf {
    type Answer = Vec<Response>;

    /// Answers for every output; one factorisation a frequency.
    ///
    /// # Errors
    /// [`SimError::Oscillates`] when the amplifier does so by itself; [`Question::NoSignal`] when nothing
    /// reaches an output.
    fn ask(&self, of: &UnderTest<'_>, _: &Progress<'_>) -> Result<Vec<Response>, SimError> {
        of.lasts()?;
        let linear = of.linearised();
        let outputs = self.outputs.iter();
        outputs
            .map(|output| {
                let probe = Probe {
                    linear: linear.clone(),
                    generator: self.generator,
                    nodes: output.nodes,
                };
                self.answer(output, probe)
            })
            .collect()
    }
}

impl ResponseOf {
    /// The question the bench of an amplifier file asks: the load, over `band`, Hz.
    pub fn bench(circuit: &Circuit, bench: &Bench, band: (f64, f64)) -> Self {
        Self {
            generator: bench.generator,
            outputs: vec![Output {
                name: circuit.part(bench.load).name.clone(),
                nodes: bench.load_nodes,
            }],
            from: band.0,
            to: band.1,
            reference: bench.frequency,
            target: None,
        }
    }

    /// `[points]` frequencies of the grid, Hz: equal ratios, both ends included.
    pub fn grid(&self) -> Vec<f64> {
        spaced(self.from, self.to, POINTS_A_DECADE)
    }

    fn answer(&self, output: &Output, mut probe: Probe<'_>) -> Result<Response, SimError> {
        let grid = self.grid();
        let at_reference = probe.at(self.reference)?;
        if at_reference.norm() < NOTHING {
            return Err(SimError::Question(Question::NoSignal));
        }
        let transfers = grid
            .iter()
            .map(|frequency| probe.at(*frequency))
            .collect::<Result<Vec<_>, _>>()?;
        let gains: Vec<f64> = transfers.iter().map(|t| decibels(t.norm())).collect();
        let reference = (self.reference, decibels(at_reference.norm()));
        let phases = without_jumps(&grid, &transfers, (self.reference, at_reference));
        let falls = band::falls(&mut probe, (&grid, &gains), reference)?;
        let peaks = band::peaks(&mut probe, (&grid, &gains), reference, &falls)?;
        let table = STANDARD
            .into_iter()
            .map(|frequency| {
                let transfer = probe.at(frequency)?;
                let gain_db = decibels(transfer.norm());
                let near = grid.partition_point(|f| *f < frequency).min(grid.len() - 1);
                Ok(Row {
                    frequency,
                    gain_db,
                    relative_db: gain_db - reference.1,
                    phase_degrees: nearest_turn(degrees(&transfer), phases[near]),
                })
            })
            .collect::<Result<Vec<_>, SimError>>()?;
        let deviation = match &self.target {
            Some(target) => Some(deviation::of(&mut probe, target, (&grid, &gains))?),
            None => None,
        };
        Ok(Response {
            output: output.name.clone(),
            gain: at_reference.norm(),
            gain_db: reference.1,
            phase_degrees: principal(degrees(&at_reference)),
            falls,
            peaks,
            table,
            deviation,
            gains,
            phases,
        })
    }
}

/// The transfer from the generator to one output, at any frequency.
#[derive(Debug)]
struct Probe<'a> {
    linear: SmallSignal<'a>,
    generator: PartId,
    nodes: (NodeId, NodeId),
}

impl Probe<'_> {
    fn at(&mut self, frequency: f64) -> Result<Complex<f64>, SimError> {
        self.linear.tune(frequency)?;
        let x = self.linear.response(Excitation::Source(self.generator))?;
        Ok(self.linear.voltage(&x, self.nodes.0, self.nodes.1))
    }

    /// Gain, dB.
    fn decibels(&mut self, frequency: f64) -> Result<f64, SimError> {
        Ok(decibels(self.at(frequency)?.norm()))
    }
}

fn degrees(transfer: &Complex<f64>) -> f64 {
    transfer.arg().to_degrees()
}

/// An angle turned by whole turns into the one from [`LEAST_PHASE`] upwards.
fn principal(degrees: f64) -> f64 {
    LEAST_PHASE + (degrees - LEAST_PHASE).rem_euclid(360.0)
}

/// An angle turned by whole turns to within half a turn of another.
fn nearest_turn(degrees: f64, other: f64) -> f64 {
    degrees + 360.0 * ((other - degrees) / 360.0).round()
}

/// Phases in which neighbours differ by less than half a turn, going out from the reference.
fn without_jumps(
    grid: &[f64],
    transfers: &[Complex<f64>],
    (reference, at_reference): (f64, Complex<f64>),
) -> Vec<f64> {
    let mut phases: Vec<f64> = transfers.iter().map(degrees).collect();
    let start = principal(degrees(&at_reference));
    let above = grid.partition_point(|frequency| *frequency < reference);
    let mut last = start;
    for phase in &mut phases[above..] {
        *phase = nearest_turn(*phase, last);
        last = *phase;
    }
    last = start;
    for phase in phases[..above].iter_mut().rev() {
        *phase = nearest_turn(*phase, last);
        last = *phase;
    }
    phases
}

#[cfg(test)]
mod tests {
    use super::{nearest_turn, principal, without_jumps};
    use crate::instruments::logarithmic::spaced;
    use nalgebra::Complex;

    #[test]
    fn a_grid_of_whole_decades_meets_them() {
        let points = spaced(1.0, 1e6, 200.0);
        assert_eq!(points.len(), 1201);
        // A power and a product: a few roundings.
        assert!((points[600] / 1e3 - 1.0).abs() < 1e-14);
        assert_eq!(
            (points[0].to_bits(), points[1200].to_bits()),
            (1f64.to_bits(), 1e6f64.to_bits())
        );
        assert_eq!(spaced(10.0, 10.1, 1.0).len(), 2);
    }

    #[test]
    fn phase_goes_round_without_jumping() {
        // Five turns of lag, exactly known.
        let points = spaced(1.0, 1e3, 100.0);
        let lag = |f: f64| -600.0 * (f / 30.0).log10();
        let of = |f: f64| Complex::from_polar(2.0, lag(f).to_radians());
        let transfers: Vec<_> = points.iter().map(|f| of(*f)).collect();
        let phases = without_jumps(&points, &transfers, (30.0, of(30.0)));
        for (f, phase) in points.iter().zip(&phases) {
            // Degrees of an angle of some radians: ten digits are a thousandfold its rounding.
            assert!((phase - lag(*f)).abs() < 1e-9, "{phase} at {f}");
        }
        for (angle, wanted) in [
            (-179.0, 181.0),
            (179.0, 179.0),
            (-48.0, -48.0),
            (540.0, 180.0),
        ] {
            assert!((principal(angle) - wanted).abs() < 1e-12);
        }
        assert!((nearest_turn(10.0, -700.0) + 710.0).abs() < 1e-12);
    }
}
