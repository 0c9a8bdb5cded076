//! Values a stage does not usually have, judged by what they do.
//!
//! The limits are common practice, no source; the reason stands beside each. None of them is a fault by
//! itself, and all of them are what a lost or added zero makes of a usual value.
//!
//! Over 400 lines because every question is one stage and its few limits.

use std::f64::consts::{FRAC_1_SQRT_2, TAU};

use super::grids::{AtDc, at_dc, cut_off_at_dc};
use super::{Code, Drawing, Finding, Weight, printed};
use crate::at_rest::voltages::ValveAtRest;
use models::data::Capacitances;
use sim::circuit::{NodeId, PartId, Placed};
use sim::error::SimError;
use sim::parts::{Part, Valve};
use sim::quantity::{Unit, engineering};
use sim::small_signal::Excitation;
use sim::structure::graph::Terminal;

/// Share of the permitted cathode current below which a valve counts as cut off; no stage is run there.
const CUT_OFF: f64 = 0.005;
/// Cathode current below which a valve counts as cut off where the type states no limit, A.
const CUT_OFF_AMPS: f64 = 20e-6;
/// Grid current at rest that loads what is before it, A: ten times that of a good vacuum.
const GRID_AMPS: f64 = 1e-6;
/// Least share of its supply that an anode keeps: below it a triode has no room to swing.
const BOTTOM: f64 = 0.1;
/// Greatest share: above it the load drops nothing, and the stage hardly amplifies.
const TOP: f64 = 0.95;
/// Least anode load of a triode over its anode resistance: below it most of mu is lost.
const LEAST_LOAD: f64 = 1.0 / 3.0;
/// Corner of a coupling, Hz: above it the bass is cut, as no stage between others should.
const COUPLING_HIGH: f64 = 100.0;
/// Below it the stage blocks for seconds after an overload, and feedback has one slow corner more.
const COUPLING_LOW: f64 = 0.1;
/// Corner of a cathode bypass, Hz: above it it lifts the treble only.
const BYPASS_HIGH: f64 = 100.0;
/// Grid stopper, Ω: more of it and the input capacitance of a small triode takes the treble.
const GRID_STOPPER: f64 = 100e3;
/// Where a stopper is asked what it leaves, Hz.
const TOP_OF_THE_BAND: f64 = 20e3;
/// Share of the screen volts that a stopper without a capacitor may drop.
const SCREEN_DROP: f64 = 0.2;

/// A valve with its line in the chart.
struct Stage<'a> {
    placed: &'a Placed,
    valve: &'a Valve,
    at_rest: &'a ValveAtRest,
    anode: NodeId,
    grid: NodeId,
    screen: Option<NodeId>,
    cathode: NodeId,
}

/// What the chart shows; nothing is solved.
pub(super) fn values(drawing: &Drawing<'_>) -> Vec<Finding> {
    let mut found = Vec::new();
    for stage in stages(drawing) {
        found.extend(current(drawing, &stage));
        found.extend(load(drawing, &stage));
        found.extend(screen_stopper(drawing, &stage));
    }
    found.extend(decoupling(drawing));
    found
}

/// Quantity of a resistor that decouples too much.
pub(super) const LOST_BETWEEN_RAILS: &str = "volts lost between rails";

/// Resistors that decouple one rail from another and take most of the volts.
fn decoupling(drawing: &Drawing<'_>) -> Vec<Finding> {
    /// Share of its volts that a rail may lose on the way to the next (common practice, no source): a third is much.
    const LOST: f64 = 0.6;
    /// Share of the current that goes on to the chassis of a divider, which is there to take volts.
    const DIVIDED: f64 = 0.3;
    let (circuit, graph) = (drawing.of.circuit, &drawing.graph);
    let mut found = Vec::new();
    for (part, placed) in circuit.parts() {
        let Part::Resistor(resistor) = &placed.part else {
            continue;
        };
        let ends = [placed.nodes[0], placed.nodes[1]];
        let (from, to) = if volts(drawing, ends[0]) > volts(drawing, ends[1]) {
            (ends[0], ends[1])
        } else {
            (ends[1], ends[0])
        };
        let (before, behind) = (volts(drawing, from), volts(drawing, to));
        let rails = ends
            .iter()
            .all(|node| *node != NodeId::CHASSIS && graph.is_rail(*node));
        if !rails || behind <= 0.0 || before - behind <= LOST * before {
            continue;
        }
        let amps = (before - behind) / resistor.r;
        let at = graph.at(to).iter().filter(|terminal| terminal.part != part);
        let to_chassis = |terminal: &Terminal| {
            let ohms = circuit.part(terminal.part).part.ohms();
            let chassis = graph.far(*terminal) == Some(NodeId::CHASSIS);
            ohms.filter(|_| chassis).map_or(0.0, |ohms| behind / ohms)
        };
        let divided: f64 = at.clone().map(to_chassis).sum();
        let valve = at.clone().any(|terminal| terminal.label.0 == "valve");
        // What it feeds draws as a valve does: through a load.
        let mut feeds = at.filter(|terminal| terminal.label.0 == "resistor");
        if valve || divided > DIVIDED * amps || feeds.next().is_none() {
            continue;
        }
        found.push(Finding {
            parts: vec![placed.name.clone()],
            quantity: LOST_BETWEEN_RAILS,
            unit: "V",
            value: Some(before - behind),
            limit: Some(LOST * before),
            ..Finding::new(
                Code::ResistorValue,
                Weight::Doubtful,
                format!(
                    "{}, {}, takes {} of the {} at `{}` and leaves {} at `{}`.",
                    placed.name,
                    engineering(resistor.r, Unit::Ohm),
                    engineering(before - behind, Unit::Volt),
                    engineering(before, Unit::Volt),
                    circuit.node_name(from),
                    engineering(behind, Unit::Volt),
                    circuit.node_name(to)
                ),
                "A resistor that decouples takes a tenth to a third as a rule; what hangs behind it is starved.",
                format!("the value of {}: a tenth of it is usual there", placed.name),
            )
        });
    }
    found
}

/// Corners of capacitors.
pub(super) fn corners(drawing: &Drawing<'_>) -> Result<Vec<Finding>, SimError> {
    let mut found = Vec::new();
    at_dc(drawing, |dc| {
        cut_off_at_dc(drawing, |cut_off| {
            for (part, placed) in drawing.of.circuit.parts() {
                if let Part::Capacitor(capacitor) = placed.part {
                    let dc = (&mut *dc, &mut *cut_off);
                    found.extend(corner(drawing, dc, part, placed, capacitor.c)?);
                }
            }
            Ok(())
        })
    })?;
    Ok(together(found))
}

/// Coupling capacitors of which one thing is found, as one finding with a list.
fn together(found: Vec<Finding>) -> Vec<Finding> {
    /// From so many on.
    const MANY: usize = 3;
    let mut groups: Vec<Vec<Finding>> = Vec::new();
    for finding in found {
        let alike = |group: &&mut Vec<Finding>| {
            finding.code == Code::CouplingCorner && group[0].why == finding.why
        };
        match groups.iter_mut().find(alike) {
            Some(group) => group.push(finding),
            None => groups.push(vec![finding]),
        }
    }
    let told = |group: Vec<Finding>| {
        if group.len() < MANY {
            group
        } else {
            vec![listed(&group)]
        }
    };
    groups.into_iter().flat_map(told).collect()
}

/// Several coupling capacitors in one finding, with the figure that is furthest off.
fn listed(group: &[Finding]) -> Finding {
    let off = |of: &Finding| {
        let ratio = of.value.unwrap_or(1.0) / of.limit.unwrap_or(1.0);
        ratio.ln().abs()
    };
    let furthest = group.iter().max_by(|a, b| off(a).total_cmp(&off(b)));
    let furthest = furthest.unwrap_or(&group[0]);
    let list: Vec<String> = group
        .iter()
        .map(|of| of.what.trim_end_matches('.').replace(DOWN_AT, ", at "))
        .collect();
    Finding {
        parts: group.iter().flat_map(|of| of.parts.clone()).collect(),
        what: format!(
            "{} coupling capacitors are 3 dB down {} {}: {}.",
            group.len(),
            if furthest.value > furthest.limit {
                "above"
            } else {
                "below"
            },
            furthest
                .limit
                .map_or_else(String::new, |hertz| engineering(hertz, Unit::Hertz)),
            list.join("; ")
        ),
        look: "the value of each, and of the resistors at its ends".to_owned(),
        ..furthest.clone()
    }
}

/// What stands between a capacitor and its corner.
const DOWN_AT: &str = ", is 3 dB down at ";

/// Stoppers of grids, by what they leave at the top of the band.
pub(super) fn grid_stoppers(drawing: &Drawing<'_>) -> Result<Vec<Finding>, SimError> {
    let mut linear = drawing.of.linearised();
    linear.tune(TOP_OF_THE_BAND)?;
    let x = linear.response(Excitation::Source(drawing.of.amplifier.bench.generator))?;
    let volts = |node| linear.voltage(&x, node, NodeId::CHASSIS).norm();
    let mut found = Vec::new();
    for stage in stages(drawing) {
        found.extend(grid_stopper(drawing, &stage, volts));
    }
    Ok(found)
}

fn stages<'a>(drawing: &'a Drawing<'_>) -> Vec<Stage<'a>> {
    let parts = drawing.of.circuit.parts();
    parts
        .filter_map(|(_, placed)| {
            let Part::Valve(valve) = &placed.part else {
                return None;
            };
            let wiring = valve.wiring(&placed.nodes);
            Some(Stage {
                placed,
                valve,
                at_rest: drawing
                    .chart
                    .valves
                    .iter()
                    .find(|v| v.part == placed.name)?,
                anode: wiring.anodes[0],
                grid: wiring.grid?,
                screen: wiring.screen,
                cathode: wiring.cathode[0],
            })
        })
        .collect()
}

fn volts(drawing: &Drawing<'_>, node: NodeId) -> f64 {
    let place = drawing.of.system.voltage_of(node) as usize;
    drawing.of.rest.mean(|x| x[place])
}

/// Cut off, or so far up that the grid draws current.
fn current(drawing: &Drawing<'_>, stage: &Stage<'_>) -> Option<Finding> {
    let (name, rest) = (&stage.placed.name, stage.at_rest);
    if is_spare(stage.placed) {
        return None;
    }
    let limits = &stage.valve.kind.limits;
    let least = limits
        .cathode_amps
        .map_or(CUT_OFF_AMPS, |amps| CUT_OFF * amps);
    if rest.i_a < least {
        return Some(Finding {
            parts: vec![name.clone()],
            quantity: "anode current",
            unit: "A",
            value: Some(rest.i_a),
            limit: Some(least),
            ..Finding::new(
                Code::CutOff,
                Weight::ProbableMisprint,
                format!(
                    "{name} is all but cut off: {} at {} on the grid.",
                    printed(rest.i_a, Unit::Ampere),
                    engineering(rest.v_gk, Unit::Volt)
                ),
                "It passes one half wave only, or nothing.",
                format!("the cathode resistor, the bias and the anode supply of {name}"),
            )
        });
    }
    // A follower that an anode drives directly draws some in many an amplifier for guitars (common practice, no source).
    let driven = drawing.graph.at(stage.grid).iter();
    let mut driven = driven.filter(|terminal| terminal.label == ("valve", "anode"));
    let driver = driven.next();
    let weight = match driver {
        Some(_) if gives_at_the_cathode(drawing, stage) => Weight::Doubtful,
        Some(_) | None => Weight::ProbableMisprint,
    };
    (rest.i_g > GRID_AMPS).then(|| Finding {
        parts: vec![name.clone()],
        quantity: "grid current",
        unit: "A",
        value: Some(rest.i_g),
        limit: Some(GRID_AMPS),
        ..Finding::new(
            Code::GridCurrent,
            weight,
            format!(
                "The grid of {name} draws {} with no signal, at {} against the cathode.",
                engineering(rest.i_g, Unit::Ampere),
                engineering(rest.v_gk, Unit::Volt)
            ),
            "A grid that conducts loads the stage before it and cuts the tops of the signal.",
            if let Some(driver) = driver {
                // The load of that anode brings it, and stands where it should.
                let driver = &drawing.of.circuit.part(driver.part).name;
                format!("the anode volts of {driver}, which stand at its grid, and the resistor at the cathode of {name}")
            } else if let Some(brought) = brought_by(drawing, stage) {
                brought
            } else if stage.cathode == NodeId::CHASSIS {
                format!("the bias of {name}, and where its grid leak ends")
            } else {
                format!("the cathode resistor and the bias of {name}")
            },
        )
    })
}

/// The resistor that brings most of the current of a grid from a node above it, in words.
fn brought_by(drawing: &Drawing<'_>, stage: &Stage<'_>) -> Option<String> {
    /// Share of the current of the grid that it brings at least.
    const MOST: f64 = 0.5;
    let (circuit, graph) = (drawing.of.circuit, &drawing.graph);
    let mut nodes = vec![stage.grid];
    // Behind a stopper.
    if let Some((_, _, far)) =
        only_resistor(drawing, stage.grid).filter(|(.., far)| !graph.is_rail(*far))
    {
        nodes.push(far);
    }
    let at = nodes
        .iter()
        .flat_map(|node| graph.at(*node).iter().map(move |t| (*node, t)));
    let (part, far) = at.rev().find_map(|(node, terminal)| {
        let ohms = circuit.part(terminal.part).part.ohms()?;
        let far = graph.far(*terminal)?;
        let amps = (volts(drawing, far) - volts(drawing, node)) / ohms;
        (far != stage.grid && amps > MOST * stage.at_rest.i_g).then_some((terminal.part, far))
    })?;
    let valves = graph
        .at(far)
        .iter()
        .filter(|t| t.label == ("valve", "anode"));
    // At a rail stand the anodes of followers too.
    let anode = valves
        .map(|t| circuit.part(t.part).name.as_str())
        .next()
        .filter(|_| !graph.is_rail(far));
    let of_anode = anode.map_or_else(String::new, |valve| format!("the anode of {valve}, "));
    let name = &circuit.part(part).name;
    Some(format!(
        "where {name} should lead: it brings that current from {of_anode}`{}`, which stands at {}",
        circuit.node_name(far),
        engineering(volts(drawing, far), Unit::Volt)
    ))
}

/// Whether a section is left over, its electrodes tied together (common practice, no source).
pub(super) fn is_spare(placed: &Placed) -> bool {
    placed.wiring().is_some_and(|wiring| {
        let mut own = wiring.anodes.iter().chain(wiring.grid.as_ref());
        own.all(|node| wiring.cathode.contains(node))
    })
}

/// Whether nothing takes a signal from the anode: it stands at a rail, or only its resistor and capacitors to rails
/// hang there. The stage then gives its signal at the cathode.
fn gives_at_the_cathode(drawing: &Drawing<'_>, stage: &Stage<'_>) -> bool {
    let (circuit, graph) = (drawing.of.circuit, &drawing.graph);
    let own = |part: PartId| circuit.part(part).name == stage.placed.name;
    let quiet = |terminal: &Terminal| {
        let to_rail = || graph.far(*terminal).is_some_and(|far| graph.is_rail(far));
        let part = &circuit.part(terminal.part).part;
        own(terminal.part) || (terminal.is_passive() && to_rail() && part.transformer().is_none())
    };
    graph.is_rail(stage.anode) || graph.at(stage.anode).iter().all(quiet)
}

/// Whether the anode of another valve stands at the cathode, or behind a resistor there: the upper of two in series, which
/// gives its signal at the cathode. What little resistor is in its anode may drive the lower one, and is no load.
fn stands_on_a_valve(drawing: &Drawing<'_>, stage: &Stage<'_>) -> bool {
    let (circuit, graph) = (drawing.of.circuit, &drawing.graph);
    let wiring = stage.valve.wiring(&stage.placed.nodes);
    let mut nodes = wiring.cathode.to_vec();
    for &end in wiring.cathode {
        let resistors = graph.at(end).iter().filter(|t| t.label.0 == "resistor");
        nodes.extend(resistors.filter_map(|terminal| graph.far(*terminal)));
    }
    nodes.retain(|node| !graph.is_rail(*node));
    circuit.parts().any(|(_, placed)| {
        let other = placed.wiring().filter(|other| other.grid.is_some());
        placed.name != stage.placed.name
            && other.is_some_and(|other| nodes.contains(&other.anodes[0]))
    })
}

/// The resistor from the anode to its supply.
fn load(drawing: &Drawing<'_>, stage: &Stage<'_>) -> Option<Finding> {
    let circuit = drawing.of.circuit;
    if gives_at_the_cathode(drawing, stage) || stands_on_a_valve(drawing, stage) {
        return None;
    }
    let (resistor, ohms, rail) = drawing.graph.at(stage.anode).iter().find_map(|&terminal| {
        let rail = drawing.graph.far(terminal)?;
        let ohms = circuit.part(terminal.part).part.ohms()?;
        let supply = rail != NodeId::CHASSIS && drawing.graph.is_rail(rail);
        supply.then_some((terminal.part, ohms, rail))
    })?;
    let (rest, name) = (stage.at_rest, &stage.placed.name);
    // An anode on its rail has no load: what hangs there besides carries no current of it.
    if volts(drawing, rail) - volts(drawing, stage.anode) < 0.5 * ohms * rest.i_a {
        return None;
    }
    let supply = volts(drawing, rail) - (volts(drawing, stage.anode) - rest.v_ak.value);
    let share = rest.v_ak.value / supply;
    let load = &circuit.part(resistor).name;
    let (weight, words, why) = if share < BOTTOM {
        (
            Weight::ProbableMisprint,
            format!(
                "keeps only {} of {}",
                engineering(rest.v_ak.value, Unit::Volt),
                engineering(supply, Unit::Volt)
            ),
            "The anode has no room to swing downward.",
        )
    } else if share > TOP {
        (
            Weight::ProbableMisprint,
            format!(
                "keeps {} of {}: its load drops next to nothing",
                engineering(rest.v_ak.value, Unit::Volt),
                engineering(supply, Unit::Volt)
            ),
            "The load is too small or the valve hardly conducts, and the stage hardly amplifies.",
        )
    } else if rest.p_s.is_none() && ohms < LEAST_LOAD * rest.ra {
        (
            Weight::Doubtful,
            format!(
                "works into {}, with an anode resistance of {}",
                engineering(ohms, Unit::Ohm),
                engineering(rest.ra, Unit::Ohm)
            ),
            "Most of the amplification is lost and distortion rises.",
        )
    } else {
        return None;
    };
    Some(Finding {
        parts: vec![load.clone(), name.clone()],
        quantity: "anode volts over the supply",
        value: Some(share),
        ..Finding::new(
            Code::AnodeLoad,
            weight,
            format!(
                "{name} {words} ({load} is {}).",
                engineering(ohms, Unit::Ohm)
            ),
            why,
            format!("the value of {load}, and the bias of {name}"),
        )
    })
}

/// The one resistor of a node where otherwise only a valve is, with its other end.
fn only_resistor(drawing: &Drawing<'_>, node: NodeId) -> Option<(PartId, f64, NodeId)> {
    let joined = drawing.graph.at(node);
    let mut others = joined.iter().filter(|t| t.label.0 != "valve");
    let terminal = *others.next()?;
    let ohms = drawing.of.circuit.part(terminal.part).part.ohms()?;
    let far = drawing.graph.far(terminal)?;
    others
        .next()
        .is_none()
        .then_some((terminal.part, ohms, far))
}

/// `volts` gives the signal at a node at the top of the band.
fn grid_stopper(
    drawing: &Drawing<'_>,
    stage: &Stage<'_>,
    volts: impl Fn(NodeId) -> f64,
) -> Option<Finding> {
    let (part, ohms, far) = only_resistor(drawing, stage.grid)?;
    // A leak is no stopper: a stopper comes from a node that signal reaches.
    if ohms <= GRID_STOPPER || drawing.graph.at(stage.grid).len() != 2 || drawing.graph.is_rail(far)
    {
        return None;
    }
    let left = volts(stage.grid) / volts(far);
    // Where the type states no capacitances, nothing is lost on paper, and the value alone is the judge.
    let known = stage.valve.kind.capacitances != Capacitances::default();
    if known && left.is_finite() && left > FRAC_1_SQRT_2 {
        return None;
    }
    let (stopper, name) = (&drawing.of.circuit.part(part).name, &stage.placed.name);
    let loss = if known && left.is_finite() {
        format!(
            ": at {} {:.0} % of the signal is left",
            engineering(TOP_OF_THE_BAND, Unit::Hertz),
            100.0 * left
        )
    } else {
        String::new()
    };
    Some(Finding {
        parts: vec![stopper.clone(), name.clone()],
        quantity: "grid stopper",
        unit: "Ω",
        value: Some(ohms),
        limit: Some(GRID_STOPPER),
        ..Finding::new(
            Code::Stopper,
            Weight::Doubtful,
            format!(
                "{stopper}, in series with the grid of {name}, is {}{loss}.",
                engineering(ohms, Unit::Ohm)
            ),
            "With the capacitance of the grid it takes the treble; a usual stopper is 1 kΩ to 47 kΩ.",
            format!("the value of {stopper}"),
        )
    })
}

fn screen_stopper(drawing: &Drawing<'_>, stage: &Stage<'_>) -> Option<Finding> {
    let name = &stage.placed.name;
    let screen_node = stage.screen.filter(|screen| *screen != stage.anode)?;
    let (part, ohms, _) = only_resistor(drawing, screen_node)?;
    let screen = stage.at_rest.v_sk?;
    let drop = ohms * stage.at_rest.i_s;
    if drop <= SCREEN_DROP * screen.value {
        return None;
    }
    let stopper = &drawing.of.circuit.part(part).name;
    Some(Finding {
        parts: vec![stopper.clone(), name.clone()],
        quantity: "volts across the screen resistor",
        unit: "V",
        value: Some(drop),
        limit: Some(SCREEN_DROP * screen.value),
        ..Finding::new(
            Code::Stopper,
            Weight::Doubtful,
            format!(
                "{stopper}, {} to the screen of {name} without a capacitor, drops {} and leaves {}.",
                engineering(ohms, Unit::Ohm),
                engineering(drop, Unit::Volt),
                engineering(screen.value, Unit::Volt)
            ),
            "The screen follows the signal and the power goes down; a usual stopper is 100 Ω to 4.7 kΩ.",
            format!("the value of {stopper}"),
        )
    })
}

/// The corner of a coupling or of a cathode bypass: the resistance at DC between the capacitor's ends,
/// valves included, is what it works with. What a coupling blocks for is what discharges it while the valve it drives is
/// cut off: no more than that, whatever the valve makes of it afterwards.
fn corner(
    drawing: &Drawing<'_>,
    (dc, cut_off): (&mut AtDc<'_>, &mut AtDc<'_>),
    part: PartId,
    placed: &Placed,
    farads: f64,
) -> Result<Option<Finding>, SimError> {
    let graph = &drawing.graph;
    let has = |node: NodeId, role: &str| {
        let valve = |t: &&Terminal| t.label == ("valve", role);
        graph.at(node).iter().find(valve).map(|t| t.part)
    };
    // A grid at the node, or behind one resistor.
    let leads_to_grid = |node: NodeId| {
        let behind = graph.at(node).iter().filter(|t| t.label.0 == "resistor");
        let mut behind = behind
            .filter_map(|&t| graph.far(t))
            .filter(|&far| !graph.is_rail(far));
        has(node, "grid").is_some() || behind.any(|far| has(far, "grid").is_some())
    };
    let [a, b] = [placed.nodes[0], placed.nodes[1]];
    let drives = |node: NodeId| has(node, "anode").or_else(|| has(node, "cathode"));
    let quiet = graph.is_rail(a) || graph.is_rail(b);
    let couples = !quiet
        && ((drives(a).is_some() && leads_to_grid(b)) || (drives(b).is_some() && leads_to_grid(a)));
    let in_parallel = graph
        .at(a)
        .iter()
        .any(|&t| t.part != part && t.label.0 == "resistor" && graph.far(t) == Some(b));
    // What comes from a node with a signal is feedback or a coupling.
    let bypassed = (in_parallel && quiet)
        .then(|| has(a, "cathode").or_else(|| has(b, "cathode")))
        .flatten();
    let name = &placed.name;
    let value = engineering(farads, Unit::Farad);
    let finding = |code, corner: f64, limit, what, why: &str| Finding {
        parts: vec![name.clone()],
        quantity: "frequency at -3 dB",
        unit: "Hz",
        value: Some(corner),
        limit: Some(limit),
        ..Finding::new(
            code,
            Weight::Doubtful,
            what,
            why,
            format!("the value of {name} and of the resistors at its ends"),
        )
    };
    if couples {
        let leak = cut_off.between(a, b)?;
        // Direct current that is fed back may leave a negative resistance, which is no corner.
        let ohms = Some(dc.between(a, b)?).filter(|ohms| *ohms > 0.0);
        let ohms = ohms.unwrap_or(leak);
        let corner = 1.0 / (TAU * ohms * farads);
        let what = format!(
            "{name}, {value} into {}{DOWN_AT}{}.",
            engineering(ohms, Unit::Ohm),
            engineering(corner, Unit::Hertz)
        );
        if corner > COUPLING_HIGH {
            let why = "It cuts the bass.";
            return Ok(Some(finding(
                Code::CouplingCorner,
                corner,
                COUPLING_HIGH,
                what,
                why,
            )));
        }
        let leak = leak.min(ohms);
        let corner = 1.0 / (TAU * leak * farads);
        if corner < COUPLING_LOW {
            let what = format!(
                "{name}, {value} into {}{DOWN_AT}{}.",
                engineering(leak, Unit::Ohm),
                engineering(corner, Unit::Hertz)
            );
            let why = "After an overload the grid stays away for seconds, and subsonics pass.";
            return Ok(Some(finding(
                Code::CouplingCorner,
                corner,
                COUPLING_LOW,
                what,
                why,
            )));
        }
    } else if let Some(valve) = bypassed {
        let ohms = dc.between(a, b)?;
        let corner = 1.0 / (TAU * ohms * farads);
        if corner > BYPASS_HIGH {
            let what = format!(
                "{name}, {value} at the cathode of {}, bypasses from {} only.",
                drawing.of.circuit.part(valve).name,
                engineering(corner, Unit::Hertz)
            );
            let why = "Below that the stage has less gain: the bass is down against the treble.";
            return Ok(Some(finding(
                Code::BypassCorner,
                corner,
                BYPASS_HIGH,
                what,
                why,
            )));
        }
    }
    Ok(None)
}
