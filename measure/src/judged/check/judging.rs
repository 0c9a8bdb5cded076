//! How a drawing is judged when a slip is tried: which findings may follow from one, and how usual its valves run.

use super::{Code, Drawing, Finding, Weight, practice, ratings};
use crate::at_rest::voltages::{ValveAtRest, Voltages};
use sim::circuit::{Circuit, NodeId, PartId};
use sim::parts::Part;
use sim::structure::graph::Graph;

/// Bias times mutual conductance over cathode current from which a stage with a cathode resistor counts as next to cut
/// off. By the three-halves law it is 1.5 d/(1 - d) at a bias of d times that of cut-off: 4 is at three quarters.
/// A resistor ten times too large brings it to 4.5 at least, for the usual stages.
pub(super) const NEXT_TO_CUT_OFF: f64 = 4.0;

/// That figure of ordinary stages, d from a quarter to three quarters: what a mended one must have.
pub(super) const ORDINARY: std::ops::Range<f64> = 0.5..NEXT_TO_CUT_OFF;

/// Permitted anode dissipation from which a valve is there to give power, W: of small valves none is allowed as much,
/// and all that are drawn at the end of an amplifier are allowed more (common practice, no source). Such a valve is judged
/// by its watts at rest: one of little amplification stands deep in its bias whatever it does.
pub(super) const POWER_WATTS: f64 = 6.0;

/// Share of the permitted dissipation below which a power valve with a cathode resistor counts as next to cut off: in
/// class A it takes nearly all of it, in class AB half and more (common practice, no source).
pub(super) const COLD: f64 = 1.0 / 3.0;

/// That share of a usual idle, which a mended power valve must have; a tenth of its resistor brings a cold one there
/// only where it was ten times too large. What is above the limit is overlooked as below.
pub(super) const USUAL_IDLE: std::ops::RangeInclusive<f64> = 0.4..=OVERLOOKED;

/// Over its limit by less than this a figure that the right resistor brings is no reason against it: what was drawn so is
/// seen on many a drawing, and another decade of the resistor misses it by far.
pub(super) const OVERLOOKED: f64 = 1.3;

/// Share of the bias that a resistor must make for it to be what biases the valve (common practice, no source).
pub(super) const OF_THE_BIAS: f64 = 0.5;

/// Share of the current of a valve that a resistor carries at least to be the one that biases it (common practice, no
/// source).
pub(super) const OF_ITS_CURRENT: f64 = 0.5;

/// What a finding is known by.
pub(super) type Key = (Code, Vec<String>, &'static str, String);

pub(super) fn key(finding: &Finding) -> Key {
    let parts = finding.parts.clone();
    (finding.code, parts, finding.quantity, finding.place.clone())
}

/// Whether a finding may be the consequence of a slip elsewhere.
pub(super) fn follows(finding: &Finding) -> bool {
    match finding.code {
        Code::OverRating
        | Code::HeaterCathode
        | Code::Oscillates
        | Code::Reversed
        | Code::CutOff
        | Code::GridCurrent
        | Code::AnodeLoad => true,
        Code::ShortCircuit
        | Code::LiveChassis
        | Code::StaysCharged
        | Code::PositiveFeedback
        | Code::InPhase
        | Code::NoDrive
        | Code::SwitchShorts
        | Code::NoSharing
        | Code::GridLeak
        | Code::GridOpen
        | Code::WrongTap
        | Code::MissingLink
        | Code::CathodeResistor
        | Code::ResistorValue
        | Code::WrongNode
        | Code::CapacitorValue
        | Code::HeaterWiring
        | Code::LittleMargin
        | Code::HalvesDiffer
        | Code::OneHalfOnly
        | Code::UnequalLoads
        | Code::CarriesNothing
        | Code::CouplingCorner
        | Code::BypassCorner
        | Code::Stopper
        | Code::RatingNeeded => false,
    }
}

/// What may be wrong, and the circuit without it.
pub(super) struct Slip {
    pub(super) finding: Finding,
    /// Findings of this code and these parts say the same with less, and are taken back.
    pub(super) instead_of: Vec<(Code, Vec<String>)>,
    pub(super) mended: Circuit,
    /// Valves that must work as usual in the mended circuit.
    pub(super) valves: Vec<String>,
}

impl Slip {
    /// Whether it is a value a decade off.
    pub(super) fn is_value(&self) -> bool {
        [Code::CathodeResistor, Code::ResistorValue].contains(&self.finding.code)
    }

    /// Whether it may stand anywhere, and is not suggested by what the drawing shows.
    pub(super) fn is_general(&self) -> bool {
        [Code::ResistorValue, Code::WrongNode].contains(&self.finding.code)
    }
}

/// What is found of a circuit with no signal that may follow from a slip.
pub(super) fn judged(drawing: &Drawing<'_>) -> Vec<Finding> {
    let mut found = ratings::of_chart(&drawing.chart, "");
    found.extend(ratings::heaters(&drawing.chart));
    found.extend(practice::values(drawing));
    found.extend(ratings::turned(drawing));
    found.retain(|of| follows(of) || of.quantity == practice::LOST_BETWEEN_RAILS);
    found
}

/// Valves next to cut off though a resistor biases them, which is no finding by itself.
pub(super) fn cold(drawing: &Drawing<'_>) -> Vec<Key> {
    let valves = drawing.chart.valves.iter();
    let biased =
        |valve: &&ValveAtRest| is_cold(valve) && !cathode_resistors(drawing, valve).is_empty();
    valves
        .filter(biased)
        .map(|valve| {
            let parts = vec![valve.part.clone()];
            (Code::CathodeResistor, parts, "cold", String::new())
        })
        .collect()
}

/// Whether something does not work, or is beyond its limit by so much that one slip must be behind it, and not a drawing
/// that asks much or a parts list that states little.
pub(super) fn is_grave(finding: &Finding) -> bool {
    /// A figure this many times its limit is absurd: parts and ratings are chosen a size too small, and no more (common
    /// practice, no source).
    const ABSURD: f64 = 2.0;
    /// Grid current at rest of a grid that is held up, A: one that is a little short of bias draws less, and works (common
    /// practice, no source).
    const HELD_UP: f64 = 100e-6;
    let misprint = finding.weight == Weight::ProbableMisprint;
    if finding.code == Code::AnodeLoad {
        misprint
    } else if finding.code == Code::GridCurrent {
        misprint && finding.value.is_some_and(|amps| amps >= HELD_UP)
    } else if finding.code == Code::OverRating {
        excess(finding).is_some_and(|by| by >= ABSURD - 1.0)
    } else {
        // Stages that are joined directly stand as far from their heaters as they are drawn.
        finding.code != Code::HeaterCathode && follows(finding)
    }
}

/// How far its valves are from how such usually run: mean of the logarithms, 0 where all are in the middle.
pub(super) fn strangeness(chart: &Voltages) -> f64 {
    /// Bias times mutual conductance over current in the middle of ordinary stages.
    const MIDDLE: f64 = 1.5;
    /// Share of the dissipation in the middle of usual ones.
    const WARM: f64 = 0.8;
    let of = |valve: &ValveAtRest| {
        let (figure, middle) = match idle(valve) {
            Some(share) => (share, WARM),
            None => (depth(valve), MIDDLE),
        };
        // What does not conduct at all is as strange as anything may be.
        (figure.max(1e-3) / middle).ln().abs().min(5.0)
    };
    let valves = &chart.valves;
    valves.iter().map(of).sum::<f64>() / valves.len().max(1) as f64
}

/// Over its limit by less than this share a figure is no reason against a mending: many a drawing asks as much of its
/// valves (common practice, no source).
pub(super) const ASKS_A_LITTLE_MUCH: f64 = 0.1;

/// By what share of its limit a figure is over it; none of what has no limit.
pub(super) fn excess(finding: &Finding) -> Option<f64> {
    let over = [Code::OverRating, Code::HeaterCathode].contains(&finding.code);
    finding
        .value
        .zip(finding.limit.filter(|_| over))
        .map(|(value, limit)| value / limit - 1.0)
        // What has a least is none of it.
        .filter(|by| *by >= 0.0)
}

/// Share of the permitted dissipation that a power valve takes at rest; none of a small one, or without a limit.
pub(super) fn idle(valve: &ValveAtRest) -> Option<f64> {
    let limit = valve.p_a.limit.filter(|watts| *watts >= POWER_WATTS)?;
    Some(valve.p_a.value / limit)
}

/// Whether it runs as valves of its kind usually do.
pub(super) fn is_usual(valve: &ValveAtRest) -> bool {
    match idle(valve) {
        Some(share) => USUAL_IDLE.contains(&share),
        None => ORDINARY.contains(&depth(valve)),
    }
}

/// Whether it works, if not as the most of its kind.
pub(super) fn works(valve: &ValveAtRest) -> bool {
    /// Half as far again as ordinary stages, either way.
    const WIDER: f64 = 1.5;
    match idle(valve) {
        Some(share) => (USUAL_IDLE.start() / WIDER..=USUAL_IDLE.end() * WIDER).contains(&share),
        None => (ORDINARY.start / WIDER..ORDINARY.end * WIDER).contains(&depth(valve)),
    }
}

/// Whether a small valve stands so near to no bias that its cathode resistor may be ten times too small.
pub(super) fn is_hot(valve: &ValveAtRest) -> bool {
    /// Far below ordinary stages; a tenth of a usual resistor brings it to a quarter at most.
    const HOT: f64 = 0.25;
    idle(valve).is_none() && (0.0..HOT).contains(&depth(valve))
}

/// Whether it stands next to cut off.
pub(super) fn is_cold(valve: &ValveAtRest) -> bool {
    match idle(valve) {
        Some(share) => share < COLD,
        None => depth(valve) > NEXT_TO_CUT_OFF,
    }
}

/// Bias times mutual conductance over cathode current.
pub(super) fn depth(valve: &ValveAtRest) -> f64 {
    -valve.v_gk * valve.gm / valve.i_k.value
}

/// Resistors that make the bias of a valve: from its cathode on, as far as nothing but resistors and capacitors hang.
pub(super) fn cathode_resistors(drawing: &Drawing<'_>, valve: &ValveAtRest) -> Vec<PartId> {
    let (circuit, graph) = (drawing.of.circuit, &drawing.graph);
    let mut found: Vec<PartId> = Vec::new();
    for start in cathode_ends(circuit, &valve.part) {
        let below = resistors_below(graph, start).into_iter();
        found.extend(
            below
                .filter(|part| !found.contains(part))
                .collect::<Vec<_>>(),
        );
    }
    // What carries a part of its current only is feedback, or loads it.
    let makes = |part: &PartId| {
        let name = &circuit.part(*part).name;
        let of = drawing.chart.resistors.iter().find(|of| of.part == *name);
        of.is_some_and(|of| {
            of.volts.value.abs() > OF_THE_BIAS * valve.v_gk.abs()
                && of.current.abs() > OF_ITS_CURRENT * valve.i_k.value
        })
    };
    found.into_iter().filter(makes).collect()
}

/// The cathode; of a filament its ends, and what hangs between them: the wiper of a pot or the middle of the winding.
pub(super) fn cathode_ends(circuit: &Circuit, valve: &str) -> Vec<NodeId> {
    let part = circuit.find_part(valve);
    let wiring = part.and_then(|part| circuit.part(part).wiring());
    let Some(wiring) = wiring else {
        return Vec::new();
    };
    let mut ends = wiring.cathode.to_vec();
    if ends.len() > 1 {
        let mut k = 0;
        while let Some(&end) = ends.get(k) {
            k += 1;
            for (_, placed) in circuit.parts() {
                if matches!(placed.part, Part::Pot(_) | Part::Transformer(_)) {
                    let paths = placed.part.dc_paths(&placed.nodes);
                    let at_end = paths.into_iter().filter(|(a, b)| *a == end || *b == end);
                    let far = at_end.map(|(a, b)| if a == end { b } else { a });
                    let far: Vec<NodeId> = far.filter(|far| !ends.contains(far)).collect();
                    ends.extend(far);
                }
            }
        }
    }
    ends.retain(|end| *end != NodeId::CHASSIS);
    ends
}

/// Resistors from a node on, as far as no valve hangs and no rail is reached.
pub(super) fn resistors_below(graph: &Graph<'_>, start: NodeId) -> Vec<PartId> {
    let (mut found, mut nodes) = (Vec::new(), vec![start]);
    let mut k = 0;
    while let Some(&node) = nodes.get(k) {
        k += 1;
        for terminal in graph.at(node).iter().filter(|t| t.label.0 == "resistor") {
            if !found.contains(&terminal.part) {
                found.push(terminal.part);
            }
            let far = graph.far(*terminal).filter(|far| {
                let valve = graph
                    .at(*far)
                    .iter()
                    .any(|terminal| terminal.label.0 == "valve");
                !valve && !graph.is_rail(*far) && !nodes.contains(far)
            });
            nodes.extend(far);
        }
    }
    found
}
