//! Noise powers over a band, plain and weighted: Simpson's rule over ln f on a grid that is halved until both stand.

use crate::instruments::weighting::a_weighting;
use sim::error::SimError;

/// Frequencies a decade to begin with, and of the spectrum handed out.
const POINTS: f64 = 32.0;

/// Change of the integral that ends the halving. Simpson's error falls sixteenfold at each, so what is
/// left is a few millionths: nothing in decibels.
const CHANGE: f64 = 1e-4;

/// Halvings at most: 8192 frequencies a decade.
const HALVINGS: u32 = 8;

/// Noise powers over the band, source by source.
pub(super) struct Integral {
    /// `[sources]` V².
    pub(super) plain: Vec<f64>,
    /// `[sources]` A-weighted, V².
    pub(super) weighted: Vec<f64>,
    /// The first grid: Hz, and `[sources]` V²/Hz.
    pub(super) spectrum: Vec<(f64, Vec<f64>)>,
    pub(super) frequencies: usize,
    pub(super) change: f64,
}

impl Integral {
    pub(super) fn over(
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
