//! A coarse way to the settled period, before the fine one: long steps that damp what is fast.
//!
//! Bias and supply come to where they settle in cycles of a tenth of the work, and the fine search starts there. An
//! amplifier that bursts into oscillation is told here: by steps that follow its bursts no cycle would ever close.
//!
//! Source   L-stability of TR-BDF2: Hosea & Shampine, Appl. Numer. Math. 20 (1996) 21 (from memory)

use super::run::Run;
use std::sync::Arc;

use super::aim::{Aim, Along};
use super::monodromy::Monodromy;
use super::{Period, Settling, lasts, shooting};
use crate::error::SimError;
use crate::stability::Quiet;
use crate::system::System;
use crate::tolerances::Tolerances;
use crate::transient::Choice;
use crate::workspace::Workspace;

/// How well a coarse cycle closes, as [`Settling::periodicity`]: a tenth of what its steps are worth.
const CLOSES: f64 = 1e-3;

/// Samples of the period against those of the fine search.
const COARSER: usize = 4;

/// Cycles at most: where these do not arrive the fine search tries for itself.
const MOST_CYCLES: u32 = 80;

/// Steps for each sample of the most cycles after which a search is given up: where long steps are halved again and again
/// because they find no solution, it is no quick way any more.
const MOST_STEPS: u64 = 4;

/// ln of the drive by which [`along`] finds its slopes.
const MORE: f64 = 0.01;

/// From `ws.x` to near the settled period; `ws` stays as it was, and there is none, where that is not reached.
pub(super) fn settle(
    system: &System,
    duration: f64,
    settling: &Settling,
    tolerances: &Tolerances,
    known: Option<Arc<Monodromy>>,
    ws: &mut Workspace,
) -> Option<Period> {
    let (kept, memory) = (ws.x.clone(), ws.memory.clone());
    let coarse = coarser(settling);
    let most = MOST_STEPS * u64::from(MOST_CYCLES) * coarse.samples as u64;
    let run = Run::new(system, duration, &coarse, &loose(tolerances), ws)
        .coarse()
        .given_up_after(most, ws);
    let found = shooting::settle(run, &coarse, known, None, ws).ok();
    if let Some(found) = &found {
        ws.x.copy_from_slice(&found.samples[0]);
    } else {
        ws.x = kept;
        ws.memory = memory;
    }
    found
}

/// As [`settle`], and whether the circuit goes through its cycles without bursting into oscillation.
///
/// # Errors
/// [`SimError::Bursts`].
pub(super) fn approach(
    system: &System,
    duration: f64,
    settling: &Settling,
    tolerances: &Tolerances,
    (known, quiet): (Option<Arc<Monodromy>>, &[Arc<Quiet>]),
    ws: &mut Workspace,
) -> Result<Option<Period>, SimError> {
    let found = settle(system, duration, settling, tolerances, known, ws);
    if let Some(found) = found {
        let quiet = Some(lasts(system, &found.samples, duration, quiet, ws)?);
        return Ok(Some(Period { quiet, ..found }));
    }
    // Bursts that coarse steps do not damp keep it from closing; then any of its cycles shows them.
    let mut ws = ws.clone();
    let mut last = Run::new(
        system,
        duration,
        &coarser(settling),
        &loose(tolerances),
        &mut ws,
    );
    if last.cycle(Choice::Free, &mut ws).is_ok() {
        lasts(system, &last.samples, duration, &[], &mut ws)?;
    }
    Ok(None)
}

/// How the settled start and the figure go with the drive: by a cycle from that start with a little more drive, and one
/// from where it leads.
pub(super) fn along(
    system: &System,
    duration: f64,
    settling: &Settling,
    tolerances: &Tolerances,
    (found, aim): (&Period, &Aim<'_>),
    ws: &Workspace,
) -> Option<Along> {
    let cycle = |start: &[f64], drive: f64| {
        let mut ws = ws.clone();
        ws.x.copy_from_slice(start);
        ws.waveforms[aim.source] = (aim.waveform)(drive);
        let mut run = Run::new(
            system,
            duration,
            &coarser(settling),
            &loose(tolerances),
            &mut ws,
        );
        run.cycle(Choice::Free, &mut ws).ok()?;
        Some((ws.x, (aim.miss)(&run.samples)))
    };
    let matrix = found.matrix.as_ref()?;
    let mut start = found.samples[0].clone();
    let more = aim.drive * MORE.exp();
    let (held, before) = cycle(&start, aim.drive)?;
    let (moved, _) = cycle(&start, more)?;
    let by: Vec<f64> = moved
        .iter()
        .zip(held)
        .map(|(moved, held)| (moved - held) / MORE)
        .collect();
    let settled_by = matrix.carries(&by)?;
    matrix.move_by(&settled_by, MORE, &mut start);
    let (_, after) = cycle(&start, more)?;
    let slope = (after - before) / MORE;
    slope.is_finite().then_some(Along {
        start: settled_by,
        slope,
    })
}

fn coarser(settling: &Settling) -> Settling {
    Settling {
        samples: settling.samples / COARSER,
        periodicity: CLOSES,
        most_cycles: MOST_CYCLES.min(settling.most_cycles),
        ..*settling
    }
}

fn loose(tolerances: &Tolerances) -> Tolerances {
    Tolerances {
        local_error: f64::INFINITY,
        ..*tolerances
    }
}

#[cfg(test)]
mod tests {
    use super::{MORE, along, settle};
    use crate::parts::{Part, Source, Waveform};
    use crate::periodic::{Aim, Settling};
    use crate::{Circuit, NodeId, System, Tolerances};

    #[test]
    fn a_linear_circuit_goes_as_its_drive() {
        // 1 kHz through 10 kΩ into 0.1 µF beside 1 V of bias through 1 MΩ: what alternates at the start rises as the drive.
        let sine = |amplitude: f64| Waveform::Sine {
            amplitude,
            frequency: 1e3,
            phase: 0.0,
            offset: 0.0,
        };
        let source = |waveform| {
            Part::Source(Source {
                waveform,
                resistance: 0.0,
            })
        };
        let mut circuit = Circuit::new();
        let [a, b, c] = ["a", "b", "c"].map(|name| circuit.node(name));
        for (name, part, nodes) in [
            ("G1", source(sine(1.0)), [a, NodeId::CHASSIS]),
            ("B1", source(Waveform::Dc(1.0)), [c, NodeId::CHASSIS]),
            ("R1", Part::resistor(10e3), [a, b]),
            ("R2", Part::resistor(1e6), [c, b]),
            ("C1", Part::capacitor(0.1e-6), [b, NodeId::CHASSIS]),
        ] {
            circuit.add(name, part, &nodes).expect("well formed");
        }
        let system = System::of(&circuit).expect("well formed");
        let mut ws = system.workspace();
        let (settling, tolerances) = (Settling::default(), Tolerances::default());
        let found =
            settle(&system, 1e-3, &settling, &tolerances, None, &mut ws).expect("it closes");
        let volts = |samples: &[Vec<f64>]| -> Vec<f64> { samples.iter().map(|x| x[1]).collect() };
        let mean = |volts: &[f64]| volts.iter().sum::<f64>() / volts.len() as f64;
        let size = |samples: &[Vec<f64>]| {
            let volts = volts(samples);
            let mean = mean(&volts);
            0.5 * volts.iter().map(|v| (v - mean).powi(2)).sum::<f64>().ln()
        };
        let aim = Aim::new((0, &sine), (1.0, 1.0), 1e-4, &size);
        let along =
            along(&system, 1e-3, &settling, &tolerances, (&found, &aim), &ws).expect("a slope");
        // Over a hundredth of its logarithm the drive itself rises by half of that more than its slope.
        let more = (MORE.exp() - 1.0) / MORE;
        let alternates = found.samples[0][1] - mean(&volts(&found.samples));
        assert!(
            (along.start[0] / (more * alternates) - 1.0).abs() < 1e-4,
            "{along:?}"
        );
        assert!((along.slope - 1.0).abs() < 1e-4, "{along:?}");
    }
}
