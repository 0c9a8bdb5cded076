//! Every voltage, current and dissipation with no signal, and what is over its rating.
//!
//! A little over 400 lines because it is one table: the chart and how each part is read.

use models::data::ValveModel;
use serde::Serialize;

use crate::instruments::heater::{HeaterAtRest, heaters};
use crate::instruments::valve::{AgainstLimit, Electrodes, ValveProbe, rectifier_currents};
use crate::{Measurement, Progress, UnderTest};
use sim::error::SimError;
use sim::operating_point::Found;
use sim::parts::{Part, Waveform};
use sim::rest::Rest;
use sim::stability::Growing;

/// The voltage chart. SI units.
#[derive(Clone, Debug, Serialize)]
pub struct Voltages {
    /// Every node against the chassis.
    pub nodes: Vec<NodeVolts>,
    /// Every triode and pentode.
    pub valves: Vec<ValveAtRest>,
    /// Every heater and filament that is drawn; none while an alternating supply stands still.
    pub heaters: Vec<HeaterAtRest>,
    /// Every rectifier valve.
    pub rectifiers: Vec<RectifierAtRest>,
    /// Every stabiliser.
    pub stabilisers: Vec<StabiliserAtRest>,
    /// Every resistor and pot.
    pub resistors: Vec<ResistorAtRest>,
    /// Every capacitor.
    pub capacitors: Vec<CapacitorAtRest>,
    /// Every winding and choke that carries direct current.
    pub windings: Vec<WindingAtRest>,
    /// Every supply.
    pub supplies: Vec<SupplyAtRest>,
    /// The natural frequency that grows, when the circuit does not stay at rest.
    pub growing: Option<Growing>,
    /// The mains period, when an alternating supply runs.
    pub mains: Option<MainsAtRest>,
    /// How the operating point was found.
    pub found: String,
    /// Largest current that does not balance at a node, A.
    pub residual: f64,
}

/// A node.
#[derive(Clone, Debug, Serialize)]
pub struct NodeVolts {
    /// Its name.
    pub node: String,
    /// V; the mean of a mains-fed circuit.
    pub volts: f64,
    /// Rms about the mean, V; none when still.
    pub ripple: Option<f64>,
}

/// The mains period a circuit rests on.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct MainsAtRest {
    /// Length of the period, s.
    pub period: f64,
    /// Cycles run to settle.
    pub cycles: u32,
    /// What is left to settle, relative.
    pub residual: f64,
}

/// A triode or pentode.
#[derive(Clone, Debug, Serialize)]
pub struct ValveAtRest {
    /// Designator.
    pub part: String,
    /// Type designation.
    pub kind: String,
    /// Anode to cathode, V.
    pub v_ak: AgainstLimit,
    /// Screen to cathode, V; none in a triode.
    pub v_sk: Option<AgainstLimit>,
    /// Grid to cathode, V.
    pub v_gk: f64,
    /// Cathode to chassis, V, without sign: against the heater-cathode limit for a heater at chassis, if
    /// the drawing does not say where the heater is.
    pub v_k: AgainstLimit,
    /// Anode current, A.
    pub i_a: f64,
    /// Screen current, A.
    pub i_s: f64,
    /// Grid current, A.
    pub i_g: f64,
    /// Cathode current, A.
    pub i_k: AgainstLimit,
    /// Mutual conductance, S; both electrodes together when strapped.
    pub gm: f64,
    /// Anode resistance, Ω.
    pub ra: f64,
    /// Amplification factor.
    pub mu: f64,
    /// Anode dissipation, W; a strapped screen is counted in.
    pub p_a: AgainstLimit,
    /// Screen dissipation, W; none in a triode.
    pub p_s: Option<AgainstLimit>,
    /// True when a pentode's screen is tied to its anode.
    pub strapped: bool,
    /// True when `p_a` is held against a limit its sheet prints for the strapped valve.
    pub strapped_limit: bool,
}

/// A rectifier valve.
#[derive(Clone, Debug, Serialize)]
pub struct RectifierAtRest {
    /// Designator.
    pub part: String,
    /// Type designation.
    pub kind: String,
    /// Current, both anodes, A.
    pub current: AgainstLimit,
    /// Drop from the first anode to the cathode, V.
    pub drop: f64,
}

/// A stabiliser.
#[derive(Clone, Debug, Serialize)]
pub struct StabiliserAtRest {
    /// Designator.
    pub part: String,
    /// Type designation.
    pub kind: String,
    /// Anode to cathode, V.
    pub volts: f64,
    /// Current, against the greatest allowed, A.
    pub current: AgainstLimit,
    /// Current below which it goes out, A.
    pub least: Option<f64>,
    /// Volts it needs to strike, V.
    pub strike: Option<f64>,
}

impl StabiliserAtRest {
    /// True when the current is too small to keep it burning.
    pub fn goes_out(&self) -> bool {
        self.least.is_some_and(|least| self.current.value < least)
    }
}

/// A resistor, or both parts of a pot together.
#[derive(Clone, Debug, Serialize)]
pub struct ResistorAtRest {
    /// Designator.
    pub part: String,
    /// Ω.
    pub resistance: f64,
    /// First end to second, V.
    pub volts: AgainstLimit,
    /// A.
    pub current: f64,
    /// W.
    pub power: AgainstLimit,
}

/// A capacitor.
#[derive(Clone, Debug, Serialize)]
pub struct CapacitorAtRest {
    /// Designator.
    pub part: String,
    /// F.
    pub capacitance: f64,
    /// Between its ends without sign, V; the greatest of a mains period.
    pub volts: AgainstLimit,
    /// ½CV², J.
    pub stored: f64,
    /// True when an electrolytic stands the wrong way.
    pub reversed: bool,
}

/// A winding or a choke.
#[derive(Clone, Debug, Serialize)]
pub struct WindingAtRest {
    /// Designator.
    pub part: String,
    /// Winding.
    pub winding: String,
    /// A.
    pub current: AgainstLimit,
    /// Drop across its resistance, V.
    pub drop: f64,
    /// Greatest flux of the core as a share of the flux where its inductance has fallen to half; none for a
    /// linear inductor. A mains transformer works beyond that by design.
    pub flux: Option<f64>,
    /// The same of its mean flux, which direct current makes.
    pub direct_flux: Option<f64>,
}

/// A supply.
#[derive(Clone, Debug, Serialize)]
pub struct SupplyAtRest {
    /// Designator.
    pub part: String,
    /// Open-circuit volts.
    pub volts: f64,
    /// Current out of the positive end, A.
    pub current: f64,
    /// Power delivered, W.
    pub power: f64,
}

/// Current that may be left over at a node, A: ten times the worst of five hundred random circuits, and
/// a thousandth of any current that is read.
const MOST_IMBALANCE: f64 = 1e-6;

/// The question: the chart of an amplifier at rest.
#[derive(Clone, Copy, Debug, Default)]
pub struct VoltagesOf;

impl Measurement for VoltagesOf {
    type Answer = Voltages;

    /// Answers. Of a mains-fed circuit, volts, currents and watts are means over the mains period, resistors
    /// and windings show rms values, capacitors and cathodes the greatest volts.
    ///
    /// # Errors
    /// [`SimError::NoOperatingPoint`] when the currents of a still circuit do not balance.
    fn ask(&self, of: &UnderTest<'_>, _: &Progress<'_>) -> Result<Voltages, SimError> {
        chart(of)
    }
}

/// The chart of an amplifier at rest, see [`VoltagesOf`].
///
/// # Errors
/// [`SimError::NoOperatingPoint`] when the currents of a still circuit do not balance.
pub fn chart(of: &UnderTest<'_>) -> Result<Voltages, SimError> {
    let (circuit, system, rest, ws) = (of.circuit, of.system, &of.rest, &mut of.workspace());
    let residual = if rest.mains.is_some() {
        0.0
    } else {
        system.imbalance(ws)
    };
    if residual > MOST_IMBALANCE {
        return Err(SimError::NoOperatingPoint {
            worst: system.name(system.worst_balanced(ws)).to_owned(),
            counts: ws.counts,
        });
    }
    let place = |node| system.voltage_of(node) as usize;
    let mut answer = Voltages {
        nodes: circuit
            .nodes()
            .skip(1)
            .map(|(node, name)| NodeVolts {
                node: name.to_owned(),
                volts: rest.mean(|x| x[place(node)]),
                ripple: rest.mains.map(|_| rest.ripple(|x| x[place(node)])),
            })
            .collect(),
        valves: ValveProbe::all(circuit, system)
            .iter()
            .map(|probe| valve_at_rest(probe, rest))
            .collect(),
        heaters: heaters(
            circuit,
            system,
            &rest.samples().iter().map(Vec::as_slice).collect::<Vec<_>>(),
        ),
        rectifiers: Vec::new(),
        stabilisers: Vec::new(),
        resistors: Vec::new(),
        capacitors: Vec::new(),
        windings: Vec::new(),
        supplies: Vec::new(),
        growing: None,
        mains: rest.mains.map(|mains| MainsAtRest {
            period: mains.duration,
            cycles: mains.cycles,
            residual: mains.residual,
        }),
        found: match rest.found {
            Found::Directly => "directly",
            Found::RaisingSources => "by raising the supplies from zero",
            Found::FadingShunt => "by fading a shunt conductance",
            Found::PseudoTransient => "by pseudo-transient continuation",
        }
        .to_owned(),
        residual,
    };
    for (id, placed) in circuit.parts() {
        let name = || placed.name.clone();
        let across =
            |a: usize, b: usize, x: &[f64]| x[place(placed.nodes[a])] - x[place(placed.nodes[b])];
        // Rms, with the sign of the mean.
        let signed = |figure: &dyn Fn(&[f64]) -> f64| rest.rms(figure).copysign(rest.mean(figure));
        match &placed.part {
            Part::Resistor(resistor) => answer.resistors.push(ResistorAtRest {
                part: name(),
                resistance: resistor.r,
                volts: AgainstLimit {
                    value: rest.rms(|x| across(0, 1, x)),
                    limit: placed.ratings.volts,
                },
                current: signed(&|x| across(0, 1, x) / resistor.r),
                power: AgainstLimit {
                    value: rest.mean(|x| across(0, 1, x).powi(2) / resistor.r),
                    limit: placed.ratings.watts,
                },
            }),
            Part::Pot(pot) => {
                let (upper, lower) = pot.halves();
                answer.resistors.push(ResistorAtRest {
                    part: name(),
                    resistance: pot.r,
                    volts: AgainstLimit {
                        value: rest.rms(|x| across(0, 2, x)),
                        limit: placed.ratings.volts,
                    },
                    current: signed(&|x| across(0, 1, x) / upper),
                    power: AgainstLimit {
                        value: rest.mean(|x| {
                            across(0, 1, x).powi(2) / upper + across(1, 2, x).powi(2) / lower
                        }),
                        limit: placed.ratings.watts,
                    },
                });
            }
            Part::Capacitor(capacitor) => {
                let greatest = rest.most(|x| across(0, 1, x).abs());
                answer.capacitors.push(CapacitorAtRest {
                    part: name(),
                    capacitance: capacitor.c,
                    volts: AgainstLimit {
                        value: greatest,
                        limit: placed.ratings.volts,
                    },
                    stored: 0.5 * capacitor.c * greatest.powi(2),
                    reversed: capacitor.polar && rest.most(|x| -across(0, 1, x)) > 0.5,
                });
            }
            Part::Inductor(inductor) => {
                let at = system.currents_of(id)[0] as usize;
                let current = rest.mean(|x| x[at]);
                answer.windings.push(WindingAtRest {
                    part: name(),
                    winding: "winding".to_owned(),
                    current: AgainstLimit {
                        value: current.abs(),
                        limit: placed.ratings.amps,
                    },
                    drop: current * inductor.resistance,
                    flux: system.flux_of(id).map(|flux| {
                        rest.most(|x| x[flux as usize].abs()) / inductor.core.saturation_flux()
                    }),
                    direct_flux: system.flux_of(id).map(|flux| {
                        rest.mean(|x| x[flux as usize]).abs() / inductor.core.saturation_flux()
                    }),
                });
            }
            Part::Transformer(transformer) => {
                let flux = system.flux_of(id).map(|flux| {
                    rest.most(|x| x[flux as usize].abs()) / transformer.core.saturation_flux()
                });
                let direct_flux = system.flux_of(id).map(|flux| {
                    rest.mean(|x| x[flux as usize]).abs() / transformer.core.saturation_flux()
                });
                for (winding, &at) in transformer.windings.iter().zip(system.currents_of(id)) {
                    let current = signed(&|x| x[at as usize]);
                    answer.windings.push(WindingAtRest {
                        part: name(),
                        winding: winding.name.clone(),
                        current: AgainstLimit {
                            value: current.abs(),
                            limit: winding.rated_current,
                        },
                        drop: current * winding.resistance,
                        flux,
                        direct_flux,
                    });
                }
            }
            Part::Source(source) => {
                let at = system.currents_of(id)[0] as usize;
                answer
                    .supplies
                    .push(supply_at_rest(name(), &source.waveform, rest, at));
            }
            Part::Valve(valve) if valve.kind.model.is_rectifier() => {
                let sum = |x: &[f64]| -> f64 {
                    let anodes = rectifier_currents(system, id, x);
                    anodes.iter().map(|(_, current)| current).sum()
                };
                let drop = |x: &[f64]| {
                    let anodes = rectifier_currents(system, id, x);
                    anodes.first().map_or(0.0, |(drop, _)| *drop)
                };
                answer.rectifiers.push(RectifierAtRest {
                    part: name(),
                    kind: valve.kind.name.clone(),
                    current: AgainstLimit {
                        value: rest.mean(sum),
                        limit: valve.kind.limits.dc_amps,
                    },
                    drop: rest.most(drop),
                });
            }
            Part::Valve(valve) => {
                if let ValveModel::Stabiliser(law) = &valve.kind.model {
                    answer.stabilisers.push(StabiliserAtRest {
                        part: name(),
                        kind: valve.kind.name.clone(),
                        volts: rest.mean(|x| across(0, 1, x)),
                        current: AgainstLimit {
                            value: rest.mean(|x| law.current(across(0, 1, x)).value),
                            limit: valve.kind.limits.most_amps,
                        },
                        least: valve.kind.limits.least_amps,
                        strike: valve.kind.discharge.as_ref().and_then(|d| d.strike_volts),
                    });
                }
            }
            Part::Device(_) | Part::Diodes(_) | Part::Switch(_) | Part::Loudspeaker(_) => {}
        }
    }
    answer.growing = of.growing();
    Ok(answer)
}

/// A supply; an alternating one in rms values.
fn supply_at_rest(part: String, waveform: &Waveform, rest: &Rest, current: usize) -> SupplyAtRest {
    if !waveform.alternates() {
        let volts = waveform.at_rest();
        let current = rest.mean(|x| x[current]);
        return SupplyAtRest {
            part,
            volts,
            current,
            power: volts * current,
        };
    }
    let (count, period) = (
        rest.samples().len() as f64,
        rest.mains.map_or(0.0, |mains| mains.duration),
    );
    let at = |k: usize| waveform.at(period * (k as f64 / count));
    let mean = |figure: &dyn Fn(f64, f64) -> f64| {
        let samples = rest.samples().iter().enumerate();
        samples.map(|(k, x)| figure(at(k), x[current])).sum::<f64>() / count
    };
    SupplyAtRest {
        part,
        volts: mean(&|volts, _| volts * volts).sqrt(),
        current: mean(&|_, amps| amps * amps).sqrt(),
        power: mean(&|volts, amps| volts * amps),
    }
}

fn valve_at_rest(probe: &ValveProbe, rest: &Rest) -> ValveAtRest {
    // Slopes at the mean voltages; currents and watts as the mean of what they are.
    let electrodes = probe.at(&rest.mean_state());
    let mean = |figure: &dyn Fn(&Electrodes) -> f64| rest.mean(|x| figure(&probe.at(x)));
    let limits = &probe.kind().limits;
    let pentode = matches!(probe.kind().model, ValveModel::Pentode(_));
    let strapped = pentode && probe.strapped;
    // Strapped, screen and anode are one electrode: one slope, one dissipation, the screen's volts.
    let slopes = if strapped {
        electrodes.currents.strapped()
    } else {
        electrodes.currents
    };
    ValveAtRest {
        part: probe.name.clone(),
        kind: probe.kind().name.clone(),
        v_ak: AgainstLimit {
            value: electrodes.v_ak,
            limit: probe.anode_volts_limit(),
        },
        v_sk: pentode.then_some(AgainstLimit {
            value: electrodes.v_sk,
            limit: limits.screen_volts,
        }),
        v_gk: electrodes.v_gk,
        v_k: AgainstLimit {
            value: rest.most(|x| probe.at(x).v_k.abs()),
            limit: limits.heater_cathode_volts.filter(|_| !probe.heater_drawn),
        },
        i_a: mean(&|e| e.currents.anode),
        i_s: mean(&|e| e.currents.screen),
        i_g: mean(&|e| e.currents.grid),
        i_k: AgainstLimit {
            value: mean(&|e| e.currents.cathode()),
            limit: limits.cathode_amps,
        },
        gm: slopes.gm(),
        ra: slopes.ra(),
        mu: slopes.mu(),
        p_a: AgainstLimit {
            value: mean(&|e| probe.anode_watts(e)),
            limit: probe.anode_watts_limit(),
        },
        p_s: pentode.then_some(AgainstLimit {
            value: mean(&Electrodes::screen_watts),
            limit: limits.screen_watts,
        }),
        strapped,
        strapped_limit: probe.has_strapped_limit(),
    }
}
