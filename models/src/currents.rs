//! What a valve answers: its electrode currents and their slopes.
//!
//! ```text
//! gm = ∂i_a/∂v_gk,   1/ra = ∂i_a/∂v_ak,   mu = gm · ra
//! ```
//!
//! Symbols   gm mutual conductance, S;  ra anode resistance, ohm;  mu amplification factor, 1
//! Source    the definitions
//! Valid     everywhere; ra is infinite where the anode current does not answer to its voltage
//! Care      slopes are ordered anode, screen, grid; for a triode the screen entries are zero

/// Column of the anode-cathode voltage in the slopes.
pub const ANODE: usize = 0;
/// Column of the screen-cathode voltage in the slopes.
pub const SCREEN: usize = 1;
/// Column of the grid-cathode voltage in the slopes.
pub const GRID: usize = 2;

/// Currents into the electrodes of a valve, A, and their slopes, S.
///
/// Each `_slopes` is [∂/∂v_ak, ∂/∂v_sk, ∂/∂v_gk].
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ValveCurrents {
    /// Current into the anode, A.
    pub anode: f64,
    /// Current into the screen grid, A; zero in a triode.
    pub screen: f64,
    /// Current into the control grid, A.
    pub grid: f64,
    /// Slopes of the anode current, S.
    pub anode_slopes: [f64; 3],
    /// Slopes of the screen current, S.
    pub screen_slopes: [f64; 3],
    /// Slopes of the control-grid current, S.
    pub grid_slopes: [f64; 3],
}

impl ValveCurrents {
    /// Cathode current, A: the sum of all that the electrodes take.
    pub fn cathode(&self) -> f64 {
        self.anode + self.screen + self.grid
    }

    /// Mutual conductance, S.
    pub fn gm(&self) -> f64 {
        self.anode_slopes[GRID]
    }

    /// Anode resistance, ohm.
    pub fn ra(&self) -> f64 {
        self.anode_slopes[ANODE].recip()
    }

    /// Amplification factor.
    pub fn mu(&self) -> f64 {
        self.gm() * self.ra()
    }

    /// These and `weight` of others.
    #[must_use]
    pub(crate) fn plus(self, weight: f64, other: &Self) -> Self {
        let add = |a: [f64; 3], b: [f64; 3]| std::array::from_fn(|k| a[k] + weight * b[k]);
        Self {
            anode: self.anode + weight * other.anode,
            screen: self.screen + weight * other.screen,
            grid: self.grid + weight * other.grid,
            anode_slopes: add(self.anode_slopes, other.anode_slopes),
            screen_slopes: add(self.screen_slopes, other.screen_slopes),
            grid_slopes: add(self.grid_slopes, other.grid_slopes),
        }
    }

    /// What the valve answers with its screen tied to the anode: one electrode carries both currents.
    #[must_use]
    pub fn strapped(&self) -> Self {
        let tie = |a: [f64; 3], s: [f64; 3]| {
            [
                a[ANODE] + a[SCREEN] + s[ANODE] + s[SCREEN],
                0.0,
                a[GRID] + s[GRID],
            ]
        };
        Self {
            anode: self.anode + self.screen,
            screen: 0.0,
            grid: self.grid,
            anode_slopes: tie(self.anode_slopes, self.screen_slopes),
            screen_slopes: [0.0; 3],
            grid_slopes: tie(self.grid_slopes, [0.0; 3]),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strapping_adds_currents_and_both_voltages() {
        let apart = ValveCurrents {
            anode: 3.0,
            screen: 1.0,
            grid: 0.5,
            anode_slopes: [1.0, 10.0, 100.0],
            screen_slopes: [2.0, 20.0, 200.0],
            grid_slopes: [0.25, 0.5, 4.0],
        };
        let tied = apart.strapped();
        let same = |a: [f64; 3], b: [f64; 3]| a.iter().zip(b).all(|(a, b)| (a - b).abs() < 1e-12);
        assert!(same(tied.anode_slopes, [33.0, 0.0, 300.0]));
        assert!(same(tied.grid_slopes, [0.75, 0.0, 4.0]));
        assert!((tied.cathode() - apart.cathode()).abs() < 1e-15);
        assert!((tied.mu() - 300.0 / 33.0).abs() < 1e-12);
    }
}
