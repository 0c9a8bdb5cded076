//! Windings that a rectifier cuts off, and what their current then flows into.
//!
//! A rectifier that stops conducting leaves the current of the leakage inductance nowhere to go but
//! the winding's own capacitance: without it the volts between winding and rectifier follow no law at
//! all. Where the file states no capacitance a typical one is taken, and in series with it
//!
//! ```text
//! R = √(L/C)
//! ```
//!
//! L the inductance that rings, leakage of a transformer's winding or the choke itself, H; C the
//! capacitance, F. The ringing is then gone after a cycle, as the losses of insulation and iron at
//! some tens of kilohertz leave it.
//!
//! Source   common practice, no source: layer-wound mains windings measure 100 pF to 1 nF and ring for a
//!          cycle or two; ASSUMPTION

use super::draft::Draft;
use sim::circuit::{Circuit, NodeId, PartId, Placed};
use sim::parts::Part;
use sim::quantity::Unit;

/// Capacitance of a section of a transformer's winding, F.
const TRANSFORMER: f64 = 200e-12;
/// Capacitance of a choke, F.
const CHOKE: f64 = 100e-12;

/// Gives every winding behind a rectifier its capacitance and the loss of it, with a note of each.
pub(super) fn give_capacitance(draft: &mut Draft) {
    let ids: Vec<PartId> = draft.circuit.parts().map(|(id, _)| id).collect();
    let cut_off = cut_off(&draft.circuit);
    for id in ids {
        let placed = draft.circuit.part(id);
        let cut: Vec<bool> = placed
            .nodes
            .chunks(2)
            .map(|ends| ends.iter().any(|end| cut_off[end.index()]))
            .collect();
        let mut assumed: Vec<(&'static str, f64, Unit)> = Vec::new();
        let mut give = |capacitance: &mut f64, loss: &mut f64, typical: f64, inductance: f64| {
            let mut note = |key: &'static str, value, unit| {
                // Once a part: its windings get the same capacitance.
                if assumed.iter().all(|(known, ..)| *known != key) {
                    assumed.push((key, value, unit));
                }
            };
            if *capacitance == 0.0 {
                *capacitance = typical;
                note("capacitance", typical, Unit::Farad);
            }
            if *loss == 0.0 {
                *loss = (inductance / *capacitance).sqrt();
                note("capacitance_loss", *loss, Unit::Ohm);
            }
        };
        match &mut draft.circuit.part_mut(id).part {
            Part::Transformer(transformer) => {
                let windings = transformer.windings.iter_mut().zip(&cut);
                for (winding, _) in windings.filter(|(w, cut)| **cut && w.leakage > 0.0) {
                    let (c, loss) = (&mut winding.capacitance, &mut winding.capacitance_loss);
                    give(c, loss, TRANSFORMER, winding.leakage);
                }
            }
            Part::Inductor(choke) => {
                if cut.contains(&true) {
                    let inductance = choke.core.incremental_inductance(0.0);
                    let (c, loss) = (&mut choke.capacitance, &mut choke.capacitance_loss);
                    give(c, loss, CHOKE, inductance);
                }
            }
            Part::Resistor(_)
            | Part::Capacitor(_)
            | Part::Valve(_)
            | Part::Device(_)
            | Part::Diodes(_)
            | Part::Source(_)
            | Part::Pot(_)
            | Part::Switch(_)
            | Part::Loudspeaker(_) => {}
        }
        let (name, place) = (
            draft.circuit.part(id).name.clone(),
            draft.spans.parts[id.index()].name.clone(),
        );
        for (key, value, unit) in assumed {
            draft.assume(&name, &place, key, value, unit);
        }
    }
}

/// Of each node whether a rectifier alone decides what flows there: one is there, or behind resistors, and no capacitor
/// on the way. Linear in the number of parts: nodes that resistors join without a capacitor are visited once, together.
fn cut_off(circuit: &Circuit) -> Vec<bool> {
    let mut at: Vec<Vec<&Placed>> = vec![Vec::new(); circuit.node_count()];
    for (_, placed) in circuit.parts() {
        for &node in &placed.nodes {
            at[node.index()].push(placed);
        }
    }
    let is_stopped = |node: NodeId| {
        let mut here = at[node.index()].iter();
        node == NodeId::CHASSIS || here.any(|placed| matches!(placed.part, Part::Capacitor(_)))
    };
    let mut stopped: Vec<bool> = circuit.nodes().map(|(node, _)| is_stopped(node)).collect();
    let mut cut = vec![false; stopped.len()];
    for (start, _) in circuit.nodes() {
        if std::mem::replace(&mut stopped[start.index()], true) {
            continue;
        }
        let mut joined = vec![start];
        let mut rectified = false;
        let mut next = 0;
        while let Some(&node) = joined.get(next) {
            next += 1;
            for placed in &at[node.index()] {
                match &placed.part {
                    Part::Valve(_) | Part::Device(_) | Part::Diodes(_) => {
                        // Between the ends of a heater or filament current flows on.
                        let heated = placed.wiring().is_some_and(|wiring| {
                            let filament =
                                wiring.cathode.len() > 1 && wiring.cathode.contains(&node);
                            filament || wiring.heater.contains(&node)
                        });
                        rectified |= placed.part.is_rectifier() && !heated;
                    }
                    Part::Resistor(_) | Part::Pot(_) | Part::Switch(_) => {
                        for &beyond in &placed.nodes {
                            if !std::mem::replace(&mut stopped[beyond.index()], true) {
                                joined.push(beyond);
                            }
                        }
                    }
                    Part::Capacitor(_)
                    | Part::Inductor(_)
                    | Part::Transformer(_)
                    | Part::Source(_)
                    | Part::Loudspeaker(_) => {}
                }
            }
        }
        for node in joined {
            cut[node.index()] = rectified;
        }
    }
    cut
}
