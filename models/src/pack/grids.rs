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

use fearless_simd::{Simd, prelude::*};

use super::elementary::{exp, ln};
use super::guard::{Sloped, softplus};
use super::{Four, Lanes, lanes, splat};
use crate::grid_current::{GridCurrent, NOTHING, TAIL};

/// Constants of four grids.
#[derive(Clone, Debug)]
pub(super) struct Grids {
    perveance: Four,
    exponent: Four,
    sharpness: Four,
    log_sharpness: Four,
    offset: Four,
    rise: Four,
    rise_voltage: Four,
}

/// Four grid currents, A, and their slopes, S, by the grid's own volts and by the next electrode's.
pub(super) struct GridCurrents<S: Simd> {
    pub(super) value: Lanes<S>,
    pub(super) by_grid: Lanes<S>,
    pub(super) by_next: Lanes<S>,
}

impl Grids {
    pub(super) fn of(grids: [&GridCurrent; 4]) -> Self {
        let all = |of: fn(&GridCurrent) -> f64| grids.map(of);
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
    #[inline(always)]
    pub(super) fn current<S: Simd>(
        &self,
        simd: S,
        v_gk: Lanes<S>,
        v_n: Lanes<S>,
    ) -> GridCurrents<S> {
        let perveance = lanes(simd, self.perveance);
        let sharpness = lanes(simd, self.sharpness);
        let offset = lanes(simd, self.offset);
        let zero = splat(simd, 0.0);
        let z = sharpness * (v_gk + offset);
        let nothing = z.simd_lt(NOTHING) | perveance.simd_le(0.0);
        if nothing.all_true() {
            return GridCurrents {
                value: zero,
                by_grid: zero,
                by_next: zero,
            };
        }
        let onset = self.onset(simd, z);
        let rise = self.rise(simd, v_n);
        GridCurrents {
            value: nothing.select(zero, onset.value * rise.value),
            by_grid: nothing.select(zero, onset.slope * rise.value),
            by_next: nothing.select(zero, onset.value * rise.slope),
        }
    }

    #[inline(always)]
    fn onset<S: Simd>(&self, simd: S, z: Lanes<S>) -> Sloped<S> {
        let perveance = lanes(simd, self.perveance);
        let exponent = lanes(simd, self.exponent);
        let sharpness = lanes(simd, self.sharpness);
        let log_sharpness = lanes(simd, self.log_sharpness);
        let tail = z.simd_lt(TAIL);
        let s = softplus(simd, z);
        let log_s = tail.select(z, ln(simd, s.value));
        let slope_of_log = tail.select(splat(simd, 1.0), s.slope / s.value);
        let value = perveance * exp(simd, exponent * (log_s - log_sharpness));
        Sloped {
            value,
            slope: value * exponent * slope_of_log * sharpness,
        }
    }

    #[inline(always)]
    fn rise<S: Simd>(&self, simd: S, v_n: Lanes<S>) -> Sloped<S> {
        let rise = lanes(simd, self.rise);
        let volts = lanes(simd, self.rise_voltage);
        let ratio = v_n.max(0.0) / volts;
        let fall = 1.0 / ratio.mul_add(ratio, 1.0);
        Sloped {
            value: rise.mul_add(fall, 1.0),
            slope: -2.0 * rise * ratio * fall * fall / volts,
        }
    }
}
