//! Faults of a drawing that can be seen without solving it: impossible values, loose ends,
//! electrodes without a DC path, loops without resistance.
//!
//! Over 400 lines because all of it walks over the same islands of nodes.

use std::collections::{BTreeMap, BTreeSet};

use crate::circuit::{Circuit, CircuitError, NodeId, PartId, Placed};
use crate::parts::{Part, Pot};

impl Circuit {
    /// Everything that keeps the circuit from being solved, besides what [`Circuit::add`] refused: values
    /// first, then nodes in their order, then loops.
    pub fn faults(&self) -> Vec<CircuitError> {
        self.faults_without(&[])
    }

    /// As [`Circuit::faults`], with these switches standing for parts that are gone: nothing leaks through their contacts.
    pub fn faults_without(&self, gone: &[PartId]) -> Vec<CircuitError> {
        let mut faults = Vec::new();
        for (id, placed) in self.parts() {
            check_values(id, placed, &mut faults);
        }
        check_nodes(self, gone, &mut faults);
        check_loops(self, &mut faults);
        faults
    }
}

/// Less than any joint has, Ω: what is smaller is a slip, and would drown the rest in rounding.
pub(crate) const LEAST_RESISTANCE: f64 = 1e-6;

fn check_values(id: PartId, placed: &Placed, faults: &mut Vec<CircuitError>) {
    let mut demand = |holds: bool, quantity: &'static str, wanted: &'static str| {
        if !holds {
            faults.push(CircuitError::Value {
                part: id,
                part_name: placed.name.clone(),
                quantity,
                wanted,
            });
        }
    };
    let positive = |x: f64| x.is_finite() && x > 0.0;
    let not_negative = |x: f64| x.is_finite() && x >= 0.0;
    let is_ohms = |r: f64| r.is_finite() && r >= LEAST_RESISTANCE;
    match &placed.part {
        Part::Resistor(resistor) => demand(is_ohms(resistor.r), "resistance", "more than zero"),
        Part::Capacitor(c) => {
            demand(positive(c.c), "capacitance", "more than zero");
            demand(not_negative(c.esr), "esr", "zero or more");
            demand(
                not_negative(c.leakage) && c.leakage * LEAST_RESISTANCE <= 1.0,
                "leakage",
                "zero or more, and no short",
            );
        }
        Part::Inductor(l) => {
            demand(
                l.linear.is_none_or(positive),
                "inductance",
                "more than zero",
            );
            demand(
                not_negative(l.resistance),
                "winding resistance",
                "zero or more",
            );
            demand(
                not_negative(l.capacitance),
                "winding capacitance",
                "zero or more",
            );
            demand(
                not_negative(l.capacitance_loss),
                "loss of the winding capacitance",
                "zero or more",
            );
            demand(
                l.loss >= LEAST_RESISTANCE,
                "core loss resistance",
                "more than zero",
            );
        }
        Part::Transformer(t) => {
            demand(!t.windings.is_empty(), "number of windings", "at least one");
            demand(t.loss > 0.0, "core loss resistance", "more than zero");
            for w in &t.windings {
                demand(positive(w.turns), "turns", "more than zero");
                demand(
                    not_negative(w.resistance),
                    "winding resistance",
                    "zero or more",
                );
                demand(
                    not_negative(w.leakage),
                    "leakage inductance",
                    "zero or more",
                );
                demand(
                    not_negative(w.capacitance),
                    "winding capacitance",
                    "zero or more",
                );
                demand(
                    not_negative(w.capacitance_loss),
                    "loss of the winding capacitance",
                    "zero or more",
                );
            }
        }
        Part::Source(s) => demand(
            not_negative(s.resistance),
            "source resistance",
            "zero or more",
        ),
        Part::Pot(p) => {
            demand(is_ohms(p.r * Pot::END), "resistance", "more than zero");
            demand(
                (0.0..=1.0).contains(&p.fraction),
                "setting",
                "between 0 % and 100 %",
            );
        }
        Part::Loudspeaker(s) => {
            demand(is_ohms(s.re), "voice-coil resistance", "more than zero");
            demand(not_negative(s.le), "voice-coil inductance", "zero or more");
            demand(positive(s.fs), "resonance", "more than zero");
            demand(positive(s.qms) && positive(s.qes), "Q", "more than zero");
        }
        Part::Valve(valve) => {
            if let Some(heater) = valve.heater {
                demand(is_ohms(heater.leakage), "heater leakage", "more than zero");
                demand(
                    not_negative(heater.capacitance),
                    "heater capacitance",
                    "zero or more",
                );
            }
        }
        Part::Device(_) | Part::Diodes(_) | Part::Switch(_) => {}
    }
}

/// Sets of nodes joined by something.
struct Islands(Vec<usize>);

impl Islands {
    fn new(n: usize) -> Self {
        Self((0..n).collect())
    }
    fn root(&mut self, mut k: usize) -> usize {
        while self.0[k] != k {
            self.0[k] = self.0[self.0[k]];
            k = self.0[k];
        }
        k
    }
    /// False when they were joined already.
    fn join(&mut self, a: NodeId, b: NodeId) -> bool {
        let (a, b) = (self.root(a.index()), self.root(b.index()));
        if a == b {
            return false;
        }
        self.0[a.max(b)] = a.min(b);
        true
    }
    fn joined(&mut self, a: NodeId, b: NodeId) -> bool {
        self.root(a.index()) == self.root(b.index())
    }
}

/// What has no DC path to the chassis.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Floating {
    /// One of its nodes.
    pub node: NodeId,
    /// Whether flux alone joins it to the rest, as the primary of a mains transformer: no current can
    /// then flow between them.
    pub by_flux_alone: bool,
}

/// Nodes that only an open contact joins to the chassis at direct current, and what leaks through it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Opened {
    /// The switch.
    pub switch: PartId,
    /// The valves whose electrodes hang there.
    pub valves: Vec<PartId>,
}

/// The switches behind whose open contacts electrodes of valves hang on nothing else: with a switch in standby, high
/// tension that is off.
pub fn opened(circuit: &Circuit) -> Vec<Opened> {
    let mut islands = islands(circuit, |_| true);
    join_in_series(circuit, &mut islands);
    let mut hanging: BTreeMap<usize, Vec<PartId>> = BTreeMap::new();
    for (id, placed) in circuit.parts() {
        for (node, _) in electrodes(placed) {
            if !islands.joined(node, NodeId::CHASSIS) {
                let valves = hanging.entry(islands.root(node.index())).or_default();
                valves.push(id);
                valves.dedup();
            }
        }
    }
    let mut found: Vec<Opened> = Vec::new();
    for (switch, placed) in circuit.parts() {
        let mut ends: Vec<usize> = open_contacts(placed)
            .into_iter()
            .flat_map(|(a, b)| [a, b])
            .map(|node| islands.root(node.index()))
            .collect();
        ends.sort_unstable();
        ends.dedup();
        let mut valves: Vec<PartId> = ends
            .iter()
            .filter_map(|end| hanging.get(end))
            .flatten()
            .copied()
            .collect();
        valves.sort_unstable();
        valves.dedup();
        if ends.len() > 1 && !valves.is_empty() {
            found.push(Opened { switch, valves });
        }
    }
    found
}

/// Pairs of nodes between which a contact is open.
fn open_contacts(placed: &Placed) -> Vec<(NodeId, NodeId)> {
    let Part::Switch(switch) = &placed.part else {
        return Vec::new();
    };
    let contacts = placed.nodes[1..].iter().enumerate();
    let open = contacts.filter(|(contact, _)| switch.closed != Some(*contact));
    open.map(|(_, &node)| (placed.nodes[0], node)).collect()
}

/// Joins what an open contact joins by its leakage: enough for a voltage to be known there. Nothing leaks through what is
/// `gone`.
fn join_open_contacts(circuit: &Circuit, gone: &[PartId], islands: &mut Islands) {
    for (_, placed) in circuit.parts().filter(|(id, _)| !gone.contains(id)) {
        for (a, b) in open_contacts(placed) {
            islands.join(a, b);
        }
    }
}

/// Islands of nodes that direct current joins, through parts that are wanted.
fn islands(circuit: &Circuit, wanted: impl Fn(&Part) -> bool) -> Islands {
    let mut islands = Islands::new(circuit.node_count());
    for (_, placed) in circuit.parts().filter(|(_, placed)| wanted(&placed.part)) {
        for (a, b) in placed.part.dc_paths(&placed.nodes) {
            islands.join(a, b);
        }
    }
    islands
}

/// `[nodes]` whether direct current finds a way from a node to the chassis.
pub fn earthed(circuit: &Circuit) -> Vec<bool> {
    let mut islands = islands(circuit, |_| true);
    let nodes = circuit.nodes().map(|(node, _)| node);
    nodes
        .map(|node| islands.joined(node, NodeId::CHASSIS))
        .collect()
}

/// Every island that has no DC path to the chassis.
pub fn floating(circuit: &Circuit) -> Vec<Floating> {
    let mut islands = islands(circuit, |_| true);
    // Islands that a capacitor, an electrode or an open contact joins to others.
    let mut joined = vec![false; circuit.node_count()];
    for (_, placed) in circuit.parts() {
        if !placed.part.is_joined_by_current() {
            continue;
        }
        let roots: Vec<usize> = placed
            .nodes
            .iter()
            .map(|node| islands.root(node.index()))
            .collect();
        if roots.iter().any(|root| *root != roots[0]) {
            for root in roots {
                joined[root] = true;
            }
        }
    }
    let mut ties = Vec::new();
    for (node, _) in circuit.nodes() {
        let by_flux_alone = !joined[islands.root(node.index())];
        if islands.join(NodeId::CHASSIS, node) {
            ties.push(Floating {
                node,
                by_flux_alone,
            });
        }
    }
    ties
}

/// Nodes that hang on the chassis by something alone that conducts one way, a rectifier or a diode, each with that part:
/// where no current flows through it nothing says what voltage they have.
pub fn one_way(circuit: &Circuit) -> Vec<(NodeId, PartId)> {
    let mut islands = islands(circuit, |part| !part.is_rectifier());
    let mut found = Vec::new();
    for (id, placed) in circuit.parts() {
        if placed.part.is_rectifier() {
            for (a, b) in placed.part.dc_paths(&placed.nodes) {
                for (node, other) in [(a, b), (b, a)] {
                    let hangs = !islands.joined(node, NodeId::CHASSIS);
                    if hangs && islands.joined(other, NodeId::CHASSIS) {
                        found.push((node, id));
                    }
                }
            }
        }
    }
    found
}

/// The electrodes of an amplifying valve with their nodes.
fn electrodes(placed: &Placed) -> Vec<(NodeId, &'static str)> {
    let Some(valve) = placed.part.valve() else {
        return Vec::new();
    };
    let wiring = valve.wiring(&placed.nodes);
    let Some(grid) = wiring.grid else {
        return Vec::new();
    };
    let cathode = if valve.filament {
        "filament"
    } else {
        "cathode"
    };
    let mut found = vec![(wiring.anodes[0], "anode")];
    found.extend(wiring.screen.map(|screen| (screen, "screen")));
    found.push((grid, "grid"));
    found.extend(wiring.cathode.iter().map(|&node| (node, cathode)));
    found
}

/// Joins to the chassis what valves in series hold: where one stands on another's anode, as in a cascode or on a
/// current source, the current of the upper is that of the lower. It must be fed from above, through valves by their
/// anodes, and find its way down, through valves by their cathodes.
fn join_in_series(circuit: &Circuit, islands: &mut Islands) {
    let valves: Vec<(NodeId, NodeId)> = circuit
        .parts()
        .filter_map(|(_, placed)| {
            let wiring = placed.part.valve()?.wiring(&placed.nodes);
            wiring.grid?;
            Some((wiring.anodes[0], wiring.cathode[0]))
        })
        .collect();
    let fed = reached(&valves, islands);
    let upwards: Vec<(NodeId, NodeId)> = valves
        .iter()
        .map(|&(anode, cathode)| (cathode, anode))
        .collect();
    let drained = reached(&upwards, islands);
    for &(anode, cathode) in &valves {
        for node in [anode, cathode] {
            let root = islands.root(node.index());
            if fed.contains(&root) && drained.contains(&root) {
                islands.join(NodeId::CHASSIS, node);
            }
        }
    }
}

/// Roots of the islands that are reached from the chassis by steps from the first of a pair to the second.
fn reached(steps: &[(NodeId, NodeId)], islands: &mut Islands) -> BTreeSet<usize> {
    let mut onward: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for (from, to) in steps {
        let (from, to) = (islands.root(from.index()), islands.root(to.index()));
        onward.entry(from).or_default().push(to);
    }
    let chassis = islands.root(NodeId::CHASSIS.index());
    let (mut reached, mut open) = (BTreeSet::from([chassis]), vec![chassis]);
    while let Some(at) = open.pop() {
        for &to in onward.get(&at).into_iter().flatten() {
            if reached.insert(to) {
                open.push(to);
            }
        }
    }
    reached
}

fn check_nodes(circuit: &Circuit, gone: &[PartId], faults: &mut Vec<CircuitError>) {
    let n = circuit.node_count();
    let mut uses = vec![0_usize; n];
    let mut user = vec![None; n];
    let mut islands = islands(circuit, |_| true);
    let mut electrode = vec![None; n];
    for (id, placed) in circuit.parts() {
        for node in &placed.nodes {
            uses[node.index()] += 1;
            user[node.index()] = Some(id);
        }
        for (node, name) in electrodes(placed) {
            electrode[node.index()].get_or_insert((id, name));
        }
    }
    join_open_contacts(circuit, gone, &mut islands);
    join_in_series(circuit, &mut islands);
    let feeds = missing_feeds(circuit, &electrode, &mut islands);
    for (node, name) in circuit.nodes().filter(|(node, _)| *node != NodeId::CHASSIS) {
        let k = node.index();
        let feed = feeds.get(&islands.root(k)).copied();
        if feed == Some(node) {
            faults.push(CircuitError::NoDcPath {
                node,
                name: name.to_owned(),
                electrode: None,
            });
            continue;
        }
        let is_meant = user[k].is_some_and(|id| {
            let placed = circuit.part(id);
            placed.part.has_loose_ends() || is_unused_tap(placed, node)
        });
        match (uses[k], user[k]) {
            (1, Some(part)) if !is_meant => {
                faults.push(CircuitError::UsedOnce {
                    node,
                    name: name.to_owned(),
                    part,
                });
            }
            _ if electrode[k].is_some()
                && feed.is_none()
                && !islands.joined(node, NodeId::CHASSIS) =>
            {
                faults.push(CircuitError::NoDcPath {
                    node,
                    name: name.to_owned(),
                    electrode: electrode[k],
                });
            }
            _ => {}
        }
    }
}

/// By root of an island that hangs with anodes and screens alone on a transformer: its tap that nothing else joins, through
/// which all of them are fed.
fn missing_feeds(
    circuit: &Circuit,
    electrode: &[Option<(PartId, &'static str)>],
    islands: &mut Islands,
) -> BTreeMap<usize, NodeId> {
    let mut users: Vec<BTreeSet<PartId>> = vec![BTreeSet::new(); circuit.node_count()];
    let mut taps = vec![0_usize; circuit.node_count()];
    for (id, placed) in circuit.parts() {
        for node in &placed.nodes {
            users[node.index()].insert(id);
            taps[node.index()] += usize::from(placed.part.transformer().is_some());
        }
    }
    let chassis = islands.root(NodeId::CHASSIS.index());
    let mut found = meeting_leaks(circuit, electrode, islands);
    let mut fed: BTreeMap<usize, bool> = BTreeMap::new();
    let mut loose: BTreeMap<usize, Vec<NodeId>> = BTreeMap::new();
    for (node, _) in circuit.nodes() {
        let (k, root) = (node.index(), islands.root(node.index()));
        if root == chassis {
            continue;
        }
        if let Some((_, name)) = electrode[k] {
            *fed.entry(root).or_insert(true) &= matches!(name, "anode" | "screen");
        } else if users[k].len() == 1 && taps[k] > 1 {
            loose.entry(root).or_default().push(node);
        }
    }
    let one = |(root, nodes): (usize, Vec<NodeId>)| match nodes.as_slice() {
        [only] if fed.get(&root) == Some(&true) => Some((root, *only)),
        _ => None,
    };
    found.extend(loose.into_iter().filter_map(one));
    found
}

/// By root of an island that hangs with several grids and nothing else: the node in which their leaks meet.
fn meeting_leaks(
    circuit: &Circuit,
    electrode: &[Option<(PartId, &'static str)>],
    islands: &mut Islands,
) -> BTreeMap<usize, NodeId> {
    let chassis = islands.root(NodeId::CHASSIS.index());
    let mut leaks = vec![0_usize; circuit.node_count()];
    for (_, placed) in circuit.parts().filter(|(_, of)| of.part.ohms().is_some()) {
        for node in &placed.nodes {
            leaks[node.index()] += 1;
        }
    }
    let mut grids: BTreeMap<usize, usize> = BTreeMap::new();
    let mut others: BTreeSet<usize> = BTreeSet::from([chassis]);
    for (node, _) in circuit.nodes() {
        let root = islands.root(node.index());
        match electrode[node.index()] {
            Some((_, "grid")) => *grids.entry(root).or_default() += 1,
            Some(_) => {
                others.insert(root);
            }
            None => {}
        }
    }
    let mut meeting: BTreeMap<usize, Vec<NodeId>> = BTreeMap::new();
    for (node, _) in circuit
        .nodes()
        .filter(|(node, _)| electrode[node.index()].is_none())
    {
        let root = islands.root(node.index());
        let several = grids.get(&root).copied().filter(|count| *count > 1);
        if several.is_some_and(|count| leaks[node.index()] >= count) && !others.contains(&root) {
            meeting.entry(root).or_default().push(node);
        }
    }
    let one = |(root, nodes): (usize, Vec<NodeId>)| match nodes.as_slice() {
        [only] => Some((root, *only)),
        _ => None,
    };
    meeting.into_iter().filter_map(one).collect()
}

/// Whether a node is the outer end of a secondary in sections, such as the 15 Ω end of one whose load stands at its 8 Ω
/// tap. A primary, whose sections come first and make up one turn, lacks a valve there.
fn is_unused_tap(placed: &Placed, node: NodeId) -> bool {
    let Part::Transformer(transformer) = &placed.part else {
        return false;
    };
    let turns = transformer.windings.iter().scan(0.0, |before, winding| {
        *before += winding.turns;
        Some(*before)
    });
    let ends = placed.nodes.chunks_exact(2);
    let mut own = ends
        .clone()
        .zip(turns)
        .filter(|(ends, _)| ends.contains(&node));
    own.next().is_some_and(|(section, turns)| {
        let inner = if section[0] == node {
            section[1]
        } else {
            section[0]
        };
        let sharing = ends.filter(|ends| ends.contains(&inner)).count();
        turns > 1.0 + 1e-9 && inner != NodeId::CHASSIS && sharing > 1
    })
}

/// Sources without resistance across each other, or across a winding without resistance.
fn check_loops(circuit: &Circuit, faults: &mut Vec<CircuitError>) {
    let mut islands = Islands::new(circuit.node_count());
    // `[nodes]` what joins a node to others without resistance, as far as it closes no loop.
    let mut stiff: Vec<Vec<(PartId, NodeId)>> = vec![Vec::new(); circuit.node_count()];
    for (id, placed) in circuit.parts() {
        for (a, b) in placed.part.stiff_paths(&placed.nodes) {
            if islands.join(a, b) {
                stiff[a.index()].push((id, b));
                stiff[b.index()].push((id, a));
            } else {
                let mut parts = path(&stiff, a, b);
                parts.push(id);
                parts.sort_unstable();
                parts.dedup();
                let names = parts
                    .iter()
                    .map(|&part| circuit.part(part).name.clone())
                    .collect();
                faults.push(CircuitError::Loop { parts, names });
            }
        }
    }
}

/// The parts on the one path between two nodes of a forest, `[nodes]` the neighbours of each.
fn path(forest: &[Vec<(PartId, NodeId)>], from: NodeId, to: NodeId) -> Vec<PartId> {
    // Where each node was come to from, and by what.
    let mut come_from = BTreeMap::from([(from, None)]);
    let mut open = vec![from];
    while let Some(at) = open.pop().filter(|at| *at != to) {
        for &(part, next) in &forest[at.index()] {
            come_from.entry(next).or_insert_with(|| {
                open.push(next);
                Some((part, at))
            });
        }
    }
    let mut parts = Vec::new();
    let mut at = to;
    while let Some(&Some((part, before))) = come_from.get(&at) {
        parts.push(part);
        at = before;
    }
    parts
}
