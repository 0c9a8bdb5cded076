//! Noise currents of resistances and valves, as densities that do not depend on frequency.
//!
//! ```text
//! resistance        i² = 4 k T / R
//! space current     i² = 4 k theta T_k g_k / sigma,  at most 2 q i_k
//! partition         i² = 2 q i_a i_s / (i_a + i_s)
//! grid current      i² = 2 q i_g
//! ```
//!
//! The space current's noise flows from anode and screen to the cathode, each taking its share of the
//! current; partition noise flows from the screen to the anode and the cathode knows nothing of it. For
//! an anode load alone both together are the handbooks' equivalent resistance in the grid lead,
//!
//! ```text
//! R_eq = i_a / (i_a + i_s) · (2.5/gm + 20 i_s/gm²),   triode R_eq = 2.5/gm
//! ```
//!
//! since theta T_k / (sigma T) is 2.5 and q / (2 k T) is 20 per volt at room temperature.
//!
//! Symbols   k Boltzmann's constant, J/K;  q elementary charge, C;  T temperature of the part, K;
//!           T_k of the cathode, K;  g_k slope of the space current against the grid voltage, S;
//!           theta 3 (1 − pi/4), 1;  sigma grid slope over the slope of the equivalent diode, 1
//! Source    thermal: Johnson, Phys. Rev. 32 (1928) 97; Nyquist, same, 110.  Shot: Schottky, Ann. Phys.
//!           57 (1918) 541.  Space charge and partition: North, RCA Rev. 4 (1940) 441; Thompson, North
//!           & Harris, RCA Rev. 4 (1940) 269 and following parts (all from memory)
//! Valid     negative grid, current limited by space charge, below some ten megahertz (no induced
//!           grid noise). Close to cut-off the formula would exceed the noise of electrons that do
//!           not know of each other; there the latter is taken. No ion, leakage or emission noise
//!           of a worn valve: a bad one is worse by any factor
//! Care      densities are one-sided, A²/Hz

use crate::currents::{GRID, ValveCurrents};
use crate::data::ValveType;
use crate::working_point::Joined;

/// Boltzmann's constant, J/K. Source: SI, exact.
pub const BOLTZMANN: f64 = 1.380_649e-23;
/// Elementary charge, C. Source: SI, exact.
pub const ELEMENTARY_CHARGE: f64 = 1.602_176_634e-19;
/// theta, the smoothing constant of large anode voltages: 3 (1 − pi/4).
const THETA: f64 = 3.0 * (1.0 - std::f64::consts::FRAC_PI_4);
/// Temperature of an oxide cathode, K (from memory: 950 to 1100 K).
const CATHODE_TEMPERATURE: f64 = 1000.0;
/// sigma of a usual receiving valve (Thompson, North & Harris, from memory: 0.5 to 1, mostly 0.88).
const SIGMA: f64 = 0.88;

/// Thermal noise current of a conductance, S, at a temperature, K: A²/Hz.
pub fn thermal(conductance: f64, temperature: f64) -> f64 {
    4.0 * BOLTZMANN * temperature * conductance
}

/// Noise of a current of independent electrons, A: A²/Hz.
pub fn shot(current: f64) -> f64 {
    2.0 * ELEMENTARY_CHARGE * current.abs()
}

/// Noise of a space current, A, smoothed by its space charge, with the slope of its control voltage, S:
/// A²/Hz. The slope of a diode is its own and not divided by sigma.
pub fn smoothed(current: f64, slope: f64) -> f64 {
    thermal(THETA * slope.max(0.0), CATHODE_TEMPERATURE).min(shot(current))
}

/// Where the flicker noise of a type equals the noise of its space current, Hz, so that both and the partition noise are
/// its published noise at the grid:
///
/// ```text
/// U² = [(a² S_k + S_p)(f_2 − f_1) + a² S_k f_c ln(f_2/f_1)] / gm²
/// ```
///
/// a share of the anode; S_k, S_p densities of space current and partition. None where nothing is published; zero where
/// the rest is as much already. At the volts where the type usually works: those of the figure are mostly not printed.
pub fn flicker_corner(valve: &ValveType) -> Option<f64> {
    let published = valve.grid_noise.as_ref()?;
    let joined = Joined::normal(valve);
    let at = joined.typical()?;
    let currents = joined.currents(at.v_ak, at.v_sk.unwrap_or(at.v_ak), at.v_gk)?;
    let noise = ValveNoise::of(&currents);
    let space = noise.anode_share.powi(2) * noise.space;
    let white = (space + noise.partition) * (published.to - published.from);
    let rest = (published.volts * currents.gm()).powi(2) - white;
    Some((rest / (space * (published.to / published.from).ln())).max(0.0))
}

/// The independent noises of a triode or pentode, A²/Hz.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ValveNoise {
    /// Of the space current; out of the cathode.
    pub space: f64,
    /// Share of it that the anode takes; the screen takes the rest.
    pub anode_share: f64,
    /// From screen to anode.
    pub partition: f64,
    /// Of the current that the control grid draws, grid to cathode.
    pub grid: f64,
}

impl ValveNoise {
    /// Of a valve with these currents and slopes.
    pub fn of(currents: &ValveCurrents) -> Self {
        let (anode, screen) = (currents.anode.max(0.0), currents.screen.max(0.0));
        let both = anode + screen;
        let slope = currents.anode_slopes[GRID] + currents.screen_slopes[GRID];
        let (anode_share, partition) = if both > 0.0 {
            (anode / both, shot(anode * screen / both))
        } else {
            (1.0, 0.0)
        };
        Self {
            space: smoothed(both, slope / SIGMA),
            anode_share,
            partition,
            grid: shot(currents.grid),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::{ValveNoise, shot, smoothed, thermal};
    use crate::ValveCurrents;

    const ROOM: f64 = 293.0;

    fn valve(i_a: f64, i_s: f64, gm_a: f64, gm_s: f64) -> ValveCurrents {
        ValveCurrents {
            anode: i_a,
            screen: i_s,
            anode_slopes: [0.0, 0.0, gm_a],
            screen_slopes: [0.0, 0.0, gm_s],
            ..ValveCurrents::default()
        }
    }

    /// Equivalent resistance in the grid lead for an anode load, Ω.
    fn equivalent(valve: &ValveCurrents) -> f64 {
        let noise = ValveNoise::of(valve);
        let anode = noise.anode_share.powi(2) * noise.space + noise.partition;
        anode / (thermal(1.0, ROOM) * valve.gm().powi(2))
    }

    #[test]
    fn a_triode_has_the_handbook_resistance() {
        // 2.5/gm; the handbook rounds 2.497.
        let (i, gm) = (3e-3, 2e-3);
        let r = equivalent(&valve(i, 0.0, gm, 0.0));
        assert!((r * gm / 2.5 - 1.0).abs() < 2e-3, "{r}");
    }

    #[test]
    fn a_pentode_has_the_handbook_resistance() {
        // Current sharing in one ratio: the screen's slope is the anode's by the ratio of the currents.
        let (i_a, i_s, gm) = (3e-3, 0.6e-3, 1.8e-3);
        let r = equivalent(&valve(i_a, i_s, gm, gm * i_s / i_a));
        let handbook = i_a / (i_a + i_s) * (2.5 / gm + 20.0 * i_s / (gm * gm));
        // The handbook rounds 19.8 per volt to 20.
        assert!((r / handbook - 1.0).abs() < 0.01, "{r}, not {handbook}");
    }

    #[test]
    fn no_valve_is_noisier_than_independent_electrons() {
        // Retarding field: g = q i / k T_k is more slope for the current than space charge allows.
        let (i, volts) = (1e-6, 0.0862);
        assert_eq!(smoothed(i, 3.0 * i / volts).to_bits(), shot(i).to_bits());
        assert!(smoothed(1e-3, 1e-3) < 0.2 * shot(1e-3));
    }

    #[cfg(feature = "files")]
    #[test]
    fn the_corner_makes_the_published_noise() {
        use super::{Joined, flicker_corner};
        // The formula of `flicker_corner` put in again, with the sheet's own working point.
        let mut corners = 0;
        for valve in crate::library::valves() {
            let (Some(published), Some(corner)) = (&valve.grid_noise, flicker_corner(valve)) else {
                continue;
            };
            let joined = Joined::normal(valve);
            let at = joined.typical().unwrap();
            let currents = joined.currents(at.v_ak, at.v_sk.unwrap_or(at.v_ak), at.v_gk);
            let currents = currents.unwrap();
            let noise = ValveNoise::of(&currents);
            let (band, octaves) = (
                published.to - published.from,
                (published.to / published.from).ln(),
            );
            let anode = noise.space * noise.anode_share * noise.anode_share;
            let square = (anode + noise.partition) * band + anode * corner * octaves;
            let volts = square.sqrt() / currents.gm();
            assert!(
                (volts / published.volts - 1.0).abs() < 1e-12,
                "{}",
                valve.name
            );
            corners += 1;
        }
        assert!(corners > 0);
    }
}
