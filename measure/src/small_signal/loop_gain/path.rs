//! Which parts close the loop round an amplifier.
//!
//! A part carries overall feedback when it leaves the output (a node of the load, or of a winding of its
//! transformer that meets no valve, or before its output capacitor) for a node from which the signal goes forward: a volt there must draw
//! more current at the output through the amplifier than through the part itself.
//!
//! ```text
//! |b| > |y|
//! ```
//!
//! Before an output capacitor the valves stand that drive it: what joins them to their own output is no overall feedback.
//! A Zobel network, a divider of the output or a coupling capacitor have no way round (b = 0); a feedback
//! resistor passes by decades.
//!
//! Symbols   b, y as in `cut.rs`, S
//! Source    ours
//!
//! Over 400 lines because what is on the way back is told by what counts as output, which several questions ask.

use super::cut::{Cut, passes};
use sim::circuit::{Circuit, NodeId, PartId, Placed};
use sim::error::SimError;
use sim::parts::Part;
use sim::small_signal::SmallSignal;

/// The way back from an output to where the signal is compared with it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FeedbackPath {
    /// The node of the output it leaves.
    pub from: NodeId,
    /// The parts that leave it, each with its far end; in parallel where they share one.
    pub branches: Vec<(PartId, NodeId)>,
    /// Parts in series behind them.
    pub behind: Vec<PartId>,
    /// Where the way ends, in the order of the branches.
    pub to: Vec<NodeId>,
}

/// Why there is no one loop to speak of.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum PathError {
    /// No part leads from the output back into the amplifier.
    #[error("no feedback from the output: no part leads from the load back into the amplifier")]
    NoFeedback,
    /// Several do, and which of them is meant cannot be guessed.
    #[error("{} loops run from the output back into the amplifier", .0.len())]
    Several(Vec<FeedbackPath>),
    /// The part named passes no signal in one way only.
    #[error("{0} carries no feedback")]
    NotAPath(String),
    /// The parts named leave different nodes.
    #[error("{0} and {1} do not leave one node of the output: they are two loops")]
    TwoLoops(String, String),
    /// The linearised circuit has no answer.
    #[error(transparent)]
    Sim(#[from] SimError),
}

impl FeedbackPath {
    /// All parts of the way, the ones at the output first.
    pub fn parts(&self) -> impl Iterator<Item = PartId> {
        let branches = self.branches.iter().map(|(part, _)| *part);
        branches.chain(self.behind.iter().copied())
    }

    /// Their designators.
    pub(crate) fn names(&self, circuit: &Circuit) -> Vec<String> {
        let name = |part| circuit.part(part).name.clone();
        self.parts().map(name).collect()
    }

    /// The one loop from the output of `load` back into the amplifier; `linear` is tuned to mid band.
    ///
    /// # Errors
    /// [`PathError::NoFeedback`] and [`PathError::Several`].
    pub fn find(
        circuit: &Circuit,
        linear: &mut SmallSignal<'_>,
        load: PartId,
    ) -> Result<Self, PathError> {
        let mut found = Self::all(circuit, linear, load)?;
        match found.len() {
            0 => Err(PathError::NoFeedback),
            1 => Ok(found.swap_remove(0)),
            _ => Err(PathError::Several(found)),
        }
    }

    /// The loop through the parts named, whatever it goes round.
    ///
    /// # Errors
    /// [`PathError::NotAPath`] for what is no resistor or capacitor, [`PathError::TwoLoops`].
    pub fn through(circuit: &Circuit, load: PartId, named: &[PartId]) -> Result<Self, PathError> {
        let outputs = outputs(circuit, load);
        let mut path: Option<(PartId, Self)> = None;
        for &part in named {
            let name = || circuit.part(part).name.clone();
            if !passes(circuit, part) {
                return Err(PathError::NotAPath(name()));
            }
            let one = Self::through_one(circuit, &outputs, part)?;
            match &mut path {
                None => path = Some((part, one)),
                Some((first, whole)) if whole.from != one.from => {
                    let first = circuit.part(*first).name.clone();
                    return Err(PathError::TwoLoops(first, name()));
                }
                Some((_, whole)) => {
                    for (branch, to) in one.branches.iter().zip(&one.to) {
                        if !whole.branches.contains(branch) {
                            whole.branches.push(*branch);
                            whole.to.push(*to);
                        }
                    }
                    for part in one.behind {
                        if !whole.behind.contains(&part) {
                            whole.behind.push(part);
                        }
                    }
                }
            }
        }
        path.map(|(_, path)| path).ok_or(PathError::NoFeedback)
    }

    /// Every loop from the output, one for each far end; `linear` is tuned to mid band.
    ///
    /// # Errors
    /// [`SimError::Undetermined`].
    pub fn all(
        circuit: &Circuit,
        linear: &mut SmallSignal<'_>,
        load: PartId,
    ) -> Result<Vec<Self>, SimError> {
        let outputs = outputs(circuit, load);
        let driving = driving(circuit, load);
        let mut found: Vec<Self> = Vec::new();
        for (part, placed) in circuit.parts() {
            if part == load || !passes(circuit, part) {
                continue;
            }
            for (from, far) in [
                (placed.nodes[0], placed.nodes[1]),
                (placed.nodes[1], placed.nodes[0]),
            ] {
                let leaves = outputs.contains(&from)
                    && !outputs.contains(&far)
                    && far != NodeId::CHASSIS
                    && !found
                        .iter()
                        .any(|path| path.from == from && path.branches[0].1 == far);
                if leaves {
                    let path = Self::between(circuit, from, far);
                    let own = |node: &NodeId| driving.contains(node);
                    if !own(&far)
                        && !path.to.iter().any(own)
                        && path.goes_forward(circuit, linear)?
                    {
                        found.push(path);
                    }
                }
            }
        }
        Ok(found)
    }

    fn through_one(circuit: &Circuit, outputs: &[NodeId], part: PartId) -> Result<Self, PathError> {
        let at = &circuit.part(part).nodes;
        let ends = [(at[0], at[1]), (at[1], at[0])];
        // Outwards through parts in series until an output is met.
        for (near, far) in ends {
            if outputs.contains(&far) {
                continue;
            }
            let (mut from, mut to) = (near, far);
            let mut behind = part;
            while !outputs.contains(&from) {
                let Some((next, node)) = in_series(circuit, from, behind) else {
                    break;
                };
                (behind, from, to) = (next, node, from);
            }
            if outputs.contains(&from) {
                return Ok(Self::between(circuit, from, to));
            }
        }
        // A loop of its own, such as from anode to grid. Its loop gain is the same from either end.
        let (from, far) = ends[0];
        if at.contains(&NodeId::CHASSIS) {
            return Err(PathError::NotAPath(circuit.part(part).name.clone()));
        }
        Ok(Self::between(circuit, from, far))
    }

    /// All resistors and capacitors between two nodes, and what is in series behind.
    fn between(circuit: &Circuit, from: NodeId, far: NodeId) -> Self {
        let branches: Vec<(PartId, NodeId)> = circuit
            .parts()
            .filter(|(part, placed)| {
                passes(circuit, *part)
                    && placed.nodes.contains(&from)
                    && placed.nodes.contains(&far)
            })
            .map(|(part, _)| (part, far))
            .collect();
        let (mut behind, mut to) = (Vec::new(), far);
        if let [(one, _)] = branches.as_slice() {
            let mut last = *one;
            while let Some((next, node)) = in_series(circuit, to, last) {
                if behind.contains(&next) || node == from || node == NodeId::CHASSIS {
                    break;
                }
                behind.push(next);
                (last, to) = (next, node);
            }
        }
        let to = vec![to; branches.len()];
        Self {
            from,
            branches,
            behind,
            to,
        }
    }

    /// Whether the signal goes forward from the far end, and arrives there: an anode load ends on a rail that its capacitor
    /// keeps still, from which every stage is fed.
    fn goes_forward(
        &self,
        circuit: &Circuit,
        linear: &mut SmallSignal<'_>,
    ) -> Result<bool, SimError> {
        let omega = std::f64::consts::TAU * linear.frequency();
        let cut = Cut::of((self.from, &self.branches), circuit, linear)?;
        Ok(cut.is_some_and(|cut| {
            let way = cut.parts[0].norm();
            let still = |to: &NodeId| omega * to_chassis(circuit, *to) > STILL * way;
            cut.rest[(0, 1)].norm() > way && !self.to.iter().any(still)
        }))
    }
}

/// How many times the admittance of a way capacitors to the chassis have at its end, where nothing of it arrives.
const STILL: f64 = 1e3;

/// Capacitance from a node straight to the chassis, F.
fn to_chassis(circuit: &Circuit, node: NodeId) -> f64 {
    let of = |placed: &Placed| match &placed.part {
        Part::Capacitor(capacitor)
            if placed.nodes.contains(&node) && placed.nodes.contains(&NodeId::CHASSIS) =>
        {
            capacitor.c
        }
        Part::Capacitor(_)
        | Part::Resistor(_)
        | Part::Inductor(_)
        | Part::Transformer(_)
        | Part::Valve(_)
        | Part::Device(_)
        | Part::Diodes(_)
        | Part::Source(_)
        | Part::Pot(_)
        | Part::Switch(_)
        | Part::Loudspeaker(_) => 0.0,
    };
    circuit.parts().map(|(_, placed)| of(placed)).sum()
}

/// Nodes of the output: of the load, and of the windings of its transformer that meet no valve and no
/// supply. Joints by a winding or a closed contact count.
fn outputs(circuit: &Circuit, load: PartId) -> Vec<NodeId> {
    let mut joints: Vec<(NodeId, NodeId)> = Vec::new();
    for (_, placed) in circuit.parts() {
        match &placed.part {
            Part::Transformer(_) => {
                joints.extend(placed.nodes.chunks_exact(2).map(|ends| (ends[0], ends[1])));
            }
            Part::Switch(switch) => {
                joints.extend(
                    switch
                        .closed
                        .map(|k| (placed.nodes[0], placed.nodes[k + 1])),
                );
            }
            Part::Resistor(_)
            | Part::Capacitor(_)
            | Part::Inductor(_)
            | Part::Valve(_)
            | Part::Device(_)
            | Part::Diodes(_)
            | Part::Source(_)
            | Part::Pot(_)
            | Part::Loudspeaker(_) => {}
        }
    }
    let island = |start: &[NodeId]| {
        let mut nodes: Vec<NodeId> = Vec::new();
        let mut waiting = start.to_vec();
        while let Some(node) = waiting.pop() {
            if node == NodeId::CHASSIS || nodes.contains(&node) {
                continue;
            }
            nodes.push(node);
            for &(a, b) in &joints {
                if a == node {
                    waiting.push(b);
                } else if b == node {
                    waiting.push(a);
                }
            }
        }
        nodes
    };
    let mut ends = circuit.part(load).nodes.clone();
    ends.retain(|node| *node != NodeId::CHASSIS);
    let near = island(&ends);
    if driven(circuit, &near) {
        return ends;
    }
    let mut found = near.clone();
    for (_, placed) in circuit.parts() {
        let of_load = matches!(placed.part, Part::Transformer(_))
            && placed.nodes.iter().any(|node| near.contains(node));
        if of_load {
            for ends in placed.nodes.chunks_exact(2) {
                let winding = island(ends);
                if !driven(circuit, &winding) {
                    found.extend(winding);
                }
            }
        }
    }
    found.extend(before_the_capacitor(circuit, load));
    found.sort_unstable();
    found.dedup();
    found
}

/// The circuit in which nothing comes back from a winding or a load at which no direct volts stand: what leaves it hangs
/// at the chassis instead, which takes no part and moves no bias.
pub(super) fn opened(circuit: &Circuit, load: PartId) -> Circuit {
    let mut ends = circuit.part(load).nodes.clone();
    ends.retain(|node| *node != NodeId::CHASSIS);
    let quiet = if driven(circuit, &ends) {
        Vec::new()
    } else {
        let driven = before_the_capacitor(circuit, load);
        let all = outputs(circuit, load).into_iter();
        all.filter(|node| Some(*node) != driven).collect()
    };
    let parts: Vec<PartId> = circuit.parts().map(|(part, _)| part).collect();
    let mut opened = circuit.clone();
    for part in parts.into_iter().filter(|part| *part != load) {
        let placed = opened.part_mut(part);
        let goes_back = |far: NodeId| far != NodeId::CHASSIS && !quiet.contains(&far);
        if !passes(circuit, part) || !placed.nodes.iter().any(|node| goes_back(*node)) {
            continue;
        }
        for node in placed.nodes.iter_mut().filter(|node| quiet.contains(node)) {
            *node = NodeId::CHASSIS;
        }
    }
    opened
}

/// Whether a valve, a device or a source stands at one of the nodes.
fn driven(circuit: &Circuit, nodes: &[NodeId]) -> bool {
    let drives = |part: &Part| match part {
        Part::Valve(_) | Part::Device(_) | Part::Source(_) => true,
        Part::Resistor(_)
        | Part::Capacitor(_)
        | Part::Inductor(_)
        | Part::Transformer(_)
        | Part::Diodes(_)
        | Part::Pot(_)
        | Part::Switch(_)
        | Part::Loudspeaker(_) => false,
    };
    circuit.parts().any(|(_, placed)| {
        drives(&placed.part) && placed.nodes.iter().any(|node| nodes.contains(node))
    })
}

/// The node that the load hangs on by its output capacitor, where valves drive it: by the largest one there is, and by
/// no transformer.
fn before_the_capacitor(circuit: &Circuit, load: PartId) -> Option<NodeId> {
    let mut ends = circuit.part(load).nodes.clone();
    ends.retain(|node| *node != NodeId::CHASSIS);
    let at_load = |node: &NodeId| ends.contains(node);
    let iron = circuit.parts().any(|(_, placed)| {
        matches!(placed.part, Part::Transformer(_)) && placed.nodes.iter().any(at_load)
    });
    if iron || driven(circuit, &ends) {
        return None;
    }
    let capacitors = circuit.parts().filter_map(|(_, placed)| {
        let (Part::Capacitor(capacitor), &[a, b]) = (&placed.part, placed.nodes.as_slice()) else {
            return None;
        };
        let far = if at_load(&a) { b } else { a };
        let couples = at_load(&a) != at_load(&b) && driven(circuit, &[far]);
        (couples && far != NodeId::CHASSIS).then_some((capacitor.c, far))
    });
    capacitors
        .max_by(|(a, _), (b, _)| a.total_cmp(b))
        .map(|(_, far)| far)
}

/// Nodes of the valves that drive the output before its capacitor: those that stand there, or whose cathode hangs there
/// by one resistor alone.
fn driving(circuit: &Circuit, load: PartId) -> Vec<NodeId> {
    let Some(output) = before_the_capacitor(circuit, load) else {
        return Vec::new();
    };
    let stands = |part: PartId, nodes: &[NodeId], cathode: &[NodeId]| {
        nodes.contains(&output)
            || cathode
                .iter()
                .any(|&end| in_series(circuit, end, part).is_some_and(|(_, far)| far == output))
    };
    circuit
        .parts()
        .filter_map(|(part, placed)| {
            let wiring = placed.wiring()?;
            stands(part, &placed.nodes, wiring.cathode).then(|| placed.nodes.clone())
        })
        .flatten()
        .filter(|node| *node != output)
        .collect()
}

/// The resistor or capacitor that alone goes on from a node reached through `part`, and its far end.
fn in_series(circuit: &Circuit, node: NodeId, part: PartId) -> Option<(PartId, NodeId)> {
    let mut others = circuit
        .parts()
        .filter(|(id, placed)| *id != part && placed.nodes.contains(&node));
    let (next, placed) = others.next()?;
    if node == NodeId::CHASSIS || others.next().is_some() || !passes(circuit, next) {
        return None;
    }
    let far = if placed.nodes[0] == node {
        placed.nodes[1]
    } else {
        placed.nodes[0]
    };
    Some((next, far))
}
