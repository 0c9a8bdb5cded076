//! What a source gives against time.

use std::sync::Arc;

/// Volts against time; amplitudes are peak values.
#[derive(Clone, Debug, PartialEq)]
pub enum Waveform {
    /// Constant, V.
    Dc(f64),
    /// `offset + amplitude·sin(2π·frequency·t + phase)`; V, Hz, rad.
    Sine {
        /// Peak volts.
        amplitude: f64,
        /// Hz.
        frequency: f64,
        /// rad.
        phase: f64,
        /// V.
        offset: f64,
    },
    /// `amplitude·sin(2π·frequency·t + phase)` of an alternating supply: the mains, or a winding of it. It runs on
    /// where signals are silent, whatever its volts.
    Alternating {
        /// Peak volts.
        amplitude: f64,
        /// Hz.
        frequency: f64,
        /// rad.
        phase: f64,
    },
    /// The sum of two sines starting at zero: (peak volts, Hz) each.
    TwoTone {
        /// Peak volts and Hz of the first.
        first: (f64, f64),
        /// Peak volts and Hz of the second.
        second: (f64, f64),
    },
    /// `amplitude·sin(2π·frequency·t)` induced by stray fields of the mains: small, and yet never still.
    Stray {
        /// Peak volts.
        amplitude: f64,
        /// Hz.
        frequency: f64,
    },
    /// A square wave, first half cycle positive.
    Square {
        /// Peak volts.
        amplitude: f64,
        /// Hz.
        frequency: f64,
    },
    /// Samples at a rate, joined by straight lines, zero outside.
    Samples {
        /// V.
        volts: Arc<[f64]>,
        /// Samples a second.
        rate: f64,
    },
    /// Where a recording is being played: four samples, joined between the middle two by the cubic through
    /// all four. Whoever plays it puts the next stretch in its place.
    Stretch {
        /// Time of the second sample, s.
        start: f64,
        /// Between samples, s.
        interval: f64,
        /// V.
        volts: [f64; 4],
    },
}

impl Waveform {
    /// Two tones of the two frequencies, Hz, that share the peak, V; `ratio` is the first tone's
    /// amplitude over the second's.
    pub fn two_tone(peak: f64, ratio: f64, (first, second): (f64, f64)) -> Self {
        let share = ratio / (1.0 + ratio);
        Self::TwoTone {
            first: (peak * share, first),
            second: (peak * (1.0 - share), second),
        }
    }

    /// Volts at time `t`, s. On an edge the value after it.
    pub fn at(&self, t: f64) -> f64 {
        use std::f64::consts::TAU;
        match self {
            Self::Dc(volts) => *volts,
            Self::Sine {
                amplitude,
                frequency,
                phase,
                offset,
            } => {
                // Reduced to one turn first, so that hours of audio keep their phase to rounding.
                let turns = frequency * t;
                offset + amplitude * (TAU * (turns - turns.floor()) + phase).sin()
            }
            Self::Alternating {
                amplitude,
                frequency,
                phase,
            } => {
                let turns = frequency * t;
                amplitude * (TAU * (turns - turns.floor()) + phase).sin()
            }
            Self::Stray {
                amplitude,
                frequency,
            } => {
                let turns = frequency * t;
                amplitude * (TAU * (turns - turns.floor())).sin()
            }
            Self::TwoTone { first, second } => [first, second]
                .iter()
                .map(|(amplitude, frequency)| {
                    let turns = frequency * t;
                    amplitude * (TAU * (turns - turns.floor())).sin()
                })
                .sum(),
            Self::Square {
                amplitude,
                frequency,
            } => {
                // An edge computed as (k/2)/f may round just short of itself.
                let halves = (2.0 * frequency * t * (1.0 + 4.0 * f64::EPSILON)).floor();
                if halves.rem_euclid(2.0) < 0.5 {
                    *amplitude
                } else {
                    -*amplitude
                }
            }
            Self::Samples { volts, rate } => {
                let place = t * rate;
                if place < 0.0 || place > (volts.len().max(1) - 1) as f64 {
                    return 0.0;
                }
                let left = (place.floor() as usize).min(volts.len().saturating_sub(1));
                let right = (left + 1).min(volts.len() - 1);
                volts[left] + (volts[right] - volts[left]) * (place - left as f64)
            }
            Self::Stretch {
                start,
                interval,
                volts: [before, first, second, after],
            } => {
                // Newton's divided differences from the second sample on, the first two of them plain.
                let u = (t - start) / interval;
                let slope = second - first;
                let bend = (second - 2.0 * first + before) / 2.0;
                let twist = (after - 3.0 * second + 3.0 * first - before) / 6.0;
                first + u * (slope + (u - 1.0) * (bend + (u + 1.0) * twist))
            }
        }
    }

    /// The first jump of the waveform later than `t`, s; infinite when it is continuous.
    pub fn next_edge(&self, t: f64) -> f64 {
        match self {
            Self::Square { frequency, .. } => {
                let half = 0.5 / frequency;
                let next = ((t / half) * (1.0 + 4.0 * f64::EPSILON)).floor() + 1.0;
                next * half
            }
            Self::Dc(_)
            | Self::Sine { .. }
            | Self::Alternating { .. }
            | Self::TwoTone { .. }
            | Self::Stray { .. }
            | Self::Samples { .. }
            | Self::Stretch { .. } => f64::INFINITY,
        }
    }

    /// The steady part, which is all the operating point sees, V.
    pub fn at_rest(&self) -> f64 {
        match self {
            Self::Dc(volts) => *volts,
            Self::Sine { offset, .. } => *offset,
            Self::TwoTone { .. }
            | Self::Alternating { .. }
            | Self::Stray { .. }
            | Self::Square { .. }
            | Self::Samples { .. }
            | Self::Stretch { .. } => 0.0,
        }
    }

    /// Volts rms of all that alternates in it; zero of a recording, whose volts are no property of the source.
    pub fn alternating_rms(&self) -> f64 {
        use std::f64::consts::FRAC_1_SQRT_2;
        match self {
            Self::Sine { amplitude, .. }
            | Self::Alternating { amplitude, .. }
            | Self::Stray { amplitude, .. } => amplitude.abs() * FRAC_1_SQRT_2,
            Self::TwoTone { first, second } => first.0.hypot(second.0) * FRAC_1_SQRT_2,
            Self::Square { amplitude, .. } => amplitude.abs(),
            Self::Dc(_) | Self::Samples { .. } | Self::Stretch { .. } => 0.0,
        }
    }

    /// Whether it is a supply that is never still.
    pub fn alternates(&self) -> bool {
        self.supply_frequency().is_some()
    }

    /// Frequency of an alternating supply, Hz; none of a signal or of what is steady.
    pub fn supply_frequency(&self) -> Option<f64> {
        match self {
            Self::Alternating {
                amplitude,
                frequency,
                ..
            }
            | Self::Stray {
                amplitude,
                frequency,
            } => (amplitude.abs() > 0.0).then_some(*frequency),
            Self::Dc(_)
            | Self::Sine { .. }
            | Self::Square { .. }
            | Self::TwoTone { .. }
            | Self::Samples { .. }
            | Self::Stretch { .. } => None,
        }
    }

    /// Frequencies of all that moves in it, Hz; a recording has none of its own.
    pub fn frequencies(&self) -> Vec<f64> {
        let tones = match self {
            Self::Sine {
                amplitude,
                frequency,
                ..
            }
            | Self::Alternating {
                amplitude,
                frequency,
                ..
            }
            | Self::Square {
                amplitude,
                frequency,
            }
            | Self::Stray {
                amplitude,
                frequency,
            } => vec![(*amplitude, *frequency)],
            Self::TwoTone { first, second } => vec![*first, *second],
            Self::Dc(_) | Self::Samples { .. } | Self::Stretch { .. } => Vec::new(),
        };
        tones
            .into_iter()
            .filter(|(amplitude, _)| amplitude.abs() > 0.0)
            .map(|(_, frequency)| frequency)
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::Waveform;

    #[test]
    fn the_rms_is_that_of_the_volts_over_a_second() {
        const SAMPLES: usize = 4096;
        let (amplitude, frequency) = (-7.0, 3.0);
        let waveforms = [
            Waveform::Sine {
                amplitude,
                frequency,
                phase: 0.4,
                offset: 0.0,
            },
            Waveform::Stray {
                amplitude,
                frequency,
            },
            Waveform::Square {
                amplitude,
                frequency,
            },
            Waveform::two_tone(9.0, 4.0, (3.0, 5.0)),
        ];
        for waveform in waveforms {
            let volts = (0..SAMPLES).map(|k| waveform.at(k as f64 / SAMPLES as f64));
            let rms = (volts.map(|v| v * v).sum::<f64>() / SAMPLES as f64).sqrt();
            let stated = waveform.alternating_rms();
            // Sums of whole periods of sines are exact but for rounding.
            assert!((stated - rms).abs() < 1e-12 * rms, "{waveform:?}: {stated}");
        }
    }

    #[test]
    fn a_stretch_is_the_cubic_through_its_four_samples() {
        let cubic = |u: f64| 0.3 - 1.1 * u + 0.7 * u * u + 0.9 * u.powi(3);
        let stretch = Waveform::Stretch {
            start: 2.0,
            interval: 0.5,
            volts: [-1.0, 0.0, 1.0, 2.0].map(cubic),
        };
        for u in [0.0, 0.25, 0.6, 1.0] {
            let volts = stretch.at(2.0 + 0.5 * u);
            // Rounding of numbers of size 9.
            assert!((volts - cubic(u)).abs() < 1e-14, "{u}: {volts}");
        }
    }
}
