//! What a rectifier is fed by: volts off load and resistance in each anode.
//!
//! ```text
//! R_t = R + R_s + n² (R_p + R_m),   U = n U_m,   n = n_s/n_p
//! ```
//!
//! Symbols   R resistors between winding and anode;  R_s the winding in use, half of a winding with a
//!           centre tap;  R_p primary;  R_m the mains itself, ohm;  U_m mains volts
//! Source    supply resistance per anode as rectifier sheets define it, from memory

use models::data::{Filter, ValveType};

use super::points::Junction;
use sim::circuit::{Circuit, NodeId, PartId};
use sim::parts::{Part, Transformer};

/// What feeds an anode.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Feed {
    /// Resistance in the anode, Ω.
    pub(super) ohms: f64,
    /// Off load, V rms.
    pub(super) volts: f64,
}

/// What feeds a rectifying path; none when it is no winding or alternating supply. `others` are the
/// alternating nodes of the other paths of the part.
pub(super) fn feed(
    circuit: &Circuit,
    mains: PartId,
    junction: &Junction,
    others: &[NodeId],
) -> Option<Feed> {
    let mut ends = std::iter::once(junction.anode).chain(junction.cathode.iter().copied());
    ends.find_map(|end| from(circuit, mains, end, others))
}

fn from(circuit: &Circuit, mains: PartId, end: NodeId, others: &[NodeId]) -> Option<Feed> {
    let mut node = end;
    let mut ohms = 0.0;
    let mut passed: Option<PartId> = None;
    loop {
        if node == NodeId::CHASSIS {
            return None;
        }
        let here: Vec<_> = circuit
            .parts()
            .filter(|(_, placed)| placed.nodes.contains(&node))
            .collect();
        for (id, placed) in &here {
            if let Some(transformer) = placed.part.transformer() {
                let mut feed = winding(
                    circuit,
                    mains,
                    (*id, transformer),
                    &placed.nodes,
                    node,
                    others,
                )?;
                feed.ohms += ohms;
                return Some(feed);
            }
            if let Some(source) = placed.part.source()
                && source.waveform.alternates()
            {
                return Some(Feed {
                    ohms: ohms + source.resistance,
                    volts: source.waveform.alternating_rms(),
                });
            }
        }
        // One resistor leads on; more are a divider, which is no plain source.
        let others_here = here.iter().filter(|(id, _)| Some(*id) != passed);
        let mut resistors =
            others_here.filter_map(|(id, placed)| Some((*id, placed.part.ohms()?, placed)));
        let (id, r, placed) = resistors.next()?;
        if resistors.next().is_some() {
            return None;
        }
        ohms += r;
        passed = Some(id);
        node = if placed.nodes[0] == node {
            placed.nodes[1]
        } else {
            placed.nodes[0]
        };
    }
}

/// Follows sections of the winding from `node` to the other alternating node of a bridge, or else to the
/// first node where something other is joined: a centre tap, or the end.
fn winding(
    circuit: &Circuit,
    mains: PartId,
    (id, transformer): (PartId, &Transformer),
    nodes: &[NodeId],
    start: NodeId,
    others: &[NodeId],
) -> Option<Feed> {
    let primary = transformer.windings.first()?;
    let supply = circuit.part(mains).part.source()?;
    let (mains_ohms, mains_volts) = (supply.resistance, supply.waveform.alternating_rms());
    let walk = |first: usize| {
        let (mut node, mut at) = (start, first);
        let (mut turns, mut ohms) = (0.0, 0.0);
        let mut used = vec![];
        loop {
            let section = &transformer.windings[at];
            used.push(at);
            turns += section.turns;
            ohms += section.resistance;
            let ends = &nodes[2 * at..2 * at + 2];
            node = if ends[0] == node { ends[1] } else { ends[0] };
            let on = (1..transformer.windings.len())
                .find(|k| !used.contains(k) && nodes[2 * k..2 * k + 2].contains(&node));
            let elsewhere = node == NodeId::CHASSIS
                || circuit.parts().any(|(other, placed)| {
                    other != id
                        && placed.nodes.contains(&node)
                        && !matches!(placed.part, Part::Capacitor(_))
                });
            match on {
                Some(next) if others.is_empty() && !elsewhere => at = next,
                Some(next) if !others.is_empty() && !others.contains(&node) => at = next,
                _ => return (turns, ohms, others.contains(&node)),
            }
        }
    };
    let sections: Vec<usize> = (1..transformer.windings.len())
        .filter(|k| nodes[2 * k..2 * k + 2].contains(&start))
        .collect();
    // Of two sections at one node, the one that leads to the bridge's other side.
    let walked: Vec<_> = sections.into_iter().map(walk).collect();
    let &(turns, ohms, _) = walked
        .iter()
        .find(|(.., arrives)| *arrives)
        .or(walked.first())?;
    let ratio = turns / primary.turns;
    Some(Feed {
        ohms: ohms + ratio * ratio * (primary.resistance + mains_ohms),
        volts: ratio * mains_volts,
    })
}

/// The resistance in each anode that the published operations with a reservoir have at these volts, Ω:
/// between two of them in proportion, outside them that of the nearest. None when none states it.
pub(super) fn least_ohms(kind: &ValveType, volts: f64) -> Option<f64> {
    let mut rows: Vec<(f64, f64)> = kind
        .operations
        .iter()
        .filter(|row| row.filter == Filter::Capacitor)
        .filter_map(|row| Some((row.volts_rms?, row.supply_ohms?)))
        .collect();
    rows.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    // Where copies of a sheet differ, the least is the least.
    rows.dedup_by(|later, first| later.0.to_bits() == first.0.to_bits());
    let above = rows.iter().position(|row| row.0 >= volts);
    match above {
        None => rows.last().map(|row| row.1),
        Some(0) => Some(rows[0].1),
        Some(k) => {
            let (low, high) = (rows[k - 1], rows[k]);
            Some(low.1 + (high.1 - low.1) * (volts - low.0) / (high.0 - low.0))
        }
    }
}
