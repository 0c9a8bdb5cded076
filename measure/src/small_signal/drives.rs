//! What of the signal arrives between grid and cathode of each valve, by what way, and where it does not.
//!
//! ```text
//! v_gk for 1 V of the generator, all loading and feedback kept, at the frequency of the bench
//! ```
//!
//! A pair that works into the halves of one winding wants opposite drives of about one size. A valve that the way of
//! the signal leads through wants more of it than what leaks past a pot that is turned down.
//!
//! Source    superposition, of the linearised circuit; which drives a push-pull stage wants: common practice, no source
//!
//! Over 400 lines because the drives stand beside what may be wrong with them and its words.

use nalgebra::Complex;

use crate::UnderTest;
use crate::instruments::valve::ValveProbe;
use sim::circuit::{Circuit, NodeId, PartId};
use sim::error::SimError;
use sim::parts::Part;
use sim::small_signal::{Excitation, SmallSignal};
use sim::structure::graph::Graph;
use sim::structure::mirror::mirrors;
use sim::structure::push_pull::push_pulls;

/// Drive of one half over that of the other below which it gets next to nothing, a ratio: a half driven through a
/// common cathode resistor alone has about half (common practice, no source).
const WEAK: f64 = 0.2;

/// Cosine of the angle between two drives from which they are in phase: 60 degrees.
const IN_PHASE: f64 = 0.5;

/// Of what the stage before gives, the share below which nothing arrives: a pot that is turned down leaves a
/// thousandth, no divider or tone control that much less (common practice, no source).
const NEXT_TO_NOTHING: f64 = 0.003;

/// Share of the greatest swing of any anode below which a valve that gives the output has no drive: what comes by way of
/// supplies and of capacitances of valves is less (common practice, no source).
const DEAD: f64 = 0.001;

/// Swing of an anode for a volt of the generator from which a stage has a signal to give: any stage gains more, and
/// what a supply passes on is less (common practice, no source).
const SWINGS: f64 = 0.01;

/// Volts at the load over the drive of the output valves below which their currents cancel, a ratio: in opposition a
/// pair gives a hundredth at least, of the greatest step down there is.
const CANCELS: f64 = 0.003;

/// What is wrong with a drive.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Wrong {
    /// The halves of a push-pull winding are driven alike.
    InPhase,
    /// A valve gets next to nothing of the signal.
    NoDrive,
    /// A valve is driven against those in parallel with it.
    Against,
}

/// A valve or a pair that is not driven as it should be.
#[derive(Clone, Debug)]
pub(crate) struct Fault {
    /// What it is.
    pub(crate) wrong: Wrong,
    /// The valves, then the parts their grids hang on.
    pub(crate) parts: Vec<PartId>,
    /// Valves that bring it about where they do not work: itself, its like, and the one before.
    pub(crate) beside: Vec<PartId>,
    /// In words.
    pub(crate) what: String,
    /// What to look at.
    pub(crate) look: String,
    /// Volts between grid and cathode over those of its like, or of the stage before; none of a pair in phase.
    pub(crate) share: Option<f64>,
    /// Whether next to nothing reaches the load for it.
    pub(crate) silent: bool,
}

/// A valve with a grid and what arrives there for a volt of the generator.
#[derive(Clone, Debug)]
struct Driven {
    part: PartId,
    name: String,
    grid: NodeId,
    /// Between grid and cathode.
    volts: Complex<f64>,
    /// At the grid, without sign.
    at_grid: f64,
    /// At the anode, without sign.
    swing: f64,
}

impl Driven {
    /// A grid that is held drives as well as one that swings.
    fn any(&self) -> f64 {
        self.volts.norm().max(self.at_grid)
    }
}

/// Where a grid gets its signal from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Origin {
    Electrode(PartId, &'static str),
    Winding(PartId),
    Generator,
}

/// The way back from a grid.
#[derive(Clone, Debug)]
struct Way {
    /// The parts on it, from the grid.
    parts: Vec<PartId>,
    /// Where it ends, and the node; none where nothing but leaks hang there.
    from: Option<(Origin, NodeId)>,
}

impl Way {
    /// The valve it leads to.
    fn valve(&self) -> Option<PartId> {
        match self.from?.0 {
            Origin::Electrode(part, _) => Some(part),
            Origin::Winding(_) | Origin::Generator => None,
        }
    }
}

struct Drives<'a> {
    circuit: &'a Circuit,
    graph: Graph<'a>,
    linear: SmallSignal<'a>,
    x: Vec<Complex<f64>>,
    valves: Vec<Driven>,
}

/// All that is wrong, the output first.
///
/// # Errors
/// Those of the linearised circuit.
pub(crate) fn faults(of: &UnderTest<'_>) -> Result<Vec<Fault>, SimError> {
    let bench = &of.amplifier.bench;
    let mut linear = of.linearised();
    linear.tune(bench.frequency)?;
    let x = linear.response(Excitation::Source(bench.generator))?;
    let mut drives = Drives {
        circuit: of.circuit,
        graph: Graph::of(of.circuit, bench.generator),
        linear,
        x,
        valves: Vec::new(),
    };
    drives.valves = ValveProbe::all(of.circuit, of.system)
        .iter()
        .filter_map(|probe| drives.driven(probe))
        .collect();
    let load = bench.load_nodes;
    let mut found = drives.pairs(load);
    found.extend(drives.dead(bench.load, load));
    found.extend(drives.attenuated());
    // Where the output says it, what stands before it says it again.
    let mut told: Vec<PartId> = Vec::new();
    found.retain(|fault| {
        let new = !told.contains(&fault.parts[0]);
        told.push(fault.parts[0]);
        new
    });
    Ok(found)
}

impl Drives<'_> {
    fn at(&self, a: NodeId, b: NodeId) -> Complex<f64> {
        self.linear.voltage(&self.x, a, b)
    }

    fn norm(&self, node: NodeId) -> f64 {
        self.at(node, NodeId::CHASSIS).norm()
    }

    fn driven(&self, probe: &ValveProbe) -> Option<Driven> {
        let wiring = self.circuit.part(probe.part).wiring()?;
        let grid = wiring.grid?;
        let cathode = wiring.cathode;
        let ends = [*cathode.first()?, *cathode.last()?];
        let volts = 0.5 * (self.at(grid, ends[0]) + self.at(grid, ends[1]));
        Some(Driven {
            part: probe.part,
            name: probe.name.clone(),
            grid,
            volts,
            at_grid: self.norm(grid),
            swing: self.norm(wiring.anodes[0]),
        })
    }

    fn of_part(&self, part: PartId) -> Option<&Driven> {
        self.valves.iter().find(|valve| valve.part == part)
    }

    /// Pairs that are driven alike or on one side only.
    fn pairs(&self, load: (NodeId, NodeId)) -> Vec<Fault> {
        let mut found = Vec::new();
        let mut seen: Vec<PartId> = Vec::new();
        for winding in push_pulls(&self.graph) {
            let mut halves = winding.halves.map(|half| {
                let valves = half.valves.iter().filter_map(|&part| self.of_part(part));
                valves.collect::<Vec<_>>()
            });
            halves.sort_by_key(|half| half.first().map(|valve| valve.part));
            if halves.iter().any(Vec::is_empty) {
                continue;
            }
            seen.extend(halves.iter().flatten().map(|valve| valve.part));
            let mean = |half: &[&Driven]| {
                let sum: Complex<f64> = half.iter().map(|valve| valve.volts).sum();
                sum / half.len() as f64
            };
            let volts = [mean(&halves[0]), mean(&halves[1])];
            let greatest = volts[0].norm().max(volts[1].norm());
            if greatest < DEAD * self.swing_besides(&seen) {
                continue;
            }
            let [first, second] = &halves;
            let odd = self.odd(first, second).or_else(|| self.odd(second, first));
            if let Some(fault) = odd {
                found.push(fault);
            } else if let Some(fault) = self.weak([first[0], second[0]], volts) {
                found.push(fault);
            } else if in_phase(volts) {
                let at_load = self.at(load.0, load.1).norm();
                found.push(Fault {
                    silent: at_load < CANCELS * greatest,
                    ..self.alike(&halves, winding.transformer)
                });
            }
        }
        for mirror in mirrors(&self.graph) {
            for (p, q) in mirror.parts {
                if let (Some(p), Some(q)) = (self.of_part(p), self.of_part(q))
                    && !seen.contains(&p.part)
                {
                    found.extend(self.weak([p, q], [p.volts, q.volts]));
                }
            }
        }
        found
    }

    /// The one of several valves of a half whose drive is not that of its fellows, where theirs is opposed to that of the
    /// other half.
    fn odd(&self, half: &[&Driven], other: &[&Driven]) -> Option<Fault> {
        /// Share of the drive of the other half, turned round, that a valve driven rightly has (common practice, no
        /// source): a half driven through a common cathode resistor alone has about half.
        const DRIVEN: f64 = 0.4;
        let all = |valves: &[&Driven]| -> Complex<f64> { valves.iter().map(|of| of.volts).sum() };
        let wanted = -all(other) / other.len() as f64;
        let alike = other.iter().all(|of| in_phase([of.volts, -wanted]));
        if !alike {
            return None;
        }
        let share = |of: &Driven| (of.volts * wanted.conj()).re / wanted.norm_sqr();
        let (right, wrong): (Vec<&Driven>, Vec<&Driven>) =
            half.iter().partition(|of| share(of) >= DRIVEN);
        let [odd] = wrong[..] else {
            return None;
        };
        let fellow = *right.first()?;
        let of_fellow = share(odd) / share(fellow);
        if of_fellow >= WEAK {
            return None;
        }
        let against = of_fellow <= -WEAK;
        let way = self.way(odd.grid, Some(odd.part));
        let right_way = self.way(fellow.grid, Some(fellow.part));
        let what = if against {
            format!(
                "{} is driven against {}, which works in parallel with it: {}",
                odd.name, fellow.name, "its grid swings as those of the other half do."
            )
        } else {
            format!(
                "{} gets next to nothing of the signal between grid and cathode, {:.1} % of what {} has, which works in parallel with it.",
                odd.name,
                100.0 * odd.volts.norm() / fellow.volts.norm(),
                fellow.name
            )
        };
        Some(Fault {
            wrong: if against {
                Wrong::Against
            } else {
                Wrong::NoDrive
            },
            parts: self.about(odd, &way),
            beside: way.valve().into_iter().chain([odd.part]).collect(),
            what: format!(
                "{what} {}. {}.",
                self.hangs(odd, &way),
                self.hangs(fellow, &right_way)
            ),
            look: self.look(odd, &way),
            share: Some(of_fellow),
            silent: false,
        })
    }

    /// The greatest swing at the anode of any other valve, for a volt of the generator.
    fn swing_besides(&self, valves: &[PartId]) -> f64 {
        let others = self.valves.iter();
        let others = others.filter(|valve| !valves.contains(&valve.part));
        others.map(|valve| valve.swing).fold(0.0, f64::max)
    }

    /// The halves of a winding driven alike.
    fn alike(&self, halves: &[Vec<&Driven>; 2], transformer: PartId) -> Fault {
        let all = |valves: &[&Driven]| {
            let names: Vec<&str> = valves.iter().map(|valve| valve.name.as_str()).collect();
            names.join(", ")
        };
        let [first, second] = halves;
        let name = &self.circuit.part(transformer).name;
        let mut what = vec![format!(
            "{} and {} are driven in phase: their currents cancel in {name}.",
            all(first),
            all(second)
        )];
        let mut pair = [first[0], second[0]];
        let mut parts: Vec<PartId> = first.iter().chain(second).map(|of| of.part).collect();
        while let Some(before) = self.before(pair)
            && in_phase(before.map(|valve| valve.volts))
        {
            what.push(format!(
                "So are {} and {} before them.",
                before[0].name, before[1].name
            ));
            pair = before;
            parts.extend(pair.iter().map(|valve| valve.part));
        }
        let ways = pair.map(|valve| self.way(valve.grid, Some(valve.part)));
        for (valve, way) in pair.iter().zip(&ways) {
            what.push(format!("{}.", self.hangs(valve, way)));
        }
        let hung: Vec<PartId> = ways.iter().flat_map(|way| way.parts.clone()).collect();
        let look = if hung.is_empty() {
            format!(
                "where the grids of {} and {} belong",
                pair[0].name, pair[1].name
            )
        } else {
            format!(
                "{}: one of the two grids belongs to the other output of what drives them",
                self.names(&hung)
            )
        };
        parts.extend(hung);
        Fault {
            wrong: Wrong::InPhase,
            parts,
            beside: Vec::new(),
            what: what.join(" "),
            look,
            share: None,
            silent: true,
        }
    }

    /// The valves that drive a pair, where each has its own and both drive alike.
    fn before(&self, pair: [&Driven; 2]) -> Option<[&Driven; 2]> {
        let from = pair.map(|valve| self.way(valve.grid, Some(valve.part)).from);
        let [
            Some((Origin::Electrode(p, at_p), _)),
            Some((Origin::Electrode(q, at_q), _)),
        ] = from
        else {
            return None;
        };
        let before = [self.of_part(p)?, self.of_part(q)?];
        let new = before
            .iter()
            .all(|of| pair.iter().all(|it| it.part != of.part));
        (p != q && at_p == at_q && new).then_some(before)
    }

    /// The one of a pair that gets next to nothing.
    fn weak<'s>(&'s self, mut pair: [&'s Driven; 2], volts: [Complex<f64>; 2]) -> Option<Fault> {
        let share = |[a, b]: [Complex<f64>; 2]| a.norm() / b.norm();
        let mut at = volts;
        if at[0].norm() > at[1].norm() {
            pair.swap(0, 1);
            at.swap(0, 1);
        }
        if at[1].norm() < f64::MIN_POSITIVE || share(at) >= WEAK {
            return None;
        }
        while let Some(before) = self.before(pair) {
            let volts = before.map(|valve| valve.volts);
            if volts[1].norm() < f64::MIN_POSITIVE || share(volts) >= WEAK {
                break;
            }
            (pair, at) = (before, volts);
        }
        let [weak, strong] = pair;
        let way = self.way(weak.grid, Some(weak.part));
        Some(Fault {
            wrong: Wrong::NoDrive,
            parts: self.about(weak, &way),
            beside: way
                .valve()
                .into_iter()
                .chain([weak.part, strong.part])
                .collect(),
            what: format!(
                "{} gets next to nothing of the signal between grid and cathode, {:.1} % of what {} has, its like in the other half. {}.",
                weak.name,
                100.0 * share(at),
                strong.name,
                self.hangs(weak, &way)
            ),
            look: self.look(weak, &way),
            share: Some(share(at)),
            silent: false,
        })
    }

    /// The valve at which the signal ends on its way to the output, where next to none arrives there.
    fn dead(&self, load: PartId, nodes: (NodeId, NodeId)) -> Option<Fault> {
        let at_load =
            |node: &NodeId| *node != NodeId::CHASSIS && (*node == nodes.0 || *node == nodes.1);
        let iron: Vec<NodeId> = self
            .circuit
            .parts()
            .filter(|(_, placed)| {
                placed.part.transformer().is_some() && placed.nodes.iter().any(at_load)
            })
            .flat_map(|(_, placed)| placed.nodes.clone())
            .filter(|&node| !self.graph.is_rail(node))
            .collect();
        let works = |valve: &&Driven| {
            let wiring = self.circuit.part(valve.part).wiring();
            wiring.is_some_and(|of| {
                let mut own = of.anodes.iter().chain(of.cathode);
                own.any(|node| iron.contains(node))
            })
        };
        let mut outputs: Vec<&Driven> = self.valves.iter().filter(works).collect();
        if outputs.is_empty() {
            let live = [nodes.0, nodes.1]
                .into_iter()
                .find(|node| *node != NodeId::CHASSIS)?;
            let from = self.way(live, Some(load)).from;
            if let Some((Origin::Electrode(part, _), _)) = from {
                outputs.extend(self.of_part(part));
            }
        }
        let own: Vec<PartId> = outputs.iter().map(|valve| valve.part).collect();
        let least = DEAD * self.swing_besides(&own);
        let dead = |valve: &Driven| valve.any() < least;
        if outputs.is_empty() || !outputs.iter().all(|valve| dead(valve)) {
            return None;
        }
        let mut valve = outputs[0];
        let mut way = self.way(valve.grid, Some(valve.part));
        let mut passed = vec![valve.part];
        while let Some((Origin::Electrode(part, _), _)) = way.from
            && let Some(before) = self.of_part(part)
            && dead(before)
            && !passed.contains(&part)
        {
            valve = before;
            passed.push(part);
            way = self.way(valve.grid, Some(valve.part));
        }
        Some(Fault {
            wrong: Wrong::NoDrive,
            parts: self.about(valve, &way),
            beside: way.valve().into_iter().chain(passed).collect(),
            what: format!(
                "No signal reaches the grid of {}, and none the output. {}.",
                valve.name,
                self.hangs(valve, &way)
            ),
            look: self.look(valve, &way),
            share: None,
            silent: true,
        })
    }

    /// Valves of whose signal next to nothing is left on the way from the stage before.
    fn attenuated(&self) -> Vec<Fault> {
        let fault = |valve: &Driven| {
            let way = self.way(valve.grid, Some(valve.part));
            let Some((Origin::Electrode(before, role), node)) = way.from else {
                return None;
            };
            let given = self.norm(node);
            let share = valve.any() / given;
            if given < SWINGS || share >= NEXT_TO_NOTHING || way.parts.is_empty() {
                return None;
            }
            // What hangs at the grid beside the way may hold it, or bring the opposite.
            let mut around = way.parts.clone();
            let beside = self.at_node(valve.grid);
            around.extend(beside.iter().filter(|part| !way.parts.contains(part)));
            Some(Fault {
                wrong: Wrong::NoDrive,
                parts: self.about(valve, &way),
                beside: vec![valve.part, before],
                what: format!(
                    "Next to nothing of the signal reaches the grid of {} at `{}`: {:.2} % of what the {role} of {} gives comes through {}.",
                    valve.name,
                    self.circuit.node_name(valve.grid),
                    100.0 * share,
                    self.circuit.part(before).name,
                    self.names(&way.parts)
                ),
                look: format!(
                    "{}; of a pot, which way round it is and its setting",
                    self.names(&around)
                ),
                share: Some(share),
                silent: false,
            })
        };
        self.valves.iter().filter_map(fault).collect()
    }

    /// A valve and the parts its grid hangs on.
    fn about(&self, valve: &Driven, way: &Way) -> Vec<PartId> {
        let hung = if way.from.is_some() {
            way.parts.clone()
        } else {
            self.hung(valve.grid)
        };
        std::iter::once(valve.part).chain(hung).collect()
    }

    fn look(&self, valve: &Driven, way: &Way) -> String {
        if way.from.is_some() && !way.parts.is_empty() {
            return format!("{}, and where each belongs", self.names(&way.parts));
        }
        let node = self.circuit.node_name(valve.grid);
        let look = format!("what should bring the signal to `{node}`");
        let mut astray = match way.from {
            Some(_) => Vec::new(),
            None => self.hung(valve.grid),
        };
        astray.retain(|part| self.circuit.part(*part).part.farads().is_some());
        if astray.is_empty() {
            look
        } else {
            format!("{look}: where {} should come from", self.names(&astray))
        }
    }

    /// What a grid hangs on, in words.
    fn hangs(&self, valve: &Driven, way: &Way) -> String {
        let node = self.circuit.node_name(valve.grid);
        let grid = format!("The grid of {} at `{node}`", valve.name);
        let Some((origin, at)) = way.from else {
            let hung = self.hung(valve.grid);
            let bring = if hung.len() > 1 {
                "hang, which bring"
            } else {
                "hangs, which brings"
            };
            return if hung.is_empty() {
                format!("{grid} hangs on no valve, winding or generator")
            } else {
                format!(
                    "At {}{} only {} {bring} no signal",
                    grid[..1].to_lowercase(),
                    &grid[1..],
                    self.names(&hung)
                )
            };
        };
        let at = self.circuit.node_name(at);
        let end = match origin {
            Origin::Electrode(part, role) => {
                format!("the {role} of {} at `{at}`", self.circuit.part(part).name)
            }
            Origin::Winding(part) => format!("{} at `{at}`", self.circuit.part(part).name),
            Origin::Generator => format!("the generator at `{at}`"),
        };
        if way.parts.is_empty() {
            format!("{grid} hangs on {end}")
        } else {
            format!("{grid} hangs on {end} by {}", self.names(&way.parts))
        }
    }

    /// Passive parts at a grid, and behind its stopper.
    fn hung(&self, grid: NodeId) -> Vec<PartId> {
        let mut parts = self.at_node(grid);
        if let [stopper] = parts[..]
            && self.circuit.part(stopper).part.ohms().is_some()
        {
            let behind = self.beyond(stopper, grid).into_iter();
            let behind =
                behind.filter(|&node| node != NodeId::CHASSIS && !self.graph.is_rail(node));
            for part in behind.flat_map(|node| self.at_node(node)) {
                if !parts.contains(&part) {
                    parts.push(part);
                }
            }
        }
        parts
    }

    /// Passive parts at a node.
    fn at_node(&self, node: NodeId) -> Vec<PartId> {
        let at = self.graph.at(node).iter();
        let mut parts: Vec<PartId> = at
            .filter(|terminal| self.circuit.part(terminal.part).part.is_passive())
            .map(|terminal| terminal.part)
            .collect();
        parts.dedup();
        parts
    }

    fn names(&self, parts: &[PartId]) -> String {
        let names: Vec<&str> = parts
            .iter()
            .map(|part| self.circuit.part(*part).name.as_str())
            .collect();
        names.join(", ")
    }

    /// The way back from a node through what passes a signal, by the fewest parts; of ways of as many the one to the
    /// greatest swing. Where no signal is, it ends.
    fn way(&self, start: NodeId, own: Option<PartId>) -> Way {
        // A leak that ends at the cathode of its own valve brings nothing.
        let wiring = own.and_then(|part| self.circuit.part(part).wiring());
        let mut seen = wiring.map_or_else(Vec::new, |wiring| wiring.cathode.to_vec());
        seen.push(start);
        let mut ring: Vec<(NodeId, Vec<PartId>)> = vec![(start, Vec::new())];
        while !ring.is_empty() {
            let reached = ring.iter().filter_map(|(node, parts)| {
                let origin = self.origin(*node, own)?;
                Some((origin, *node, parts))
            });
            let best = reached.max_by(|a, b| self.norm(a.1).total_cmp(&self.norm(b.1)));
            if let Some((origin, node, parts)) = best {
                return Way {
                    parts: parts.clone(),
                    from: Some((origin, node)),
                };
            }
            let mut next = Vec::new();
            for (node, parts) in &ring {
                for terminal in self.graph.at(*node) {
                    if own == Some(terminal.part) {
                        continue;
                    }
                    for far in self.beyond(terminal.part, *node) {
                        if !seen.contains(&far) && !self.graph.is_rail(far) {
                            seen.push(far);
                            let mut parts = parts.clone();
                            parts.push(terminal.part);
                            next.push((far, parts));
                        }
                    }
                }
            }
            ring = next;
        }
        Way {
            parts: Vec::new(),
            from: None,
        }
    }

    /// What gives a signal at a node.
    fn origin(&self, node: NodeId, own: Option<PartId>) -> Option<Origin> {
        let at = self.graph.at(node).iter();
        let at = at.filter(|terminal| Some(terminal.part) != own);
        let origins = at.filter_map(|terminal| match terminal.label {
            ("valve", role @ ("anode" | "cathode")) => Some(Origin::Electrode(terminal.part, role)),
            ("winding", _) => Some(Origin::Winding(terminal.part)),
            ("generator", _) => Some(Origin::Generator),
            _ => None,
        });
        origins.min_by_key(|origin| match origin {
            Origin::Electrode(_, "anode") => 0,
            Origin::Electrode(..) => 1,
            Origin::Winding(_) => 2,
            Origin::Generator => 3,
        })
    }

    /// Nodes to which a part passes the signal of a node.
    fn beyond(&self, part: PartId, node: NodeId) -> Vec<NodeId> {
        let placed = self.circuit.part(part);
        let pairs = match &placed.part {
            Part::Capacitor(_) => vec![(placed.nodes[0], placed.nodes[1])],
            Part::Resistor(_) | Part::Inductor(_) | Part::Pot(_) | Part::Switch(_) => {
                placed.part.dc_paths(&placed.nodes)
            }
            Part::Transformer(_)
            | Part::Valve(_)
            | Part::Device(_)
            | Part::Diodes(_)
            | Part::Source(_)
            | Part::Loudspeaker(_) => Vec::new(),
        };
        let far = |(a, b): (NodeId, NodeId)| {
            let far = if a == node { b } else { a };
            (a == node || b == node).then_some(far)
        };
        pairs.into_iter().filter_map(far).collect()
    }
}

fn in_phase([a, b]: [Complex<f64>; 2]) -> bool {
    (a * b.conj()).re > IN_PHASE * a.norm() * b.norm()
}
