//! One valve and its type: how a single one is made to differ from the law of all.
//!
//! ```text
//! current      kg -> kg / r
//! mu at v_ak   mu -> r mu,   vct -> vct + sqrt(kvb + U²) (1/mu - 1/(r mu))
//! ```
//!
//! Symbols   r ratio;  kg, mu, vct, kvb as in `triode.rs`;  U the volts that accelerate, v_ak of a triode
//! Source    a valve tester reads current, mutual conductance and amplification factor at stated volts. The
//!           first two follow the perveance together; the second line keeps both, for every grid voltage,
//!           and moves what is left
//! Care      the shift of vct is no contact potential but what keeps the current; of a pentode the factor is
//!           that of the screen. A stabiliser has neither

use crate::data::ValveModel;
use crate::pentode::PentodeLaw;
use crate::triode::{TriodeLaw, TriodeParameters};

impl ValveModel {
    /// A valve that passes `ratio` times the current, and has as much more mutual conductance, at the same volts.
    pub fn scale_current(&mut self, ratio: f64) {
        match self {
            Self::Triode(triode) => {
                let TriodeLaw::ControlVoltage(law) = &mut triode.law;
                law.kg /= ratio;
            }
            Self::Pentode(pentode) => *pentode.law.kg_mut() /= ratio,
            Self::Rectifier(rectifier) => rectifier.k *= ratio,
            Self::Stabiliser(_) => {}
        }
    }

    /// Lets the cathode emit `ratio` times as much: what flows to the grid goes with what flows to the anode.
    pub fn scale_emission(&mut self, ratio: f64) {
        self.scale_current(ratio);
        match self {
            Self::Triode(triode) => triode.grid.perveance *= ratio,
            Self::Pentode(pentode) => pentode.grid.perveance *= ratio,
            Self::Rectifier(_) | Self::Stabiliser(_) => {}
        }
    }

    /// A valve of `ratio` times the amplification factor that passes the same current, with the same mutual
    /// conductance, at these anode and screen volts to the cathode.
    pub fn scale_mu(&mut self, ratio: f64, v_ak: f64, v_sk: f64) {
        match self {
            Self::Triode(triode) => {
                let TriodeLaw::ControlVoltage(law) = &mut triode.law;
                scale_triode(law, ratio, v_ak);
            }
            Self::Pentode(pentode) => match &mut pentode.law {
                PentodeLaw::CurrentSharing(law) => {
                    let shift = shift(law.mu, law.kvb, ratio, law.accelerating(v_ak, v_sk));
                    law.vct += shift;
                    law.mu *= ratio;
                    // The knee goes with mu E, which is to stay.
                    law.kap *= ratio.powf(-law.q);
                }
                PentodeLaw::FallingScreen(law) => scale_triode(&mut law.hinge, ratio, v_sk),
            },
            Self::Rectifier(_) | Self::Stabiliser(_) => {}
        }
    }
}

fn scale_triode(law: &mut TriodeParameters, ratio: f64, volts: f64) {
    law.vct += shift(law.mu, law.kvb, ratio, volts);
    law.mu *= ratio;
}

/// What the grid needs in addition, V.
fn shift(mu: f64, kvb: f64, ratio: f64, volts: f64) -> f64 {
    (kvb + volts * volts).sqrt() * (1.0 / mu - 1.0 / (ratio * mu))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::library::find;

    fn near(a: f64, b: f64, within: f64) {
        assert!((a / b - 1.0).abs() < within, "{a} {b}");
    }

    #[test]
    fn mu_alone_moves_at_the_volts_where_it_is_changed() {
        let ValveModel::Triode(nominal) = find("6J5").expect("it is in the library").model else {
            panic!("a triode");
        };
        let mut changed = ValveModel::Triode(nominal);
        changed.scale_mu(1.05, 250.0, 0.0);
        let ValveModel::Triode(changed) = changed else {
            unreachable!()
        };
        for v_gk in [-10.0, -8.0, -4.0] {
            let (a, b) = (nominal.currents(250.0, v_gk), changed.currents(250.0, v_gk));
            // One expression written another way: rounding
            near(a.anode, b.anode, 1e-10);
            near(a.gm(), b.gm(), 1e-10);
        }
        // Well away from cut-off the factor of the law is that of the slopes; the rest is its rounded hinge
        let (a, b) = (nominal.currents(250.0, -4.0), changed.currents(250.0, -4.0));
        near(b.mu() / a.mu(), 1.05, 5e-3);
    }

    #[test]
    fn a_pentode_keeps_its_currents_too() {
        let ValveModel::Pentode(nominal) = find("6V6GT").expect("it is in the library").model
        else {
            panic!("a pentode");
        };
        let mut changed = ValveModel::Pentode(nominal);
        changed.scale_mu(0.95, 250.0, 250.0);
        let ValveModel::Pentode(same) = changed else {
            unreachable!()
        };
        for v_gk in [-20.0, -12.5, -5.0] {
            let (a, b) = (
                nominal.currents(250.0, 250.0, v_gk),
                same.currents(250.0, 250.0, v_gk),
            );
            near(a.anode, b.anode, 1e-10);
            near(a.screen, b.screen, 1e-9);
            near(a.gm(), b.gm(), 1e-9);
        }
        // Less mu is more current where the screen rises
        let (a, b) = (
            nominal.currents(300.0, 300.0, -12.5),
            same.currents(300.0, 300.0, -12.5),
        );
        assert!(b.anode > 1.01 * a.anode, "{} {}", a.anode, b.anode);
        changed.scale_current(1.1);
        let ValveModel::Pentode(more) = changed else {
            unreachable!()
        };
        let (a, b) = (
            same.currents(250.0, 250.0, -12.5),
            more.currents(250.0, 250.0, -12.5),
        );
        // Both are the perveance's; the grid draws nothing there
        near(b.anode, 1.1 * a.anode, 1e-9);
        near(b.gm(), 1.1 * a.gm(), 1e-9);
    }
}
