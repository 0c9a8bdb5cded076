//! The one slip that explains what is wrong at rest, in place of all that follows from it.
//!
//! Each slip that may have been made is mended in a copy of the circuit, and the copy is solved and judged as the
//! drawing was. What a mending takes away, and brings nothing new for, the slip explains. Tried are: a cathode
//! resistor a decade off, a supply that feeds nothing joined to where the grids are biased from, another mains tap.
//!
//! Cost: a rest for each slip that may explain a finding, or that a stage biased next to cut-off suggests.

use super::links::loose;
use super::taps::better_tap;
use super::{Code, Drawing, Finding, Weight, practice, ratings};
use crate::at_rest::voltages::{ValveAtRest, chart};
use sim::System;
use sim::circuit::{Circuit, NodeId, PartId};
use sim::parts::Part;
use sim::quantity::{Unit, engineering};
use sim::structure::graph::Graph;

/// Bias times mutual conductance over cathode current from which a stage with a cathode resistor counts as next to cut
/// off. By the three-halves law it is 1.5 d/(1 - d) at a bias of d times that of cut-off: 4 is at three quarters.
/// A resistor ten times too large brings it to 4.5 at least, for the usual stages.
const NEXT_TO_CUT_OFF: f64 = 4.0;

/// That figure of ordinary stages, d from a quarter to three quarters: what a mended one must have.
const ORDINARY: std::ops::Range<f64> = 0.5..NEXT_TO_CUT_OFF;

/// Share of the bias that a resistor must make for it to be what biases the valve (common practice, no source).
const OF_THE_BIAS: f64 = 0.5;

/// Resistance of a link that is put in, Ω: none beside any part of a bias supply.
const LINK: f64 = 1.0;

/// What a finding is known by.
type Key = (Code, Vec<String>, &'static str);

pub(super) fn key(finding: &Finding) -> Key {
    (finding.code, finding.parts.clone(), finding.quantity)
}

/// Whether a finding may be the consequence of a slip elsewhere.
fn follows(finding: &Finding) -> bool {
    match finding.code {
        Code::OverRating
        | Code::HeaterCathode
        | Code::CutOff
        | Code::GridCurrent
        | Code::AnodeLoad => true,
        Code::ShortCircuit
        | Code::LiveChassis
        | Code::StaysCharged
        | Code::Oscillates
        | Code::SwitchShorts
        | Code::NoSharing
        | Code::Reversed
        | Code::GridLeak
        | Code::GridOpen
        | Code::WrongTap
        | Code::MissingLink
        | Code::CathodeResistor
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
struct Slip {
    finding: Finding,
    /// Findings of this code and these parts say the same with less, and are taken back.
    instead_of: Vec<(Code, Vec<String>)>,
    mended: Circuit,
    /// Valves that must work as usual in the mended circuit.
    valves: Vec<String>,
}

/// Puts the slip that explains findings in their place, the one that explains most first. The findings are all that
/// are known of the circuit with no signal.
pub(super) fn explain(drawing: &Drawing<'_>, findings: &mut Vec<Finding>) {
    let mut tried: Vec<(Slip, Vec<Key>)> = slips(drawing, findings)
        .into_iter()
        .filter_map(|slip| {
            let explained = explained(drawing, &slip, findings)?;
            Some((slip, explained))
        })
        .collect();
    tried.sort_by_key(|(_, explained)| std::cmp::Reverse(explained.len()));
    let mut taken: Vec<Key> = Vec::new();
    for (slip, mut explained) in tried {
        let of_value = slip.finding.code == Code::CathodeResistor;
        let any = !explained.is_empty();
        explained.retain(|key| !taken.contains(key));
        // What it explains is explained already, or it explains nothing and is no odd value by itself.
        if explained.is_empty() && (any || !of_value) {
            continue;
        }
        taken.extend(explained.iter().cloned());
        let mut finding = slip.finding;
        let gone = |of: &Finding| explained.contains(&key(of));
        let heaviest = findings.iter().filter(|of| gone(of)).map(|of| of.weight);
        finding.weight = heaviest.min().unwrap_or(Weight::Doubtful);
        finding.explains = findings
            .iter()
            .filter(|of| gone(of))
            .map(|of| of.what.clone())
            .collect();
        findings.retain(|of| {
            let same = |(code, parts): &(Code, Vec<String>)| *code == of.code && *parts == of.parts;
            !gone(of) && !slip.instead_of.iter().any(same)
        });
        findings.push(finding);
    }
}

/// The findings that a mending takes away; none where it brings others, or finds no rest, or the valves it is about
/// do not work as usual then.
fn explained(drawing: &Drawing<'_>, slip: &Slip, findings: &[Finding]) -> Option<Vec<Key>> {
    let of = drawing.of;
    let system = System::of(&slip.mended).ok()?;
    let mended = of.near(&slip.mended, &system).ok()?;
    let mended = Drawing {
        of: &mended,
        graph: Graph::of(&slip.mended, of.amplifier.bench.generator),
        chart: chart(&mended).ok()?,
    };
    let mut after = ratings::of_chart(&mended.chart, "");
    after.extend(practice::values(&mended));
    let after: Vec<Key> = after.iter().filter(|of| follows(of)).map(key).collect();
    let before: Vec<Key> = findings.iter().filter(|of| follows(of)).map(key).collect();
    if after.iter().any(|key| !before.contains(key)) {
        return None;
    }
    let usual = |name: &String| {
        let valve = mended.chart.valves.iter().find(|valve| valve.part == *name);
        let troubled = after.iter().any(|(_, parts, _)| parts.contains(name));
        valve.is_some_and(|valve| ORDINARY.contains(&depth(valve))) && !troubled
    };
    let gone = before.into_iter().filter(|key| !after.contains(key));
    slip.valves.iter().all(usual).then(|| gone.collect())
}

/// Bias times mutual conductance over cathode current.
fn depth(valve: &ValveAtRest) -> f64 {
    -valve.v_gk * valve.gm / valve.i_k.value
}

fn slips(drawing: &Drawing<'_>, findings: &[Finding]) -> Vec<Slip> {
    let troubled = |valve: &ValveAtRest| {
        let mut of_valve = findings.iter().filter(|of| follows(of));
        of_valve.any(|of| of.parts.contains(&valve.part))
    };
    let mut slips = Vec::new();
    let mut resistors: Vec<(PartId, f64)> = Vec::new();
    for valve in &drawing.chart.valves {
        let cold = depth(valve) > NEXT_TO_CUT_OFF;
        if !cold && !troubled(valve) {
            continue;
        }
        let ratio = if cold { 0.1 } else { 10.0 };
        for part in cathode_resistors(drawing, valve) {
            if !resistors.contains(&(part, ratio)) {
                resistors.push((part, ratio));
                slips.push(decade(drawing, valve, part, ratio));
            }
        }
    }
    if findings.iter().any(follows) {
        slips.extend(missing_links(drawing, &troubled));
        slips.extend(mains_taps(drawing));
    }
    slips
}

/// Resistors that make the bias of a valve: from its cathode on, as far as nothing but resistors and capacitors hang.
fn cathode_resistors(drawing: &Drawing<'_>, valve: &ValveAtRest) -> Vec<PartId> {
    let (circuit, graph) = (drawing.of.circuit, &drawing.graph);
    let part = circuit.find_part(&valve.part);
    let wiring = part.and_then(|part| circuit.part(part).wiring());
    let Some(mut node) = wiring.map(|wiring| wiring.cathode[0]) else {
        return Vec::new();
    };
    let mut found = Vec::new();
    while node != NodeId::CHASSIS {
        let next = graph
            .at(node)
            .iter()
            .find(|terminal| terminal.label.0 == "resistor" && !found.contains(&terminal.part));
        let Some(next) = next else {
            break;
        };
        found.push(next.part);
        let Some(far) = graph.far(*next).filter(|far| {
            let mut there = graph.at(*far).iter();
            !graph.is_rail(*far) && there.all(|terminal| terminal.label.0 != "valve")
        }) else {
            break;
        };
        node = far;
    }
    let makes = |part: &PartId| {
        let name = &circuit.part(*part).name;
        let of = drawing.chart.resistors.iter().find(|of| of.part == *name);
        of.is_some_and(|of| of.volts.value.abs() > OF_THE_BIAS * valve.v_gk.abs())
    };
    found.into_iter().filter(makes).collect()
}

/// A cathode resistor that is `1/ratio` of what it should be.
fn decade(drawing: &Drawing<'_>, valve: &ValveAtRest, part: PartId, ratio: f64) -> Slip {
    let mut mended = drawing.of.circuit.clone();
    let mut ohms = 0.0;
    if let Part::Resistor(resistor) = &mut mended.part_mut(part).part {
        ohms = resistor.r;
        resistor.r *= ratio;
    }
    let name = drawing.of.circuit.part(part).name.clone();
    let of = |ohms| engineering(ohms, Unit::Ohm);
    let (state, slip) = if ratio < 1.0 {
        ("next to cut off", "ten times too large")
    } else {
        ("far too hot", "ten times too small")
    };
    Slip {
        finding: Finding {
            parts: vec![name.clone(), valve.part.clone()],
            quantity: "cathode resistor",
            unit: "Ω",
            value: Some(ohms),
            limit: Some(ohms * ratio),
            ..Finding::new(
                Code::CathodeResistor,
                Weight::Doubtful,
                format!(
                    "{name}, {}, is probably {slip}: {} runs {state}, with {} at {} on the grid, and with {} it runs as usual.",
                    of(ohms),
                    valve.part,
                    engineering(valve.i_k.value, Unit::Ampere),
                    engineering(valve.v_gk, Unit::Volt),
                    of(ohms * ratio)
                ),
                "A decade is the commonest misprint.",
                format!("the value of {name} in another print, or on the chassis"),
            )
        },
        instead_of: Vec::new(),
        mended,
        valves: vec![valve.part.clone()],
    }
}

/// Supplies that feed nothing, joined to where the grids of troubled valves are biased from.
fn missing_links(drawing: &Drawing<'_>, troubled: &dyn Fn(&ValveAtRest) -> bool) -> Vec<Slip> {
    let (circuit, graph) = (drawing.of.circuit, &drawing.graph);
    let mut ends: Vec<(NodeId, Vec<String>)> = Vec::new();
    for valve in drawing.chart.valves.iter().filter(|valve| troubled(valve)) {
        let part = circuit.find_part(&valve.part);
        let wiring = part.and_then(|part| circuit.part(part).wiring());
        let Some(grid) = wiring.and_then(|wiring| wiring.grid) else {
            continue;
        };
        for end in biased_from(graph, grid) {
            match ends.iter_mut().find(|(node, _)| *node == end) {
                Some((_, valves)) => valves.push(valve.part.clone()),
                None => ends.push((end, vec![valve.part.clone()])),
            }
        }
    }
    let mut slips = Vec::new();
    for supply in loose(drawing.of.amplifier) {
        let names: Vec<String> = supply
            .parts
            .iter()
            .map(|part| circuit.part(*part).name.clone())
            .collect();
        for from in smoothed(graph, &supply.nodes) {
            for (to, valves) in &ends {
                let mut mended = circuit.clone();
                let link = mended.add("a missing link", Part::resistor(LINK), &[from, *to]);
                if link.is_err() {
                    continue;
                }
                let (a, b) = (circuit.node_name(from), circuit.node_name(*to));
                let list = valves.join(" and ");
                let mut parts = names.clone();
                parts.extend(valves.iter().cloned());
                slips.push(Slip {
                    finding: Finding {
                        parts,
                        ..Finding::new(
                            Code::MissingLink,
                            Weight::Doubtful,
                            format!("Nothing joins `{a}` and `{b}`: the supply of {} feeds nothing, and {list} stand without it.", names.join(", ")),
                            "A link between them was lost, or a node has the wrong name.",
                            format!("what should join `{a}` and `{b}`; with a wire there {list} run within their ratings"),
                        )
                    },
                    instead_of: vec![(Code::MissingLink, names.clone())],
                    mended,
                    valves: Vec::new(),
                });
            }
        }
    }
    slips
}

/// Nodes at which the resistors from a grid end.
fn biased_from(graph: &Graph<'_>, grid: NodeId) -> Vec<NodeId> {
    let (mut seen, mut next, mut found) = (vec![grid], vec![grid], Vec::new());
    while let Some(node) = next.pop() {
        let resistors = graph.at(node).iter().filter(|t| t.label.0 == "resistor");
        for far in resistors.filter_map(|terminal| graph.far(*terminal)) {
            if far == NodeId::CHASSIS || seen.contains(&far) {
                continue;
            }
            seen.push(far);
            let valves = graph.at(far).iter().any(|t| t.label.0 == "valve");
            if !valves {
                found.push(far);
                next.push(far);
            }
        }
    }
    found
}

/// Those of the nodes that a capacitor to the chassis smooths; all where there is none.
fn smoothed(graph: &Graph<'_>, nodes: &[NodeId]) -> Vec<NodeId> {
    let smooth = |node: &NodeId| {
        graph.at(*node).iter().any(|terminal| {
            let far = graph.far(*terminal);
            terminal.label.0 == "capacitor" && far == Some(NodeId::CHASSIS)
        })
    };
    let found: Vec<NodeId> = nodes.iter().copied().filter(smooth).collect();
    if found.is_empty() {
        nodes.to_vec()
    } else {
        found
    }
}

/// The mains joined to the tap that suits it.
fn mains_taps(drawing: &Drawing<'_>) -> Vec<Slip> {
    let amplifier = drawing.of.amplifier;
    let better = amplifier.taps.iter().filter_map(|taps| {
        let volts = better_tap(amplifier, taps)?;
        let mut mended = drawing.of.circuit.clone();
        taps.choose(volts, &mut mended);
        let finding = super::taps::mains(amplifier, taps)?;
        Some(Slip {
            instead_of: vec![(finding.code, finding.parts.clone())],
            finding,
            mended,
            valves: Vec::new(),
        })
    });
    better.collect()
}
