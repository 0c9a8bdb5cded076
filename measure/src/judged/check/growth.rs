//! What makes an amplifier oscillate: the part without which the growth goes, found by taking it out.
//!
//! The circuit is linearised at a rest it would not stay at, so no bias moves: what is taken out there tells what the
//! signal does. In this order are tried: the feedback from the output; stabilisers that are out, lit; the capacitors of the supply, a hundred times as large; then every resistor and capacitor alone.
//!
//! Cost: natural frequencies, once for each part that is taken out.
//!
//! Over 400 lines because each way a signal may come back is tried by one means and told in words of its own.

use super::{Code, Finding, Weight, printed};
use crate::UnderTest;
use crate::small_signal::loop_gain::FeedbackPath;
use models::data::ValveModel;
use sim::System;
use sim::amplifier::Amplifier;
use sim::circuit::{Circuit, NodeId, PartId};
use sim::error::SimError;
use sim::parts::Part;
use sim::quantity::{Unit, engineering};
use sim::small_signal::Excitation;

use sim::stability::grows_over;
use sim::structure::graph::Graph;

/// Share of the growth as drawn below which what still grows is another thing, or rounding.
const ANOTHER: f64 = 0.01;

/// What a resistor that is taken out is multiplied by, a capacitor divided: no signal passes.
const OUT: f64 = 1e6;

/// What a capacitor of a supply is multiplied by, for its rail to stand still.
const STILL: f64 = 100.0;

/// Frequency below which the supply may be the way back, Hz: above it any reservoir is a short circuit (common practice,
/// no source).
const OF_THE_SUPPLY: f64 = 200.0;

/// Share of the gain that must be left without a part for it to be no part of the way forward.
const FORWARD: f64 = 0.3;

/// Parts beyond which none is taken out alone: the work grows with the fourth power of their number.
const MOST_PARTS: usize = 120;

/// Capacitance from a grid to the chassis that keeps an amplifier still while its rest is found, F.
const KEEPS_STILL: f64 = 10e-6;

/// What is told of the cause.
#[derive(Default)]
struct Cause {
    parts: Vec<String>,
    /// What was tried, and what came of it.
    what: String,
    look: String,
}

/// That the amplifier does not stay at rest, with what makes it: `of` is taken at a rest it leaves, where one is known.
pub(super) fn finding(
    error: &SimError,
    amplifier: &Amplifier,
    of: Option<&UnderTest<'_>>,
) -> Finding {
    let (frequency, rate) = match error {
        SimError::Oscillates {
            frequency, rate, ..
        } => (*frequency, Some(*rate)),
        SimError::Bursts { frequency, .. } => (Some(*frequency), None),
        SimError::Repeats { period, .. } => (Some(1.0 / period), None),
        SimError::NoOperatingPoint { .. }
        | SimError::OneWay { .. }
        | SimError::Stuck { .. }
        | SimError::Undetermined { .. }
        | SimError::NotPeriodic(_)
        | SimError::Question(_) => (None, None),
    };
    let slow = frequency.is_none_or(|hertz| hertz < OF_THE_SUPPLY);
    let cause = of
        .and_then(|of| of_signal(of, rate, slow))
        .unwrap_or_default();
    let look = if cause.look.is_empty() {
        unknown(amplifier, slow)
    } else {
        cause.look
    };
    let mut words = error.to_string();
    if let Some(first) = words.get_mut(..1) {
        first.make_ascii_uppercase();
    }
    Finding {
        parts: cause.parts,
        quantity: "frequency",
        unit: "Hz",
        value: frequency.filter(|hertz| *hertz > 0.0),
        ..Finding::new(
            Code::Oscillates,
            Weight::Danger,
            format!("{words}.{}", cause.what),
            "It burns valves and loudspeakers, and no other figure holds.",
            look,
        )
    }
}

/// The amplifier as drawn at the rest it has where every grid is kept still.
///
/// # Errors
/// Those of finding that rest.
pub(super) fn kept_still<'a>(
    amplifier: &'a Amplifier,
    system: &'a System,
) -> Result<UnderTest<'a>, SimError> {
    let mut still = amplifier.circuit.clone();
    let mut grids: Vec<NodeId> = Vec::new();
    for (_, placed) in amplifier.circuit.parts() {
        let grid = placed.wiring().and_then(|wiring| wiring.grid);
        grids.extend(grid.filter(|grid| *grid != NodeId::CHASSIS && !grids.contains(grid)));
    }
    for (k, grid) in grids.iter().enumerate() {
        // A name that no file can give.
        let name = format!("keeps still {k}");
        let capacitor = Part::capacitor(KEEPS_STILL);
        let _ = still.add(&name, capacitor, &[*grid, NodeId::CHASSIS]);
    }
    let of_still =
        System::of(&still).map_err(|_| SimError::Question(sim::error::Question::NoSignal))?;
    UnderTest::at_rest_of(amplifier, system, (&still, &of_still))
}

/// A circuit with its parts changed, asked whether it grows at the rest of the drawing.
fn grows(of: &UnderTest<'_>, circuit: &Circuit, least: f64) -> Option<bool> {
    let system = System::of(circuit).ok()?;
    let changed = of.taken_for(circuit, &system);
    let growing = grows_over(&system, changed.rest.samples(), &mut changed.workspace()).ok()?;
    Some(growing.is_some_and(|growing| growing.rate > least))
}

/// Volts at the load for each of the generator at mid band.
fn gain(of: &UnderTest<'_>, circuit: &Circuit) -> Option<f64> {
    let system = System::of(circuit).ok()?;
    let bench = &of.amplifier.bench;
    let changed = of.taken_for(circuit, &system);
    let mut linear = changed.linearised();
    linear.tune(bench.frequency).ok()?;
    let x = linear.response(Excitation::Source(bench.generator)).ok()?;
    let (a, b) = bench.load_nodes;
    Some(linear.voltage(&x, a, b).norm())
}

/// The circuit with resistances and capacitances of some parts multiplied.
fn scaled(circuit: &Circuit, parts: &[PartId], ohms: f64, farads: f64) -> Circuit {
    let mut scaled = circuit.clone();
    for &part in parts {
        if let Part::Resistor(resistor) = &mut scaled.part_mut(part).part {
            resistor.r *= ohms;
        } else if let Part::Capacitor(capacitor) = &mut scaled.part_mut(part).part {
            capacitor.c *= farads;
            // What leaks and what is lost belong to it.
            if farads < 1.0 {
                capacitor.esr = 0.0;
                capacitor.leakage *= farads;
            }
        }
    }
    scaled
}

/// A part with its value.
fn valued(circuit: &Circuit, part: PartId) -> String {
    let placed = circuit.part(part);
    let value = placed.part.ohms().map(|ohms| engineering(ohms, Unit::Ohm));
    let value = value.or_else(|| placed.part.farads().map(|c| engineering(c, Unit::Farad)));
    match value {
        Some(value) => format!("{} ({value})", placed.name),
        None => placed.name.clone(),
    }
}

fn list(circuit: &Circuit, parts: &[PartId], last: &str) -> String {
    let mut names: Vec<String> = parts.iter().map(|part| valued(circuit, *part)).collect();
    match names.pop() {
        Some(only) if names.is_empty() => only,
        Some(end) => format!("{} {last} {end}", names.join(", ")),
        None => String::new(),
    }
}

fn names(circuit: &Circuit, parts: &[PartId]) -> Vec<String> {
    let name = |part: &PartId| circuit.part(*part).name.clone();
    parts.iter().map(name).collect()
}

/// What the linearised circuit tells; with no parts where it only tells what it is not.
fn of_signal(of: &UnderTest<'_>, rate: Option<f64>, slow: bool) -> Option<Cause> {
    let (circuit, bench) = (of.circuit, &of.amplifier.bench);
    let drawn = grows_over(of.system, of.rest.samples(), &mut of.workspace()).ok()??;
    let least = ANOTHER * rate.map_or(drawn.rate, |rate| rate.min(drawn.rate));
    let quiet = |circuit: &Circuit| grows(of, circuit, least) == Some(false);

    let mut linear = of.linearised();
    linear.tune(bench.frequency).ok()?;
    let paths = FeedbackPath::all(circuit, &mut linear, bench.load).ok()?;
    for path in &paths {
        let parts: Vec<PartId> = path.parts().collect();
        if quiet(&scaled(circuit, &parts, OUT, 1.0 / OUT)) {
            return Some(of_feedback(of, path, &parts, slow, &quiet));
        }
    }
    let tried: Vec<PartId> = paths.iter().flat_map(FeedbackPath::parts).collect();
    let not = if tried.is_empty() {
        String::new()
    } else {
        format!(
            " It is not the feedback through {}: without it the growth stays.",
            list(circuit, &tried, "and")
        )
    };

    let graph = Graph::of(circuit, bench.generator);
    if slow {
        if let Some(cause) = of_a_stabiliser(of, &quiet) {
            return Some(cause);
        }
        let rails = supply_capacitors(circuit, &graph);
        if !rails.is_empty() && quiet(&scaled(circuit, &rails, 1.0, STILL)) {
            let mut alone = rails.clone();
            alone.retain(|&part| quiet(&scaled(circuit, &[part], 1.0, STILL)));
            return Some(of_the_supply(circuit, &graph, &rails, &alone, &not));
        }
    }
    if circuit.parts().count() > MOST_PARTS {
        return Some(Cause {
            what: not,
            ..Cause::default()
        });
    }
    let before = gain(of, circuit)?;
    let mut alone = Vec::new();
    for (part, placed) in circuit.parts() {
        let passes = placed.part.ohms().is_some() || placed.part.farads().is_some();
        let still = |node: &NodeId| *node == NodeId::CHASSIS || graph.is_rail(*node);
        if part == bench.load || !passes || tried.contains(&part) || placed.nodes.iter().any(still)
        {
            continue;
        }
        let without = scaled(circuit, &[part], OUT, 1.0 / OUT);
        let forward = || gain(of, &without).is_none_or(|gain| gain < FORWARD * before);
        if quiet(&without) && !forward() {
            alone.push(part);
        }
    }
    if alone.is_empty() {
        return Some(Cause {
            what: not,
            ..Cause::default()
        });
    }
    let list = list(circuit, &alone, "or");
    Some(Cause {
        parts: names(circuit, &alone),
        what: format!(
            "{not} It comes back inside the amplifier: with {list} taken out nothing grows, and the signal still reaches the load."
        ),
        look: format!("where {list} should lead: the nodes at its ends, then its value"),
    })
}

/// The feedback is what makes it: which parts, and which values would not.
fn of_feedback(
    of: &UnderTest<'_>,
    path: &FeedbackPath,
    parts: &[PartId],
    slow: bool,
    quiet: &dyn Fn(&Circuit) -> bool,
) -> Cause {
    /// A decade is the commonest misprint.
    const DECADE: f64 = 10.0;
    let circuit = of.circuit;
    // What divides it at the far end.
    let across = |part: &PartId| {
        let placed = circuit.part(*part);
        !parts.contains(part)
            && placed.part.ohms().is_some()
            && placed.nodes.contains(&NodeId::CHASSIS)
            && placed.nodes.iter().any(|node| path.to.contains(node))
    };
    let across: Vec<PartId> = circuit
        .parts()
        .map(|(part, _)| part)
        .filter(across)
        .collect();
    let mut otherwise = Vec::new();
    let ways = parts.iter().map(|part| (*part, DECADE));
    for (part, times) in ways.chain(across.iter().map(|part| (*part, 1.0 / DECADE))) {
        let Some(ohms) = circuit.part(part).part.ohms() else {
            continue;
        };
        if quiet(&scaled(circuit, &[part], times, 1.0)) {
            let ohms = engineering(ohms * times, Unit::Ohm);
            otherwise.push(format!("{} at {ohms}", circuit.part(part).name));
        }
    }
    let decade = if otherwise.is_empty() {
        String::new()
    } else {
        format!("; with {} nothing grows either", otherwise.join(" or "))
    };
    let mut all = parts.to_vec();
    all.extend(across);
    let band = if slow {
        "coupling and decoupling capacitors, each of which is a corner"
    } else if has_iron(of.amplifier) {
        "what turns the phase at the top: leakage and capacitance of the output transformer as they are stated, and a capacitor across the feedback"
    } else {
        "what turns the phase at the top, and a capacitor across the feedback"
    };
    Cause {
        parts: names(circuit, &all),
        what: format!(
            " It is the feedback through {}: with that taken out nothing grows{decade}.",
            list(circuit, parts, "and")
        ),
        look: format!(
            "the value of {}: how much comes back; then {band}; see `gridleak feedback`",
            list(circuit, &all, "and")
        ),
    }
}

/// The supply is the way back.
fn of_the_supply(
    circuit: &Circuit,
    graph: &Graph<'_>,
    rails: &[PartId],
    alone: &[PartId],
    not: &str,
) -> Cause {
    let which = if alone.is_empty() { rails } else { alone };
    // What feeds the rail of such a capacitor.
    let mut feeds: Vec<PartId> = Vec::new();
    for &part in which {
        for &node in &circuit.part(part).nodes {
            let resistors = graph.at(node).iter().filter(|t| {
                let far = graph.far(**t);
                let rail = far.is_some_and(|far| far != NodeId::CHASSIS && graph.is_rail(far));
                t.label.0 == "resistor" && rail
            });
            if node != NodeId::CHASSIS {
                feeds.extend(resistors.map(|t| t.part));
            }
        }
    }
    feeds.sort_unstable();
    feeds.dedup();
    let mut all = which.to_vec();
    all.extend(&feeds);
    let many = if alone.is_empty() { "and" } else { "or" };
    let mut look = format!("the value of {}", list(circuit, which, many));
    if !feeds.is_empty() {
        look += ", and of the resistors that decouple there: ";
        look += &list(circuit, &feeds, "and");
    }
    Cause {
        parts: names(circuit, &all),
        what: format!(
            " It comes back through the supply: with {} a hundred times as large nothing grows.{not}",
            list(circuit, which, many)
        ),
        look: format!("the decoupling: {look}"),
    }
}

/// Capacitors from rail to rail or chassis.
fn supply_capacitors(circuit: &Circuit, graph: &Graph<'_>) -> Vec<PartId> {
    let rail = |node: &NodeId| *node == NodeId::CHASSIS || graph.is_rail(*node);
    let parts = circuit.parts();
    let between = parts.filter(|(_, of)| of.part.farads().is_some() && of.nodes.iter().all(rail));
    between.map(|(part, _)| part).collect()
}

/// Stabilisers that are out, and without whose slope the supply is the way back.
fn of_a_stabiliser(of: &UnderTest<'_>, quiet: &dyn Fn(&Circuit) -> bool) -> Option<Cause> {
    let circuit = of.circuit;
    let graph = Graph::of(circuit, of.amplifier.bench.generator);
    let volts = |node: NodeId| {
        let at = of.system.voltage_of(node) as usize;
        of.rest.mean(|x| x[at])
    };
    let mut lit = circuit.clone();
    let mut out: Vec<(PartId, f64, f64)> = Vec::new();
    for (part, placed) in circuit.parts() {
        let Part::Valve(valve) = &placed.part else {
            continue;
        };
        let ValveModel::Stabiliser(law) = &valve.kind.model else {
            continue;
        };
        let (a, k) = (placed.nodes[0], placed.nodes[1]);
        let amps = law.current(volts(a) - volts(k)).value;
        let least = valve.kind.limits.least_amps.unwrap_or(0.0);
        if amps < least {
            // A name that no file can give.
            let name = format!("the slope of {}", placed.name);
            lit.add(&name, Part::resistor(law.r), &[a, k]).ok()?;
            out.push((part, amps, least));
        }
    }
    let (amps, least) = out.first().map(|&(_, amps, least)| (amps, least))?;
    if !quiet(&lit) {
        return None;
    }
    // What brings them their current.
    let mut feeds: Vec<(PartId, f64)> = Vec::new();
    for (part, ..) in &out {
        let top = circuit.part(*part).nodes[0];
        for terminal in graph.at(top) {
            let resistor = &circuit.part(terminal.part).part;
            if let (Part::Resistor(resistor), Some(far)) = (resistor, graph.far(*terminal)) {
                feeds.push((terminal.part, (volts(far) - volts(top)) / resistor.r));
            }
        }
    }
    feeds.retain(|(_, amps)| *amps > 0.0);
    let feed = feeds.into_iter().max_by(|a, b| a.1.total_cmp(&b.1));
    let feed = feed.map(|(part, _)| part);
    let valves: Vec<PartId> = out.iter().map(|(part, ..)| *part).collect();
    let joined = names(circuit, &valves).join(" and ");
    let mut parts = names(circuit, &valves);
    parts.extend(feed.map(|part| circuit.part(part).name.clone()));
    let before = feed.map_or_else(
        || format!("what feeds {joined}"),
        |part| {
            format!(
                "the series resistor before {joined}, {}",
                valued(circuit, part)
            )
        },
    );
    Some(Cause {
        parts,
        what: format!(
            " It is for want of a stabiliser: {joined} out, with no steady state, {} left where {} is wanted, and what should be held still is the way back. Lit, nothing grows.",
            printed(amps, Unit::Ampere),
            engineering(least, Unit::Ampere)
        ),
        look: format!("{before}, and what is drawn behind it"),
    })
}

/// What to look at where nothing could be tried.
fn unknown(amplifier: &Amplifier, slow: bool) -> String {
    let look = match (slow, has_iron(amplifier)) {
        (true, _) => {
            "the decoupling of the supply and the coupling capacitors, and any feedback they stand in"
        }
        (false, true) => {
            "stoppers, any feedback from the output, and the leakage of the output transformer"
        }
        (false, false) => "stoppers, and whatever leads from an output back to an input",
    };
    // What repeats itself slowly may have no rest at which its loop gain could be told.
    let more = if slow {
        ""
    } else {
        "; see `gridleak feedback`"
    };
    format!("{look}{more}")
}

/// Whether a transformer stands at the load.
fn has_iron(amplifier: &Amplifier) -> bool {
    let circuit = &amplifier.circuit;
    let at_load = &circuit.part(amplifier.bench.load).nodes;
    let at = |node: &NodeId| *node != NodeId::CHASSIS && at_load.contains(node);
    let mut parts = circuit.parts();
    parts.any(|(_, placed)| placed.part.transformer().is_some() && placed.nodes.iter().any(at))
}
