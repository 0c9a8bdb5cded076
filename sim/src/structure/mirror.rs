//! The two halves of a balanced amplifier, found from the wiring alone.
//!
//! A mirror is a map of nodes onto nodes that is its own inverse: the anodes of the output pair, at opposite
//! ends of a centre-tapped winding, are the seed; from each pair of nodes, terminals of one name are
//! matched, and what lies behind them makes further pairs. Where both sides meet in one node (common
//! cathode, supply, chassis) growth stops; so it does where the drawing is lopsided (the single-ended
//! stages, a phase splitter's input). Values play no part in it, except to choose between terminals that the
//! wiring cannot tell apart.
//!
//! Cost: quadratic in the terminals.
//!
//! Over 400 lines because growing from the seed and choosing between alike terminals are one method.

use std::collections::BTreeMap;

use super::graph::{Graph, Label, Terminal};
use super::push_pull::push_pulls;
use crate::circuit::{NodeId, PartId};
use crate::parts::Part;

/// The halves.
#[derive(Clone, Debug)]
pub struct Mirror {
    /// The output pair.
    pub output: [PartId; 2],
    /// Parts of one half with their image, the lower first.
    pub parts: Vec<(PartId, PartId)>,
    /// Parts whose image is missing, with the nodes where it should be.
    pub alone: Vec<(PartId, [NodeId; 2])>,
    /// Pairs of nodes, the seed first.
    pairs: Vec<(NodeId, NodeId)>,
    /// Pairs of valves whose grids are not driven alike.
    pub single_ended: Vec<(PartId, PartId)>,
    /// Parts compared on trust: those at no pair of nodes that is whole.
    untold: Vec<PartId>,
}

impl Mirror {
    /// True when something at the part's nodes has no image, so that its value need not have one either.
    pub fn is_untold(&self, part: PartId) -> bool {
        self.untold.contains(&part)
    }

    /// True when the part stands at an anode of a pair that is driven on one side, or behind its coupling
    /// capacitor.
    pub fn trims(&self, graph: &Graph<'_>, part: PartId) -> bool {
        let nodes = &graph.circuit.part(part).nodes;
        self.single_ended.iter().any(|&(first, second)| {
            [first, second].into_iter().any(|valve| {
                let Some(anode) = electrode(graph, valve, "anode") else {
                    return false;
                };
                let behind = graph
                    .at(anode)
                    .iter()
                    .filter(|terminal| terminal.label.0 == "capacitor")
                    .filter_map(|&terminal| graph.far(terminal))
                    .filter(|&node| !graph.is_rail(node));
                nodes.contains(&anode) || behind.into_iter().any(|node| nodes.contains(&node))
            })
        })
    }

    /// The other ends of two parts with one end each at a pair of nodes, where those are no pair and carry no signal: both
    /// hang on a supply, and not on the same one.
    pub fn rails_apart(&self, graph: &Graph<'_>, p: PartId, q: PartId) -> Option<[NodeId; 2]> {
        let nodes = |part| &graph.circuit.part(part).nodes;
        let (&[a, b], &[c, d]) = (&nodes(p)[..], &nodes(q)[..]) else {
            return None;
        };
        let pair = |n, m| self.pairs.contains(&(n, m)) || self.pairs.contains(&(m, n));
        let ends = [(a, c, b, d), (a, d, b, c), (b, c, a, d), (b, d, a, c)];
        let apart = ends.into_iter().find(|&(n, m, far, other)| {
            let rails = graph.is_rail(far) && graph.is_rail(other);
            pair(n, m) && rails && far != other && !pair(far, other)
        });
        apart.map(|(_, _, far, other)| [far, other])
    }

    /// True of a capacitor at a grid of such a pair: one brings the signal, and the other may hold the grid.
    pub fn feeds_one_side(&self, graph: &Graph<'_>, part: PartId) -> bool {
        let is_capacitor = matches!(graph.circuit.part(part).part, Part::Capacitor(_));
        is_capacitor && self.stands_at_one_sided_grid(graph, part)
    }

    /// True of a part at a grid of a pair that is driven on one side.
    pub fn stands_at_one_sided_grid(&self, graph: &Graph<'_>, part: PartId) -> bool {
        let placed = graph.circuit.part(part);
        let at_grid = |valve| {
            let grid = electrode(graph, valve, "grid");
            grid.is_some_and(|grid| placed.nodes.contains(&grid))
        };
        let mut pairs = self.single_ended.iter();
        pairs.any(|&(p, q)| at_grid(p) || at_grid(q))
    }
}

fn electrode(graph: &Graph<'_>, valve: PartId, role: &str) -> Option<NodeId> {
    let placed = graph.circuit.part(valve);
    (0..placed.nodes.len()).find_map(|at| {
        let node = placed.nodes[at];
        let here = graph.at(node).iter();
        here.into_iter()
            .any(|t| t.part == valve && t.at == at && t.label.1 == role)
            .then_some(node)
    })
}

/// The mirror of each output stage; none of a single-ended amplifier.
pub fn mirrors(graph: &Graph<'_>) -> Vec<Mirror> {
    seeds(graph)
        .into_iter()
        .map(|seed| Growth::from(graph, seed).finish())
        .collect()
}

/// Output pairs: the first valve at either end of a winding with a centre that carries no signal.
fn seeds(graph: &Graph<'_>) -> Vec<[PartId; 2]> {
    let windings = push_pulls(graph).into_iter();
    let mut seeds: Vec<[PartId; 2]> = windings
        .map(|winding| winding.halves.map(|half| half.valves[0]))
        .filter(|[a, b]| a != b)
        .map(|[a, b]| [a.min(b), a.max(b)])
        .collect();
    seeds.dedup();
    seeds
}

struct Growth<'g, 'a> {
    graph: &'g Graph<'a>,
    output: [PartId; 2],
    /// By node.
    image: Vec<Option<NodeId>>,
    /// By part.
    partner: BTreeMap<PartId, PartId>,
    /// Pairs of different nodes.
    pairs: Vec<(NodeId, NodeId)>,
}

/// How well two terminals fit.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
enum Fit {
    /// Different supplies behind them.
    Rails,
    /// Nodes behind them that may be images.
    Open,
    /// Nodes behind them that are images.
    Known,
}

impl<'g, 'a> Growth<'g, 'a> {
    fn from(graph: &'g Graph<'a>, output: [PartId; 2]) -> Self {
        let mut growth = Self {
            graph,
            output,
            image: vec![None; graph.circuit.node_count()],
            partner: BTreeMap::new(),
            pairs: Vec::new(),
        };
        growth.image[NodeId::CHASSIS.index()] = Some(NodeId::CHASSIS);
        growth.join_valves(output[0], output[1]);
        while growth.step(true) || growth.step(false) {}
        growth
    }

    /// Whether two nodes are images or may become so.
    fn fits(&self, n: NodeId, m: NodeId) -> bool {
        match (self.image[n.index()], self.image[m.index()]) {
            (Some(image), _) => image == m,
            (None, Some(_)) => false,
            (None, None) => {
                let rails = (self.graph.is_rail(n), self.graph.is_rail(m));
                n == m
                    || match rails {
                        (false, false) => true,
                        (true, true) => self.graph.census(n) == self.graph.census(m),
                        _ => false,
                    }
            }
        }
    }

    fn join_nodes(&mut self, n: NodeId, m: NodeId) {
        if self.image[n.index()].is_some() || !self.fits(n, m) {
            return;
        }
        self.image[n.index()] = Some(m);
        self.image[m.index()] = Some(n);
        if n != m {
            self.pairs.push((n, m));
        }
    }

    fn join_parts(&mut self, p: PartId, q: PartId) {
        self.partner.insert(p, q);
        self.partner.insert(q, p);
    }

    fn join_valves(&mut self, p: PartId, q: PartId) {
        self.join_parts(p, q);
        for role in ["anode", "screen", "cathode", "grid"] {
            let nodes = (
                electrode(self.graph, p, role),
                electrode(self.graph, q, role),
            );
            if let (Some(n), Some(m)) = nodes {
                self.join_nodes(n, m);
            }
        }
        // The other end of a filament.
        let last = |valve: PartId| {
            let wiring = self.graph.circuit.part(valve).wiring()?;
            wiring.cathode.last().copied()
        };
        if let (Some(n), Some(m)) = (last(p), last(q)) {
            self.join_nodes(n, m);
        }
    }

    /// Terminals at a pair of nodes that have no image at the other.
    fn unmatched(&self, n: NodeId, m: NodeId) -> (Vec<Terminal>, Vec<Terminal>) {
        let lone = |here: NodeId, there: NodeId| -> Vec<Terminal> {
            let mut free = self.graph.at(there).to_vec();
            let mut lone = Vec::new();
            for &terminal in self.graph.at(here) {
                let image = free.iter().position(|other| {
                    let partners = self.partner.get(&terminal.part) == Some(&other.part)
                        && terminal.label == other.label;
                    partners || splits(terminal, *other)
                });
                match image {
                    Some(k) => {
                        free.swap_remove(k);
                    }
                    None => lone.push(terminal),
                }
            }
            lone
        };
        (lone(n, m), lone(m, n))
    }

    /// Whether the wiring at two nodes differs by more than one passive part.
    fn broken(&self, n: NodeId, m: NodeId) -> bool {
        let splitter = |here: NodeId, there: NodeId| {
            let others = self.graph.at(there);
            let at = self.graph.at(here).iter();
            at.filter(|&&t| !others.iter().any(|&o| splits(t, o)))
                .map(|t| t.label)
                .collect::<Vec<Label>>()
        };
        let (mut left, mut right) = (splitter(n, m), splitter(m, n));
        left.retain(|label| {
            let twin = right.iter().position(|other| other == label);
            if let Some(k) = twin {
                right.swap_remove(k);
            }
            twin.is_none()
        });
        left.append(&mut right);
        let passive = |label: &Label| {
            label.1 == super::graph::END && ["resistor", "capacitor", "choke"].contains(&label.0)
        };
        left.len() > 1 || !left.iter().all(passive)
    }

    fn fit(&self, t: Terminal, u: Terminal) -> Option<Fit> {
        if t.label != u.label || t.label.0 == "generator" {
            return None;
        }
        if t.part == u.part {
            // A winding or a pot between both sides, or a part between the two nodes themselves.
            let between = self.graph.far(t) == Some(self.graph.node(u))
                || (t.at != u.at && ["winding", "pot"].contains(&t.label.0));
            if !between {
                return None;
            }
        }
        let (Some(far_t), Some(far_u)) = (self.graph.far(t), self.graph.far(u)) else {
            return Some(Fit::Open);
        };
        if self.image[far_t.index()] == Some(far_u) || (far_t == far_u && self.fits(far_t, far_u)) {
            return Some(Fit::Known);
        }
        if self.fits(far_t, far_u) {
            return Some(Fit::Open);
        }
        let rails = self.graph.is_rail(far_t) && self.graph.is_rail(far_u);
        rails.then_some(Fit::Rails)
    }

    /// Matches terminals: those that leave no doubt, or else the first pair of those that do. True when
    /// something was matched.
    fn step(&mut self, sure: bool) -> bool {
        for k in 0..self.pairs.len() {
            let (n, m) = self.pairs[k];
            let broken = self.broken(n, m);
            let (left, right) = self.unmatched(n, m);
            let mut best: Option<((Fit, bool, bool), Terminal, Terminal)> = None;
            for &t in left.iter().filter(|t| self.is_free(**t)) {
                for &u in right.iter().filter(|u| self.is_free(**u)) {
                    let Some(fit) = self.fit(t, u) else {
                        continue;
                    };
                    let alike = |list: &[Terminal], x: Terminal| {
                        list.iter().filter(|y| y.label == x.label).count()
                    };
                    let unique = alike(&left, t) == 1 && alike(&right, u) == 1;
                    let certain = fit == Fit::Known || (unique && !broken);
                    if certain != sure || (broken && fit != Fit::Known) {
                        continue;
                    }
                    let rank = (fit, self.alike_beyond(t, u), self.same_value(t, u));
                    if best.as_ref().is_none_or(|(known, ..)| rank > *known) {
                        best = Some((rank, t, u));
                    }
                }
            }
            if let Some((_, t, u)) = best {
                if t.label.0 == "valve" {
                    self.join_valves(t.part, u.part);
                } else {
                    self.join_parts(t.part, u.part);
                    if let (Some(n), Some(m)) = (self.graph.far(t), self.graph.far(u)) {
                        self.join_nodes(n, m);
                    }
                }
                return true;
            }
        }
        sure && self.follow_windings()
    }

    /// The other ends of single windings at a pair of nodes are a pair too. True when one was found.
    fn follow_windings(&mut self) -> bool {
        for k in 0..self.pairs.len() {
            let (n, m) = self.pairs[k];
            let only = |node| {
                let mut windings = self
                    .graph
                    .at(node)
                    .iter()
                    .filter(|t| t.label.0 == "winding");
                windings
                    .next()
                    .copied()
                    .filter(|_| windings.next().is_none())
            };
            if let (Some(t), Some(u)) = (only(n), only(m))
                && self.partner.get(&t.part) == Some(&u.part)
                && let (Some(n), Some(m)) = (self.graph.far(t), self.graph.far(u))
                && self.image[n.index()].is_none()
                && self.fits(n, m)
            {
                self.join_nodes(n, m);
                return true;
            }
        }
        false
    }

    /// A part with two ends is matched once; windings and pots end by end.
    fn is_free(&self, terminal: Terminal) -> bool {
        terminal.label.0 == "winding" || !self.partner.contains_key(&terminal.part)
    }

    fn alike_beyond(&self, t: Terminal, u: Terminal) -> bool {
        match (self.graph.far(t), self.graph.far(u)) {
            (Some(n), Some(m)) => self.graph.census(n) == self.graph.census(m),
            _ => false,
        }
    }

    fn same_value(&self, t: Terminal, u: Terminal) -> bool {
        let part = |x: Terminal| &self.graph.circuit.part(x.part).part;
        super::difference::of(part(t), part(u)).is_none()
    }

    fn finish(self) -> Mirror {
        let lone: Vec<(Vec<Terminal>, Vec<Terminal>)> = self
            .pairs
            .iter()
            .map(|&(n, m)| self.unmatched(n, m))
            .collect();
        let one_missing = |(left, right): &(Vec<Terminal>, Vec<Terminal>)| {
            left.len() + right.len() <= 1 && left.iter().chain(right).all(Terminal::is_passive)
        };
        let whole: Vec<bool> = lone.iter().map(one_missing).collect();
        let mut alone = Vec::new();
        for (k, &(n, m)) in self.pairs.iter().enumerate() {
            for &terminal in lone[k].0.iter().chain(&lone[k].1) {
                let Some(far) = self.graph.far(terminal) else {
                    continue;
                };
                let here = self.graph.node(terminal);
                let there = if here == n { m } else { n };
                let image = if self.graph.is_rail(far) {
                    self.image[far.index()].or(Some(far))
                } else {
                    self.image[far.index()]
                };
                // Seen from its other end too.
                let far_whole = self
                    .pairs
                    .iter()
                    .zip(&whole)
                    .all(|(pair, whole)| *whole || (pair.0 != far && pair.1 != far));
                if let (true, true, Some(image)) = (whole[k], far_whole, image)
                    && !alone.iter().any(|(part, _)| *part == terminal.part)
                    && image != there
                {
                    alone.push((terminal.part, [there, image]));
                }
            }
        }
        let parts: Vec<(PartId, PartId)> = self
            .partner
            .iter()
            .filter(|(p, q)| p < q)
            .map(|(p, q)| (*p, *q))
            .collect();
        let pair_is_whole = |n: NodeId| {
            let found = self
                .pairs
                .iter()
                .position(|pair| pair.0 == n || pair.1 == n);
            found.map(|k| whole[k])
        };
        let untold = parts
            .iter()
            .map(|(p, _)| *p)
            .filter(|&p| {
                let nodes = &self.graph.circuit.part(p).nodes;
                !nodes.iter().any(|&node| pair_is_whole(node) == Some(true))
            })
            .collect();
        let single_ended = parts
            .iter()
            .copied()
            .filter(|&(p, q)| {
                let grids = (
                    electrode(self.graph, p, "grid"),
                    electrode(self.graph, q, "grid"),
                );
                match grids {
                    (Some(n), Some(m)) => {
                        self.image[n.index()] != Some(m)
                            || pair_is_whole(n) == Some(false)
                            || self.is_fed_apart((p, n), (q, m), &pair_is_whole)
                    }
                    _ => false,
                }
            })
            .collect();
        Mirror {
            output: self.output,
            parts,
            alone,
            pairs: self.pairs,
            single_ended,
            untold,
        }
    }
}

impl Growth<'_, '_> {
    /// Whether two valves with one cathode get their signals through capacitors from places that are not alike: a
    /// long-tailed pair whose second grid is held by a capacitor, say.
    fn is_fed_apart(
        &self,
        (p, n): (PartId, NodeId),
        (q, m): (PartId, NodeId),
        is_whole: &dyn Fn(NodeId) -> Option<bool>,
    ) -> bool {
        let cathode = |part| electrode(self.graph, part, "cathode");
        let far = |node| {
            let mut at = self.graph.at(node).iter();
            let capacitor = at.find(|t| t.label.0 == "capacitor");
            capacitor.and_then(|t| self.graph.far(*t))
        };
        let (Some(from), Some(image)) = (far(n), far(m)) else {
            return false;
        };
        let outputs = |at: NodeId, other: NodeId| {
            let others = self.graph.at(other);
            let mut here = self.graph.at(at).iter();
            here.any(|t| others.iter().any(|u| splits(*t, *u)))
        };
        let alike = self.image[from.index()] == Some(image) && is_whole(from) == Some(true);
        cathode(p) == cathode(q) && !alike && !outputs(from, image)
    }
}

/// The two outputs of a phase splitter that takes them from anode and cathode of one valve.
fn splits(t: Terminal, u: Terminal) -> bool {
    let roles = [t.label.1, u.label.1];
    t.part == u.part
        && t.label.0 == "valve"
        && (roles == ["anode", "cathode"] || roles == ["cathode", "anode"])
}

impl Mirror {
    /// True when one valve's anode and cathode are images of each other and the parts stand there.
    pub fn splitter_of(&self, graph: &Graph<'_>, part: PartId) -> Option<PartId> {
        let nodes = &graph.circuit.part(part).nodes;
        self.pairs.iter().find_map(|&(n, m)| {
            if !nodes.contains(&n) && !nodes.contains(&m) {
                return None;
            }
            let others = graph.at(m);
            let split = graph
                .at(n)
                .iter()
                .find(|&&t| others.iter().any(|&u| splits(t, u)));
            split.map(|t| t.part)
        })
    }
}
