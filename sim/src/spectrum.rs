//! Harmonics of a periodic waveform sampled over exactly one period.
//!
//! ```text
//! a_k = (2/N) Σ_j v_j e^{−2πi jk/N},   THD_F = √(Σ_{k≥2} |a_k|²) / |a_1|
//! ```
//!
//! Exactly one period needs no window: every harmonic falls on its own bin. Harmonics above N/2 fold
//! back, so a waveform is sampled finely enough that those are far below the last one reported.
//!
//! Source   IEC 60268-3 (total harmonic distortion; the reference to the fundamental is stated with
//!          each figure; from memory)

use std::f64::consts::PI;

use nalgebra::Complex;
use realfft::RealFftPlanner;
use serde::Serialize;

/// One harmonic: its number, peak amplitude and phase against a sine, rad.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Harmonic {
    /// 1 for the fundamental.
    pub number: u32,
    /// Peak, in the unit of the waveform.
    pub amplitude: f64,
    /// rad; zero for a rising zero crossing at the start.
    pub phase: f64,
}

/// The spectrum of one period.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Spectrum {
    /// Mean value.
    pub mean: f64,
    /// Harmonics from the fundamental to half the number of samples.
    pub harmonics: Vec<Harmonic>,
}

impl Spectrum {
    /// From `samples` `[N]`, equally spaced over one period, the end point left out; O(N log N).
    ///
    /// # Panics
    /// With fewer than four samples.
    pub fn of_period(samples: &[f64]) -> Self {
        let count = samples.len();
        assert!(count >= 4, "a period needs at least four samples");
        let plan = RealFftPlanner::<f64>::new().plan_fft_forward(count);
        let mut input = samples.to_vec();
        let mut output = plan.make_output_vec();
        plan.process(&mut input, &mut output)
            .expect("the buffers are of the plan's own sizes");
        let scale = 2.0 / count as f64;
        Self {
            mean: output[0].re / count as f64,
            harmonics: output[1..count.div_ceil(2)]
                .iter()
                .zip(1..)
                .map(|(bin, number)| Harmonic {
                    number,
                    amplitude: scale * bin.norm(),
                    phase: bin.arg() + PI / 2.0,
                })
                .collect(),
        }
    }

    /// Every `turns`-th harmonic alone, numbered anew: the spectrum of a signal that repeats so often in the
    /// period, without what else is in it.
    #[must_use]
    pub fn of_turns(&self, turns: u32) -> Self {
        Self {
            mean: self.mean,
            harmonics: self
                .harmonics
                .iter()
                .filter(|harmonic| harmonic.number.is_multiple_of(turns))
                .map(|harmonic| Harmonic {
                    number: harmonic.number / turns,
                    ..*harmonic
                })
                .collect(),
        }
    }

    /// Less what is there without the signal too, that repeats so many times in the period: both from the same moment on.
    #[must_use]
    pub fn without(&self, idle: &Self, times: u32) -> Self {
        let phasor = |harmonic: &Harmonic| Complex::from_polar(harmonic.amplitude, harmonic.phase);
        let less = |harmonic: &Harmonic| {
            let idle = (harmonic.number.is_multiple_of(times))
                .then(|| idle.harmonics.get((harmonic.number / times) as usize - 1))?;
            let (amplitude, phase) = (phasor(harmonic) - phasor(idle?)).to_polar();
            Some(Harmonic {
                number: harmonic.number,
                amplitude,
                phase,
            })
        };
        Self {
            mean: self.mean - idle.mean,
            harmonics: (self.harmonics.iter())
                .map(|harmonic| less(harmonic).unwrap_or(*harmonic))
                .collect(),
        }
    }

    /// Peak of the fundamental.
    pub fn fundamental(&self) -> f64 {
        self.harmonics[0].amplitude
    }

    /// Harmonic `number` against the fundamental, a ratio.
    pub fn ratio(&self, number: u32) -> f64 {
        self.amplitude(number) / self.fundamental()
    }

    /// Peak of harmonic `number`; zero beyond the last.
    pub fn amplitude(&self, number: u32) -> f64 {
        self.harmonics
            .get(number as usize - 1)
            .map_or(0.0, |harmonic| harmonic.amplitude)
    }

    /// Total harmonic distortion against the fundamental, a ratio; every harmonic the samples resolve.
    pub fn thd(&self) -> f64 {
        self.thd_to(u32::MAX)
    }

    /// Total harmonic distortion by the harmonics up to that number alone, a ratio: what a meter of that
    /// bandwidth shows.
    pub fn thd_to(&self, last: u32) -> f64 {
        let power: f64 = self.harmonics[1..]
            .iter()
            .filter(|h| h.number <= last)
            .map(|h| h.amplitude * h.amplitude)
            .sum();
        power.sqrt() / self.fundamental()
    }

    /// Root of the mean square without the mean value.
    pub fn rms(&self) -> f64 {
        let power: f64 = self
            .harmonics
            .iter()
            .map(|h| 0.5 * h.amplitude * h.amplitude)
            .sum();
        power.sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_signal_is_told_from_hum_that_falls_on_it() {
        // Three periods of the hum, its second line on the sixth; the signal turns six times and has a second harmonic.
        let n = 240;
        let turn = |j: u32, times: f64| 2.0 * PI * times * f64::from(j) / f64::from(n);
        let hum = |j: u32, times: f64| {
            0.2 + 0.7 * turn(j, times).cos() + 0.4 * turn(j, 2.0 * times).sin()
        };
        let signal = |j: u32| (turn(j, 6.0) + 0.3).sin() + 0.01 * turn(j, 12.0).cos();
        let all: Vec<f64> = (0..n).map(|j| hum(j, 3.0) + signal(j)).collect();
        let idle: Vec<f64> = (0..n).map(|j| hum(j, 1.0)).collect();
        let found = Spectrum::of_period(&all).without(&Spectrum::of_period(&idle), 3);
        assert!(found.amplitude(3) < 1e-13 && found.mean.abs() < 1e-13);
        let found = found.of_turns(6);
        assert!((found.fundamental() - 1.0).abs() < 1e-13);
        assert!((found.thd() - 0.01).abs() < 1e-13, "{}", found.thd());
    }

    #[test]
    fn a_known_sum_of_sines_is_taken_apart() {
        let n = 60;
        let samples: Vec<f64> = (0..n)
            .map(|j| {
                let a = 2.0 * PI * f64::from(j) / f64::from(n);
                0.5 + 3.0 * a.sin() + 0.3 * (2.0 * a + 0.4).sin() + 0.04 * (7.0 * a).cos()
            })
            .collect();
        let spectrum = Spectrum::of_period(&samples);
        // Rounding of sums of 60 terms of size 3.
        let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-13, "{a} is not {b}");
        near(spectrum.mean, 0.5);
        near(spectrum.fundamental(), 3.0);
        near(spectrum.harmonics[0].phase, 0.0);
        near(spectrum.harmonics[1].amplitude, 0.3);
        near(spectrum.harmonics[1].phase, 0.4);
        near(spectrum.ratio(7), 0.04 / 3.0);
        near(spectrum.thd(), (0.09_f64 + 0.0016).sqrt() / 3.0);
        near(spectrum.thd_to(1), 0.0);
        near(spectrum.thd_to(2), 0.1);
        near(spectrum.thd_to(6), 0.1);
        near(spectrum.thd_to(7), spectrum.thd());
        let second = spectrum.of_turns(2);
        near(second.fundamental(), 0.3);
        near(second.ratio(2), 0.0);
        assert_eq!(second.harmonics[1].number, 2);
        near(spectrum.rms(), ((9.0 + 0.09 + 0.0016) / 2.0_f64).sqrt());
    }

    #[test]
    fn a_square_wave_has_the_harmonics_of_the_textbook() {
        // Odd harmonics 4/(πk); sampled N times they become (4/N)/sin(πk/N)·… exactly: 4/(N sin(πk/N)).
        let n = 64_u32;
        let samples: Vec<f64> = (0..n).map(|j| if j < n / 2 { 1.0 } else { -1.0 }).collect();
        let spectrum = Spectrum::of_period(&samples);
        for number in [1_u32, 3, 5, 31] {
            let exact = 4.0 / (f64::from(n) * (PI * f64::from(number) / f64::from(n)).sin());
            assert!((spectrum.harmonics[number as usize - 1].amplitude - exact).abs() < 1e-13);
        }
        assert!(spectrum.ratio(2) < 1e-14);
    }
}
