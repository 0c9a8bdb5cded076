//! Gated loudness of programme.
//!
//! ```text
//! L_K = −0.691 + 10·lg Σ_i G_i·z_i
//! ```
//!
//! Symbols   z_i mean square of K-weighted channel i over the blocks of 400 ms that pass both gates;  G_i weight of a
//!           channel, 1 for left and right;  L_K loudness, LUFS
//! Source    ITU-R BS.1770 (gates at −70 LUFS and 10 LU below the loudness of what passed the first) by the library
//!           `ebur128`; its test signals are those of EBU Tech 3341
//! Valid     what has at least one block of 400 ms louder than −70 LUFS

use ebur128::{EbuR128, Mode};

use crate::diagnostic::Id;
use crate::failure::Failure;

/// A loudness meter under way. Of what has passed it keeps 8 bytes for a tenth of a second: the blocks the second gate
/// chooses from, 0.3 MB an hour. A histogram would keep less and know them to 0.1 LU only.
pub(crate) struct Meter(EbuR128);

impl Meter {
    /// For so many channels at a rate, Hz.
    pub(crate) fn new(channels: u32, rate: u32) -> Result<Self, Failure> {
        EbuR128::new(channels, rate, Mode::I)
            .map(Self)
            .map_err(unmetered)
    }

    /// Takes frames, interleaved, full scale 1.
    pub(crate) fn add(&mut self, frames: &[f64]) -> Result<(), Failure> {
        self.0.add_frames_f64(frames).map_err(unmetered)
    }

    /// Integrated loudness, LUFS; none of what is silent or shorter than a gating block.
    pub(crate) fn integrated(&self) -> Option<f64> {
        self.0
            .loudness_global()
            .ok()
            .filter(|loudness| loudness.is_finite())
    }
}

fn unmetered(error: ebur128::Error) -> Failure {
    Failure::plain(
        Id::Recording,
        format!("its loudness cannot be measured: {error}"),
        "give a recording of one channel or two at a usual rate",
    )
}

#[cfg(test)]
mod tests {
    use super::Meter;

    /// Rates the cases are run at, frames a second.
    const RATES: [u32; 2] = [44_100, 48_000];

    /// LU; what EBU Tech 3341 allows a meter on its test signals.
    const TOLERANCE: f64 = 0.1;

    /// Sines of 1 kHz one after the other: level of each channel in dB below full scale, and seconds.
    fn loudness(rate: u32, pieces: &[(&[f64], f64)]) -> Option<f64> {
        let channels = pieces[0].0.len();
        let mut meter = Meter::new(channels as u32, rate).expect("usual channels and rate");
        // Fed in blocks that fit nothing, as a file is read.
        let mut block = Vec::new();
        let mut frame = 0_u32;
        for (levels, seconds) in pieces {
            for _ in 0..(seconds * f64::from(rate)).round() as u32 {
                let phase = std::f64::consts::TAU * 1000.0 * f64::from(frame) / f64::from(rate);
                frame += 1;
                block.extend(levels.iter().map(|db| 10_f64.powf(db / 20.0) * phase.sin()));
                if block.len() >= 7919 * channels {
                    meter.add(&block).expect("whole frames");
                    block.clear();
                }
            }
        }
        meter.add(&block).expect("whole frames");
        meter.integrated()
    }

    /// A case of EBU Tech 3341, table of minimum requirements (from memory; cases 7 and 8 are recordings, 9 to 14 concern
    /// momentary and short-term loudness, 15 to 23 peaks).
    fn case(number: u32, pieces: &[(&[f64], f64)], expected: f64) {
        for rate in RATES {
            let found = loudness(rate, pieces).expect("it is loud enough");
            assert!(
                (found - expected).abs() <= TOLERANCE,
                "case {number} at {rate} Hz: {found:.3} LUFS, expected {expected}"
            );
        }
    }

    fn both(db: f64) -> [f64; 2] {
        [db, db]
    }

    #[test]
    fn tech_3341_cases_1_and_2_level() {
        case(1, &[(&both(-23.0), 20.0)], -23.0);
        case(2, &[(&both(-33.0), 20.0)], -33.0);
    }

    #[test]
    fn tech_3341_case_3_relative_gate() {
        case(
            3,
            &[
                (&both(-36.0), 10.0),
                (&both(-23.0), 60.0),
                (&both(-36.0), 10.0),
            ],
            -23.0,
        );
    }

    #[test]
    fn tech_3341_case_4_absolute_gate() {
        case(
            4,
            &[
                (&both(-72.0), 10.0),
                (&both(-36.0), 10.0),
                (&both(-23.0), 60.0),
                (&both(-36.0), 10.0),
                (&both(-72.0), 10.0),
            ],
            -23.0,
        );
    }

    #[test]
    fn tech_3341_case_5_nothing_gated() {
        case(
            5,
            &[
                (&both(-26.0), 20.0),
                (&both(-20.0), 20.1),
                (&both(-26.0), 20.0),
            ],
            -23.0,
        );
    }

    #[test]
    fn tech_3341_case_6_channel_weights() {
        // Left, right, centre, an unused one, left and right surround: the order the crate takes channels in.
        let silent = -200.0;
        case(
            6,
            &[(&[-28.0, -28.0, -24.0, silent, -30.0, -30.0], 20.0)],
            -23.0,
        );
    }

    #[test]
    fn silence_and_a_moment_have_no_loudness() {
        assert_eq!(loudness(48_000, &[(&both(-200.0), 2.0)]), None);
        assert_eq!(loudness(48_000, &[(&both(-20.0), 0.3)]), None);
    }

    /// Two tracks are matched to 0.05 dB, so a step of level must be seen as it is: without histogram, what is left is
    /// rounding.
    #[test]
    fn a_hundredth_of_a_decibel_is_a_hundredth() {
        let at = |db: f64| loudness(48_000, &[(&both(db), 3.0)]).expect("it is loud enough");
        assert!((at(-23.0) - at(-23.01) - 0.01).abs() < 1e-9);
    }
}
