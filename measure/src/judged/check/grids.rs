//! Grid leaks against what the type allows.
//!
//! What a leak is limited for is the shift of bias by the valve's own grid current. Both are asked of the circuit
//! linearised at rest, at 0 Hz, with nothing plugged in at the input:
//!
//! ```text
//! S = Δv_gk for 1 A from the grid to the cathode,   h = Δv_gk for 1 V in series with the grid,   R = S/h
//! ```
//!
//! Symbols   S shift of bias, Ω;  h what the stage leaves of a shift, 1 with fixed bias;  R the leak that would
//!           shift it as much, Ω: what a sheet's limit speaks of
//! Source    superposition; a leak R alone gives S = hR whatever the stage does
//!
//! So it holds for any network: stoppers, dividers, pots, stages coupled directly, and leaks whose lower end
//! follows the signal, which look into many times their resistance and shift no more than it.

use nalgebra::Complex;

use super::{Code, Drawing, Finding, Weight};
use crate::instruments::valve::ValveProbe;
use sim::System;
use sim::circuit::{Circuit, NodeId};
use sim::error::SimError;
use sim::parts::{Part, Wiring};
use sim::quantity::{Unit, engineering};
use sim::small_signal::{Excitation, SmallSignal};

/// The grid among the electrodes that slopes are ordered by: anode, screen, grid.
const GRID: usize = 2;

/// What stands for a generator that is not plugged in, Ω.
const UNPLUGGED: f64 = 1e10;

/// What a valve that is cut off passes of its current: slopes of mA/V are then those of GΩ, and nothing floats.
const LEFT_OF_A_VALVE: f64 = 1e-6;

/// A leak that is none, Ω: a hundred times the largest one solders in.
const OPEN: f64 = 1e9;

/// A leak over its limit by this much is over it: resistors are no closer to their values (common practice, no
/// source), and stoppers and cathode resistors add a little.
const TOLERANCE: f64 = 1.1;

/// Share of the bias that must come from the cathode for a valve to count as self-biased: half of it is
/// enough to hold the current when the grid drifts (common practice, no source).
const OF_THE_BIAS: f64 = 0.5;

/// What a stage that holds its own current leaves of a shift of bias, at most: a resistor that makes all of the bias
/// leaves about half (gm times it is about one), one that makes half of it two thirds (common practice, no source).
const SELF_BIASED: f64 = 0.75;

/// Resistances at DC of the circuit at rest with the generator unplugged.
pub(super) struct AtDc<'a> {
    linear: SmallSignal<'a>,
}

impl AtDc<'_> {
    /// Between two nodes, Ω.
    pub(super) fn between(&mut self, a: NodeId, b: NodeId) -> Result<f64, SimError> {
        let x: Vec<Complex<f64>> = self.linear.response(Excitation::Current(a, b))?;
        Ok(self.linear.voltage(&x, a, b).re)
    }

    /// What the circuit leaves of a volt in series with the grid of a valve.
    fn left_of_a_shift(
        &mut self,
        wiring: &Wiring<'_, NodeId>,
        grid: NodeId,
        [anode, screen]: [f64; 2],
    ) -> Result<f64, SimError> {
        // A volt more between grid and cathode is so much more current from anode and screen to the cathode.
        let cathode = wiring.cathode[0];
        let mut left = 1.0;
        for (from, slope) in [(Some(wiring.anodes[0]), anode), (wiring.screen, screen)] {
            if let Some(from) = from.filter(|_| slope != 0.0) {
                let x = self.linear.response(Excitation::Current(cathode, from))?;
                left += slope * self.linear.voltage(&x, grid, cathode).re;
            }
        }
        Ok(left)
    }
}

/// Calls `ask` with the circuit at DC.
pub(super) fn at_dc<T>(
    drawing: &Drawing<'_>,
    ask: impl FnOnce(&mut AtDc<'_>) -> Result<T, SimError>,
) -> Result<T, SimError> {
    let mut circuit = drawing.of.circuit.clone();
    unplug(drawing, &mut circuit);
    ask_at_dc(drawing, &circuit, ask)
}

/// As [`at_dc`], with no valve that has a grid passing anything to speak of.
pub(super) fn cut_off_at_dc<T>(
    drawing: &Drawing<'_>,
    ask: impl FnOnce(&mut AtDc<'_>) -> Result<T, SimError>,
) -> Result<T, SimError> {
    let mut circuit = drawing.of.circuit.clone();
    unplug(drawing, &mut circuit);
    let parts: Vec<_> = circuit.parts().map(|(part, _)| part).collect();
    for part in parts {
        let placed = circuit.part_mut(part);
        let has_grid = placed.wiring().is_some_and(|wiring| wiring.grid.is_some());
        if let (Part::Valve(valve), true) = (&mut placed.part, has_grid) {
            valve.scale_current(LEFT_OF_A_VALVE);
        }
    }
    ask_at_dc(drawing, &circuit, ask)
}

fn unplug(drawing: &Drawing<'_>, circuit: &mut Circuit) {
    if let Part::Source(source) = &mut circuit.part_mut(drawing.of.amplifier.bench.generator).part {
        source.resistance = UNPLUGGED;
    }
}

/// `circuit` is that of the drawing with other values, taken at the rest of the drawing.
fn ask_at_dc<T>(
    drawing: &Drawing<'_>,
    circuit: &Circuit,
    ask: impl FnOnce(&mut AtDc<'_>) -> Result<T, SimError>,
) -> Result<T, SimError> {
    // Values change no unknown, so the samples hold.
    let changed = System::of(circuit);
    let system = changed.as_ref().unwrap_or(drawing.of.system);
    let mut ws = system.workspace();
    let mut linear = drawing.of.rest.linearised(system, &mut ws);
    linear.tune(0.0)?;
    ask(&mut AtDc { linear })
}

pub(super) fn findings(drawing: &Drawing<'_>) -> Result<Vec<Finding>, SimError> {
    let (circuit, rest) = (drawing.of.circuit, &drawing.of.rest);
    at_dc(drawing, |dc| {
        let mut found = Vec::new();
        for probe in ValveProbe::all(circuit, drawing.of.system) {
            let placed = circuit.part(probe.part);
            let Some(wiring) = placed.wiring() else {
                continue;
            };
            let Some(grid) = wiring.grid else {
                continue;
            };
            let node = circuit.node_name(grid);
            if dc.between(grid, NodeId::CHASSIS)? > OPEN {
                found.push(open(&placed.name, node));
                continue;
            }
            let slopes = [
                rest.mean(|x| probe.at(x).currents.anode_slopes[GRID]),
                rest.mean(|x| probe.at(x).currents.screen_slopes[GRID]),
            ];
            let left = dc.left_of_a_shift(&wiring, grid, slopes)?;
            let shift = dc.between(grid, wiring.cathode[0])?;
            if left <= 0.0 {
                // Direct current is fed back so that it grows: no bias to be shifted.
                continue;
            }
            let leak = shift / left;
            let limits = &probe.kind().limits;
            let cathode = wiring.cathode[0];
            let at = drawing.of.system.voltage_of(cathode) as usize;
            let bias = rest.mean(|x| probe.at(x).v_gk).abs();
            // A stage whose current something else holds has nothing to take a shift back with.
            let by_cathode = left < SELF_BIASED || rest.mean(|x| x[at]) > OF_THE_BIAS * bias;
            let (limit, bias) = if by_cathode {
                (limits.grid_leak_cathode_bias, "cathode bias")
            } else {
                (limits.grid_leak_fixed, "fixed bias")
            };
            if let Some(limit) = limit.filter(|&limit| leak > TOLERANCE * limit) {
                found.push(Finding {
                    parts: vec![placed.name.clone()],
                    quantity: "grid leak",
                    unit: "Ω",
                    value: Some(leak),
                    limit: Some(limit),
                    ..Finding::new(
                        Code::GridLeak,
                        Weight::OverRating,
                        format!(
                            "1 µA of grid current shifts the bias of {} by {}, as a leak of {} does; with {bias} {} may have {}.",
                            placed.name,
                            engineering(1e-6 * shift, Unit::Volt),
                            engineering(leak, Unit::Ohm),
                            probe.kind().name,
                            engineering(limit, Unit::Ohm)
                        ),
                        "Gas and grid emission of a worn valve flow through it and take the bias away, the anode runs hotter, and more flows.",
                        format!("every resistor from `{node}` to its bias; another make of valve may allow more"),
                    )
                });
            }
        }
        Ok(found)
    })
}

fn open(valve: &str, node: &str) -> Finding {
    Finding {
        parts: vec![valve.to_owned()],
        ..Finding::new(
            Code::GridOpen,
            Weight::Doubtful,
            format!(
                "The grid of {valve} at `{node}` has a DC path only through what is plugged in."
            ),
            "With the input open the grid drifts, and the valve with it.",
            format!("a grid leak from `{node}` to the chassis"),
        )
    }
}
