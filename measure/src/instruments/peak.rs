//! The greatest volts anywhere: of a node against the chassis, and across whatever a part has between its ends.
//!
//! What somebody who reaches in may touch, and what insulation has to stand: the ends of a centre-tapped winding have
//! twice the volts that either has against the chassis, and anodes swing to twice the high tension at full drive.

use serde::Serialize;

use sim::circuit::{Circuit, NodeId};
use sim::parts::Part;
use sim::system::System;

/// Volts and where they stand.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Peak {
    /// Greatest of a period, without sign, V.
    pub volts: f64,
    /// Between this node
    pub from: String,
    /// and this.
    pub to: String,
}

impl Peak {
    /// The greater of two.
    #[must_use]
    pub fn or(self, other: Self) -> Self {
        if other.volts > self.volts {
            other
        } else {
            self
        }
    }
}

/// The greatest of several, as far as there are any.
pub fn most(peaks: impl IntoIterator<Item = Option<Peak>>) -> Option<Peak> {
    peaks.into_iter().flatten().reduce(Peak::or)
}

/// The places of a circuit between which volts are looked for.
#[derive(Clone, Debug)]
pub struct Places {
    /// Nodes, and where they stand among the unknowns.
    between: Vec<[(NodeId, usize); 2]>,
}

impl Places {
    /// Cost: linear in the parts. Nodes that nothing joins to the chassis for direct current have no volts against
    /// it; what stands across their parts is looked at.
    pub fn of(circuit: &Circuit, system: &System) -> Self {
        let mut root: Vec<usize> = (0..circuit.node_count()).collect();
        let find = |root: &[usize], node: NodeId| {
            let mut k = node.index();
            while root[k] != k {
                k = root[k];
            }
            k
        };
        let mut pairs: Vec<(NodeId, NodeId)> = Vec::new();
        for (_, placed) in circuit.parts() {
            let joined = joined(&placed.part, &placed.nodes);
            for &(a, b) in &joined {
                let (a, b) = (find(&root, a), find(&root, b));
                root[a.max(b)] = a.min(b);
            }
            pairs.extend(joined);
        }
        let earthed = circuit.nodes().map(|(node, _)| node);
        let earthed = earthed.filter(|node| find(&root, *node) == NodeId::CHASSIS.index());
        pairs.extend(earthed.map(|node| (node, NodeId::CHASSIS)));
        let place = |node| (node, system.voltage_of(node) as usize);
        let apart = pairs.into_iter().filter(|(a, b)| a != b);
        // The chassis stands second.
        let ordered = apart.map(|(a, b)| if a == NodeId::CHASSIS { (b, a) } else { (a, b) });
        let mut between: Vec<_> = ordered.map(|(a, b)| [place(a), place(b)]).collect();
        between.sort_unstable();
        between.dedup();
        Self { between }
    }

    /// Nothing seen yet.
    pub fn watch(self) -> Watch {
        Watch {
            most: vec![0.0; self.between.len()],
            places: self,
        }
    }

    /// The greatest of those states `[n+1]`; none of a circuit without nodes.
    pub fn greatest(&self, circuit: &Circuit, states: &[Vec<f64>]) -> Option<Peak> {
        let mut watch = self.clone().watch();
        for x in states {
            watch.see(x);
        }
        watch.greatest(circuit)
    }
}

/// The greatest volts of each place so far.
#[derive(Clone, Debug)]
pub struct Watch {
    places: Places,
    most: Vec<f64>,
}

impl Watch {
    /// One state more, `[n+1]`. Cost: linear in the places.
    pub fn see(&mut self, x: &[f64]) {
        for (most, [(_, a), (_, b)]) in self.most.iter_mut().zip(&self.places.between) {
            *most = most.max((x[*a] - x[*b]).abs());
        }
    }

    /// The greatest of all; none of a circuit without nodes.
    pub fn greatest(&self, circuit: &Circuit) -> Option<Peak> {
        let all = self.most.iter().zip(&self.places.between);
        // Of equal ones a node against the chassis is named.
        let (volts, [(a, _), (b, _)]) = all.max_by(|a, b| {
            let to_chassis = |of: &[(NodeId, usize); 2]| of[1].0 == NodeId::CHASSIS;
            a.0.total_cmp(b.0)
                .then(to_chassis(a.1).cmp(&to_chassis(b.1)))
        })?;
        let name = |node| circuit.node_name(node).to_owned();
        Some(Peak {
            volts: *volts,
            from: name(*a),
            to: name(*b),
        })
    }
}

/// Pairs of nodes of a part between which volts mean something: all, but those of windings that share no node.
fn joined(part: &Part, nodes: &[NodeId]) -> Vec<(NodeId, NodeId)> {
    let mut group: Vec<usize> = (0..nodes.len()).collect();
    if let Part::Transformer(_) = part {
        // A winding and its sections: ends of one, or at one node.
        let ends = (0..nodes.len() / 2).map(|k| (2 * k, 2 * k + 1));
        let same = (0..nodes.len()).flat_map(|a| (0..a).map(move |b| (b, a)));
        let same = same.filter(|&(a, b)| nodes[a] == nodes[b] && nodes[a] != NodeId::CHASSIS);
        let same: Vec<(usize, usize)> = same.collect();
        let centre_taps = (1..nodes.len() / 2)
            .map(|k| (2 * k - 1, 2 * k))
            .filter(|&(a, b)| nodes[a] == nodes[b]);
        for (a, b) in ends.chain(same).chain(centre_taps) {
            let (from, to) = (group[b], group[a]);
            group
                .iter_mut()
                .filter(|of| **of == from)
                .for_each(|of| *of = to);
        }
    } else {
        group.fill(0);
    }
    let pairs = (0..nodes.len()).flat_map(|a| (0..a).map(move |b| (b, a)));
    let pairs = pairs.filter(|&(a, b)| group[a] == group[b]);
    pairs.map(|(a, b)| (nodes[a], nodes[b])).collect()
}
