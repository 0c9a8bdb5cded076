//! Taps that do not suit what hangs on them: of a mains transformer, and of the winding of the load.
//!
//! Seen from what is printed on both; nothing is solved.

use std::f64::consts::SQRT_2;

use super::selector::Joined;
use super::{Code, Finding, Weight};
use sim::amplifier::{Amplifier, MadeFor, Taps};
use sim::circuit::NodeId;
use sim::parts::Waveform;
use sim::quantity::{Unit, engineering};

/// Ratio of a load to that of its tap from which it belongs to another: taps lie a factor of two apart (common
/// practice, no source), and this is half of that way.
const ANOTHER_TAP: f64 = SQRT_2;

/// Share by which the mains may differ from the tap where a better one is there (common practice, no source): taps
/// lie a tenth apart at most.
const OFF_THE_TAP: f64 = 0.05;

/// Share by which it may differ where none is better: what the mains itself varies by.
const OFF_THE_MAINS: f64 = 0.1;

pub(super) fn findings(amplifier: &Amplifier) -> Vec<Finding> {
    let mut found: Vec<Finding> = amplifier
        .taps
        .iter()
        .filter_map(|taps| mains(amplifier, taps))
        .collect();
    found.extend(load(amplifier));
    found
}

/// Volts rms of the mains as it is set, V.
fn mains_volts(amplifier: &Amplifier) -> Option<f64> {
    let part = amplifier.mains?.part;
    let source = amplifier.circuit.part(part).part.source()?;
    if let Waveform::Alternating { amplitude, .. } = source.waveform {
        Some(amplitude / SQRT_2)
    } else {
        None
    }
}

/// The tap whose volts come nearest to those of the mains, V; none where no other is nearer than the one in use.
pub(super) fn better_tap(amplifier: &Amplifier, taps: &Taps) -> Option<f64> {
    let volts = mains_volts(amplifier)?;
    let off = |tap: f64| (volts - tap).abs();
    let best = taps.all.iter().copied();
    let best = best.min_by(|a, b| off(*a).total_cmp(&off(*b)))?;
    let is_off = off(taps.in_use) > OFF_THE_TAP * taps.in_use;
    (is_off && off(best) < off(taps.in_use)).then_some(best)
}

pub(super) fn mains(amplifier: &Amplifier, taps: &Taps) -> Option<Finding> {
    let volts = mains_volts(amplifier)?;
    let better = better_tap(amplifier, taps);
    let share = volts / taps.in_use - 1.0;
    if better.is_none() && share.abs() <= OFF_THE_MAINS {
        return None;
    }
    let name = &amplifier.circuit.part(taps.part).name;
    let told = |volts| engineering(volts, Unit::Volt);
    let more = if share > 0.0 { "above" } else { "below" };
    let why = if share > 0.0 {
        "Every valve runs hotter, and capacitors and heaters get more than they are made for."
    } else {
        "Heaters run cool, which wears the cathodes, and the power is less."
    };
    let look = better.map_or_else(
        || format!("what mains {name} is made for"),
        |tap| format!("the tap of {name}: {} suits this mains", told(tap)),
    );
    Some(Finding {
        parts: vec![name.clone()],
        quantity: "mains over the tap",
        value: Some(volts / taps.in_use),
        ..Finding::new(
            Code::WrongTap,
            Weight::ProbableMisprint,
            format!(
                "{name} is joined to the mains of {} at its {} tap: every winding stands {:.0} % {more} its rating.",
                told(volts),
                told(taps.in_use),
                100.0 * share.abs()
            ),
            why,
            look,
        )
    })
}

/// The load at a tap that is made for another.
fn load(amplifier: &Amplifier) -> Option<Finding> {
    let (circuit, bench) = (&amplifier.circuit, &amplifier.bench);
    let joined = Joined::of(circuit);
    let (a, b) = bench.load_nodes;
    for winding in &amplifier.made_for {
        let at = |load| {
            winding
                .nodes
                .iter()
                .copied()
                .find(|node| joined.same(*node, load))
        };
        let (Some(first), Some(second)) = (at(a), at(b)) else {
            continue;
        };
        let Some(ohms) = winding.between(first, second).filter(|ohms| *ohms > 0.0) else {
            continue;
        };
        let ratio = bench.load_ohms / ohms;
        if ratio.max(1.0 / ratio) < ANOTHER_TAP {
            return None;
        }
        let told = |ohms| engineering(ohms, Unit::Ohm);
        let load = &circuit.part(bench.load).name;
        let name = &circuit.part(winding.part).name;
        let suits = suiting(winding, first, second, bench.load_ohms);
        let look = suits.map_or_else(
            || format!("the impedances of {name} and of {load}; it has no tap that suits"),
            |node| {
                format!(
                    "the tap that {load} hangs on: `{}` suits it",
                    circuit.node_name(node)
                )
            },
        );
        return Some(Finding {
            parts: vec![load.clone(), name.clone()],
            quantity: "load over that of the tap",
            value: Some(ratio),
            ..Finding::new(
                Code::WrongTap,
                Weight::ProbableMisprint,
                format!(
                    "{load} is {}, and `{}` of {name} is made for {}.",
                    told(bench.load_ohms),
                    circuit.node_name(if first == NodeId::CHASSIS {
                        second
                    } else {
                        first
                    }),
                    told(ohms)
                ),
                format!(
                    "The output valves work into {ratio:.2} times the load that {name} is drawn for: power, distortion and damping are not those of the drawing."
                ),
                look,
            )
        });
    }
    None
}

/// A tap that suits the load, one of its ends staying where it is.
fn suiting(winding: &MadeFor, first: NodeId, second: NodeId, load: f64) -> Option<NodeId> {
    // The end at the chassis stays; of two others, the one named first.
    let (stays, moved) = if second == NodeId::CHASSIS {
        (second, first)
    } else {
        (first, second)
    };
    let ratio = |node| {
        let ohms = winding.between(stays, node)?;
        let ratio = load / ohms;
        Some(ratio.max(1.0 / ratio))
    };
    let nodes = winding.nodes.iter().copied();
    let best = nodes
        .filter(|node| *node != stays && *node != moved)
        .filter_map(|node| Some((ratio(node)?, node)))
        .min_by(|a, b| a.0.total_cmp(&b.0))?;
    (best.0 < ANOTHER_TAP).then_some(best.1)
}
