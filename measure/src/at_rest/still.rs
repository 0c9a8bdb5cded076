//! A mains-fed circuit with direct sources in the place of its mains: every rectifier has beside it a source of the direct
//! volts it gives, behind the resistance a supply has, and the mains gives nothing. So a copy costs an operating point, and
//! not a settled period; what does best there is settled on the mains by who asks.
//!
//! Care     what hangs on alternating volts alone, heaters say, stands still there

use super::supply::junctions;
use crate::UnderTest;
use crate::instruments::valve::junction_currents;
use crate::instruments::varied::Quantity;
use sim::circuit::{Circuit, NodeId};
use sim::parts::{Part, Source, Waveform};

/// What a supply loses of its volts at its current: a fifth with a valve, a tenth without (common practice, no source).
const REGULATION: f64 = 0.15;

/// Current below which a rectifier gives nothing, A.
const NOTHING: f64 = 1e-6;

/// How the name of a source beside a rectifier begins: none that a file can give.
const GIVES: &str = "direct volts of ";

/// The circuit with direct sources in the place of its mains.
pub(crate) fn still(of: &UnderTest<'_>) -> Circuit {
    let mut still = of.circuit.clone();
    if of.rest.mains.is_none() {
        return still;
    }
    for (part, placed) in of.circuit.parts() {
        if let Part::Source(source) = &placed.part
            && source.waveform.alternates()
        {
            still.set_waveform(part, Waveform::Dc(0.0));
        }
        let paths = junctions(placed);
        for (k, path) in paths.iter().enumerate() {
            let figure = |which: fn(&(f64, f64)) -> f64| {
                let now = |x: &[f64]| junction_currents(of.system, part, x);
                of.rest.mean(|x| now(x).get(k).map_or(0.0, which))
            };
            let volts = |node: NodeId| {
                let at = of.system.voltage_of(node) as usize;
                of.rest.mean(|x| x[at])
            };
            let amps = figure(|(_, amps)| *amps);
            let gives = volts(path.cathode[0]) - volts(path.anode);
            if amps < NOTHING || gives <= 0.0 {
                continue;
            }
            let source = Part::Source(Source {
                waveform: Waveform::Dc(gives * (1.0 + REGULATION)),
                resistance: REGULATION * gives / amps,
            });
            let name = format!("{GIVES}{} {k}", placed.name);
            let _ = still.add(&name, source, &[path.cathode[0], path.anode]);
        }
    }
    still
}

/// Scales what stands for the mains in such a copy.
pub(crate) fn scale(still: &mut Circuit, ratio: f64) {
    let sources: Vec<_> = still
        .parts()
        .filter(|(_, placed)| placed.name.starts_with(GIVES))
        .map(|(part, _)| part)
        .collect();
    for part in sources {
        Quantity::Volts.scale(&mut still.part_mut(part).part, ratio);
    }
}
