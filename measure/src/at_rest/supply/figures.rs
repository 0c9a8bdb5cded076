//! What one settled period says of a power supply.
//!
//! Over 400 lines because it is one table: the figures, and below them how each is read.

use models::data::ValveModel;
use serde::Serialize;

use super::capacitor_current::Slopes;
use super::points::{self, Points};
use super::source_ohms::{feed, least_ohms};
use crate::instruments::flux::{is_of_the_mains, of_saturation};
use crate::instruments::heater::{HeaterAtRest, heaters};
use crate::instruments::power_balance::PowerBalance;
use crate::instruments::valve::{AgainstLimit, junction_currents};
use sim::amplifier::Taps;
use sim::circuit::{Circuit, NodeId, PartId};
use sim::parts::Part;
use sim::periodic::Period;
use sim::system::{System, Workspace};

/// The supply over a settled period. SI units.
#[derive(Clone, Debug, Serialize)]
pub struct Figures {
    /// Every capacitor a rectifier feeds, by its node.
    pub points: Vec<PointVolts>,
    /// Every rectifier.
    pub rectifiers: Vec<RectifierStress>,
    /// Every heater and filament that is drawn.
    pub heaters: Vec<HeaterAtRest>,
    /// Every winding of a mains transformer, and every choke.
    pub windings: Vec<WindingStress>,
    /// Every core of those.
    pub cores: Vec<CoreStress>,
    /// Every capacitor of the supply and every other electrolytic.
    pub capacitors: Vec<CapacitorStress>,
    /// Capacitors in series.
    pub pairs: Vec<PairStress>,
    /// Every stabiliser.
    pub stabilisers: Vec<StabiliserStress>,
    /// What the mains gives.
    pub plug: Plug,
    /// What is left to settle, relative, see [`Period::residual`].
    pub residual: f64,
}

/// An HT point.
#[derive(Clone, Debug, Serialize)]
pub struct PointVolts {
    /// The node.
    pub node: String,
    /// True at a rectifier itself: the reservoir.
    pub reservoir: bool,
    /// Mean against the chassis, V.
    pub volts: f64,
    /// Rms about the mean, V.
    pub ripple_rms: f64,
    /// Greatest less least, V.
    pub ripple_peak_to_peak: f64,
}

/// A rectifier.
#[derive(Clone, Debug, Serialize)]
pub struct RectifierStress {
    /// Designator.
    pub part: String,
    /// Type designation; none of silicon.
    pub kind: Option<String>,
    /// Direct current of all anodes, A; of a bridge, of the two that feed one side.
    pub direct: AgainstLimit,
    /// Each anode.
    pub anodes: Vec<AnodeStress>,
}

/// One anode.
#[derive(Clone, Debug, Serialize)]
pub struct AnodeStress {
    /// The anode's node.
    pub node: String,
    /// Mean current, A.
    pub mean: f64,
    /// A rms.
    pub rms: f64,
    /// Greatest current, A.
    pub peak: AgainstLimit,
    /// Greatest inverse volts, V.
    pub inverse: AgainstLimit,
    /// What feeds it, off load, V rms; none when it is no plain winding.
    pub feed_volts: Option<f64>,
    /// Resistance of the supply in this anode, Ω.
    pub supply_ohms: Option<f64>,
    /// The least the type's published operations have at those volts with a reservoir, Ω; none without a
    /// reservoir or without such a row.
    pub least_ohms: Option<f64>,
}

/// A winding.
#[derive(Clone, Debug, Serialize)]
pub struct WindingStress {
    /// Designator.
    pub part: String,
    /// Winding.
    pub winding: String,
    /// A rms.
    pub current: AgainstLimit,
    /// Ω.
    pub resistance: f64,
    /// Copper loss, W.
    pub loss: f64,
}

/// A core.
#[derive(Clone, Debug, Serialize)]
pub struct CoreStress {
    /// Designator.
    pub part: String,
    /// Greatest flux as a share of the flux where it saturates: of a transformer, that of the mains volts
    /// stated for it; of a choke, that where its inductance has fallen to half.
    pub saturation: f64,
}

/// A capacitor.
#[derive(Clone, Debug, Serialize)]
pub struct CapacitorStress {
    /// Designator.
    pub part: String,
    /// F.
    pub capacitance: f64,
    /// Greatest volts between its ends, V without sign.
    pub volts: AgainstLimit,
    /// Ripple current, A rms.
    pub ripple_amps: f64,
    /// True when an electrolytic stands the wrong way.
    pub reversed: bool,
}

/// Two capacitors in series.
#[derive(Clone, Debug, Serialize)]
pub struct PairStress {
    /// Both designators.
    pub parts: Vec<String>,
    /// Mean volts across both, V without sign.
    pub across: f64,
    /// Share of it across the first.
    pub share: f64,
    /// The resistors that share it.
    pub resistors: Vec<SharingResistor>,
}

/// A resistor across a capacitor of a pair.
#[derive(Clone, Debug, Serialize)]
pub struct SharingResistor {
    /// Designator.
    pub part: String,
    /// Ω.
    pub resistance: f64,
    /// W.
    pub power: AgainstLimit,
}

/// A stabiliser.
#[derive(Clone, Debug, Serialize)]
pub struct StabiliserStress {
    /// Designator.
    pub part: String,
    /// Type designation.
    pub kind: String,
    /// Mean volts, V.
    pub volts: f64,
    /// Least current of the period, A.
    pub least: f64,
    /// Current below which it goes out, A.
    pub goes_out: Option<f64>,
    /// Greatest current of the period, A.
    pub most: AgainstLimit,
}

/// What the mains gives at the plug.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Plug {
    /// V rms.
    pub volts: f64,
    /// A rms.
    pub current: f64,
    /// W.
    pub power: f64,
    /// VA.
    pub apparent: f64,
    /// What everything behind the plug takes, added up, W; the generator's and other supplies' part in it
    /// taken off.
    pub dissipated: f64,
}

/// Volts the wrong way round from which an electrolytic counts as reversed, V; as the resting chart has it.
const WRONG_WAY: f64 = 0.5;

/// What is read.
pub(super) struct Reading<'a> {
    pub(super) circuit: &'a Circuit,
    pub(super) system: &'a System,
    pub(super) mains: PartId,
    pub(super) taps: &'a [Taps],
    pub(super) points: &'a Points,
    pub(super) period: &'a Period,
}

impl Reading<'_> {
    pub(super) fn figures(&self, ws: &mut Workspace) -> Figures {
        let samples: Vec<&[f64]> = self.period.samples.iter().map(Vec::as_slice).collect();
        Figures {
            points: self.points(),
            rectifiers: self.rectifiers(),
            heaters: heaters(self.circuit, self.system, &samples),
            windings: self.windings(),
            cores: self.cores(),
            capacitors: self.capacitors(ws),
            pairs: self.pairs(),
            stabilisers: self.stabilisers(),
            plug: self.plug(),
            residual: self.period.residual,
        }
    }

    fn place(&self, node: NodeId) -> usize {
        self.system.voltage_of(node) as usize
    }

    /// Volts between the first two nodes of a part against time.
    fn across(&self, nodes: &[NodeId]) -> Vec<f64> {
        let (a, b) = (self.place(nodes[0]), self.place(nodes[1]));
        self.period.of(|x| x[a] - x[b])
    }

    /// Volts of a node against time.
    pub(super) fn volts(&self, node: NodeId) -> Vec<f64> {
        let at = self.place(node);
        self.period.of(|x| x[at])
    }

    /// `[paths][samples]` drop, V, and current, A, of each path of a rectifier.
    pub(super) fn paths(&self, part: PartId) -> Vec<Vec<(f64, f64)>> {
        let mut paths: Vec<Vec<(f64, f64)>> = Vec::new();
        for x in &self.period.samples {
            let now = junction_currents(self.system, part, x);
            paths.resize(now.len(), Vec::new());
            for (path, figure) in paths.iter_mut().zip(now) {
                path.push(figure);
            }
        }
        paths
    }

    /// Name of each HT point, whether it is a reservoir, and its volts against time.
    pub(super) fn volts_of_points(&self) -> Vec<(String, bool, Vec<f64>)> {
        let points = self.points.nodes.iter();
        points
            .map(|&(node, _)| {
                let name = self.circuit.node_name(node).to_owned();
                (name, self.at_rectifier(node), self.volts(node))
            })
            .collect()
    }

    /// Whether a node is an end of a rectifier.
    fn at_rectifier(&self, node: NodeId) -> bool {
        self.circuit
            .parts()
            .flat_map(|(_, placed)| points::junctions(placed))
            .any(|junction| junction.anode == node || junction.cathode.contains(&node))
    }

    fn points(&self) -> Vec<PointVolts> {
        let points = self.volts_of_points().into_iter();
        points
            .map(|(node, reservoir, volts)| {
                let mean = mean(&volts);
                let about: Vec<f64> = volts.iter().map(|v| v - mean).collect();
                PointVolts {
                    node,
                    reservoir,
                    volts: mean,
                    ripple_rms: rms(&about),
                    ripple_peak_to_peak: most(&about) + most_of(about.iter().map(|v| -v)),
                }
            })
            .collect()
    }

    fn rectifiers(&self) -> Vec<RectifierStress> {
        let mut found = Vec::new();
        for (id, placed) in self.circuit.parts() {
            let junctions = points::junctions(placed);
            if junctions.is_empty() {
                continue;
            }
            let kind = placed.part.valve().map(|valve| &valve.kind);
            let limits = kind.map(|kind| &kind.limits);
            // A bridge: the alternating node of each path but its own is where its current comes back.
            let bridge = matches!(&placed.part, Part::Diodes(diodes) if diodes.terminals == 4);
            let alternating = if bridge { &placed.nodes[..2] } else { &[] };
            let reservoir = junctions.iter().any(|junction| {
                let ends = junction.cathode.iter().chain([&junction.anode]);
                let mut ends = ends.filter(|&&end| end != NodeId::CHASSIS);
                ends.any(|end| self.points.nodes.iter().any(|(node, _)| node == end))
            });
            let anodes: Vec<AnodeStress> = junctions
                .iter()
                .zip(self.paths(id))
                .map(|(junction, path)| {
                    let currents: Vec<f64> = path.iter().map(|(_, amps)| *amps).collect();
                    let others: Vec<NodeId> = alternating
                        .iter()
                        .copied()
                        .filter(|&n| n != junction.anode && !junction.cathode.contains(&n))
                        .collect();
                    let feed = feed(self.circuit, self.mains, junction, &others);
                    AnodeStress {
                        node: self.circuit.node_name(junction.anode).to_owned(),
                        mean: mean(&currents),
                        rms: rms(&currents),
                        peak: AgainstLimit {
                            value: most(&currents),
                            limit: limits.and_then(|limits| limits.peak_anode_amps),
                        },
                        inverse: AgainstLimit {
                            value: most_of(path.iter().map(|(drop, _)| -drop)),
                            limit: limits.and_then(|limits| limits.peak_inverse_volts),
                        },
                        feed_volts: feed.map(|feed| feed.volts),
                        supply_ohms: feed.map(|feed| feed.ohms),
                        least_ohms: kind
                            .zip(feed)
                            .filter(|_| reservoir)
                            .and_then(|(kind, feed)| least_ohms(kind, feed.volts)),
                    }
                })
                .collect();
            let sides = if alternating.is_empty() { 1.0 } else { 2.0 };
            found.push(RectifierStress {
                part: placed.name.clone(),
                kind: kind.map(|kind| kind.name.clone()),
                direct: AgainstLimit {
                    value: anodes.iter().map(|anode| anode.mean).sum::<f64>() / sides,
                    limit: limits.and_then(|limits| limits.dc_amps),
                },
                anodes,
            });
        }
        found
    }

    /// Mains transformers, and other transformers joined to the mains; chokes.
    fn iron(&self) -> Vec<PartId> {
        let fed = (Some(self.mains), self.taps);
        let parts = self
            .circuit
            .parts()
            .filter(|(id, placed)| match placed.part {
                Part::Transformer(_) => is_of_the_mains(self.circuit, fed, *id),
                Part::Inductor(_) => true,
                Part::Resistor(_)
                | Part::Capacitor(_)
                | Part::Valve(_)
                | Part::Device(_)
                | Part::Diodes(_)
                | Part::Source(_)
                | Part::Pot(_)
                | Part::Switch(_)
                | Part::Loudspeaker(_) => false,
            });
        parts.map(|(id, _)| id).collect()
    }

    fn windings(&self) -> Vec<WindingStress> {
        let mut found = Vec::new();
        for id in self.iron() {
            let placed = self.circuit.part(id);
            let mut add = |winding: &str, at: u32, resistance: f64, limit| {
                let amps = rms(&self.period.unknown(at));
                found.push(WindingStress {
                    part: placed.name.clone(),
                    winding: winding.to_owned(),
                    current: AgainstLimit { value: amps, limit },
                    resistance,
                    loss: amps * amps * resistance,
                });
            };
            let at = self.system.currents_of(id);
            if let Some(transformer) = placed.part.transformer() {
                for (winding, &at) in transformer.windings.iter().zip(at) {
                    add(&winding.name, at, winding.resistance, winding.rated_current);
                }
            }
            if let Part::Inductor(choke) = &placed.part {
                add("winding", at[0], choke.resistance, placed.ratings.amps);
            }
        }
        found
    }

    fn cores(&self) -> Vec<CoreStress> {
        let fed = (Some(self.mains), self.taps);
        let cores = self.iron().into_iter().filter_map(|id| {
            let limit = of_saturation(self.circuit, fed, id)?;
            let flux = self.period.unknown(self.system.flux_of(id)?);
            Some(CoreStress {
                part: self.circuit.part(id).name.clone(),
                saturation: most_of(flux.iter().map(|flux| flux.abs())) / limit,
            })
        });
        cores.collect()
    }

    fn capacitors(&self, ws: &mut Workspace) -> Vec<CapacitorStress> {
        let supply = self.points.capacitors();
        let ids: Vec<PartId> = self
            .circuit
            .parts()
            .filter(|(id, placed)| placed.part.is_polar() || supply.contains(id))
            .map(|(id, _)| id)
            .collect();
        let slopes = Slopes::new(self.system);
        let plates: Vec<_> = ids
            .iter()
            .filter_map(|&id| slopes.plates(self.circuit, id))
            .collect();
        let mut squares = vec![0.0; plates.len()];
        let mut means = vec![0.0; plates.len()];
        let share = 1.0 / self.period.samples.len() as f64;
        for x in &self.period.samples {
            let now = slopes.at(x, ws);
            for ((square, mean), plates) in squares.iter_mut().zip(&mut means).zip(&plates) {
                let amps = plates.current(&now);
                *square += share * amps * amps;
                *mean += share * amps;
            }
        }
        ids.iter()
            .zip(squares.iter().zip(&means))
            .map(|(&id, (square, mean))| {
                let placed = self.circuit.part(id);
                let volts = self.across(&placed.nodes);
                CapacitorStress {
                    part: placed.name.clone(),
                    capacitance: placed.part.farads().unwrap_or(0.0),
                    volts: AgainstLimit {
                        value: most_of(volts.iter().map(|volts| volts.abs())),
                        limit: placed.ratings.volts,
                    },
                    ripple_amps: (square - mean * mean).max(0.0).sqrt(),
                    reversed: placed.part.is_polar()
                        && most_of(volts.iter().map(|volts| -volts)) > WRONG_WAY,
                }
            })
            .collect()
    }

    fn pairs(&self) -> Vec<PairStress> {
        let pairs = self.points.pairs.iter();
        pairs
            .map(|pair| {
                let [first, second] = pair.capacitors.map(|id| {
                    let volts = self.across(&self.circuit.part(id).nodes);
                    mean(&volts).abs()
                });
                let resistors = pair.resistors.iter().map(|&id| {
                    let placed = self.circuit.part(id);
                    let r = placed.part.ohms().unwrap_or(f64::INFINITY);
                    SharingResistor {
                        part: placed.name.clone(),
                        resistance: r,
                        power: AgainstLimit {
                            value: rms(&self.across(&placed.nodes)).powi(2) / r,
                            limit: placed.ratings.watts,
                        },
                    }
                });
                PairStress {
                    parts: pair
                        .capacitors
                        .iter()
                        .map(|&id| self.circuit.part(id).name.clone())
                        .collect(),
                    across: first + second,
                    share: if first + second > 0.0 {
                        first / (first + second)
                    } else {
                        0.0
                    },
                    resistors: resistors.collect(),
                }
            })
            .collect()
    }

    fn stabilisers(&self) -> Vec<StabiliserStress> {
        let stabilisers = self.circuit.parts().filter_map(|(_, placed)| {
            let Part::Valve(valve) = &placed.part else {
                return None;
            };
            let ValveModel::Stabiliser(law) = &valve.kind.model else {
                return None;
            };
            let volts = self.across(&placed.nodes);
            let amps: Vec<f64> = volts.iter().map(|&v| law.current(v).value).collect();
            Some(StabiliserStress {
                part: placed.name.clone(),
                kind: valve.kind.name.clone(),
                volts: mean(&volts),
                least: -most_of(amps.iter().map(|amps| -amps)),
                goes_out: valve.kind.limits.least_amps,
                most: AgainstLimit {
                    value: most(&amps),
                    limit: valve.kind.limits.most_amps,
                },
            })
        });
        stabilisers.collect()
    }

    fn plug(&self) -> Plug {
        let volts = self.across(&self.circuit.part(self.mains).nodes);
        let amps = self.period.unknown(self.system.currents_of(self.mains)[0]);
        let (volts_rms, amps_rms) = (rms(&volts), rms(&amps));
        let power = volts.iter().zip(&amps).map(|(v, i)| v * i).sum::<f64>() / volts.len() as f64;
        let balance = PowerBalance::of(self.system, self.period);
        Plug {
            volts: volts_rms,
            current: amps_rms,
            power,
            apparent: volts_rms * amps_rms,
            // What other sources give is part of what is taken.
            dissipated: balance.taken() - (balance.given - power),
        }
    }
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|value| value * value).sum::<f64>() / values.len() as f64).sqrt()
}

fn most(values: &[f64]) -> f64 {
    most_of(values.iter().copied())
}

fn most_of(values: impl Iterator<Item = f64>) -> f64 {
    values.fold(f64::NEG_INFINITY, f64::max)
}
