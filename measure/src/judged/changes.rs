//! What differs between two parts lists.
//!
//! Parts are matched by designator. A part whose wires end at the same nodes, and which is the same kind of
//! part, goes into the same holes: only its value is another. A valve needs the same base besides. Everything
//! else is new wiring.

use serde::Serialize;

use sim::amplifier::Amplifier;
use sim::circuit::{Circuit, PartId, Placed};
use sim::parts::{Part, Source, Waveform};
use sim::quantity::{Unit, engineering};

/// How a part differs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum ChangeKind {
    /// Another value or type in the same holes.
    Value,
    /// Joined to other nodes, or another kind of part.
    Rewired,
    /// There only in the second list.
    Added,
    /// There only in the first list.
    Removed,
}

/// A part that differs.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Change {
    /// Designator.
    pub part: String,
    /// How.
    pub kind: ChangeKind,
    /// What it was; none when added.
    pub was: Option<String>,
    /// What it is; none when removed.
    pub is: Option<String>,
}

/// Every part that differs, in the order of the first list, then of the second. The generator of the bench is
/// no part of an amplifier. Cost: the sum of both lists.
pub fn changes(first: &Amplifier, second: &Amplifier) -> Vec<Change> {
    let mut changes = Vec::new();
    for part in own_parts(first) {
        let was = Some(words(&first.circuit, part));
        let Some(other) = placed(second, &part.name) else {
            changes.push(Change {
                part: part.name.clone(),
                kind: ChangeKind::Removed,
                was,
                is: None,
            });
            continue;
        };
        let holes = same_holes((&first.circuit, part), (&second.circuit, other));
        if !holes || !same(part, other) {
            changes.push(Change {
                part: part.name.clone(),
                kind: if holes {
                    ChangeKind::Value
                } else {
                    ChangeKind::Rewired
                },
                was,
                is: Some(words(&second.circuit, other)),
            });
        }
    }
    for part in own_parts(second) {
        if placed(first, &part.name).is_none() {
            changes.push(Change {
                part: part.name.clone(),
                kind: ChangeKind::Added,
                was: None,
                is: Some(words(&second.circuit, part)),
            });
        }
    }
    changes
}

fn own_parts(amplifier: &Amplifier) -> impl Iterator<Item = &Placed> {
    let generator = amplifier.bench.generator;
    let own = move |(id, _): &(PartId, &Placed)| *id != generator;
    amplifier.circuit.parts().filter(own).map(|(_, part)| part)
}

fn placed<'a>(amplifier: &'a Amplifier, name: &str) -> Option<&'a Placed> {
    let id = amplifier.circuit.find_part(name)?;
    Some(amplifier.circuit.part(id))
}

/// Same value and ratings. The printed form of a part holds every one of its figures.
fn same(a: &Placed, b: &Placed) -> bool {
    format!("{:?} {:?}", a.part, a.ratings) == format!("{:?} {:?}", b.part, b.ratings)
}

fn same_holes((first, a): (&Circuit, &Placed), (second, b): (&Circuit, &Placed)) -> bool {
    let ends = a.nodes.len() == b.nodes.len()
        && a.nodes
            .iter()
            .zip(&b.nodes)
            .all(|(x, y)| first.node_name(*x) == second.node_name(*y));
    ends && if let (Some(a), Some(b)) = (a.part.valve(), b.part.valve()) {
        let pins = |base: &models::data::Base| (base.name.clone(), base.pins.clone());
        a.kind.name == b.kind.name
            || a.kind
                .base
                .as_ref()
                .zip(b.kind.base.as_ref())
                .is_some_and(|(a, b)| pins(a) == pins(b) && a.top_cap == b.top_cap)
    } else {
        a.part.words() == b.part.words()
    }
}

/// What a part is: its type or its value where one figure says it.
fn words(circuit: &Circuit, placed: &Placed) -> String {
    let kind = placed.part.words();
    let of = |value, unit| format!("{kind} {}", engineering(value, unit));
    match &placed.part {
        Part::Valve(valve) => {
            let name = valve.kind.name.clone();
            let own = (valve.current - 1.0).abs() > f64::EPSILON;
            let share = engineering(valve.current, Unit::Percent);
            if own {
                format!("{name} of {share} current")
            } else {
                name
            }
        }
        Part::Resistor(part) => of(part.r, Unit::Ohm),
        Part::Pot(part) => format!(
            "{}, wiper at {} of the track",
            of(part.r, Unit::Ohm),
            engineering(part.fraction, Unit::Percent)
        ),
        Part::Switch(switch) => match switch.closed.and_then(|at| placed.nodes.get(at + 1)) {
            Some(&node) => format!("{kind} to `{}`", circuit.node_name(node)),
            None => format!("{kind} open"),
        },
        Part::Capacitor(part) => of(part.c, Unit::Farad),
        Part::Source(Source {
            waveform: Waveform::Dc(volts),
            ..
        }) => of(*volts, Unit::Volt),
        Part::Inductor(_)
        | Part::Transformer(_)
        | Part::Device(_)
        | Part::Diodes(_)
        | Part::Source(_)
        | Part::Loudspeaker(_) => kind.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drawn;
    use crate::judged::figure::tests::STAGE;

    #[test]
    fn same_holes_and_new_wiring_are_told_apart() {
        let other = STAGE
            .replace("47k", "39k")
            .replace("6J5", "6C4")
            .replace(
                "R2 = { resistor = \"1k5\", between = [\"k\", \"chassis\"] }\n",
                "R4 = { resistor = \"1k5\", between = [\"k\", \"chassis\"] }\n",
            )
            .replace("[\"a\", \"out\"]", "[\"k\", \"out\"]");
        let weak = STAGE.replace("\"6J5\",", "\"6J5\", current = \"70%\",");
        let stage = |parts: &str, source: &str| drawn::amplifier(parts, ("g", source), "R3");
        let (first, second) = (stage(STAGE, "0R"), stage(&other, "600R"));
        let found: Vec<(String, ChangeKind)> = changes(&first, &second)
            .into_iter()
            .map(|change| (change.part, change.kind))
            .collect();
        let expected = [
            ("V1", ChangeKind::Rewired), // octal to noval or miniature
            ("R1", ChangeKind::Value),
            ("R2", ChangeKind::Removed),
            ("C1", ChangeKind::Rewired),
            ("R4", ChangeKind::Added),
        ];
        assert_eq!(found, expected.map(|(part, kind)| (part.to_owned(), kind)));
        assert!(changes(&first, &first).is_empty());
        assert_eq!(
            changes(&first, &second)[1].is.as_deref(),
            Some("resistor 39.0 kΩ")
        );
        let worn = changes(&first, &stage(&weak, "0R"));
        assert_eq!(worn[0].is.as_deref(), Some("6J5 of 70.0 % current"));
        assert_eq!((worn.len(), worn[0].kind), (1, ChangeKind::Value));
    }

    #[test]
    fn a_cap_on_top_is_a_hole_of_its_own() {
        // Two types that differ in their name alone go into one socket; not where one has its grid on top.
        let first = drawn::amplifier(STAGE, ("g", "0R"), "R3");
        let kind_with = |top_cap: Option<&str>| {
            let mut second = first.clone();
            let part = second.circuit.find_part("V1").unwrap();
            if let Part::Valve(valve) = &mut second.circuit.part_mut(part).part {
                valve.kind.name = "another".to_owned();
                let base = valve.kind.base.as_mut().unwrap();
                base.top_cap = top_cap.map(str::to_owned);
            }
            changes(&first, &second)[0].kind
        };
        assert_eq!(kind_with(None), ChangeKind::Value);
        assert_eq!(kind_with(Some("grid")), ChangeKind::Rewired);
    }
}
