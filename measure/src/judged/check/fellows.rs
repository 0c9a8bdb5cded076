//! Valves in parallel: what joins their grids, screens and cathodes should be alike.
//!
//! In parallel are valves with one anode whose grids hang on one node, each by itself or by a stopper of its own.
//! What the two halves of an output stage show is told there, and not once more.

use super::{Code, Finding, Weight};
use models::data::ValveType;
use sim::circuit::{NodeId, PartId};
use sim::parts::Part;
use sim::quantity::{Unit, engineering};
use sim::structure::graph::Graph;

/// How much their resistors may differ, a ratio: cathode resistors are chosen to make currents alike (common practice, no
/// source).
const ALIKE: f64 = 1.5;

/// A valve and what its grid may hang on.
struct Fellow<'a> {
    part: PartId,
    kind: &'a ValveType,
    anode: NodeId,
    /// The grid itself, and what resistors and capacitors join it to, but the chassis and supplies.
    fed_from: Vec<NodeId>,
    /// The resistor at its grid, its screen and its cathode, where one alone stands there.
    at: [(&'static str, Option<(PartId, f64)>); 3],
}

/// Resistors of valves in parallel that differ, but for those that are among the findings already.
pub(super) fn findings(graph: &Graph<'_>, known: &[Finding]) -> Vec<Finding> {
    let circuit = graph.circuit;
    let valves = circuit.parts().filter_map(|(part, _)| fellow(graph, part));
    let valves: Vec<Fellow<'_>> = valves.collect();
    let name = |part: PartId| circuit.part(part).name.clone();
    let mut found: Vec<Finding> = Vec::new();
    for (k, first) in valves.iter().enumerate() {
        let parallel = valves[k + 1..].iter().filter(|second| {
            first.anode == second.anode
                && first.kind.name == second.kind.name
                && first
                    .fed_from
                    .iter()
                    .any(|node| second.fed_from.contains(node))
        });
        for second in parallel {
            for (&(place, one), &(_, other)) in first.at.iter().zip(&second.at) {
                let Some(((p, one), (q, other))) = one.zip(other) else {
                    continue;
                };
                let ratio = f64::max(one / other, other / one);
                let parts = vec![name(p), name(q)];
                let told = |of: &Finding| of.parts.iter().any(|part| parts.contains(part));
                if p == q || ratio <= ALIKE || known.iter().chain(&found).any(told) {
                    continue;
                }
                let [ohms, others] = [one, other].map(|ohms| engineering(ohms, Unit::Ohm));
                found.push(Finding {
                    quantity: super::halves::RATIO,
                    value: Some(ratio),
                    ..Finding::new(
                        Code::HalvesDiffer,
                        Weight::ProbableMisprint,
                        format!(
                            "{} at the {place} of {} is {ohms}, and {} at that of {}, in parallel with it, {others}.",
                            parts[0],
                            name(first.part),
                            parts[1],
                            name(second.part)
                        ),
                        "Valves in parallel carry the same, which needs the same around each.",
                        format!("the values of {} and {} in another print, or on the chassis", parts[0], parts[1]),
                    )
                });
                if let Some(finding) = found.last_mut() {
                    finding.parts = parts;
                }
            }
        }
    }
    found
}

fn fellow<'a>(graph: &Graph<'a>, part: PartId) -> Option<Fellow<'a>> {
    let placed = graph.circuit.part(part);
    let valve = placed.part.valve()?;
    let wiring = placed.wiring()?;
    let grid = wiring.grid?;
    let anode = wiring.anodes[0];
    if graph.is_rail(anode) {
        return None;
    }
    let joined = graph.at(grid).iter().filter(|t| t.is_passive());
    let far = joined.filter_map(|terminal| graph.far(*terminal));
    let fed = far.filter(|far| !graph.is_rail(*far));
    let fed_from = std::iter::once(grid).chain(fed).collect();
    let one = |node: Option<NodeId>, signal: bool| {
        let node = node.filter(|node| *node != NodeId::CHASSIS && !graph.is_rail(*node))?;
        let mut resistors = graph.at(node).iter().filter_map(|terminal| {
            let far = graph.far(*terminal)?;
            let Part::Resistor(resistor) = &graph.circuit.part(terminal.part).part else {
                return None;
            };
            // A leak at a grid is no stopper.
            (!signal || !graph.is_rail(far)).then_some((terminal.part, resistor.r))
        });
        let first = resistors.next();
        first.filter(|_| resistors.next().is_none())
    };
    Some(Fellow {
        part,
        kind: &valve.kind,
        anode,
        fed_from,
        at: [
            ("grid", one(Some(grid), true)),
            ("screen", one(wiring.screen, false)),
            ("cathode", one(wiring.cathode.first().copied(), false)),
        ],
    })
}
