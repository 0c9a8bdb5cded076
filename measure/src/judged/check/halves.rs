//! Parts that differ between the halves of a balanced amplifier, and parts that only one half has.

use super::balance::{Balance, balance, corrections};
use super::{Code, Finding, Halves, Pair, Weight};
use crate::UnderTest;
use sim::circuit::{NodeId, PartId};
use sim::parts::Part;
use sim::structure::difference;
use sim::structure::graph::Graph;
use sim::structure::mirror::{Mirror, mirrors};

/// Share by which the loads of a pair driven on one side may differ on purpose (common practice, no
/// source): the driven half gains a little more, and a smaller load takes it back.
pub(super) const TRIMMED: f64 = 1.25;

/// Share of the volts by which the supplies of two halves differ at least that are not meant for each other: two that
/// are made alike come closer (common practice, no source).
const SUPPLIES_APART: f64 = 0.05;

/// The larger value over the smaller.
pub(super) const RATIO: &str = "ratio of the values";

/// The halves of each output stage, and what differs in them.
/// Without a rest no balance is told.
pub(super) fn findings(
    of: Option<&UnderTest<'_>>,
    graph: &Graph<'_>,
) -> (Vec<Halves>, Vec<Finding>) {
    let mut found = Vec::new();
    let mut told: Vec<PartId> = Vec::new();
    let mut halves = Vec::new();
    let name = |part: PartId| graph.circuit.part(part).name.clone();
    for mirror in mirrors(graph) {
        halves.push(Halves {
            output: mirror.output.map(name),
            pairs: mirror
                .parts
                .iter()
                .map(|&(p, q)| Pair {
                    part: name(p),
                    like: name(q),
                })
                .collect(),
        });
        let mut drawn: Option<Option<Balance>> = None;
        for &(p, q) in &mirror.parts {
            if mirror.is_untold(p) || mirror.feeds_one_side(graph, p) || told.contains(&p) {
                continue;
            }
            if let Some(finding) = of.and_then(|of| elsewhere(of, graph, &mirror, [p, q])) {
                told.push(p);
                found.push(finding);
                continue;
            }
            let Some(mut finding) = differ(graph, &mirror, p, q) else {
                continue;
            };
            told.push(p);
            if let Some(of) = of {
                let as_drawn = drawn.get_or_insert_with(|| balance(of, mirror.output).ok());
                finding.drawn.clone_from(as_drawn);
                finding.corrections = corrections(of, &mirror, (p, q));
            }
            found.push(finding);
        }
        for (part, at) in &mirror.alone {
            if told.contains(part) {
                continue;
            }
            told.push(*part);
            let [a, b] = at.map(|node| graph.circuit.node_name(node).to_owned());
            let placed = graph.circuit.part(*part);
            found.push(Finding {
                parts: vec![placed.name.clone()],
                ..Finding::new(
                    Code::OneHalfOnly,
                    Weight::Doubtful,
                    format!(
                        "{}, a {} of {}, stands in one half only: nothing joins `{a}` and `{b}` in the other.",
                        placed.name,
                        placed.part.words(),
                        difference::words(&placed.part)
                    ),
                    "Everything around it is the same in both halves, so a part was left out of one or put into the other.",
                    format!("the drawing between `{a}` and `{b}`"),
                )
            });
        }
    }
    (halves, found)
}

/// The other ends of two parts that answer each other, where they hang on supplies of different volts.
pub(super) fn apart(
    of: &UnderTest<'_>,
    graph: &Graph<'_>,
    mirror: &Mirror,
    [p, q]: [PartId; 2],
) -> Option<[NodeId; 2]> {
    let part = &graph.circuit.part(p).part;
    let passes = matches!(
        part,
        Part::Resistor(_) | Part::Inductor(_) | Part::Capacitor(_)
    );
    // Where the pair itself is no pair of equals, its leaks and loads need not be.
    let equals = mirror.splitter_of(graph, p).is_none()
        && !mirror.is_untold(p)
        && ![p, q]
            .iter()
            .any(|&part| mirror.stands_at_one_sided_grid(graph, part));
    let ends = mirror
        .rails_apart(graph, p, q)
        .filter(|_| passes && equals)?;
    let volts = ends.map(|node| {
        let place = of.system.voltage_of(node) as usize;
        of.rest.mean(|x| x[place])
    });
    let greatest = volts[0].abs().max(volts[1].abs());
    ((volts[0] - volts[1]).abs() > SUPPLIES_APART * greatest).then_some(ends)
}

/// Where a part ends, and where its like does.
pub(super) fn ends_elsewhere(
    graph: &Graph<'_>,
    parts: [PartId; 2],
    ends: [NodeId; 2],
) -> (Vec<String>, String) {
    let [p, q] = parts.map(|part| graph.circuit.part(part).name.clone());
    let [a, b] = ends.map(|node| graph.circuit.node_name(node));
    let what = format!("{p} ends at `{a}`, and {q}, its like in the other half, at `{b}`");
    (vec![p, q], what)
}

fn elsewhere(
    of: &UnderTest<'_>,
    graph: &Graph<'_>,
    mirror: &Mirror,
    parts: [PartId; 2],
) -> Option<Finding> {
    let ends = apart(of, graph, mirror, parts)?;
    let (names, what) = ends_elsewhere(graph, parts, ends);
    let look = format!(
        "where {} and {} end in another print, or on the chassis",
        names[0], names[1]
    );
    Some(Finding {
        parts: names,
        ..Finding::new(
            Code::HalvesDiffer,
            Weight::ProbableMisprint,
            format!("{what}."),
            "Both halves of a balanced stage hang on one supply, or on two of the same volts.",
            look,
        )
    })
}

fn differ(graph: &Graph<'_>, mirror: &Mirror, p: PartId, q: PartId) -> Option<Finding> {
    let (first, second) = (graph.circuit.part(p), graph.circuit.part(q));
    let difference = difference::of(&first.part, &second.part)?;
    let [a, b] = &difference.words;
    let parts = vec![first.name.clone(), second.name.clone()];
    let (p_name, q_name) = (&first.name, &second.name);
    let what = format!("{p_name} is {a} and {q_name}, its like in the other half, {b}");
    let trimmed = difference.ratio.is_some_and(|ratio| ratio <= TRIMMED);
    if trimmed && mirror.trims(graph, p) {
        return Some(Finding {
            parts,
            quantity: RATIO,
            value: difference.ratio,
            ..Finding::new(
                Code::UnequalLoads,
                Weight::Remark,
                format!("{what}."),
                "Common practice: a pair driven on one side has loads a little unequal, to make up for the half that is driven through the common cathode.",
                "the balance of the output pair on the bench",
            )
        });
    }
    let place = mirror.splitter_of(graph, p).map_or_else(
        || "Both halves of a balanced stage carry the same values".to_owned(),
        |valve| {
            format!(
                "{} splits the phase between anode and cathode, which needs the same load at both",
                graph.circuit.part(valve).name
            )
        },
    );
    let slip = if difference.is_a_decade() {
        ", and a decade between them is the commonest misprint"
    } else {
        ""
    };
    let look = if first.part.valve().is_some() {
        "the type in each socket and on the drawing".to_owned()
    } else {
        format!("the value of {p_name} and of {q_name} in another print, or on the chassis")
    };
    Some(Finding {
        parts,
        quantity: RATIO,
        value: difference.ratio,
        ..Finding::new(
            Code::HalvesDiffer,
            Weight::ProbableMisprint,
            format!("{what}."),
            format!("{place}{slip}."),
            look,
        )
    })
}
