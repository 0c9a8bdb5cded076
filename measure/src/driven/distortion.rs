//! Distortion against power and against frequency, intermodulation, power bandwidth, limit in the bass.
//!
//! Distortion against power is the sweep of [`PowerOf`]. The other figures hold the output power (or the
//! peak of the output, with two tones) constant and ask for the drive: at each frequency it is guessed
//! from the gain for small signals and then solved for.
//!
//! Source   IEC 60268-3: total harmonic distortion, modulation distortion, difference-frequency
//!          distortion, power bandwidth (terms and formulas; from memory)

use rayon::prelude::*;
use serde::Serialize;

use crate::driven::power::{Extent, Power, PowerOf};
use crate::{Measurement, Progress, UnderTest};
use sim::amplifier::Amplifier;
use sim::error::SimError;
use sim::parts::Part;

mod constant_power;
mod edge;
mod intermodulation;
mod power_bandwidth;

pub use constant_power::{AtFrequency, Reading, Shortfall, samples_per_cycle};
pub use intermodulation::{AtPeak, Intermodulation, IntermodulationKind, Products, TwoTones};
pub use power_bandwidth::{BassLimit, End, PowerBandwidth};

use constant_power::ConstantPower;

/// Band of the second THD figure, Hz: what distortion meters let through (common practice, no source).
pub const METER_BANDWIDTH: f64 = 80e3;

/// The question.
#[derive(Clone, Debug)]
pub struct DistortionOf {
    /// Generator, load, test frequency and distortion limit.
    pub power: PowerOf,
    /// Frequencies of the curves, Hz; that of the test is added.
    pub frequencies: Vec<f64>,
    /// The two-tone signals.
    pub two_tones: Vec<TwoTones>,
}

/// The answer. SI units; ratios, not per cent.
#[derive(Clone, Debug, Serialize)]
pub struct Distortion {
    /// Against power, at the test frequency: the curve alone, without what gives up and the outputs at other distortions.
    pub against_power: Power,
    /// Against frequency, a curve for each power: one watt, the outputs asked for and the rated power.
    pub against_frequency: Vec<Curve>,
    /// Intermodulation, a signal each.
    pub intermodulation: Vec<Intermodulation>,
    /// Tones from which on, Hz, the supplies stand at the means they have on the mains at that output, their ripple left out: of
    /// two, the upper. None where none does.
    pub supplies_at_means_from: Option<f64>,
    /// None when the distortion limit is not met at the test frequency, and on the mains, where every frequency tried would
    /// be a common period of its own.
    pub power_bandwidth: Option<PowerBandwidth>,
    /// Designators of the cores that can saturate.
    pub saturating_cores: Vec<String>,
    /// Where they do so in the bass, at rated and at half rated power; not sought on the mains.
    pub bass_limits: Vec<BassLimit>,
}

/// Distortion against frequency at one power.
#[derive(Clone, Debug, Serialize)]
pub struct Curve {
    /// Output power, W.
    pub power: f64,
    /// True when that is the rated power, at the distortion limit and the test frequency.
    pub rated: bool,
    /// In rising frequency.
    pub points: Vec<AtFrequency>,
}

/// The limit that saturation sets in the bass to the rated power of a sweep, the first of
/// [`Distortion::bass_limits`]; none without a core that can saturate, or where the sweep found no rated power.
/// Cost: that of a dozen levels at low frequencies.
///
/// # Errors
/// Those of the operating point.
pub fn bass_limit(
    question: &PowerOf,
    of: &UnderTest<'_>,
    power: &Power,
) -> Result<Option<BassLimit>, SimError> {
    let Some(rated) = &power.rated else {
        return Ok(None);
    };
    if rated.cores.is_empty() {
        return Ok(None);
    }
    let levels = ConstantPower::new(question, of, (power, &[]), &|_| ());
    power_bandwidth::bass_limit(&levels, rated.power)
}

impl DistortionOf {
    /// The frequencies of the curves when none are asked for, Hz: every second third-octave of
    /// ISO 266 (from memory).
    pub const FREQUENCIES: [f64; 16] = [
        20.0, 31.5, 50.0, 80.0, 125.0, 200.0, 315.0, 500.0, 800.0, 1250.0, 2000.0, 3150.0, 5000.0,
        8000.0, 12_500.0, 20_000.0,
    ];

    /// Those on the mains, Hz: each level is a period that holds whole cycles of both, so its work grows with the tone, and
    /// twenty kilohertz alone would take as long as all of these.
    pub const ON_THE_MAINS: [f64; 10] = [
        20.0, 30.0, 75.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 5000.0, 10_000.0,
    ];

    /// As near to these as repeats with sixty hertz in a twentieth of a second, Hz; 125 Hz take a fifth.
    pub const ON_SIXTY_HERTZ: [f64; 10] = [
        20.0, 30.0, 90.0, 150.0, 270.0, 510.0, 1000.0, 2000.0, 5000.0, 10_000.0,
    ];

    /// The question the bench of an amplifier asks.
    pub fn bench(amplifier: &Amplifier) -> Self {
        let (frequencies, modulation) = match alternating(amplifier) {
            Some(hertz) if (hertz - SIXTY).abs() < f64::EPSILON => {
                (&Self::ON_SIXTY_HERTZ[..], TwoTones::ON_THE_MAINS)
            }
            Some(_) => (&Self::ON_THE_MAINS[..], TwoTones::ON_THE_MAINS),
            None => (&Self::FREQUENCIES[..], TwoTones::MODULATION),
        };
        Self {
            power: PowerOf::bench(&amplifier.bench),
            frequencies: frequencies.to_vec(),
            two_tones: vec![modulation, TwoTones::DIFFERENCE],
        }
    }
}

/// The lowest tone read with the supplies at their means, Hz.
fn at_means_from(curves: &[Curve], two_tones: &[Intermodulation]) -> Option<f64> {
    let points = curves.iter().flat_map(|curve| &curve.points);
    let sines = points.filter(|at| at.at_means).map(|at| at.frequency);
    let pairs = two_tones.iter().filter(|pair| {
        let products = pair.levels.iter().flat_map(|level| &level.products);
        products.into_iter().any(|products| products.at_means)
    });
    let upper = pairs.map(|pair| pair.upper);
    sines.chain(upper).min_by(f64::total_cmp)
}

/// The mains of half the world, Hz.
const SIXTY: f64 = 60.0;

/// How fast a supply alternates, Hz, the mains or that of a heater; none where none does.
fn alternating(amplifier: &Amplifier) -> Option<f64> {
    let mut parts = amplifier.circuit.parts();
    parts.find_map(|(_, placed)| {
        let Part::Source(source) = &placed.part else {
            return None;
        };
        source.waveform.supply_frequency()
    })
}

impl Measurement for DistortionOf {
    type Answer = Distortion;

    /// Answers; `progress` is told the number of levels solved. Everything after the sweep runs in parallel, and
    /// a level starts at levels of its own frequency that one thread settled before it, so threads change nothing.
    ///
    /// # Errors
    /// Those of [`PowerOf`] and [`TwoTones::check`]. What cannot be had at one frequency is no error but part of
    /// the answer.
    fn ask(&self, of: &UnderTest<'_>, progress: &Progress<'_>) -> Result<Distortion, SimError> {
        for tones in &self.two_tones {
            tones.check()?;
        }
        let (against_power, settled) = self.power.settled(of, Extent::Curve, progress)?;
        let levels = ConstantPower::new(&self.power, of, (&against_power, &settled), progress);
        let rated = against_power.rated.as_ref().map(|level| level.power);
        let band_of = rated.filter(|_| of.rest.mains.is_none());
        // A power the sweep did not reach is not asked for at other frequencies.
        let mut powers: Vec<(f64, bool)> = Vec::new();
        powers.extend(against_power.one_watt.as_ref().map(|_| (1.0, false)));
        let asked = against_power.at_output.iter().flat_map(|at| &at.level);
        powers.extend(asked.map(|level| (level.power, false)));
        powers.extend(rated.map(|power| (power, true)));

        let ((against_frequency, intermodulation), (power_bandwidth, bass_limits)) = rayon::join(
            || {
                rayon::join(
                    || self.against_frequency(&levels, &powers),
                    || {
                        self.two_tones
                            .par_iter()
                            .map(|tones| tones.run(&levels, &powers))
                            .collect::<Result<Vec<_>, SimError>>()
                    },
                )
            },
            || {
                rayon::join(
                    || {
                        band_of
                            .map(|power| power_bandwidth::power_bandwidth(&levels, power))
                            .transpose()
                    },
                    || {
                        [band_of, band_of.map(|power| 0.5 * power)]
                            .into_par_iter()
                            .flatten_iter()
                            .map(|power| power_bandwidth::bass_limit(&levels, power))
                            .collect::<Result<Vec<_>, SimError>>()
                    },
                )
            },
        );
        let (against_frequency, intermodulation) = (against_frequency?, intermodulation?);
        Ok(Distortion {
            supplies_at_means_from: at_means_from(&against_frequency, &intermodulation),
            against_frequency,
            intermodulation,
            power_bandwidth: power_bandwidth?,
            saturating_cores: against_power
                .levels
                .first()
                .map(|level| level.cores.iter().map(|core| core.part.clone()).collect())
                .unwrap_or_default(),
            bass_limits: bass_limits?.into_iter().flatten().collect(),
            against_power,
        })
    }
}

impl DistortionOf {
    fn against_frequency(
        &self,
        levels: &ConstantPower<'_>,
        powers: &[(f64, bool)],
    ) -> Result<Vec<Curve>, SimError> {
        let mut frequencies = self.frequencies.clone();
        frequencies.push(self.power.frequency);
        frequencies.sort_by(f64::total_cmp);
        frequencies.dedup_by(|a, b| a.to_bits() == b.to_bits());
        // Each power at a frequency sets out from those before it.
        let columns: Vec<Vec<AtFrequency>> = frequencies
            .par_iter()
            .map(|&hertz| {
                let mut near = levels.set_out_at(hertz, powers)?;
                let mut column = Vec::new();
                for &(power, _) in powers {
                    let (point, settled) = levels.point(hertz, power, near)?;
                    column.push(point);
                    near = settled;
                }
                Ok(column)
            })
            .collect::<Result<_, SimError>>()?;
        Ok(powers
            .iter()
            .enumerate()
            .map(|(k, &(power, rated))| Curve {
                power,
                rated,
                points: columns.iter().map(|column| column[k].clone()).collect(),
            })
            .collect())
    }
}
