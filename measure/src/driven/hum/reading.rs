//! The hum of one settled mains period: a phasor for each line.

use nalgebra::Complex;

use crate::instruments::weighting::a_weighting;
use sim::circuit::NodeId;
use sim::rest::Rest;
use sim::spectrum::Spectrum;
use sim::system::System;

/// Volts between two nodes over a mains period, without their mean.
#[derive(Clone, Debug)]
pub(super) struct Reading {
    /// `[samples/2 - 1]` rms phasors, V; the first is the slowest line.
    pub(super) phasors: Vec<Complex<f64>>,
    /// Of the slowest line, Hz.
    pub(super) slowest: f64,
}

impl Reading {
    /// Of the volts from `a` to `b`; the slowest line is one turn in the period, `duration`, s.
    pub(super) fn of(
        rest: &Rest,
        system: &System,
        (a, b): (NodeId, NodeId),
        duration: f64,
    ) -> Self {
        let (a, b) = (system.voltage_of(a) as usize, system.voltage_of(b) as usize);
        let volts: Vec<f64> = rest.samples().iter().map(|x| x[a] - x[b]).collect();
        let rms = std::f64::consts::FRAC_1_SQRT_2;
        Self {
            phasors: Spectrum::of_period(&volts)
                .harmonics
                .iter()
                .map(|line| Complex::from_polar(rms * line.amplitude, line.phase))
                .collect(),
            slowest: 1.0 / duration,
        }
    }

    /// What is here and not there, line by line.
    pub(super) fn less(&self, other: &Self) -> Self {
        Self {
            phasors: self
                .phasors
                .iter()
                .zip(&other.phasors)
                .map(|(here, there)| here - there)
                .collect(),
            slowest: self.slowest,
        }
    }

    /// Adds line by line.
    pub(super) fn add(&mut self, other: &Self) {
        for (sum, more) in self.phasors.iter_mut().zip(&other.phasors) {
            *sum += more;
        }
    }

    /// Its lines without volts.
    pub(super) fn silent(&self) -> Self {
        Self {
            phasors: vec![Complex::default(); self.phasors.len()],
            slowest: self.slowest,
        }
    }

    /// Hz of the line at a place of the list.
    pub(super) fn frequency(&self, place: usize) -> f64 {
        (place + 1) as f64 * self.slowest
    }

    /// All lines together, V rms.
    pub(super) fn rms(&self) -> f64 {
        self.phasors
            .iter()
            .map(Complex::norm_sqr)
            .sum::<f64>()
            .sqrt()
    }

    /// Rms with each line A-weighted, V.
    pub(super) fn a_rms(&self) -> f64 {
        self.phasors
            .iter()
            .enumerate()
            .map(|(k, line)| line.norm_sqr() * a_weighting(self.frequency(k)).powi(2))
            .sum::<f64>()
            .sqrt()
    }

    /// The line nearest to a frequency, Hz; V rms.
    pub(super) fn at(&self, frequency: f64) -> Complex<f64> {
        let number = (frequency / self.slowest).round().max(1.0);
        self.phasors
            .get(number as usize - 1)
            .copied()
            .unwrap_or_default()
    }
}
