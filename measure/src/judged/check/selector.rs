//! Positions of switches that short a winding or a supply, each tried without solving.

use super::{Code, Finding, Weight};
use sim::amplifier::Amplifier;
use sim::circuit::{Circuit, NodeId, PartId};
use sim::parts::Part;

/// Resistance that counts as a short across a winding, Ω: a tenth of the lowest load a loudspeaker winding
/// is made for (common practice, no source).
const SHORT: f64 = 0.2;

/// Sections that turn together: S1a, S1b, …; or one switch.
fn gangs(circuit: &Circuit) -> Vec<(String, Vec<PartId>)> {
    let mut gangs: Vec<(String, Vec<PartId>)> = Vec::new();
    for (part, placed) in circuit.parts() {
        if !matches!(placed.part, Part::Switch(_)) {
            continue;
        }
        let stem = placed
            .name
            .strip_suffix(|letter: char| letter.is_ascii_lowercase())
            .unwrap_or(&placed.name);
        match gangs.iter_mut().find(|(name, _)| name == stem) {
            Some((_, sections)) => sections.push(part),
            None => gangs.push((stem.to_owned(), vec![part])),
        }
    }
    gangs
}

pub(super) fn findings(amplifier: &Amplifier) -> Vec<Finding> {
    let circuit = &amplifier.circuit;
    let mut found: Vec<Finding> = Vec::new();
    for (gang, sections) in gangs(circuit) {
        let contacts = |part: PartId| circuit.part(part).nodes.len() - 1;
        let most = sections
            .iter()
            .map(|&part| contacts(part))
            .max()
            .unwrap_or(0);
        for contact in 0..most {
            let mut turned = circuit.clone();
            for &section in &sections {
                let closed = (contact < contacts(section)).then_some(contact);
                if let Part::Switch(switch) = &mut turned.part_mut(section).part {
                    switch.closed = closed;
                }
            }
            let names = amplifier.positions.get(&circuit.part(sections[0]).name);
            let position = names.filter(|names| names.len() == most).map_or_else(
                || format!("contact {}", contact + 1),
                |names| format!("`{}`", names[contact]),
            );
            for (part, what) in shorts(&turned) {
                // What is shorted in every position has nothing to do with the switch.
                let always = shorts(&opened(&turned, &sections));
                if always
                    .iter()
                    .any(|known| known.0 == part && known.1 == what)
                {
                    continue;
                }
                let mut parts = vec![circuit.part(part).name.clone()];
                parts.extend(
                    sections
                        .iter()
                        .map(|&section| circuit.part(section).name.clone()),
                );
                found.push(Finding {
                    parts,
                    ..Finding::new(
                        Code::SwitchShorts,
                        Weight::Danger,
                        format!("{gang} at {position} shorts {what}."),
                        "A shorted winding or supply burns out what feeds it.",
                        format!("the contacts of {gang}, and whether they make before they break"),
                    )
                });
            }
        }
    }
    found
}

fn opened(circuit: &Circuit, sections: &[PartId]) -> Circuit {
    let mut opened = circuit.clone();
    for &section in sections {
        if let Part::Switch(switch) = &mut opened.part_mut(section).part {
            switch.closed = None;
        }
    }
    opened
}

/// Which nodes are one, joined by closed contacts and by resistances that count as none.
pub(super) struct Joined {
    root: Vec<usize>,
}

impl Joined {
    pub(super) fn of(circuit: &Circuit) -> Self {
        let mut joined = Self {
            root: (0..circuit.node_count()).collect(),
        };
        for (_, placed) in circuit.parts() {
            let ends = match &placed.part {
                Part::Resistor(resistor) if resistor.r <= SHORT => Some((0, 1)),
                Part::Switch(switch) => switch.closed.map(|contact| (0, contact + 1)),
                Part::Resistor(_)
                | Part::Capacitor(_)
                | Part::Inductor(_)
                | Part::Transformer(_)
                | Part::Valve(_)
                | Part::Device(_)
                | Part::Diodes(_)
                | Part::Source(_)
                | Part::Pot(_)
                | Part::Loudspeaker(_) => None,
            };
            if let Some((a, b)) = ends {
                let (a, b) = (joined.find(placed.nodes[a]), joined.find(placed.nodes[b]));
                joined.root[a.max(b)] = a.min(b);
            }
        }
        joined
    }

    fn find(&self, node: NodeId) -> usize {
        let mut k = node.index();
        while self.root[k] != k {
            k = self.root[k];
        }
        k
    }

    /// Whether two nodes are one.
    pub(super) fn same(&self, a: NodeId, b: NodeId) -> bool {
        self.find(a) == self.find(b)
    }
}

/// Windings and supplies whose ends are joined.
fn shorts(circuit: &Circuit) -> Vec<(PartId, String)> {
    let joined = Joined::of(circuit);
    let mut found = Vec::new();
    for (part, placed) in circuit.parts() {
        let same = |a: NodeId, b: NodeId| a != b && joined.same(a, b);
        if let Some(transformer) = placed.part.transformer() {
            let ends = placed.nodes.chunks_exact(2);
            for (winding, ends) in transformer.windings.iter().zip(ends) {
                if same(ends[0], ends[1]) {
                    found.push((part, format!("the {} of {}", winding.name, placed.name)));
                }
            }
        }
        if placed.part.source().is_some() && same(placed.nodes[0], placed.nodes[1]) {
            found.push((part, format!("the supply {}", placed.name)));
        }
    }
    found
}
