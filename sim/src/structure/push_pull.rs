//! Windings with a centre that carries no signal and a valve at either end: what a push-pull stage works into.

use super::graph::{Graph, Terminal};
use crate::circuit::{NodeId, PartId};
use crate::parts::Part;

/// A winding and its two halves.
#[derive(Clone, Debug)]
pub struct PushPull {
    /// The transformer.
    pub transformer: PartId,
    /// The halves, in the order of the winding.
    pub halves: [Half; 2],
}

/// From an end of the winding to its centre.
#[derive(Clone, Debug)]
pub struct Half {
    /// The end, then the taps before the centre.
    pub nodes: Vec<NodeId>,
    /// Valves with an anode at the end, never none.
    pub valves: Vec<PartId>,
}

/// All of them, in the order of the parts. Cost: linear in the parts, and in the pairs of windings of each.
pub fn push_pulls(graph: &Graph<'_>) -> Vec<PushPull> {
    let anodes = |node: NodeId| -> Vec<PartId> {
        let anode = |t: &&Terminal| t.label == ("valve", "anode");
        let at = graph.at(node).iter().filter(anode);
        at.map(|t| t.part).collect()
    };
    let mut found = Vec::new();
    for (transformer, placed) in graph.circuit.parts() {
        let Part::Transformer(_) = &placed.part else {
            continue;
        };
        let ends: Vec<&[NodeId]> = placed.nodes.chunks_exact(2).collect();
        for first in 0..ends.len() {
            // Windings in series from here on.
            for last in first + 1..ends.len() {
                if ends[last - 1][1] != ends[last][0] {
                    break;
                }
                let Some(centre) = (first..last).find(|&k| graph.is_rail(ends[k][1])) else {
                    continue;
                };
                let (start, end) = (ends[first][0], ends[last][1]);
                let (at_start, at_end) = (anodes(start), anodes(end));
                if start == end || at_start.is_empty() || at_end.is_empty() {
                    continue;
                }
                let left = (first..=centre).map(|k| ends[k][0]).collect();
                let right = (centre + 1..=last).rev().map(|k| ends[k][1]).collect();
                let half = |nodes, valves| Half { nodes, valves };
                found.push(PushPull {
                    transformer,
                    halves: [half(left, at_start), half(right, at_end)],
                });
            }
        }
    }
    found
}
