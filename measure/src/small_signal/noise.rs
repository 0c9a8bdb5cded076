//! How much noise the amplifier makes by itself, and which part makes it.
//!
//! ```text
//! U² = ∫ Σ_k S_k(f) |T_k(f)|² df,   T_k transfer from the noise source k to the load
//! ```
//!
//! All transfers at one frequency come from one solution of the transposed equations. The integral is
//! taken over ln f, where hum filters and transformers make gentle curves of f·S, by Simpson's rule on a
//! grid that is halved until neither the weighted nor the unweighted result moves any more.
//!
//! Symbols   S_k density of the source, A²/Hz or V²/Hz, see `noise/sources.rs`;  U rms volts
//! Source    signal-to-noise ratio: IEC 60268-3; transposed solution: Rohrer, Nagel, Meyer & Weber, IEEE
//!           J. Solid-State Circuits 6 (1971) 204 (both from memory)
//! Valid     at rest: noise is small and every source knows nothing of the others
//! Care      hum, microphony, crackling joints and the excess noise of composition resistors under volts
//!           are not in it: a real amplifier is noisier

use nalgebra::Complex;
use serde::Serialize;

use crate::instruments::weighting::a_weighting;
use crate::{Measurement, Progress, UnderTest};
use sim::circuit::{Circuit, NodeId, PartId};
use sim::error::SimError;
use sim::small_signal::Excitation;

mod sources;

pub use sources::NoiseKind;
use sources::Source;

/// Room temperature, K: 20 °C.
pub const ROOM: f64 = 293.0;

/// Frequency below which flicker noise is louder than the shot noise of a valve, Hz, of types of which nothing is published:
/// the general expectation. Measured
/// corners of oxide cathodes lie between some hundred hertz and ten kilohertz and differ more between
/// samples than between types (common practice, no source).
pub const FLICKER_CORNER: f64 = 1e3;

/// The question.
#[derive(Clone, Debug)]
pub struct NoiseOf {
    /// The generator, a source; it is at rest and its resistance makes noise.
    pub generator: PartId,
    /// The ends of the load.
    pub load: (NodeId, NodeId),
    /// Rated load, Ω.
    pub load_ohms: f64,
    /// Test frequency, at which densities and gain are stated, Hz.
    pub frequency: f64,
    /// The band, Hz.
    pub from: f64,
    /// Its end, Hz.
    pub to: f64,
    /// Temperature of all resistances, K.
    pub temperature: f64,
    /// Corner of the flicker noise of all valves, Hz, zero for none. Without it each type has its own where its noise is
    /// published, and [`FLICKER_CORNER`] else.
    pub flicker_corner: Option<f64>,
}

/// The answer. SI units, rms.
#[derive(Clone, Debug, Serialize)]
pub struct Noise {
    /// The band, Hz.
    pub from: f64,
    /// Its end, Hz.
    pub to: f64,
    /// Temperature of all resistances, K.
    pub temperature: f64,
    /// Corner of the flicker noise of valves that have none of their own, Hz.
    pub flicker_corner: f64,
    /// Valves whose own corner was taken.
    pub own_corners: Vec<OwnCorner>,
    /// Rated load, Ω.
    pub load_ohms: f64,
    /// Test frequency, Hz.
    pub frequency: f64,
    /// At the load in the band, V.
    pub output_rms: f64,
    /// At the load in the band, A-weighted, V.
    pub output_a_rms: f64,
    /// At the load at the test frequency, V/√Hz.
    pub density: f64,
    /// Volts at the load for each volt of the generator, at the test frequency.
    pub gain: f64,
    /// The generator's volts that would give as much, by the gain at the test frequency; none when no
    /// signal reaches the load.
    pub input_rms: Option<f64>,
    /// The generator's volts that would give as much A-weighted, V.
    pub input_a_rms: Option<f64>,
    /// The density referred to the generator, V/√Hz.
    pub input_density: Option<f64>,
    /// Every source, the loudest in the band first.
    pub contributions: Vec<Contribution>,
    /// Every part with all its sources, the loudest first.
    pub parts: Vec<PartShare>,
    /// Density against frequency.
    pub spectrum: Vec<Density>,
    /// Frequencies solved.
    pub frequencies: usize,
    /// Change of the integral at the last halving of the grid, relative.
    pub change: f64,
}

/// A valve of a type whose noise is published.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct OwnCorner {
    /// Designator.
    pub part: String,
    /// Type designation.
    pub kind: String,
    /// Where its flicker noise equals its shot noise, Hz.
    pub corner: f64,
}

/// What one source gives.
#[derive(Clone, Debug, Serialize)]
pub struct Contribution {
    /// Designator.
    pub part: String,
    /// Which resistance of the part, where it has several; else empty.
    pub place: String,
    /// What kind of noise.
    pub kind: NoiseKind,
    /// At the load in the band, V rms.
    pub output_rms: f64,
    /// Share of the noise power in the band.
    pub share: f64,
    /// Share of the A-weighted noise power.
    pub share_a: f64,
    /// V/√Hz at the load, at the frequencies of the spectrum.
    #[serde(skip)]
    pub densities: Vec<f64>,
}

/// All noise of one part.
#[derive(Clone, Debug, Serialize)]
pub struct PartShare {
    /// Designator.
    pub part: String,
    /// Share of the noise power in the band.
    pub share: f64,
    /// Share of the A-weighted noise power.
    pub share_a: f64,
}

/// Noise at one frequency.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Density {
    /// Hz.
    pub frequency: f64,
    /// At the load, V/√Hz.
    pub density: f64,
}

/// Frequencies a decade to begin with, and of the spectrum handed out.
const POINTS: f64 = 32.0;

/// Change of the integral that ends the halving. Simpson's error falls sixteenfold at each, so what is
/// left is a few millionths: nothing in decibels.
const CHANGE: f64 = 1e-4;

/// Halvings at most: 8192 frequencies a decade.
const HALVINGS: u32 = 8;

impl Noise {
    /// Signal-to-noise ratio of a sine of the generator, V rms, by the gain at the test frequency, dB: unweighted and
    /// A-weighted; none where no signal reaches the load.
    pub fn at_input_db(&self, volts: f64) -> Option<(f64, f64)> {
        let db = |noise: f64| 20.0 * (volts / noise).log10();
        Some((db(self.input_rms?), db(self.input_a_rms?)))
    }

    /// Signal-to-noise ratio of a power into the rated load, dB: unweighted and A-weighted.
    pub fn signal_to_noise_db(&self, power: f64) -> (f64, f64) {
        let db = |noise: f64| 10.0 * (power * self.load_ohms / (noise * noise)).log10();
        (db(self.output_rms), db(self.output_a_rms))
    }
}

impl NoiseOf {
    /// The question the bench of an amplifier file asks, from 20 Hz to 20 kHz at room temperature.
    pub fn bench(bench: &sim::amplifier::Bench) -> Self {
        Self {
            generator: bench.generator,
            load: bench.load_nodes,
            load_ohms: bench.load_ohms,
            frequency: bench.frequency,
            from: 20.0,
            to: 20e3,
            temperature: ROOM,
            flicker_corner: None,
        }
    }
}

impl Measurement for NoiseOf {
    type Answer = Noise;

    /// Answers; one factorisation a frequency.
    ///
    /// # Errors
    /// [`SimError::Oscillates`] when the amplifier does so by itself.
    fn ask(&self, of: &UnderTest<'_>, _: &Progress<'_>) -> Result<Noise, SimError> {
        of.lasts()?;
        let state = of.rest.mean_state();
        let sources = sources::all(of.circuit, of.system, &state, self.temperature);
        let mut linear = of.linearised();
        let mut densities = |frequency: f64| -> Result<Vec<f64>, SimError> {
            linear.tune(frequency)?;
            let transfers = linear.transfers(self.load.0, self.load.1);
            let density = |source: &Source| {
                let transfer: Complex<f64> = source
                    .into
                    .iter()
                    .map(|&(of, share)| transfers.from_equation(of) * share)
                    .sum();
                transfer.norm_sqr() * source.density_at(frequency, self.flicker_corner)
            };
            Ok(sources.iter().map(density).collect())
        };
        let at_test: f64 = densities(self.frequency)?.iter().sum();
        let band = Integral::over((self.from, self.to), sources.len(), &mut densities)?;
        linear.tune(self.frequency)?;
        let x = linear.response(Excitation::Source(self.generator))?;
        let gain = linear.voltage(&x, self.load.0, self.load.1).norm();
        Ok(self.answer(of.circuit, &sources, &band, at_test, gain))
    }
}

impl NoiseOf {
    /// The valves whose own corner was taken; none where one was asked for.
    fn own_corners(&self, circuit: &Circuit, sources: &[Source]) -> Vec<OwnCorner> {
        let own = sources.iter().filter_map(|source| {
            let corner = source
                .own_corner
                .filter(|_| self.flicker_corner.is_none())?;
            let placed = circuit.part(source.part);
            Some(OwnCorner {
                part: placed.name.clone(),
                kind: placed.part.valve()?.kind.name.clone(),
                corner,
            })
        });
        own.collect()
    }

    fn answer(
        &self,
        circuit: &Circuit,
        sources: &[Source],
        band: &Integral,
        at_test: f64,
        gain: f64,
    ) -> Noise {
        let (all, all_a): (f64, f64) = (band.plain.iter().sum(), band.weighted.iter().sum());
        let share = |part: f64, all: f64| if all > 0.0 { part / all } else { 0.0 };
        let mut contributions: Vec<Contribution> = sources
            .iter()
            .enumerate()
            .map(|(k, source)| Contribution {
                part: circuit.part(source.part).name.clone(),
                place: source.place.clone(),
                kind: source.kind,
                output_rms: band.plain[k].max(0.0).sqrt(),
                share: share(band.plain[k], all),
                share_a: share(band.weighted[k], all_a),
                densities: band.spectrum.iter().map(|(_, s)| s[k].sqrt()).collect(),
            })
            .collect();
        let mut parts: Vec<PartShare> = Vec::new();
        for Contribution {
            part,
            share,
            share_a,
            ..
        } in &contributions
        {
            if let Some(known) = parts.iter_mut().find(|of| of.part == *part) {
                known.share += share;
                known.share_a += share_a;
            } else {
                parts.push(PartShare {
                    part: part.clone(),
                    share: *share,
                    share_a: *share_a,
                });
            }
        }
        contributions.retain(|of| of.share > 0.0);
        contributions.sort_by(|a, b| b.share.total_cmp(&a.share));
        parts.sort_by(|a, b| b.share.total_cmp(&a.share));
        let (output_rms, output_a_rms, density) = (all.sqrt(), all_a.sqrt(), at_test.sqrt());
        let referred = |volts: f64| (gain > 0.0).then_some(volts / gain);
        Noise {
            from: self.from,
            to: self.to,
            temperature: self.temperature,
            flicker_corner: self.flicker_corner.unwrap_or(FLICKER_CORNER),
            own_corners: self.own_corners(circuit, sources),
            load_ohms: self.load_ohms,
            frequency: self.frequency,
            output_rms,
            output_a_rms,
            density,
            gain,
            input_rms: referred(output_rms),
            input_a_rms: referred(output_a_rms),
            input_density: referred(density),
            contributions,
            parts,
            spectrum: band
                .spectrum
                .iter()
                .map(|(frequency, densities)| Density {
                    frequency: *frequency,
                    density: densities.iter().sum::<f64>().sqrt(),
                })
                .collect(),
            frequencies: band.frequencies,
            change: band.change,
        }
    }
}

/// Noise powers over the band, source by source.
struct Integral {
    /// `[sources]` V².
    plain: Vec<f64>,
    /// `[sources]` A-weighted, V².
    weighted: Vec<f64>,
    /// The first grid: Hz, and `[sources]` V²/Hz.
    spectrum: Vec<(f64, Vec<f64>)>,
    frequencies: usize,
    change: f64,
}

impl Integral {
    fn over(
        (from, to): (f64, f64),
        count: usize,
        densities: &mut impl FnMut(f64) -> Result<Vec<f64>, SimError>,
    ) -> Result<Self, SimError> {
        let span = (to / from).ln();
        let mut steps = (POINTS * (to / from).log10()).ceil().max(2.0) as u32;
        // Both integrals in one list: the plain ones and then the weighted.
        let add = |sum: &mut [f64], share: f64, frequency: f64, densities: &[f64]| {
            let weight = a_weighting(frequency).powi(2);
            for (k, density) in densities.iter().enumerate() {
                sum[k] += share * frequency * density;
                sum[count + k] += share * frequency * density * weight;
            }
        };
        let frequency = |part: f64| from * (span * part).exp();

        let mut trapezium = vec![0.0; 2 * count];
        let mut spectrum = Vec::with_capacity(steps as usize + 1);
        for k in 0..=steps {
            let at = frequency(f64::from(k) / f64::from(steps));
            let found = densities(at)?;
            let end = if k == 0 || k == steps { 0.5 } else { 1.0 };
            add(&mut trapezium, end * span / f64::from(steps), at, &found);
            spectrum.push((at, found));
        }
        let mut frequencies = spectrum.len();
        let mut simpson = trapezium.clone();
        let mut change = f64::INFINITY;
        for halving in 0..HALVINGS {
            let mut between = vec![0.0; 2 * count];
            for k in 0..steps {
                let at = frequency((f64::from(k) + 0.5) / f64::from(steps));
                let share = span / f64::from(steps);
                add(&mut between, share, at, &densities(at)?);
            }
            frequencies += steps as usize;
            steps *= 2;
            let finer: Vec<f64> = trapezium
                .iter()
                .zip(&between)
                .map(|(coarse, between)| 0.5 * (coarse + between))
                .collect();
            let better: Vec<f64> = trapezium
                .iter()
                .zip(&finer)
                .map(|(coarse, fine)| (4.0 * fine - coarse) / 3.0)
                .collect();
            change = moved(&simpson[..count], &better[..count])
                .max(moved(&simpson[count..], &better[count..]));
            (trapezium, simpson) = (finer, better);
            // The first comparison is of different rules.
            if halving > 0 && change < CHANGE {
                break;
            }
        }
        let weighted = simpson.split_off(count);
        Ok(Self {
            plain: simpson,
            weighted,
            spectrum,
            frequencies,
            change,
        })
    }
}

/// Relative change of the sum.
fn moved(before: &[f64], after: &[f64]) -> f64 {
    let (before, after): (f64, f64) = (before.iter().sum(), after.iter().sum());
    if after > 0.0 {
        (before / after - 1.0).abs()
    } else {
        0.0
    }
}
