//! The one slip that explains what is wrong at rest, in place of all that follows from it.
//!
//! Each slip that may have been made is mended in a copy of the circuit, and the copy is solved and judged as the
//! drawing was. What a mending takes away, and brings nothing new for, the slip explains. Tried are: a cathode
//! resistor a decade off, a supply that feeds nothing joined to where the grids are biased from, another mains tap,
//! a part of one half that ends at another supply than its like.
//!
//! Over 400 lines because each slip is a way to change the circuit, and one rule judges them all.
//!
//! Cost: a rest for each slip that may explain a finding, or that a stage biased next to cut-off suggests.

use super::links::loose;
use super::taps::better_tap;
use super::{Code, Drawing, Finding, Weight, halves, practice, ratings};
use crate::at_rest::voltages::{ValveAtRest, chart};
use sim::System;
use sim::circuit::{Circuit, NodeId, PartId};
use sim::parts::Part;
use sim::quantity::{Unit, engineering};
use sim::structure::graph::Graph;
use sim::structure::mirror::mirrors;

/// Bias times mutual conductance over cathode current from which a stage with a cathode resistor counts as next to cut
/// off. By the three-halves law it is 1.5 d/(1 - d) at a bias of d times that of cut-off: 4 is at three quarters.
/// A resistor ten times too large brings it to 4.5 at least, for the usual stages.
const NEXT_TO_CUT_OFF: f64 = 4.0;

/// That figure of ordinary stages, d from a quarter to three quarters: what a mended one must have.
const ORDINARY: std::ops::Range<f64> = 0.5..NEXT_TO_CUT_OFF;

/// Permitted anode dissipation from which a valve is there to give power, W: of small valves none is allowed as much,
/// and all that are drawn at the end of an amplifier are allowed more (common practice, no source). Such a valve is judged
/// by its watts at rest: one of little amplification stands deep in its bias whatever it does.
const POWER_WATTS: f64 = 6.0;

/// Share of the permitted dissipation below which a power valve with a cathode resistor counts as next to cut off: in
/// class A it takes nearly all of it, in class AB half and more (common practice, no source).
const COLD: f64 = 1.0 / 3.0;

/// That share of a usual idle, which a mended power valve must have; a tenth of its resistor brings a cold one there
/// only where it was ten times too large. What is above the limit is overlooked as below.
const USUAL_IDLE: std::ops::RangeInclusive<f64> = 0.4..=OVERLOOKED;

/// Over its limit by less than this a figure that the right resistor brings is no reason against it: what was drawn so is
/// seen on many a drawing, and another decade of the resistor misses it by far.
const OVERLOOKED: f64 = 1.3;

/// Of what a figure is over its limit, the share that a mending may leave for it to be explained: what is left is found
/// without the slip too, and told when that is mended.
const LEFT_OF_AN_EXCESS: f64 = 0.5;

/// Share of the bias that a resistor must make for it to be what biases the valve (common practice, no source).
const OF_THE_BIAS: f64 = 0.5;

/// Share of the current of a valve that a resistor carries at least to be the one that biases it (common practice, no
/// source).
const OF_ITS_CURRENT: f64 = 0.5;

/// Resistance of a link that is put in, Ω: none beside any part of a bias supply.
const LINK: f64 = 1.0;

/// What a finding is known by.
type Key = (Code, Vec<String>, &'static str, String);

pub(super) fn key(finding: &Finding) -> Key {
    let parts = finding.parts.clone();
    (finding.code, parts, finding.quantity, finding.place.clone())
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
        | Code::PositiveFeedback
        | Code::Oscillates
        | Code::InPhase
        | Code::NoDrive
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
        // The windings of one core say the same.
        finding.explains.dedup();
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
    after.extend(ratings::heaters(&mended.chart));
    after.extend(practice::values(&mended));
    let after: Vec<&Finding> = after.iter().filter(|of| follows(of)).collect();
    let before: Vec<&Finding> = findings.iter().filter(|of| follows(of)).collect();
    let of_value = slip.finding.code == Code::CathodeResistor;
    // What a small valve takes moves no supply by much.
    let of_power = of_value
        && mended
            .chart
            .valves
            .iter()
            .any(|valve| slip.valves.contains(&valve.part) && idle(valve).is_some());
    let weighs = |of: &&&Finding| !(of_power && excess(of).is_some_and(|by| by < OVERLOOKED - 1.0));
    let known = |of: &Finding| before.iter().any(|other| key(other) == key(of));
    if after.iter().filter(weighs).any(|of| !known(of)) {
        return None;
    }
    let usual = |name: &String| {
        let valve = mended.chart.valves.iter().find(|valve| valve.part == *name);
        let troubled = after
            .iter()
            .filter(weighs)
            .any(|of| of.parts.contains(name));
        valve.is_some_and(is_usual) && !troubled
    };
    let gone = |of: &&&Finding| {
        let left = after.iter().find(|other| key(other) == key(of));
        left.is_none_or(|left| {
            let both = excess(of).zip(excess(left));
            of_power && both.is_some_and(|(of, left)| left < LEFT_OF_AN_EXCESS * of)
        })
    };
    let gone = before.iter().filter(gone).map(|of| key(of));
    slip.valves.iter().all(usual).then(|| gone.collect())
}

/// By what share of its limit a figure is over it; none of what has no limit.
fn excess(finding: &Finding) -> Option<f64> {
    let over = finding.code == Code::OverRating;
    finding
        .value
        .zip(finding.limit.filter(|_| over))
        .map(|(value, limit)| value / limit - 1.0)
}

/// Share of the permitted dissipation that a power valve takes at rest; none of a small one, or without a limit.
fn idle(valve: &ValveAtRest) -> Option<f64> {
    let limit = valve.p_a.limit.filter(|watts| *watts >= POWER_WATTS)?;
    Some(valve.p_a.value / limit)
}

/// Whether it runs as valves of its kind usually do.
fn is_usual(valve: &ValveAtRest) -> bool {
    match idle(valve) {
        Some(share) => USUAL_IDLE.contains(&share),
        None => ORDINARY.contains(&depth(valve)),
    }
}

/// Whether it stands next to cut off.
fn is_cold(valve: &ValveAtRest) -> bool {
    match idle(valve) {
        Some(share) => share < COLD,
        None => depth(valve) > NEXT_TO_CUT_OFF,
    }
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
        let cold = is_cold(valve);
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
        slips.extend(ends(drawing));
    }
    slips
}

/// Resistors that make the bias of a valve: from its cathode on, as far as nothing but resistors and capacitors hang.
fn cathode_resistors(drawing: &Drawing<'_>, valve: &ValveAtRest) -> Vec<PartId> {
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
fn cathode_ends(circuit: &Circuit, valve: &str) -> Vec<NodeId> {
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
fn resistors_below(graph: &Graph<'_>, start: NodeId) -> Vec<PartId> {
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
                // A bias lies below the cathodes; what lies above would be high tension at a grid.
                if !valves.iter().all(|valve| lies_below(drawing, from, valve)) {
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

/// Whether a node lies below the cathode of a valve at rest.
fn lies_below(drawing: &Drawing<'_>, node: NodeId, valve: &str) -> bool {
    let circuit = drawing.of.circuit;
    let part = circuit.find_part(valve);
    let cathode = part.and_then(|part| Some(circuit.part(part).wiring()?.cathode[0]));
    let volts = |node: NodeId| {
        let place = drawing.of.system.voltage_of(node) as usize;
        drawing.of.rest.mean(|x| x[place])
    };
    cathode.is_some_and(|cathode| volts(node) < volts(cathode))
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

/// A part that ends at another supply than its like in the other half, joined to that one.
fn ends(drawing: &Drawing<'_>) -> Vec<Slip> {
    let graph = &drawing.graph;
    let mut slips = Vec::new();
    for mirror in mirrors(graph) {
        for &(p, q) in &mirror.parts {
            let Some(ends) = halves::apart(drawing.of, graph, &mirror, [p, q]) else {
                continue;
            };
            let told = halves::ends_elsewhere(graph, [p, q], ends).0;
            let [a, b] = ends;
            for (parts, ends) in [([p, q], [a, b]), ([q, p], [b, a])] {
                let [from, to] = ends;
                let mut mended = drawing.of.circuit.clone();
                for node in &mut mended.part_mut(parts[0]).nodes {
                    if *node == from {
                        *node = to;
                    }
                }
                let (names, what) = halves::ends_elsewhere(graph, parts, ends);
                let node = graph.circuit.node_name(to);
                let look = format!("where {} ends: at `{node}` both halves run alike", names[0]);
                slips.push(Slip {
                    finding: Finding {
                        parts: names,
                        ..Finding::new(
                            Code::HalvesDiffer,
                            Weight::ProbableMisprint,
                            format!("{what}."),
                            "A node has the wrong name, or a wire went to the wrong place.",
                            look,
                        )
                    },
                    instead_of: vec![(Code::HalvesDiffer, told.clone())],
                    mended,
                    valves: Vec::new(),
                });
            }
        }
    }
    slips
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
