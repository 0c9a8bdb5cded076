//! What a loudspeaker in a closed box makes of its volts, in the simplest terms: a high-pass of second order.
//!
//! ```text
//! p/v ∝ s²/(s² + s·ωc/Qtc + ωc²)
//! ```
//!
//! Symbols   p  sound pressure far away on the axis;  ωc  2π × resonance in the box;  Qtc  total Q there
//! Source    Small, JAES 20 (1972) 798 (from memory); digital form by the bilinear rule with the resonance
//!           kept in place (textbook)
//! Valid     a piston, small swings, no room; the cone's own break-up above some kHz is left out

use std::f64::consts::TAU;

use serde::Serialize;
use sim::quantity::{Quantity, Unit, engineering};

use crate::diagnostic::Id;
use crate::failure::Failure;

/// A closed box.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub(crate) struct ClosedBox {
    /// Resonance of the loudspeaker in its box, Hz.
    resonance: f64,
    /// Its total Q.
    q: f64,
}

impl ClosedBox {
    /// From `55Hz,Q=0.7`.
    pub(crate) fn given(text: &str) -> Result<Self, Failure> {
        let read = || {
            let (resonance, q) = text.split_once(',')?;
            let resonance = Quantity::parse(resonance.trim(), Unit::Hertz).ok()?;
            let (name, q) = q.split_once('=')?;
            let q: f64 = q.trim().parse().ok()?;
            (name.trim().eq_ignore_ascii_case("q") && resonance > 0.0 && (0.1..=10.0).contains(&q))
                .then_some(Self { resonance, q })
        };
        read().ok_or_else(|| {
            Failure::plain(
                Id::BadValue,
                format!("--box {text} cannot be read"),
                "write the resonance in the box and its total Q, e.g. 55Hz,Q=0.7",
            )
        })
    }

    pub(crate) fn words(&self) -> String {
        format!(
            "closed box, {} with Q {:.2}: a simple model, no room and no cone break-up",
            engineering(self.resonance, Unit::Hertz),
            self.q
        )
    }

    /// At a rate, Hz.
    pub(super) fn filter(&self, rate: f64) -> Filter {
        let w = (TAU * self.resonance / rate / 2.0).tan();
        let norm = (1.0 + w / self.q + w * w).recip();
        Filter {
            b: norm,
            a: [
                2.0 * (w * w - 1.0) * norm,
                (1.0 - w / self.q + w * w) * norm,
            ],
            state: [0.0; 2],
        }
    }
}

/// The box at work on one channel: numerator b·(1, −2, 1).
#[derive(Clone, Debug)]
pub(super) struct Filter {
    b: f64,
    a: [f64; 2],
    state: [f64; 2],
}

impl Filter {
    pub(super) fn pass(&mut self, samples: &mut [f64]) {
        for sample in samples {
            // Transposed direct form II.
            let x = self.b * *sample;
            let y = x + self.state[0];
            self.state[0] = -2.0 * x - self.a[0] * y + self.state[1];
            self.state[1] = x - self.a[1] * y;
            *sample = y;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::ClosedBox;

    /// Level of a sine after the box has settled, a ratio.
    fn level(of: &ClosedBox, frequency: f64) -> f64 {
        let rate = 48_000.0;
        let mut samples: Vec<f64> = (0..48_000)
            .map(|k| (std::f64::consts::TAU * frequency * f64::from(k) / rate).sin())
            .collect();
        of.filter(rate).pass(&mut samples);
        let last = &samples[24_000..];
        (2.0 * last.iter().map(|y| y * y).sum::<f64>() / last.len() as f64).sqrt()
    }

    #[test]
    fn a_box_falls_by_twelve_decibels_an_octave_and_gives_q_at_its_resonance() {
        let of = ClosedBox::given("60Hz,Q=0.8").expect("it can be read");
        // |s²/(s² + sω/Q + ω²)| is Q at ω, 1 far above, (f/fc)² far below: the closed form. 1e-3 is what a
        // half second of settling at 20 Hz leaves.
        let closed = |frequency: f64| {
            let u = frequency / 60.0;
            u * u / ((1.0 - u * u).powi(2) + (u / 0.8).powi(2)).sqrt()
        };
        for frequency in [20.0, 60.0, 200.0, 2000.0] {
            let (seen, wanted) = (level(&of, frequency), closed(frequency));
            assert!(
                (seen / wanted - 1.0).abs() < 1e-3,
                "{frequency} Hz: {seen} against {wanted}"
            );
        }
        assert!((level(&of, 60.0) - 0.8).abs() < 1e-3);
    }

    #[test]
    fn what_is_no_box_is_told() {
        for text in ["60Hz", "60Hz,0.7", "60Hz,Q=0", "0Hz,Q=1", "60Hz,R=0.7"] {
            assert!(ClosedBox::given(text).is_err(), "{text}");
        }
    }
}
