//! Kirchhoff's first law at every node of a printed chart, with nothing of the solver in it: each part's current
//! comes of the volts that are printed, by the law of the part.
//!
//! On the mains volts are means, and what is not straight is averaged over the samples of the period.

use measure::UnderTest;
use measure::at_rest::voltages::Voltages;
use models::device::Local;
use models::{AnyDevice, Device};
use sim::Tolerances;
use sim::circuit::{NodeId, PartId, Placed};
use sim::parts::{Part, Source, Valve};
use sim::system::Unknown;

/// Resistance of a closed contact, Ω, and conductance of an open one, S: what `README.md` and `DEVELOPERS.md` say.
const CONTACT: f64 = 0.01;
/// See [`CONTACT`].
const OPEN_CONTACT: f64 = 1e-11;

/// Share of its swing to which a settled period closes, with a decade to spare (`sim/src/periodic.rs`).
const CLOSED: f64 = 1e-4;

/// A node at which currents do not balance.
#[derive(Clone, Debug)]
pub struct Imbalance {
    /// Its name.
    pub node: String,
    /// What is left over, A.
    pub amps: f64,
    /// What rounding may leave, A.
    pub allowed: f64,
}

/// What flows at the nodes.
struct Flow {
    /// `[nodes]` current leaving the node, A.
    leaving: Vec<f64>,
    /// `[nodes]` what may be left over, A.
    allowed: Vec<f64>,
    /// `[nodes]` false where a winding without resistance joins, whose current no volts tell.
    judged: Vec<bool>,
    /// `[nodes]` how large volts become, V: on the mains more than their mean.
    size: Vec<f64>,
}

/// Shares of what flows that may be left over.
#[derive(Clone, Copy)]
struct Slack {
    /// Of conductance times volts, where Ohm's law holds: the rounding of some hundred unknowns.
    linear: f64,
    /// Of the current of a device: Newton's iteration ends there.
    device: f64,
    /// Of slope times volts of a device.
    slope: f64,
}

/// Rounding: 1e-16 of conductance times volts for each of some hundred operations of the elimination, and of a law
/// for each of its own. What Newton's iteration leaves besides is printed with the chart.
const STILL: Slack = Slack {
    linear: 1e-13,
    device: 1e-13,
    slope: 1e-13,
};

/// 512 samples of a period see a rectifier's pulse, which may last a fiftieth of it, with some ten per cent: the worst
/// of a thousand random circuits lies 11 % off. A part or a joint that is missing is off by all of it.
const ON_THE_MAINS: Slack = Slack {
    linear: 1e-5,
    device: 0.2,
    slope: 1e-6,
};

/// What is nothing on a chart of volts, A: still, a ten-thousandth of the least that is printed; on the mains, where
/// a period never closes quite, the least itself.
const NOTHING: (f64, f64) = (1e-10, 1e-6);

/// A winding of less, Ω, counts as one without resistance: the rounding of its volts would be amperes.
const LEAST_WINDING: f64 = 1e-6;

impl Flow {
    fn carry(&mut self, (a, b): (NodeId, NodeId), amps: f64, allowed: f64) {
        self.leaving[a.index()] += amps;
        self.leaving[b.index()] -= amps;
        for node in [a, b] {
            self.allowed[node.index()] += allowed;
        }
    }

    fn conductor(&mut self, ends: (NodeId, NodeId), g: f64, volts: &[f64], slack: Slack) {
        let (a, b) = (ends.0.index(), ends.1.index());
        let size = self.size[a] + self.size[b];
        self.carry(ends, g * (volts[a] - volts[b]), slack.linear * g * size);
    }

    /// A winding at direct current: its resistance, or nothing that volts tell.
    fn winding(&mut self, ends: (NodeId, NodeId), ohms: f64, volts: &[f64], slack: Slack) {
        if ohms > LEAST_WINDING {
            self.conductor(ends, 1.0 / ohms, volts, slack);
        } else {
            for node in [ends.0, ends.1] {
                self.judged[node.index()] = false;
            }
        }
    }

    /// A winding on the mains, whose flux linkage closes a period no better than Newton's iteration solves it: what is
    /// left are mean volts across its ohms.
    fn winding_closed(&mut self, ends: (NodeId, NodeId), ohms: f64, webers: f64, period: f64) {
        let Tolerances {
            newton_relative,
            newton_webers,
            ..
        } = Tolerances::default();
        if ohms > LEAST_WINDING {
            let left = newton_relative * webers + newton_webers;
            self.carry(ends, 0.0, left / period / ohms);
        }
    }

    /// A law, averaged over `[samples][nodes]` volts.
    fn device(&mut self, device: &AnyDevice, at: &[NodeId], samples: &[Vec<f64>], slack: Slack) {
        let n = at.len();
        let (mut f, mut df) = (vec![0.0; n], vec![0.0; n * n]);
        let share = 1.0 / samples.len() as f64;
        for volts in samples {
            let x: Vec<f64> = at.iter().map(|node| volts[node.index()]).collect();
            device.eval(
                &x,
                &[],
                &mut Local {
                    f: &mut f,
                    df: &mut df,
                },
            );
            for (k, node) in at.iter().enumerate() {
                let slopes: f64 = (0..n).map(|j| (df[k * n + j] * x[j]).abs()).sum();
                self.leaving[node.index()] += share * f[k];
                self.allowed[node.index()] +=
                    share * (slack.device * f[k].abs() + slack.slope * slopes);
            }
        }
    }
}

/// The nodes at which what is printed does not balance.
pub fn imbalances(of: &UnderTest<'_>, chart: &Voltages) -> Vec<Imbalance> {
    let circuit = of.circuit;
    let count = circuit.node_count();
    // The chassis is not printed: it is what volts are measured against.
    let mut mean = vec![0.0; count];
    for printed in &chart.nodes {
        if let Some(node) = circuit.find_node(&printed.node) {
            mean[node.index()] = printed.volts;
        }
    }
    let on_the_mains = chart.mains.is_some();
    let samples: Vec<Vec<f64>> = if on_the_mains {
        let of_sample = |x: &Vec<f64>| {
            let nodes = circuit.nodes();
            nodes
                .map(|(node, _)| x[of.system.voltage_of(node) as usize])
                .collect()
        };
        of.rest.samples().iter().map(of_sample).collect()
    } else {
        vec![mean.clone()]
    };
    let slack = if on_the_mains { ON_THE_MAINS } else { STILL };
    // What the chart itself says is left over; and an island is tied to the chassis by 1 TΩ.
    let least = if on_the_mains { NOTHING.1 } else { NOTHING.0 };
    let tie = |volts: &f64| chart.residual + least + 1e-12 * volts.abs();
    let mut flow = Flow {
        leaving: vec![0.0; count],
        allowed: mean.iter().map(tie).collect(),
        judged: vec![true; count],
        size: (0..count)
            .map(|k| {
                let sizes = samples.iter().map(|volts| volts[k].abs());
                sizes.fold(0.0, f64::max)
            })
            .collect(),
    };
    for (id, placed) in circuit.parts() {
        let at = &placed.nodes;
        match &placed.part {
            Part::Resistor(resistor) => {
                flow.conductor((at[0], at[1]), 1.0 / resistor.r, &mean, slack);
            }
            Part::Capacitor(capacitor) => {
                flow.conductor((at[0], at[1]), capacitor.leakage, &mean, slack);
                if let Some(mains) = &chart.mains {
                    // A period closes to a share of the swing; what is left charges it.
                    let volts = |x: &Vec<f64>| x[at[0].index()] - x[at[1].index()];
                    let swing = samples
                        .iter()
                        .map(volts)
                        .fold(0.0, |most, v| v.abs().max(most));
                    let left = CLOSED * swing * capacitor.c / mains.period;
                    flow.carry((at[0], at[1]), 0.0, left);
                }
            }
            Part::Inductor(inductor) => {
                flow.winding((at[0], at[1]), inductor.resistance, &mean, slack);
                if let Some(mains) = &chart.mains {
                    let ohms = inductor.resistance;
                    // A straight choke has no flux linkage among the unknowns.
                    let straight = inductor.core.l0 * most(of, Unknown::Current(id, 0));
                    let webers = webers(of, id).max(straight);
                    flow.winding_closed((at[0], at[1]), ohms, webers, mains.period);
                }
            }
            Part::Transformer(transformer) => {
                for (winding, ends) in transformer.windings.iter().zip(at.chunks_exact(2)) {
                    flow.winding((ends[0], ends[1]), winding.resistance, &mean, slack);
                    if let Some(mains) = &chart.mains {
                        let webers = winding.turns.abs() * webers(of, id);
                        let ohms = winding.resistance;
                        flow.winding_closed((ends[0], ends[1]), ohms, webers, mains.period);
                    }
                }
            }
            Part::Valve(valve) => {
                for (device, at) in valve.devices(at) {
                    flow.device(&device, &at, &samples, slack);
                }
                wires(&mut flow, valve, at, &mean, slack);
                if let Some(owner) = circuit.heater_of(id) {
                    leakage(&mut flow, valve, at, circuit.part(owner), &mean, slack);
                }
            }
            Part::Device(device) => flow.device(device, at, &samples, slack),
            Part::Diodes(diodes) => {
                for &(anode, cathode) in &diodes.junctions {
                    let ends = [at[anode], at[cathode]];
                    flow.device(&diodes.diode.into(), &ends, &samples, slack);
                }
            }
            Part::Source(source) => {
                supply(&mut flow, &placed.name, source, at, &mean, chart, slack);
            }
            Part::Pot(pot) => {
                let (upper, lower) = pot.halves();
                flow.conductor((at[0], at[1]), 1.0 / upper, &mean, slack);
                flow.conductor((at[1], at[2]), 1.0 / lower, &mean, slack);
            }
            Part::Switch(switch) => {
                for (contact, &node) in at[1..].iter().enumerate() {
                    let g = if switch.closed == Some(contact) {
                        1.0 / CONTACT
                    } else {
                        OPEN_CONTACT
                    };
                    flow.conductor((at[0], node), g, &mean, slack);
                }
            }
            // Its suspension carries direct current past the cone.
            Part::Loudspeaker(speaker) => {
                flow.conductor((at[0], at[1]), 1.0 / speaker.re, &mean, slack);
            }
        }
    }
    let nodes = circuit.nodes().skip(1);
    nodes
        .filter_map(|(node, name)| {
            let k = node.index();
            // Not written as `>`: what is no number balances nothing.
            let balanced = flow.leaving[k].abs() <= flow.allowed[k];
            (flow.judged[k] && !balanced).then(|| Imbalance {
                node: name.to_owned(),
                amps: flow.leaving[k],
                allowed: flow.allowed[k],
            })
        })
        .collect()
}

/// The greatest flux linkage of a core, Wb; nought where it is no unknown.
fn webers(of: &UnderTest<'_>, part: PartId) -> f64 {
    most(of, Unknown::Flux(part))
}

/// The greatest size of an unknown; nought where it is none.
fn most(of: &UnderTest<'_>, unknown: Unknown) -> f64 {
    let at = of
        .system
        .unknowns()
        .iter()
        .position(|other| *other == unknown);
    at.map_or(0.0, |at| of.rest.most(|x| x[at].abs()))
}

/// Filament and heater as wires.
fn wires(flow: &mut Flow, valve: &Valve, at: &[NodeId], volts: &[f64], slack: Slack) {
    let Some(heater) = &valve.kind.heater else {
        return;
    };
    let wiring = valve.wiring(at);
    for wire in [wiring.cathode, wiring.heater] {
        let sections = wire.len().saturating_sub(1) as f64;
        for pair in wire.windows(2) {
            let g = sections / heater.hot_resistance();
            flow.conductor((pair[0], pair[1]), g, volts, slack);
        }
    }
}

/// From either end of the heater to the cathode it warms.
fn leakage(
    flow: &mut Flow,
    valve: &Valve,
    at: &[NodeId],
    heated: &Placed,
    volts: &[f64],
    slack: Slack,
) {
    let Some((owner, heater)) = heated
        .part
        .valve()
        .and_then(|owner| Some((owner, owner.heater?)))
    else {
        return;
    };
    let ends = owner.wiring(&heated.nodes).heater;
    if let (&[cathode], [first, .., last]) = (valve.wiring(at).cathode, ends) {
        for &end in [first, last] {
            flow.conductor((end, cathode), 1.0 / heater.leakage, volts, slack);
        }
    }
}

/// What a supply is said to deliver; behind its own ohms, what its volts make it deliver.
fn supply(
    flow: &mut Flow,
    name: &str,
    source: &Source,
    at: &[NodeId],
    volts: &[f64],
    chart: &Voltages,
    slack: Slack,
) {
    // One that is not printed leaves its nodes out of balance, as it should.
    let Some(supply) = chart.supplies.iter().find(|supply| supply.part == name) else {
        return;
    };
    let ends = (at[0], at[1]);
    if source.resistance <= LEAST_WINDING && source.waveform.alternates() {
        // Its rms current is printed, and no mean.
        flow.judged[ends.0.index()] = false;
        flow.judged[ends.1.index()] = false;
    }
    let (a, b) = (volts[ends.0.index()], volts[ends.1.index()]);
    let (amps, allowed) = if source.resistance > LEAST_WINDING {
        let g = 1.0 / source.resistance;
        let emf = source.waveform.at_rest();
        let size = emf.abs() + flow.size[ends.0.index()] + flow.size[ends.1.index()];
        (g * (emf - a + b), slack.linear * g * size)
    } else {
        (supply.current, slack.linear * supply.current.abs())
    };
    flow.carry(ends, -amps, allowed);
}
