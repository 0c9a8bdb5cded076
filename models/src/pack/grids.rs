//! Currents into four control grids at once.
//!
//! ```text
//! the law of `grid_current.rs`
//! ```
//!
//! Symbols   as there
//! Source    as there
//! Valid     as there
//! Care      where no grid of the four takes anything, nothing is worked out

use super::Lanes;
use super::elementary::{exp, ln};
use super::guard::{Sloped, softplus};
use crate::grid_current::{GridCurrent, NOTHING, TAIL};

/// Constants of four grids.
#[derive(Clone, Debug)]
pub(super) struct Grids {
    perveance: Lanes,
    exponent: Lanes,
    sharpness: Lanes,
    log_sharpness: Lanes,
    offset: Lanes,
    rise: Lanes,
    rise_voltage: Lanes,
}

/// Four grid currents, A, and their slopes, S, by the grid's own volts and by the next electrode's.
pub(super) struct GridCurrents {
    pub(super) value: Lanes,
    pub(super) by_grid: Lanes,
    pub(super) by_next: Lanes,
}

impl Grids {
    pub(super) fn of(grids: [&GridCurrent; 4]) -> Self {
        let all = |of: fn(&GridCurrent) -> f64| Lanes::new(grids.map(of));
        Self {
            perveance: all(|grid| grid.perveance),
            exponent: all(|grid| grid.exponent),
            sharpness: all(|grid| grid.sharpness),
            log_sharpness: all(|grid| grid.sharpness.ln()),
            offset: all(|grid| grid.offset),
            rise: all(|grid| grid.rise),
            rise_voltage: all(|grid| grid.rise_voltage),
        }
    }

    /// At the grids' volts and those of the next electrodes.
    #[inline]
    pub(super) fn current(&self, v_gk: Lanes, v_n: Lanes) -> GridCurrents {
        let z = self.sharpness * (v_gk + self.offset);
        let nothing = z.simd_lt(NOTHING) | self.perveance.simd_le(Lanes::ZERO);
        if nothing.all() {
            return GridCurrents {
                value: Lanes::ZERO,
                by_grid: Lanes::ZERO,
                by_next: Lanes::ZERO,
            };
        }
        let onset = self.onset(z);
        let rise = self.rise(v_n);
        let taken = |of: Lanes| nothing.select(Lanes::ZERO, of);
        GridCurrents {
            value: taken(onset.value * rise.value),
            by_grid: taken(onset.slope * rise.value),
            by_next: taken(onset.value * rise.slope),
        }
    }

    #[inline]
    fn onset(&self, z: Lanes) -> Sloped {
        let tail = z.simd_lt(TAIL);
        let s = softplus(z);
        let log_drive = tail.select(z - self.log_sharpness, ln(s.value / self.sharpness));
        let slope_of_log = tail.select(Lanes::ONE, s.slope / s.value);
        let value = self.perveance * exp(self.exponent * log_drive);
        Sloped {
            value,
            slope: value * self.exponent * slope_of_log * self.sharpness,
        }
    }

    #[inline]
    fn rise(&self, v_n: Lanes) -> Sloped {
        let ratio = v_n.fast_max(Lanes::ZERO) / self.rise_voltage;
        let fall = 1.0 / (ratio * ratio + 1.0);
        Sloped {
            value: self.rise * fall + 1.0,
            slope: -2.0 * self.rise * ratio * fall * fall / self.rise_voltage,
        }
    }
}
