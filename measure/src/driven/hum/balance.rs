//! Balanced stages: what cancels between two valves, and how much of it is left.
//!
//! ```text
//! CMR = |T_1 - T_2|/2 / |T_1 + T_2|,   T = Σ_e gm_e (y_k - y_e),   e anode and screen
//! ```
//!
//! Symbols   T  volts at the load for one volt in series with the grid of one valve, inside it;  gm_e  its
//!           mean slope of the current of electrode e by the grid, S;  y  volts at the load for one ampere
//!           into a node, Ω;  k cathode, or the middle of the filament
//! Source    a voltage in the lead of a grid that draws no current is gm times itself as a current of each
//!           electrode (Thévenin's theorem); difference and common parts, Blumlein's cathode-coupled pair
//!           (definitions, from memory)
//! Care      valves of one type are alike here: what is left is what the circuit leaves. The output stage's
//!           own mismatch is tried by full solves, see [`super::Mismatch`]

use models::ValveCurrents;
use serde::Serialize;

use crate::instruments::valve::ValveProbe;
use sim::circuit::{Circuit, NodeId, PartId};
use sim::parts::Part;
use sim::rest::Rest;
use sim::small_signal::Transfers;
use sim::system::System;

/// Rejection beyond which what is left is rounding, a ratio.
const PERFECT: f64 = 1e7;

/// Place of the grid among the slopes.
const GRID: usize = 2;

/// A balanced stage.
#[derive(Clone, Debug, Serialize)]
pub struct Balanced {
    /// Designators of both valves.
    pub valves: [String; 2],
    /// What makes them one stage.
    pub by: Coupling,
    /// Gain of a difference of their grids over that of both grids together, dB; none when nothing is
    /// left of the latter.
    pub rejection_db: Option<f64>,
}

/// What two valves share.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Coupling {
    /// A cathode node.
    Cathode,
    /// A transformer in whose winding they work against each other.
    Transformer,
}

/// Pairs of valves of one type that make a balanced stage.
pub(super) fn pairs(circuit: &Circuit) -> Vec<(PartId, PartId, Coupling)> {
    let valves: Vec<PartId> = circuit
        .parts()
        .filter(|(_, placed)| placed.wiring().is_some_and(|wiring| wiring.grid.is_some()))
        .map(|(part, _)| part)
        .collect();
    let mut found = Vec::new();
    for (k, &first) in valves.iter().enumerate() {
        for &second in &valves[k + 1..] {
            if let Some(coupling) = coupling(circuit, first, second) {
                found.push((first, second, coupling));
            }
        }
    }
    found
}

/// The pair whose anodes or cathodes work on the transformer of the load.
pub(crate) fn output_pair(circuit: &Circuit, load: (NodeId, NodeId)) -> Option<(PartId, PartId)> {
    let on_load = |node: &NodeId| *node != NodeId::CHASSIS && (*node == load.0 || *node == load.1);
    let iron = circuit.parts().find(|(_, placed)| {
        matches!(placed.part, Part::Transformer(_)) && placed.nodes.iter().any(on_load)
    })?;
    pairs(circuit)
        .into_iter()
        .find(|(first, _, coupling)| {
            *coupling == Coupling::Transformer
                && circuit
                    .part(*first)
                    .nodes
                    .iter()
                    .any(|node| *node != NodeId::CHASSIS && iron.1.nodes.contains(node))
        })
        .map(|(first, second, _)| (first, second))
}

fn coupling(circuit: &Circuit, first: PartId, second: PartId) -> Option<Coupling> {
    let places = |part: PartId| {
        let placed = circuit.part(part);
        Some((placed.part.valve()?, placed.wiring()?))
    };
    let ((one, a), (other, b)) = (places(first)?, places(second)?);
    if one.kind.name != other.kind.name || a.grid == b.grid || a.anodes == b.anodes {
        return None;
    }
    // The two ends of a winding that is cut in the middle: start of one section, finish of the next.
    let against = |p: NodeId, q: NodeId| {
        circuit.parts().any(|(_, placed)| {
            let windings = || placed.nodes.chunks_exact(2);
            matches!(placed.part, Part::Transformer(_))
                && windings().any(|one| {
                    windings().any(|next| {
                        one[1] == next[0]
                            && ((one[0] == p && next[1] == q) || (one[0] == q && next[1] == p))
                    })
                })
        })
    };
    if against(a.anodes[0], b.anodes[0]) || against(a.cathode[0], b.cathode[0]) {
        return Some(Coupling::Transformer);
    }
    let shared = a.cathode.len() == 1 && a.cathode == b.cathode && a.cathode[0] != NodeId::CHASSIS;
    shared.then_some(Coupling::Cathode)
}

/// The rejection of each pair from the transfers to the load at one frequency.
pub(super) fn rejection(
    circuit: &Circuit,
    system: &System,
    rest: &Rest,
    transfers: &Transfers<'_>,
) -> Vec<Balanced> {
    let probes = ValveProbe::all(circuit, system);
    let by_grid = |part: PartId| {
        let probe = probes.iter().find(|probe| probe.part == part)?;
        let placed = circuit.part(part);
        let Part::Valve(valve) = &placed.part else {
            return None;
        };
        let wiring = valve.wiring(&placed.nodes);
        let slope = |of: fn(&ValveCurrents) -> f64| rest.mean(|x| of(&probe.at(x).currents));
        let ends = wiring.cathode.len() as f64;
        let from = |electrode: NodeId| {
            wiring
                .cathode
                .iter()
                .map(|&end| transfers.from_current(end, electrode) / ends)
                .sum::<nalgebra::Complex<f64>>()
        };
        let anode = from(wiring.anodes[0]) * slope(|c| c.anode_slopes[GRID]);
        let screen = wiring
            .screen
            .map(|screen| from(screen) * slope(|c| c.screen_slopes[GRID]))
            .unwrap_or_default();
        Some(anode + screen)
    };
    pairs(circuit)
        .into_iter()
        .filter_map(|(first, second, by)| {
            let (one, other) = (by_grid(first)?, by_grid(second)?);
            let (difference, common) = (0.5 * (one - other).norm(), (one + other).norm());
            let ratio = difference / common;
            let name = |part: PartId| circuit.part(part).name.clone();
            (difference > 0.0).then(|| Balanced {
                valves: [name(first), name(second)],
                by,
                rejection_db: (ratio < PERFECT).then(|| 20.0 * ratio.log10()),
            })
        })
        .collect()
}
