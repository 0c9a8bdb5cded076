//! Grid leaks against what the type allows.
//!
//! The resistance is that seen at the grid at DC: the circuit linearised at rest, one ampere put in at the grid,
//! at 0 Hz, with nothing plugged in at the input. So it holds for any network: stoppers, dividers, pots,
//! stages coupled directly.

use nalgebra::Complex;

use super::{Code, Finding, Subject, Weight};
use sim::circuit::NodeId;
use sim::error::SimError;
use sim::parts::Part;
use sim::quantity::{Unit, engineering};
use sim::small_signal::{Excitation, SmallSignal};

/// What stands for a generator that is not plugged in, Ω.
const UNPLUGGED: f64 = 1e10;

/// A leak that is none, Ω: a hundred times the largest one solders in.
const OPEN: f64 = 1e9;

/// Share of the bias that must come from the cathode for a valve to count as self-biased: half of it is
/// enough to hold the current when the grid drifts (common practice, no source).
const OF_THE_BIAS: f64 = 0.5;

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
}

/// Calls `ask` with the circuit at DC.
pub(super) fn at_dc<T>(
    subject: &Subject<'_>,
    ask: impl FnOnce(&mut AtDc<'_>) -> Result<T, SimError>,
) -> Result<T, SimError> {
    let mut circuit = subject.amplifier.circuit.clone();
    if let Part::Source(source) = &mut circuit.part_mut(subject.amplifier.bench.generator).part {
        source.resistance = UNPLUGGED;
    }
    // A resistance in a source changes no unknown, so the samples hold.
    let unplugged = circuit.compile();
    let system = unplugged.as_ref().unwrap_or(subject.system);
    let mut ws = system.workspace();
    let mut linear = SmallSignal::over(system, subject.rest.samples(), &mut ws);
    linear.tune(0.0)?;
    ask(&mut AtDc { linear })
}

pub(super) fn findings(subject: &Subject<'_>) -> Result<Vec<Finding>, SimError> {
    at_dc(subject, |dc| {
        let mut found = Vec::new();
        for (_, placed) in subject.amplifier.circuit.parts() {
            let Part::Valve(valve) = &placed.part else {
                continue;
            };
            let Some(grid) = valve.wiring(&placed.nodes).grid else {
                continue;
            };
            let Some(at_rest) = subject.chart.valves.iter().find(|v| v.part == placed.name) else {
                continue;
            };
            let ohms = dc.between(grid, NodeId::CHASSIS)?;
            let node = subject.amplifier.circuit.node_name(grid);
            if ohms > OPEN {
                found.push(Finding {
                    parts: vec![placed.name.clone()],
                    ..Finding::new(
                        Code::GridOpen,
                        Weight::Doubtful,
                        format!(
                            "The grid of {} at `{node}` has a DC path only through what is plugged in.",
                            placed.name
                        ),
                        "With the input open the grid drifts, and the valve with it.",
                        format!("a grid leak from `{node}` to the chassis"),
                    )
                });
                continue;
            }
            let by_cathode = subject.rest.mean(|x| {
                x[subject
                    .system
                    .voltage_of(valve.wiring(&placed.nodes).cathode[0]) as usize]
            }) > OF_THE_BIAS * at_rest.v_gk.abs();
            let limits = &valve.kind.limits;
            let (limit, bias) = if by_cathode {
                (limits.grid_leak_cathode_bias, "cathode bias")
            } else {
                (limits.grid_leak_fixed, "fixed bias")
            };
            if let Some(limit) = limit.filter(|&limit| ohms > limit) {
                found.push(Finding {
                    parts: vec![placed.name.clone()],
                    quantity: "DC resistance at the grid",
                    unit: "Ω",
                    value: Some(ohms),
                    limit: Some(limit),
                    ..Finding::new(
                        Code::GridLeak,
                        Weight::OverRating,
                        format!(
                            "The grid of {} sees {} at DC; a {} with {bias} may have {}.",
                            placed.name,
                            engineering(ohms, Unit::Ohm),
                            valve.kind.name,
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
