//! What differs from one example of an amplifier to the next, by how much, and how a circuit is given it.
//!
//! The one place that knows which values of a part vary and what tolerance they have where the file states
//! none. A tolerance that the file states holds for every value of its part.
//!
//! Care      turns ratios, laws of semiconductors and stabilisers, leakage and losses are not varied

use sim::circuit::{Circuit, PartId};
use sim::parts::{Part, Transformer, Waveform, Winding};

/// Spread of a valve's current at the same volts (common practice, no source).
pub const VALVES: f64 = 0.1;

/// How far a supply may lie off where no mains is drawn (common practice, no source).
pub const SUPPLIES: f64 = 0.05;

/// How far things may lie off, as ratios.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Allowed {
    /// Resistances, windings included.
    pub parts: f64,
    /// Capacitances.
    pub capacitors: f64,
    /// Inductances and leakage inductances.
    pub inductors: f64,
    /// Current of valves at the same volts, and their mutual conductance with it.
    pub valves: f64,
    /// Amplification factor of valves at the same current and mutual conductance.
    pub mu: f64,
    /// Mains or supplies, low and high, as ratios of what the file has.
    pub mains: (f64, f64),
}

impl Default for Allowed {
    /// Carbon resistors, paper and film capacitors, iron with its air gap as found; common practice, no source.
    fn default() -> Self {
        Self {
            parts: 0.1,
            capacitors: 0.2,
            inductors: 0.2,
            valves: VALVES,
            mu: 0.05,
            mains: (1.0 - SUPPLIES, 1.0 + SUPPLIES),
        }
    }
}

/// A value of a part.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Quantity {
    /// Of a resistor or the track of a pot.
    Resistance,
    /// Of all windings of a part.
    WindingResistance,
    /// Of a capacitor.
    Capacitance,
    /// Of a winding on its core at small flux; the flux of saturation stays.
    Inductance,
    /// Leakage inductance, all windings of a part.
    Leakage,
    /// All windings of a part.
    WindingCapacitance,
    /// Current of a valve at the same volts, and its mutual conductance with it.
    Current,
    /// Amplification factor, at the same current and mutual conductance at these volts to the cathode.
    Mu {
        /// Anode, V.
        anode: f64,
        /// Screen, V.
        screen: f64,
    },
    /// Of sources.
    Volts,
}

impl Quantity {
    /// What it is called.
    pub fn words(self) -> &'static str {
        match self {
            Self::Resistance => "resistance",
            Self::WindingResistance => "winding resistance",
            Self::Capacitance => "capacitance",
            Self::Inductance => "inductance",
            Self::Leakage => "leakage inductance",
            Self::WindingCapacitance => "winding capacitance",
            Self::Current => "current and gm",
            Self::Mu { .. } => "mu",
            Self::Volts => "volts",
        }
    }

    /// The value of a part that sets its volts at rest, if there is one that varies.
    pub(crate) fn at_rest(part: &Part) -> Option<Self> {
        match part {
            Part::Resistor(_) | Part::Pot(_) => Some(Self::Resistance),
            Part::Inductor(inductor) => {
                (inductor.resistance > 0.0).then_some(Self::WindingResistance)
            }
            Part::Transformer(transformer) => {
                any(transformer, |w| w.resistance).then_some(Self::WindingResistance)
            }
            Part::Valve(valve) => valve.kind.model.amplifies().then_some(Self::Current),
            Part::Capacitor(_)
            | Part::Device(_)
            | Part::Diodes(_)
            | Part::Source(_)
            | Part::Switch(_)
            | Part::Loudspeaker(_) => None,
        }
    }

    /// Every value of a part that varies by itself, but for the amplification factor.
    fn all(part: &Part) -> Vec<Self> {
        let mut all: Vec<Self> = Self::at_rest(part).into_iter().collect();
        match part {
            Part::Capacitor(_) => all.push(Self::Capacitance),
            Part::Inductor(inductor) => {
                all.push(Self::Inductance);
                all.extend((inductor.capacitance > 0.0).then_some(Self::WindingCapacitance));
            }
            Part::Transformer(transformer) => {
                all.push(Self::Inductance);
                all.extend(any(transformer, |w| w.leakage).then_some(Self::Leakage));
                let capacitance = any(transformer, |w| w.capacitance);
                all.extend(capacitance.then_some(Self::WindingCapacitance));
            }
            Part::Valve(valve) => {
                all.extend(valve.kind.model.is_rectifier().then_some(Self::Current));
            }
            Part::Resistor(_)
            | Part::Device(_)
            | Part::Diodes(_)
            | Part::Source(_)
            | Part::Pot(_)
            | Part::Switch(_)
            | Part::Loudspeaker(_) => {}
        }
        all
    }

    /// Its tolerance where nothing is stated.
    fn tolerance(self, allowed: &Allowed) -> f64 {
        match self {
            Self::Resistance | Self::WindingResistance => allowed.parts,
            Self::Capacitance | Self::WindingCapacitance => allowed.capacitors,
            Self::Inductance | Self::Leakage => allowed.inductors,
            Self::Current => allowed.valves,
            Self::Mu { .. } => allowed.mu,
            Self::Volts => 0.0,
        }
    }

    /// Multiplies it.
    pub(crate) fn scale(self, part: &mut Part, ratio: f64) {
        match part {
            Part::Resistor(resistor) if self == Self::Resistance => resistor.r *= ratio,
            Part::Pot(pot) if self == Self::Resistance => pot.r *= ratio,
            Part::Capacitor(capacitor) if self == Self::Capacitance => capacitor.c *= ratio,
            Part::Source(source) if self == Self::Volts => match &mut source.waveform {
                Waveform::Dc(volts) => *volts *= ratio,
                Waveform::Sine { amplitude, .. }
                | Waveform::Alternating { amplitude, .. }
                | Waveform::Square { amplitude, .. } => *amplitude *= ratio,
                Waveform::TwoTone { .. }
                | Waveform::Stray { .. }
                | Waveform::Samples { .. }
                | Waveform::Stretch { .. } => {}
            },
            Part::Inductor(inductor) => match self {
                Self::WindingResistance => inductor.resistance *= ratio,
                Self::WindingCapacitance => inductor.capacitance *= ratio,
                Self::Inductance => {
                    inductor.core.l0 *= ratio;
                    inductor.core.gap /= ratio;
                    inductor.linear = inductor.linear.map(|l| ratio * l);
                }
                _ => {}
            },
            Part::Transformer(transformer) => match self {
                Self::Inductance => {
                    transformer.core.l0 *= ratio;
                    transformer.core.gap /= ratio;
                }
                Self::WindingResistance => {
                    each(transformer, |winding| winding.resistance *= ratio);
                }
                Self::Leakage => each(transformer, |winding| winding.leakage *= ratio),
                Self::WindingCapacitance => {
                    each(transformer, |winding| winding.capacitance *= ratio);
                }
                _ => {}
            },
            Part::Valve(valve) => match self {
                Self::Current => valve.scale_current(ratio),
                Self::Mu { anode, screen } => valve.kind.model.scale_mu(ratio, anode, screen),
                _ => {}
            },
            Part::Resistor(_)
            | Part::Capacitor(_)
            | Part::Device(_)
            | Part::Diodes(_)
            | Part::Source(_)
            | Part::Pot(_)
            | Part::Switch(_)
            | Part::Loudspeaker(_) => {}
        }
    }
}

fn each(transformer: &mut Transformer, change: impl Fn(&mut Winding)) {
    transformer.windings.iter_mut().for_each(change);
}

fn any(transformer: &Transformer, value: impl Fn(&Winding) -> f64) -> bool {
    transformer.windings.iter().any(|w| value(w) > 0.0)
}

/// A value and how far it may lie off.
#[derive(Clone, Debug, PartialEq)]
pub struct Varied {
    /// The part; several for supplies that go together.
    pub parts: Vec<PartId>,
    /// What of it.
    pub quantity: Quantity,
    /// Least, as a ratio of what the file has.
    pub low: f64,
    /// Greatest.
    pub high: f64,
    /// True when the file states the tolerance.
    pub stated: bool,
}

impl Varied {
    /// Multiplies the value in a circuit.
    pub fn scale(&self, circuit: &mut Circuit, ratio: f64) {
        for &part in &self.parts {
            self.quantity.scale(&mut circuit.part_mut(part).part, ratio);
        }
    }

    /// Middle of the limits and their standard uncertainty when every value between them is as likely, as
    /// ratios.
    ///
    /// Source   JCGM 100:2008, 4.3.7: half the width over √3 (from memory)
    pub fn rectangular(&self) -> (f64, f64) {
        let half = 0.5 * (self.high - self.low);
        (0.5 * (self.low + self.high), half / 3_f64.sqrt())
    }
}

/// The sources that go with the mains: every one that alternates, and every direct supply, which stands for one that the
/// mains feeds.
pub(crate) fn supplies(circuit: &Circuit) -> Vec<PartId> {
    let parts = circuit.parts();
    parts
        .filter(|(_, placed)| {
            placed.part.source().is_some_and(|source| {
                source.waveform.alternates() || source.waveform.at_rest().abs() > 0.0
            })
        })
        .map(|(id, _)| id)
        .collect()
}

/// Every value that varies, in the order of the parts, without the supplies. `volts` tells anode and screen
/// volts of a valve whose amplification factor is to vary.
pub(crate) fn of_parts(
    circuit: &Circuit,
    allowed: &Allowed,
    volts: impl Fn(PartId) -> Option<(f64, f64)>,
) -> Vec<Varied> {
    let parts = circuit.parts();
    let each = parts.flat_map(|(id, placed)| {
        let mut all = Quantity::all(&placed.part);
        all.extend(volts(id).map(|(anode, screen)| Quantity::Mu { anode, screen }));
        all.into_iter().filter_map(move |quantity| {
            let stated = placed.ratings.tolerance;
            let tolerance = stated.unwrap_or_else(|| quantity.tolerance(allowed));
            (tolerance > 0.0).then(|| Varied {
                parts: vec![id],
                quantity,
                low: 1.0 - tolerance,
                high: 1.0 + tolerance,
                stated: stated.is_some(),
            })
        })
    });
    each.collect()
}

/// Supplies from one mains, which go together; none when they are held.
pub(crate) fn of_supplies(circuit: &Circuit, allowed: &Allowed) -> Option<Varied> {
    let parts = supplies(circuit);
    let (low, high) = allowed.mains;
    (!parts.is_empty() && high > low).then_some(Varied {
        parts,
        quantity: Quantity::Volts,
        low,
        high,
        stated: false,
    })
}

#[cfg(test)]
mod tests {
    use super::Quantity;
    use models::core::Core;
    use sim::parts::{Inductor, Part, Transformer};

    #[test]
    fn an_inductance_is_scaled_with_its_gap() {
        // 1/L = 1/L_iron + 1/L_gap: what scales both scales the whole.
        let core = Core::saturating(30.0, 0.7).with_gap(10.0);
        let Part::Inductor(plain) = Part::inductor(1.0, 100.0) else {
            panic!("it is one");
        };
        let choke = Part::Inductor(Inductor {
            core: core.clone(),
            linear: None,
            ..plain
        });
        let transformer = Part::Transformer(Transformer {
            core,
            loss: f64::INFINITY,
            windings: Vec::new(),
        });
        for mut part in [choke, transformer] {
            Quantity::Inductance.scale(&mut part, 1.3);
            let core = part.core().expect("it has one");
            let henries = core.incremental_inductance(0.0);
            // Rounding.
            assert!((henries / (1.3 * 7.5) - 1.0).abs() < 1e-14, "{henries}");
        }
    }
}
