//! Every voltage, current and dissipation with no signal, and what is over its rating.

use models::data::ValveModel;
use serde::Serialize;

use crate::instruments::heater::{HeaterAtRest, heaters};
use crate::instruments::peak::{Peak, Places};
use crate::instruments::valve::{AgainstLimit, ValveProbe};
use crate::{Measurement, Progress, UnderTest};
use sim::error::{LeftOver, SimError};
use sim::operating_point::Found;
use sim::parts::Part;
use sim::stability::Growing;
use sim::system::Unknown;

mod in_place;

use in_place::{InPlace, valve_at_rest};

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
    /// The greatest volts anywhere, windings included; none of a circuit without nodes.
    pub peak: Option<Peak>,
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
    /// Anode resistance, Ω; infinite when cut off.
    pub ra: f64,
    /// Amplification factor; not a number when cut off.
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
    /// Greatest flux of the core as a share of the flux where it saturates: of a mains transformer, that of the
    /// mains volts stated for it; of others, that where the inductance has fallen to half. None for a linear inductor.
    pub flux: Option<f64>,
    /// Mean flux, which direct current makes, as such a share.
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
    /// What it looks into, Ω: terminal volts over current; none where none flows.
    #[serde(skip)]
    pub into_ohms: Option<f64>,
}

/// What a supply looks into counts as a short below this, Ω: less than the heaters of any amplifier take, and more
/// than a joint, a closed contact or a wire has (common practice, no source).
const SHORT: f64 = 0.05;

/// Open-circuit volts from which that is asked, V.
const ASKED_FROM: f64 = 1.0;

impl SupplyAtRest {
    /// Whether it is short-circuited.
    pub fn is_shorted(&self) -> bool {
        self.volts.abs() > ASKED_FROM && self.into_ohms.is_some_and(|ohms| ohms < SHORT)
    }
}

/// Current that may be left over at a node, A: ten times the worst of five hundred random circuits, and
/// a thousandth of any current that is read.
const MOST_IMBALANCE: f64 = 1e-6;

/// Current that may be left over, of the largest in any branch: Newton's iteration holds volts to a part in a
/// hundred million, and what is stiffest turns them into the largest current.
const SHARE_OF_LARGEST: f64 = 1e-5;

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
    let unjudged = unjudged(of)?;
    Ok(Voltages {
        growing: of.growing()?,
        ..unjudged
    })
}

/// The chart without asking whether the circuit stays there, which may take seconds where it does not.
///
/// # Errors
/// As [`chart`], but for what grows.
pub(crate) fn unjudged(of: &UnderTest<'_>) -> Result<Voltages, SimError> {
    let (circuit, system, rest, ws) = (of.circuit, of.system, &of.rest, &mut of.workspace());
    let residual = if rest.mains.is_some() {
        0.0
    } else {
        system.imbalance(ws)
    };
    let currents = system.unknowns().iter().zip(&ws.x);
    let largest = currents
        .filter(|(unknown, _)| matches!(unknown, Unknown::Current(..)))
        .map(|(_, current)| current.abs())
        .fold(0.0, f64::max);
    if residual > MOST_IMBALANCE.max(SHARE_OF_LARGEST * largest) {
        let (node, amps) = system.left_over(ws);
        let node = system.name(node).to_owned();
        return Err(SimError::NoOperatingPoint {
            worst: node.clone(),
            left: Some(Box::new(LeftOver { node, amps })),
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
        peak: Places::of(circuit, system).greatest(circuit, rest.samples()),
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
        let part = InPlace { of, id, placed };
        match &placed.part {
            Part::Resistor(resistor) => answer.resistors.push(part.resistor(*resistor)),
            Part::Pot(pot) => answer.resistors.push(part.pot(pot)),
            Part::Capacitor(capacitor) => answer.capacitors.push(part.capacitor(capacitor)),
            Part::Inductor(inductor) => answer.windings.push(part.inductor(inductor)),
            Part::Transformer(transformer) => answer.windings.extend(part.windings(transformer)),
            Part::Source(source) => answer.supplies.push(part.supply(source)),
            Part::Valve(valve) => match &valve.kind.model {
                ValveModel::Rectifier(_) => answer.rectifiers.push(part.rectifier(&valve.kind)),
                ValveModel::Stabiliser(law) => {
                    answer.stabilisers.push(part.stabiliser(&valve.kind, law));
                }
                // Among the valves already.
                ValveModel::Triode(_) | ValveModel::Pentode(_) => {}
            },
            Part::Device(_) | Part::Diodes(_) | Part::Switch(_) | Part::Loudspeaker(_) => {}
        }
    }
    Ok(answer)
}
