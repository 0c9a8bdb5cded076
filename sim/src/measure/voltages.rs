//! Every voltage, current and dissipation with no signal, and what is over its rating.
//!
//! A little over 400 lines because it is one table: the chart and how each part is read.

use models::data::ValveModel;
use serde::Serialize;

use super::heater::{HeaterAtRest, heaters};
use super::valve::{Against, ValveProbe, rectifier_currents};
use crate::circuit::Circuit;
use crate::error::{Question, SimError};
use crate::operating_point::{Found, operating_point};
use crate::parts::{Part, Waveform};
use crate::stability::{Growing, growing};
use crate::system::{System, Workspace};
use crate::tolerances::Tolerances;

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
    /// V.
    pub volts: f64,
}

/// A triode or pentode.
#[derive(Clone, Debug, Serialize)]
pub struct ValveAtRest {
    /// Designator.
    pub part: String,
    /// Type designation.
    pub kind: String,
    /// Anode to cathode, V.
    pub v_ak: Against,
    /// Screen to cathode, V; none in a triode.
    pub v_sk: Option<Against>,
    /// Grid to cathode, V.
    pub v_gk: f64,
    /// Cathode to chassis, V, without sign: against the heater-cathode limit for a heater at chassis, if
    /// the drawing does not say where the heater is.
    pub v_k: Against,
    /// Anode current, A.
    pub i_a: f64,
    /// Screen current, A.
    pub i_s: f64,
    /// Grid current, A.
    pub i_g: f64,
    /// Cathode current, A.
    pub i_k: Against,
    /// Mutual conductance, S; both electrodes together when strapped.
    pub gm: f64,
    /// Anode resistance, Ω.
    pub ra: f64,
    /// Amplification factor.
    pub mu: f64,
    /// Anode dissipation, W; a strapped screen is counted in.
    pub p_a: Against,
    /// Screen dissipation, W; none in a triode.
    pub p_s: Option<Against>,
    /// True when a pentode's screen is tied to its anode.
    pub strapped: bool,
}

/// A rectifier valve.
#[derive(Clone, Debug, Serialize)]
pub struct RectifierAtRest {
    /// Designator.
    pub part: String,
    /// Type designation.
    pub kind: String,
    /// Current, both anodes, A.
    pub current: Against,
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
    pub current: Against,
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
    pub volts: Against,
    /// A.
    pub current: f64,
    /// W.
    pub power: Against,
}

/// A capacitor.
#[derive(Clone, Debug, Serialize)]
pub struct CapacitorAtRest {
    /// Designator.
    pub part: String,
    /// F.
    pub capacitance: f64,
    /// Positive end to negative, V.
    pub volts: Against,
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
    pub current: Against,
    /// Drop across its resistance, V.
    pub drop: f64,
    /// Flux of the core as a share of the flux where it saturates; none for a linear inductor.
    pub flux: Option<f64>,
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

/// A source that is never still: no voltages at rest go with it.
fn alternates(part: &Part) -> bool {
    match part {
        Part::Source(source) => match &source.waveform {
            Waveform::Sine { amplitude, .. } | Waveform::Square { amplitude, .. } => {
                amplitude.abs() > ALTERNATING
            }
            Waveform::Dc(_) | Waveform::TwoTone { .. } | Waveform::Samples { .. } => false,
        },
        _ => false,
    }
}

/// Turns alternating into direct current, so that rest means nothing to it.
fn rectifies(part: &Part) -> bool {
    match part {
        Part::Device(_) | Part::Diodes(_) => true,
        Part::Valve(valve) => matches!(valve.kind.model, ValveModel::Rectifier(_)),
        _ => false,
    }
}

/// Peak above which a source counts as a supply and not as a signal, V: no signal source of an
/// amplifier's input gives as much, no heater winding gives less.
const ALTERNATING: f64 = 3.0;

/// Solves the circuit with no signal. The workspace keeps the solution.
///
/// # Errors
/// [`SimError::NoOperatingPoint`], also when the currents found do not balance;
/// [`SimError::Undetermined`]; [`Question::Alternates`] when a mains supply feeds a rectifier.
pub fn voltages(
    circuit: &Circuit,
    system: &System,
    tolerances: &Tolerances,
    ws: &mut Workspace,
) -> Result<Voltages, SimError> {
    let alternating: Vec<&str> = circuit
        .parts()
        .filter(|(_, placed)| alternates(&placed.part))
        .map(|(_, placed)| placed.name.as_str())
        .collect();
    if !alternating.is_empty() && circuit.parts().any(|(_, placed)| rectifies(&placed.part)) {
        return Err(SimError::Question(Question::Alternates(
            alternating.join(", "),
        )));
    }
    let found = operating_point(system, tolerances, ws)?;
    let residual = system.imbalance(ws);
    if residual > MOST_IMBALANCE {
        return Err(SimError::NoOperatingPoint {
            worst: system.name(system.worst_balanced(ws)).to_owned(),
            counts: ws.counts,
        });
    }
    let x = &ws.x;
    let volts = |node| x[system.voltage_of(node) as usize];
    let mut answer = Voltages {
        nodes: circuit
            .nodes()
            .skip(1)
            .map(|(node, name)| NodeVolts {
                node: name.to_owned(),
                volts: volts(node),
            })
            .collect(),
        valves: ValveProbe::all(circuit, system)
            .iter()
            .map(|probe| valve_at_rest(probe, x))
            .collect(),
        heaters: if alternating.is_empty() {
            heaters(circuit, system, &[x])
        } else {
            Vec::new()
        },
        rectifiers: Vec::new(),
        stabilisers: Vec::new(),
        resistors: Vec::new(),
        capacitors: Vec::new(),
        windings: Vec::new(),
        supplies: Vec::new(),
        growing: None,
        found: match found {
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
        let across = |a: usize, b: usize| volts(placed.nodes[a]) - volts(placed.nodes[b]);
        match &placed.part {
            Part::Resistor(resistor) => answer.resistors.push(ResistorAtRest {
                part: name(),
                resistance: resistor.r,
                volts: Against {
                    value: across(0, 1).abs(),
                    limit: placed.ratings.volts,
                },
                current: across(0, 1) / resistor.r,
                power: Against {
                    value: across(0, 1).powi(2) / resistor.r,
                    limit: placed.ratings.watts,
                },
            }),
            Part::Pot(pot) => {
                let (upper, lower) = pot.halves();
                answer.resistors.push(ResistorAtRest {
                    part: name(),
                    resistance: pot.r,
                    volts: Against {
                        value: across(0, 2).abs(),
                        limit: placed.ratings.volts,
                    },
                    current: across(0, 1) / upper,
                    power: Against {
                        value: across(0, 1).powi(2) / upper + across(1, 2).powi(2) / lower,
                        limit: placed.ratings.watts,
                    },
                });
            }
            Part::Capacitor(capacitor) => answer.capacitors.push(CapacitorAtRest {
                part: name(),
                capacitance: capacitor.c,
                volts: Against {
                    value: across(0, 1).abs(),
                    limit: placed.ratings.volts,
                },
                stored: 0.5 * capacitor.c * across(0, 1).powi(2),
                reversed: capacitor.polar && across(0, 1) < -0.5,
            }),
            Part::Inductor(inductor) => {
                let current = x[system.currents_of(id)[0] as usize];
                answer.windings.push(WindingAtRest {
                    part: name(),
                    winding: "winding".to_owned(),
                    current: Against {
                        value: current.abs(),
                        limit: placed.ratings.amps,
                    },
                    drop: current * inductor.resistance,
                    flux: system
                        .flux_of(id)
                        .map(|flux| x[flux as usize].abs() / inductor.core.saturation_flux()),
                });
            }
            Part::Transformer(transformer) => {
                let flux = system
                    .flux_of(id)
                    .map(|flux| x[flux as usize].abs() / transformer.core.saturation_flux());
                for (winding, &at) in transformer.windings.iter().zip(system.currents_of(id)) {
                    let current = x[at as usize];
                    answer.windings.push(WindingAtRest {
                        part: name(),
                        winding: winding.name.clone(),
                        current: Against {
                            value: current.abs(),
                            limit: winding.rated_current,
                        },
                        drop: current * winding.resistance,
                        flux,
                    });
                }
            }
            Part::Source(source) => {
                let current = x[system.currents_of(id)[0] as usize];
                let open = source.waveform.at_rest();
                answer.supplies.push(SupplyAtRest {
                    part: name(),
                    volts: open,
                    current,
                    power: open * current,
                });
            }
            Part::Valve(valve) if matches!(valve.kind.model, ValveModel::Rectifier(_)) => {
                let anodes = rectifier_currents(system, id, x);
                answer.rectifiers.push(RectifierAtRest {
                    part: name(),
                    kind: valve.kind.name.clone(),
                    current: Against {
                        value: anodes.iter().map(|(_, current)| current).sum(),
                        limit: valve.kind.limits.dc_amps,
                    },
                    drop: anodes.first().map_or(0.0, |(drop, _)| *drop),
                });
            }
            Part::Valve(valve) => {
                if let ValveModel::Stabiliser(law) = &valve.kind.model {
                    answer.stabilisers.push(StabiliserAtRest {
                        part: name(),
                        kind: valve.kind.name.clone(),
                        volts: across(0, 1),
                        current: Against {
                            value: law.current(across(0, 1)).value,
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
    answer.growing = growing(system, ws);
    Ok(answer)
}

fn valve_at_rest(probe: &ValveProbe, x: &[f64]) -> ValveAtRest {
    let electrodes = probe.at(x);
    let limits = &probe.kind().limits;
    let pentode = matches!(probe.kind().model, ValveModel::Pentode(_));
    let strapped = pentode && probe.strapped;
    // Strapped, screen and anode are one electrode: one slope, one dissipation, the screen's volts.
    let slopes = if strapped {
        electrodes.currents.strapped()
    } else {
        electrodes.currents
    };
    let anode_volts = match (strapped, limits.screen_volts, limits.anode_volts) {
        (true, Some(screen), Some(anode)) => Some(f64::min(screen, anode)),
        (true, Some(screen), None) => Some(screen),
        (_, _, anode) => anode,
    };
    ValveAtRest {
        part: probe.name.clone(),
        kind: probe.kind().name.clone(),
        v_ak: Against {
            value: electrodes.v_ak,
            limit: anode_volts,
        },
        v_sk: pentode.then_some(Against {
            value: electrodes.v_sk,
            limit: limits.screen_volts,
        }),
        v_gk: electrodes.v_gk,
        v_k: Against {
            value: electrodes.v_k.abs(),
            limit: limits.heater_cathode_volts.filter(|_| !probe.heater_drawn),
        },
        i_a: electrodes.currents.anode,
        i_s: electrodes.currents.screen,
        i_g: electrodes.currents.grid,
        i_k: Against {
            value: electrodes.currents.cathode(),
            limit: limits.cathode_amps,
        },
        gm: slopes.gm(),
        ra: slopes.ra(),
        mu: slopes.mu(),
        p_a: Against {
            value: probe.anode_watts(&electrodes),
            limit: limits.anode_watts,
        },
        p_s: pentode.then_some(Against {
            value: electrodes.screen_watts(),
            limit: limits.screen_watts,
        }),
        strapped,
    }
}
