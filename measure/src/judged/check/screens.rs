//! Screens of a push-pull pair: each at a tap of its own half, and both joined alike.

use super::{Code, Finding, Weight};
use sim::circuit::{NodeId, PartId};
use sim::structure::graph::Graph;
use sim::structure::push_pull::{PushPull, push_pulls};

/// Where a screen goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Home {
    /// A node of the winding, and the half it is of.
    Tap(NodeId, usize),
    /// Its own anode.
    Anode,
    /// A supply.
    Rail(NodeId),
}

/// Screens at a tap of the other half, and a screen at its own anode where that of its like is not.
pub(super) fn findings(graph: &Graph<'_>) -> Vec<Finding> {
    let mut found = Vec::new();
    for winding in push_pulls(graph) {
        let mut homes: Vec<(PartId, usize, Home, Vec<PartId>)> = Vec::new();
        for (side, half) in winding.halves.iter().enumerate() {
            for &valve in &half.valves {
                if let Some((home, through)) = home(graph, &winding, valve) {
                    homes.push((valve, side, home, through));
                }
            }
        }
        let transformer = &graph.circuit.part(winding.transformer).name;
        for (valve, side, home, through) in &homes {
            let name = &graph.circuit.part(*valve).name;
            let parts = |others: &[PartId]| -> Vec<String> {
                let all = [*valve].into_iter().chain(through.iter().copied());
                let all = all.chain(others.iter().copied());
                all.map(|part| graph.circuit.part(part).name.clone())
                    .collect()
            };
            match home {
                Home::Tap(node, of) if of != side => {
                    let node = graph.circuit.node_name(*node);
                    found.push(Finding {
                        parts: parts(&[winding.transformer]),
                        ..Finding::new(
                            Code::WrongTap,
                            Weight::ProbableMisprint,
                            format!("The screen of {name} is on the tap of the other half of {transformer}, `{node}`."),
                            "It swings against its own anode: what should be feedback to the screen adds to the signal, and the amplifier may oscillate.",
                            format!("the tap of {transformer} between its centre and the anode of {name}"),
                        )
                    });
                }
                Home::Anode => {
                    let other = homes
                        .iter()
                        .find(|(_, of, home, _)| of != side && *home != Home::Anode);
                    let Some((like, _, other, _)) = other else {
                        continue;
                    };
                    let (Home::Tap(node, _) | Home::Rail(node)) = other else {
                        continue;
                    };
                    let (like_name, node) = (
                        &graph.circuit.part(*like).name,
                        graph.circuit.node_name(*node),
                    );
                    found.push(Finding {
                        parts: parts(&[*like]),
                        ..Finding::new(
                            Code::HalvesDiffer,
                            Weight::ProbableMisprint,
                            format!("The screen of {name} is on its own anode, and that of {like_name}, its like in the other half, at `{node}`."),
                            "The one works as a triode beside a pentode: gain, current and load of the halves differ.",
                            format!("where the screens of {like_name} and {name} belong"),
                        )
                    });
                }
                Home::Tap(..) | Home::Rail(_) => {}
            }
        }
    }
    found
}

/// Where the screen of a valve goes through resistors, and through which; none of a triode, or where it goes elsewhere.
fn home(graph: &Graph<'_>, winding: &PushPull, valve: PartId) -> Option<(Home, Vec<PartId>)> {
    let wiring = graph.circuit.part(valve).wiring()?;
    let screen = wiring.screen?;
    let mut reached: Vec<(NodeId, Vec<PartId>)> = vec![(screen, Vec::new())];
    let mut k = 0;
    while let Some((node, through)) = reached.get(k).cloned() {
        k += 1;
        if node == wiring.anodes[0] {
            return Some((Home::Anode, through));
        }
        let half = winding
            .halves
            .iter()
            .position(|half| half.nodes.contains(&node));
        if let Some(half) = half {
            return Some((Home::Tap(node, half), through));
        }
        if graph.is_rail(node) && node != NodeId::CHASSIS {
            return Some((Home::Rail(node), through));
        }
        let resistors = graph.at(node).iter().filter(|t| t.label.0 == "resistor");
        for terminal in resistors {
            let far = graph.far(*terminal).filter(|far| *far != NodeId::CHASSIS);
            if let Some(far) = far.filter(|far| reached.iter().all(|(node, _)| node != far)) {
                let mut through = through.clone();
                through.push(terminal.part);
                reached.push((far, through));
            }
        }
    }
    None
}
