//! The one slip that explains what is wrong at rest, in place of all that follows from it.
//!
//! Each slip that may have been made is mended in a copy of the circuit, and the copy is solved and judged as the
//! drawing was. What a mending takes away, and brings nothing new for, the slip explains. Tried are: a cathode
//! resistor a decade off, a supply that feeds nothing joined to where the grids are biased from, another mains tap, a part
//! of one half that ends at another supply than its like, a wire across a capacitor, and what `traced.rs` picks out of all resistors, chokes and diodes.
//! Of several the one that takes most away is told, then the one with which the valves run most as usual; two that explain it
//! equally are both told.
//!
//! Over 400 lines because each slip is a way to change the circuit, and one rule judges them all.
//!
//! Cost: a rest for each slip that may explain a finding, or that a stage biased next to cut-off suggests.

use super::judging::{
    ASKS_A_LITTLE_MUCH, Key, OVERLOOKED, Slip, cathode_resistors, cold, excess, follows, idle,
    is_cold, is_grave, is_hot, is_usual, judged, key, strangeness, works,
};
use super::links::loose;
use super::taps::better_tap;
use super::wiring::{Bridged, bridged};
use super::{Code, Drawing, Finding, Weight, halves, traced};
use crate::UnderTest;
use crate::at_rest::still::still;
use crate::at_rest::voltages::{ValveAtRest, unjudged};
use sim::System;
use sim::circuit::{NodeId, PartId};
use sim::parts::Part;
use sim::quantity::{Unit, engineering};
use sim::structure::graph::Graph;
use sim::structure::mirror::mirrors;

/// Of what a figure is over its limit, the share that a mending may leave for it to be explained: what is left is found
/// without the slip too, and told when that is mended.
const LEFT_OF_AN_EXCESS: f64 = 0.5;

/// Resistance of a link that is put in, Ω: none beside any part of a bias supply.
const LINK: f64 = 1.0;

/// Whether a figure is further over its limit than it was, by what is not overlooked.
fn is_worse(before: &Finding, after: &Finding) -> bool {
    let both = excess(before).zip(excess(after));
    both.is_some_and(|(before, after)| after > before + ASKS_A_LITTLE_MUCH)
}

/// Puts the slip that explains findings in their place, the one that explains most first. The findings are all that
/// are known of the circuit with no signal.
pub(super) fn explain(drawing: &Drawing<'_>, findings: &mut Vec<Finding>) {
    let mut tried: Vec<(Slip, Explained)> = slips(drawing, findings)
        .into_iter()
        .filter_map(|slip| {
            let explained = explained(drawing, &slip, findings)?;
            Some((slip, explained))
        })
        .collect();
    // A wire across a capacitor is seen; where else a part might end is not.
    let seen = |slip: &Slip| slip.finding.code != Code::CarriesNothing;
    tried.sort_by(|(a_slip, a), (b_slip, b)| {
        let more = b.gone.len().cmp(&a.gone.len());
        more.then(seen(a_slip).cmp(&seen(b_slip)))
            .then(a.strange.total_cmp(&b.strange))
    });
    let mut taken: Vec<Key> = Vec::new();
    let mut last: Option<(Vec<Key>, f64)> = None;
    let mut told: Vec<Finding> = Vec::new();
    for (slip, explained) in tried {
        let of_value = slip.finding.code == Code::CathodeResistor;
        let mut gone = explained.gone;
        let any = !gone.is_empty();
        // Another that explains it all as well is said beside the first.
        let alike = last.as_ref().is_some_and(|(keys, strange)| {
            *keys == gone && explained.strange < AS_USUAL * strange.max(A_LITTLE_STRANGE)
        });
        if alike
            && let Some(first) = told.last_mut()
            && slip.is_value()
        {
            first.what = format!(
                "{} What explains it equally: {}",
                first.what, slip.finding.what
            );
            first.look = format!("{}, and {}", first.look, slip.finding.look);
            let new = slip.finding.parts.into_iter();
            let new: Vec<String> = new.filter(|part| !first.parts.contains(part)).collect();
            first.parts.extend(new);
            last = None;
            continue;
        }
        let whole = gone.clone();
        gone.retain(|key| !taken.contains(key));
        let only_cold = gone.iter().all(is_cold_key);
        // What it explains is explained already, or it explains nothing and is no odd value by itself.
        if (gone.is_empty() && (any || !of_value)) || (only_cold && !of_value) {
            continue;
        }
        taken.extend(gone.iter().cloned());
        last = slip.is_value().then_some((whole, explained.strange));
        let mut finding = slip.finding;
        let is_gone = |of: &Finding| gone.contains(&key(of));
        let heaviest = findings.iter().filter(|of| is_gone(of)).map(|of| of.weight);
        finding.weight = heaviest.min().unwrap_or(Weight::Doubtful);
        let gone = findings.iter().filter(|of| is_gone(of));
        finding.explained = gone.flat_map(|of| of.parts.clone()).collect();
        finding.explains = findings
            .iter()
            .filter(|of| is_gone(of))
            .map(|of| of.what.clone())
            .collect();
        // The windings of one core say the same.
        finding.explains.dedup();
        findings.retain(|of| {
            let same = |(code, parts): &(Code, Vec<String>)| *code == of.code && *parts == of.parts;
            !is_gone(of) && !slip.instead_of.iter().any(same)
        });
        told.push(finding);
    }
    findings.append(&mut told);
}

/// How much stranger than the best another mending may be to be said beside it.
const AS_USUAL: f64 = 1.3;

/// Strangeness below which all are as usual.
const A_LITTLE_STRANGE: f64 = 0.3;

/// What a mending takes away, and how strange the circuit is with it.
struct Explained {
    gone: Vec<Key>,
    /// How far the valves are from how they usually run, the mean of logarithms.
    strange: f64,
}

fn is_cold_key(key: &Key) -> bool {
    key.0 == Code::CathodeResistor && key.2 == "cold"
}

/// The findings that a mending takes away; none where it brings others, or finds no rest, or the valves it is about
/// do not work as usual then.
fn explained(drawing: &Drawing<'_>, slip: &Slip, findings: &[Finding]) -> Option<Explained> {
    let of = drawing.of;
    let system = System::of(&slip.mended).ok()?;
    let mended = of.near(&slip.mended, &system).ok()?;
    let mended = Drawing {
        of: &mended,
        graph: Graph::of(&slip.mended, of.amplifier.bench.generator),
        chart: unjudged(&mended).ok()?,
    };
    let after = judged(&mended);
    let oscillates = |of: &&Finding| of.code == Code::Oscillates;
    let before: Vec<&Finding> = findings.iter().filter(|of| follows(of)).collect();
    let of_value = slip.finding.code == Code::CathodeResistor;
    // What a small valve takes moves no supply by much.
    let of_power = of_value
        && mended
            .chart
            .valves
            .iter()
            .any(|valve| slip.valves.contains(&valve.part) && idle(valve).is_some());
    let general = slip.is_general();
    let weighs = |of: &&Finding| {
        // What stands in the drawing for it, as a supply that feeds nothing does, may bring more with it.
        // Stages joined directly stand as high as drawn: what is only a little over was so before the slip.
        let insulation = of.code == Code::HeaterCathode;
        let least = if of_power || insulation || !(general || of_value) {
            OVERLOOKED - 1.0
        } else {
            ASKS_A_LITTLE_MUCH
        };
        excess(of).is_none_or(|by| by >= least)
    };
    let brings = |of: &&Finding| {
        let known = findings.iter().find(|other| key(other) == key(of));
        known.is_none_or(|known| general && is_worse(known, of))
    };
    if after.iter().filter(weighs).any(|of| brings(&of)) {
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
    if !slip.valves.iter().all(usual) {
        return None;
    }
    let is_gone = |of: &&&Finding| {
        let left = after.iter().find(|other| key(other) == key(of));
        !oscillates(of)
            && left.is_none_or(|left| {
                let both = excess(of).zip(excess(left));
                of_power && both.is_some_and(|(of, left)| left < LEFT_OF_AN_EXCESS * of)
            })
    };
    let mut gone: Vec<&Finding> = before.iter().filter(is_gone).copied().collect();
    let oscillation = before.iter().copied().find(oscillates);
    if (oscillation.is_some() || general) && !gone.is_empty() {
        let grows = mended.of.grows().ok()?;
        if oscillation.is_none() && grows {
            return None;
        }
        gone.extend(oscillation.filter(|_| !grows));
    }
    if general {
        let grave = |list: &[&Finding]| list.iter().filter(|of| is_grave(of)).count();
        let valves = gone.iter().flat_map(|of| &of.parts);
        let strange = valves.filter_map(|name| {
            let valve = mended.chart.valves.iter().find(|valve| valve.part == *name);
            valve.filter(|valve| !works(valve))
        });
        // What names it already says so with a figure.
        let own = |of: &&Finding| {
            of.parts
                .iter()
                .any(|part| slip.finding.parts.contains(part))
        };
        if gone.iter().all(own) {
            return None;
        }
        // One slip is behind all that does not work, or it is behind none of it.
        if grave(&gone) == 0 || grave(&gone) < grave(&before) || strange.count() > 0 {
            return None;
        }
    }
    let mut gone: Vec<Key> = gone.into_iter().map(key).collect();
    let after = cold(&mended);
    gone.extend(cold(drawing).into_iter().filter(|key| !after.contains(key)));
    Some(Explained {
        gone,
        strange: strangeness(&mended.chart),
    })
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
        if !cold && !troubled(valve) && !is_hot(valve) {
            continue;
        }
        let ratio = if cold { 0.1 } else { 10.0 };
        for part in cathode_resistors(drawing, valve) {
            if !resistors.contains(&(part, ratio)) {
                resistors.push((part, ratio));
                let slip = decade(drawing, valve, part, ratio);
                if promises(drawing, &slip, part) {
                    slips.push(slip);
                }
            }
        }
    }
    if findings.iter().any(follows) {
        slips.extend(missing_links(drawing, &troubled));
        slips.extend(mains_taps(drawing));
        slips.extend(ends(drawing));
        slips.extend(wires(drawing));
    }
    let known: Vec<(PartId, f64)> = resistors;
    slips.extend(traced::slips(drawing, findings, &known));
    slips
}

/// Whether with that resistor the valves run as usual and nothing grows where that costs an operating point alone, in a still
/// copy; a circuit that oscillates on its mains takes seconds to say so.
fn promises(drawing: &Drawing<'_>, slip: &Slip, part: PartId) -> bool {
    let of = drawing.of;
    if of.rest.mains.is_none() {
        return true;
    }
    let mut circuit = still(of);
    circuit
        .part_mut(part)
        .part
        .clone_from(&slip.mended.part(part).part);
    let Ok(system) = System::of(&circuit) else {
        return true;
    };
    let Ok(mended) = UnderTest::of_circuit(of.amplifier, &circuit, &system, of.tolerances) else {
        return false;
    };
    let Ok(chart) = unjudged(&mended) else {
        return false;
    };
    let mut valves = chart.valves.iter();
    let works = valves.all(|valve| !slip.valves.contains(&valve.part) || works(valve));
    works && !mended.grows().unwrap_or(true)
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
    for valve in &drawing.chart.valves {
        let part = circuit.find_part(&valve.part);
        let wiring = part.and_then(|part| circuit.part(part).wiring());
        let Some(wiring) = wiring else {
            continue;
        };
        // A cathode may hang on a negative supply.
        let below = wiring
            .cathode
            .iter()
            .flat_map(|end| biased_from(graph, *end));
        let below = below.filter(|node| graph.is_rail(*node));
        let of_grid = wiring.grid.filter(|_| troubled(valve)).into_iter();
        let of_grid = of_grid.flat_map(|grid| biased_from(graph, grid));
        for end in of_grid.chain(below) {
            match ends.iter_mut().find(|(node, _)| *node == end) {
                Some((_, valves)) if valves.contains(&valve.part) => {}
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

/// A wire across a capacitor, taken out.
fn wires(drawing: &Drawing<'_>) -> Vec<Slip> {
    /// Ω, more than any insulation.
    const OUT: f64 = 1e12;
    let circuit = drawing.of.circuit;
    let slip = |bridged: Bridged| {
        let mut mended = circuit.clone();
        mended.part_mut(bridged.wire).part = Part::resistor(OUT);
        Slip {
            instead_of: vec![(bridged.finding.code, bridged.finding.parts.clone())],
            finding: bridged.finding,
            mended,
            valves: Vec::new(),
        }
    };
    bridged(circuit).into_iter().map(slip).collect()
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
