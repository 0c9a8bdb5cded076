//! Whether the mains touches the chassis.
//!
//! From both ends of the mains over everything that lets a current through from which somebody gets a shock: what
//! carries direct current, heaters and contacts in any position included. Windings of a transformer stand apart, the
//! sections of an auto-transformer do not.

use crate::amplifier::Amplifier;
use crate::circuit::{NodeId, PartId};
use crate::parts::Part;

/// Current from the mains through a resistance to somebody who touches the chassis that counts as none, A rms.
/// Source    order of what safety standards permit at an accessible part, from memory
const TOUCH: f64 = 0.5e-3;

/// The parts by which the mains reaches the chassis, from the mains on; empty where it stands there itself, none where
/// it does not reach it. Cost: parts × parts on the way.
pub fn through(amplifier: &Amplifier) -> Option<Vec<PartId>> {
    let mains = amplifier.mains?;
    let circuit = &amplifier.circuit;
    let harmless = mains.high / TOUCH;
    let mut reached: Vec<(NodeId, Option<(usize, PartId)>)> = circuit
        .part(mains.part)
        .nodes
        .iter()
        .map(|node| (*node, None))
        .collect();
    let mut next = 0;
    while next < reached.len() {
        let node = reached[next].0;
        if node == NodeId::CHASSIS {
            let mut way = Vec::new();
            let mut from = reached[next].1;
            while let Some((before, part)) = from {
                way.push(part);
                from = reached[before].1;
            }
            way.reverse();
            return Some(way);
        }
        for (part, placed) in circuit.parts().filter(|(part, _)| *part != mains.part) {
            let paths = if placed.part.ohms().is_some_and(|ohms| ohms > harmless) {
                Vec::new()
            } else if let Part::Switch(_) = placed.part {
                // Whichever way it is turned.
                let contacts = placed.nodes[1..].iter();
                contacts.map(|&to| (placed.nodes[0], to)).collect()
            } else {
                placed.part.dc_paths(&placed.nodes)
            };
            for (a, b) in paths {
                for (here, there) in [(a, b), (b, a)] {
                    if here == node && reached.iter().all(|(known, _)| *known != there) {
                        reached.push((there, Some((next, part))));
                    }
                }
            }
        }
        next += 1;
    }
    None
}
