//! Warm-up of a cathode: what share of its current it gives some time after the heater is switched on.
//!
//! ```text
//! e(t) = 1 - 2^(-(t/t_h)^6)
//! ```
//!
//! Symbols   e share of the hot current, 1;  t time since switch-on, s;  t_h time to half the emission, s
//! Source    ours. Emission rises steeply with temperature (Dushman, Phys. Rev. 21 (1923) 623, from memory),
//!           so that it comes late; then space charge limits the current, and it stops rising.
//!           The times below are engineering figures from memory, ranges beside them, not from sheets
//! Valid     a heater at its rated volts, from cold; an interruption that lets it cool by half is not covered
//! Care      smooth, e(0) = 0 with no slope; 0.011 at half of t_h, 0.99 at 1.37 t_h

use crate::data::{Heating, ValveKind};

/// Growth of the emission with time on logarithmic scales while it is small: W/(k T²) · dT/dt · t_h with a
/// work function of 1 eV, 950 K and 40 K/s of an oxide cathode that takes 11 s (ASSUMPTION, from those).
const STEEPNESS: i32 = 6;

/// A directly heated filament, s. Engineering figure: 0.5 to 2 s.
pub const FILAMENT: f64 = 1.0;

/// An indirectly heated valve, s. Engineering figure: 8 to 15 s; types with controlled warm-up are rated 11 s.
pub const CATHODE: f64 = 11.0;

/// An indirectly heated rectifier, s. Engineering figure: 10 to 20 s.
pub const RECTIFIER: f64 = 15.0;

/// Time to half the emission, s, of a kind of valve when nobody says.
pub fn typical(kind: ValveKind, heating: Heating) -> f64 {
    match heating {
        Heating::Direct => FILAMENT,
        Heating::Indirect => match kind {
            ValveKind::Rectifier => RECTIFIER,
            ValveKind::Triode
            | ValveKind::Pentode
            | ValveKind::BeamTetrode
            | ValveKind::Stabiliser => CATHODE,
        },
    }
}

/// Share of the hot current, 0…1, at `t`, s, after switch-on; `half`, s, is the time to one half, and zero
/// for a cathode that is hot.
pub fn share(t: f64, half: f64) -> f64 {
    if half <= 0.0 {
        return 1.0;
    }
    1.0 - (-(t.max(0.0) / half).powi(STEEPNESS)).exp2()
}

/// Time, s, at which the share is reached: the inverse of [`share`] for a share below one.
pub fn time_to(share: f64, half: f64) -> f64 {
    half * (-(1.0 - share).log2()).powf(1.0 / f64::from(STEEPNESS))
}

#[cfg(test)]
mod tests {
    use super::{share, time_to};

    #[test]
    fn there_and_back() {
        for wanted in [0.01, 0.5, 0.99] {
            // Rounding of a power and a logarithm.
            assert!((share(time_to(wanted, 11.0), 11.0) - wanted).abs() < 1e-12);
        }
        assert!((share(0.0, 0.0) - 1.0).abs() < f64::EPSILON);
    }
}
