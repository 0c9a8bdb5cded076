//! Sharing of the space current by a screen current that falls as the anode rises.
//!
//! ```text
//! i_0 = E^x / kg of a triode whose anode is the screen
//! S   = 1 / (1 + c/w)  reciprocal,   exp(-(c/w)^(3/2))  exponential;   c = v²/(v + 0.2 V), v = v_ak > 0
//! i_a = i_0 ((1 - g)(1 - S) + A c),   i_s = p i_0 g (1 + a S)
//! ```
//!
//! Symbols   g share of the screen far above the knee;  a how much of it more at v_ak = 0;  w width of
//!           the knee, V;  A growth of the anode current, 1/V;  p of `current_sharing.rs`
//! Source    Reefman, theory of vacuum-tube models from traced curves, 2016 (from memory), with his
//!           1/kg2 = g/kg, and the requirement i_a(0) = 0 put in
//! Valid     pentodes (reciprocal) and beam tetrodes (exponential).  The knee is a voltage of its own and
//!           does not move with the screen's, so a strapped valve is met less well
//! Care      C¹ everywhere; an electrode at or below the cathode takes nothing

use super::{CLAMP_WIDTH, Shares, screen_closes};
use crate::guard;
use crate::triode::TriodeParameters;

/// How the screen current falls.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fall {
    /// 1/(1 + v/w): soft, of pentodes.
    Reciprocal,
    /// exp(-(v/w)^3/2): sharp, of beam tetrodes.
    Exponential,
}

/// Parameters of the law of the falling screen current, SI.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FallingScreen {
    /// The triode made by cathode, grid and screen.
    pub hinge: TriodeParameters,
    /// How the screen current falls.
    pub fall: Fall,
    /// Share g of the screen above the knee.
    pub share: f64,
    /// How much more of it at v_ak = 0.
    pub more: f64,
    /// Width of the knee, V.
    pub width: f64,
    /// Growth of the anode current with its volts, 1/V.
    pub growth: f64,
}

impl FallingScreen {
    /// S and dS/dc.
    #[inline]
    fn fallen(&self, c: f64) -> (f64, f64) {
        let ratio = c / self.width;
        match self.fall {
            Fall::Reciprocal => {
                let s = 1.0 / (1.0 + ratio);
                (s, -s * s / self.width)
            }
            Fall::Exponential => {
                let root = ratio.sqrt();
                let s = (-ratio * root).exp();
                (s, -1.5 * root * s / self.width)
            }
        }
    }

    /// Currents without grid current: i_0 with slopes, anode and screen with slopes.
    pub(super) fn shares(&self, v_ak: f64, v_sk: f64, v_gk: f64) -> Option<Shares> {
        let (space, by_screen, by_grid) = self.hinge.space_current(v_sk, v_gk);
        if space <= 0.0 {
            return None;
        }
        let space_slopes = [0.0, by_screen, by_grid];
        let c = guard::clamp(v_ak, CLAMP_WIDTH);
        let (s, s_slope) = self.fallen(c.value);
        let above = 1.0 - self.share;
        let of_anode = above * (1.0 - s) + self.growth * c.value;
        let of_anode_slope = (self.growth - above * s_slope) * c.slope;
        let close = screen_closes(v_sk);
        let of_screen = self.share * (1.0 + self.more * s);
        let of_screen_slope = self.share * self.more * s_slope * c.slope;
        let mut anode_slopes = space_slopes.map(|slope| slope * of_anode);
        anode_slopes[0] += space * of_anode_slope;
        let mut screen_slopes = space_slopes.map(|slope| slope * of_screen * close.value);
        screen_slopes[0] += space * of_screen_slope * close.value;
        screen_slopes[1] += space * of_screen * close.slope;
        Some(Shares {
            space,
            space_slopes,
            anode: space * of_anode,
            anode_slopes,
            screen: space * of_screen * close.value,
            screen_slopes,
        })
    }

    /// Where four fifths of the anode current flow, V.
    pub(super) fn knee_voltage(&self) -> f64 {
        match self.fall {
            Fall::Reciprocal => 4.0 * self.width,
            Fall::Exponential => 5.0_f64.ln().powf(2.0 / 3.0) * self.width,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample(fall: Fall) -> FallingScreen {
        FallingScreen {
            hinge: TriodeParameters {
                mu: 9.0,
                x: 1.4,
                kg: 900.0,
                kp: 55.0,
                kvb: 300.0,
                vct: 0.4,
            },
            fall,
            share: 0.08,
            more: 6.0,
            width: 12.0,
            growth: 2e-4,
        }
    }

    #[test]
    fn slopes_are_those_of_the_currents() {
        const STEP: f64 = 1e-4;
        for fall in [Fall::Reciprocal, Fall::Exponential] {
            let law = sample(fall);
            for at in [[250.0, 250.0, -12.0], [20.0, 250.0, -2.0], [3.0, 40.0, 1.0]] {
                let here = law.shares(at[0], at[1], at[2]).unwrap();
                for k in 0..3 {
                    let (mut up, mut down) = (at, at);
                    up[k] += STEP;
                    down[k] -= STEP;
                    let up = law.shares(up[0], up[1], up[2]).unwrap();
                    let down = law.shares(down[0], down[1], down[2]).unwrap();
                    // Central differences: step² of a third slope, some 1e-9 of these currents
                    let near = |slope: f64, up: f64, down: f64| {
                        (slope - (up - down) / (2.0 * STEP)).abs() < 1e-7 * here.space
                    };
                    assert!(
                        near(here.anode_slopes[k], up.anode, down.anode),
                        "{at:?} {k}"
                    );
                    assert!(
                        near(here.screen_slopes[k], up.screen, down.screen),
                        "{at:?} {k}"
                    );
                }
            }
        }
    }

    #[test]
    fn at_the_knee_four_fifths_flow() {
        for fall in [Fall::Reciprocal, Fall::Exponential] {
            let law = FallingScreen {
                growth: 0.0,
                ..sample(fall)
            };
            let at = law.shares(law.knee_voltage(), 250.0, -5.0).unwrap();
            // The clamp takes 0.2 V off the 16 or 48 V of the anode: 1 % where S falls with (c/w)^3/2
            assert!((at.anode / (at.space * 0.92) - 0.8).abs() < 1e-2);
        }
    }
}
