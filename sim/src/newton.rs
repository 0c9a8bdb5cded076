//! Newton's iteration with a damped step and a free correction at the end.
//!
//! ```text
//! J(x_k) d = −F(x_k),   x_{k+1} = x_k + t·d,   d̄ = −J(x_k)⁻¹ F(x_{k+1})
//! ```
//!
//! The simplified correction `d̄` uses the old factors. Its size against `d`, theta = ‖d̄‖/‖d‖, tells
//! whether the step helped whatever the units of the rows (the natural monotonicity test), and adding
//! it leaves an error of about theta·‖d̄‖, which is usually below the tolerance: most time steps
//! need one factorisation.
//!
//! Source   Deuflhard, Newton Methods for Nonlinear Problems, 2004, ch. 2-3 (from memory)

use crate::lu::GROWTH_LIMIT;
use crate::system::{Formula, System, UnknownId};
use crate::workspace::{Factored, Workspace};

/// How an iteration ended. A normal value, on which the caller acts.
#[must_use]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// `ws.x` solves the equations.
    Converged {
        /// Factorisations used.
        iterations: u32,
    },
    /// `ws.x` is restored; the unknown that would have moved most is named.
    Diverged {
        /// That unknown.
        worst: UnknownId,
    },
    /// The Jacobian has no pivot for an unknown; `ws.x` is restored.
    Singular {
        /// That unknown.
        at: UnknownId,
    },
}

impl Outcome {
    /// Whether `ws.x` solves the equations.
    pub fn converged(self) -> bool {
        match self {
            Self::Converged { .. } => true,
            Self::Diverged { .. } | Self::Singular { .. } => false,
        }
    }
}

/// Factorisations after which an iteration is given up: far above the 3 to 9 that a step or an
/// operating point takes when it is going to succeed.
const MOST_ITERATIONS: u32 = 60;

/// The smallest fraction of a step that is still tried.
const LEAST_FRACTION: f64 = 1e-4;

/// Contraction above which the simplified correction is not trusted to finish the iteration.
const TRUSTED_CONTRACTION: f64 = 0.25;

/// Corrections below this many tolerances that no longer shrink are rounding: where flux linkages are
/// divided by nanoseconds, the last digits of a double are worth some tenths of a microvolt.
const ROUNDING: f64 = 100.0;

/// Share of the tolerance allowed to the estimated remaining error, since it is an estimate.
const SAFETY: f64 = 0.3;

/// Solves f(x) + alpha·C·x + past = 0 from the guess in `ws.x`.
pub fn newton(system: &System, formula: Formula<'_>, ws: &mut Workspace) -> Outcome {
    ws.start.copy_from_slice(&ws.x);
    system.assemble(formula, ws);
    let outcome = iterate(system, formula, ws);
    if !outcome.converged() {
        ws.x.copy_from_slice(&ws.start);
    }
    outcome
}

/// The iteration from the assembled guess.
fn iterate(system: &System, formula: Formula<'_>, ws: &mut Workspace) -> Outcome {
    let n = system.len();
    let mut worst = 0;
    for iterations in 1..=MOST_ITERATIONS {
        if let Err(at) = factor(system, formula, iterations > 1, ws) {
            return Outcome::Singular { at };
        }
        let size = correction(n, ws, &mut worst);
        if size <= SAFETY {
            add(&mut ws.x, &ws.step, 1.0, n);
            return Outcome::Converged { iterations };
        }
        if !size.is_finite() {
            break;
        }
        let fraction = system.step_fraction(ws);
        add(&mut ws.x, &ws.step, fraction, n);
        if iterations == 1
            && fraction >= 1.0
            && ws.trust.covers(formula.alpha, size, SAFETY)
            && !system.bends(ws)
        {
            ws.trust.granted();
            return Outcome::Converged { iterations };
        }
        match descend(system, formula, (size, fraction), &mut worst, ws) {
            Descent::Solved => return Outcome::Converged { iterations },
            Descent::Closer => {}
            Descent::Lost => break,
        }
    }
    Outcome::Diverged { worst }
}

/// What came of a correction.
enum Descent {
    /// `ws.x` solves the equations.
    Solved,
    /// `ws.x` is nearer to it, and the equations are assembled there.
    Closer,
    /// No fraction of the correction helps.
    Lost,
}

/// As much of the full correction in `ws.step` as helps, by what the old factors make of the residual there;
/// `fraction` of it, of `size`, is in `ws.x` already.
fn descend(
    system: &System,
    formula: Formula<'_>,
    (size, mut fraction): (f64, f64),
    worst: &mut UnknownId,
    ws: &mut Workspace,
) -> Descent {
    let n = system.len();
    loop {
        ws.kept.copy_from_slice(&ws.step);
        system.assemble(formula, ws);
        let simplified = correction(n, ws, worst);
        let contraction = simplified / size;
        if fraction >= 1.0 {
            ws.trust.measured(formula.alpha, contraction / size);
            let near = contraction < TRUSTED_CONTRACTION && contraction * simplified <= SAFETY;
            if near && !system.flattens(ws) {
                add(&mut ws.x, &ws.step, 1.0, n);
                return Descent::Solved;
            }
        }
        if contraction <= 1.0 - 0.25 * fraction {
            return Descent::Closer;
        }
        if size <= ROUNDING && simplified <= ROUNDING {
            return Descent::Solved;
        }
        // Halve: x ← x − (t/2)·d with the full correction kept aside
        ws.step.copy_from_slice(&ws.kept);
        if fraction < LEAST_FRACTION {
            return Descent::Lost;
        }
        add(&mut ws.x, &ws.step, -0.5 * fraction, n);
        fraction *= 0.5;
    }
}

/// Factors the assembled Jacobian: the tail only when nothing but device entries changed, with fresh
/// pivots when the kept ones have become poor, if that is looked at.
pub(crate) fn factor(
    system: &System,
    formula: Formula<'_>,
    looked_at: bool,
    ws: &mut Workspace,
) -> Result<(), UnknownId> {
    let symbolic = system.symbolic();
    let kept = match ws.factored {
        Factored::Nothing => Err(()),
        Factored::At(alpha)
            if alpha.to_bits() == formula.alpha.to_bits() && formula.shunt == 0.0 =>
        {
            ws.factors
                .refactor_varying(symbolic, &ws.values)
                .map_err(|_| ())
        }
        Factored::At(_) => ws.factors.refactor(symbolic, &ws.values).map_err(|_| ()),
    };
    ws.counts.refactorisations += 1;
    // Growth costs as much as a refactorisation and poor pivots show as slow convergence, so it is
    // looked at when the first correction was not enough.
    if kept.is_err() || (looked_at && ws.factors.growth() > GROWTH_LIMIT) {
        ws.counts.factorisations += 1;
        if let Err(singular) = ws.factors.factor(symbolic, &ws.values) {
            ws.factored = Factored::Nothing;
            return Err(singular.column as UnknownId);
        }
    }
    // Shunts change entries that count as constant: the next call must not rely on them.
    ws.factored = Factored::At(if formula.shunt == 0.0 {
        formula.alpha
    } else {
        f64::NAN
    });
    Ok(())
}

/// step ← −J⁻¹·residual; returns its largest entry relative to the tolerance.
fn correction(n: usize, ws: &mut Workspace, worst: &mut UnknownId) -> f64 {
    for (step, residual) in ws.step[..n].iter_mut().zip(&ws.residual) {
        *step = -residual;
    }
    ws.factors.solve(&mut ws.step[..n]);
    // The largest as a fraction, so that only that one is divided
    let (mut most, mut of) = (0.0, 1.0);
    for (k, ((step, x), absolute)) in ws.step[..n].iter().zip(&ws.x).zip(&ws.absolute).enumerate() {
        let (moved, allowed) = (step.abs(), ws.relative * x.abs() + absolute);
        // A NaN must end the iteration, so it is not allowed to lose the comparison.
        if moved * of > most * allowed || moved.is_nan() || allowed.is_nan() {
            (most, of) = (moved, allowed);
            *worst = k as UnknownId;
            if (most / of).is_nan() {
                return f64::INFINITY;
            }
        }
    }
    most / of
}

/// x ← x + fraction·step
fn add(x: &mut [f64], step: &[f64], fraction: f64, n: usize) {
    for (x, step) in x[..n].iter_mut().zip(step) {
        *x += fraction * step;
    }
}

#[cfg(test)]
mod tests {
    use super::{Outcome, correction, factor, newton};
    use crate::parts::{Diodes, Part, Source, Waveform};
    use crate::system::Formula;
    use crate::{Circuit, NodeId, System, Tolerances};
    use models::diode::Diode;

    /// 1 V on two equal resistors in series, the node between them named first.
    fn divider() -> (System, usize, usize) {
        let mut circuit = Circuit::new();
        let [half, whole] = ["half", "whole"].map(|name| circuit.node(name));
        let source = Part::Source(Source {
            waveform: Waveform::Dc(1.0),
            resistance: 0.0,
        });
        for (name, part, at) in [
            ("R1", Part::resistor(1e3), [whole, half]),
            ("R2", Part::resistor(1e3), [half, NodeId::CHASSIS]),
            ("V", source, [whole, NodeId::CHASSIS]),
        ] {
            circuit.add(name, part, &at).expect("well formed");
        }
        let system = System::of(&circuit).expect("well formed");
        let at = [half, whole].map(|node| system.voltage_of(node) as usize);
        (system, at[0], at[1])
    }

    #[test]
    fn the_unknown_named_is_the_one_that_moves_most() {
        let (system, half, whole) = divider();
        let mut ws = system.workspace();
        system.set_tolerances(&Tolerances::default(), &mut ws);
        let mut past = vec![0.0; system.len()];
        system.sources_at_rest(1.0, &ws.waveforms, &mut past);
        let formula = Formula::new(0.0, &past);
        system.assemble(formula, &mut ws);
        factor(&system, formula, false, &mut ws).expect("it has pivots");
        let mut worst = half as u32;
        let size = correction(system.len(), &mut ws, &mut worst);
        // From nothing: a volt in tolerances of a microvolt, where half a milliampere is half as many.
        assert_eq!(worst as usize, whole);
        assert!((size / 1e6 - 1.0).abs() < 1e-9, "{size}");
    }

    #[test]
    fn a_junction_guessed_to_conduct_far_too_much_is_not_settled_by_its_slope_there() {
        // 10 V over 10 kΩ and a silicon diode, guessed at 38 V across it and solved to a thousandth of the volts: slopes
        // of two thousand siemens make a hundredth of a volt of any residual.
        let mut circuit = Circuit::new();
        let [anode, rail] = ["anode", "rail"].map(|name| circuit.node(name));
        let source = Part::Source(Source {
            waveform: Waveform::Dc(100.0),
            resistance: 0.0,
        });
        let below = Part::Source(Source {
            waveform: Waveform::Dc(90.0),
            resistance: 0.0,
        });
        let low = circuit.node("low");
        let diode = Part::Diodes(Diodes {
            diode: Diode::silicon(),
            terminals: 2,
            junctions: vec![(0, 1)],
        });
        for (name, part, at) in [
            ("R1", Part::resistor(10e3), [rail, anode]),
            ("D1", diode, [anode, low]),
            ("V1", source, [rail, NodeId::CHASSIS]),
            ("V2", below, [low, NodeId::CHASSIS]),
        ] {
            circuit.add(name, part, &at).expect("well formed");
        }
        let system = System::of(&circuit).expect("well formed");
        let mut ws = system.workspace();
        let loose = Tolerances::default().closer(1e3);
        system.set_tolerances(&loose, &mut ws);
        let mut past = vec![0.0; system.len()];
        system.sources_at_rest(1.0, &ws.waveforms, &mut past);
        let [anode, low] = [anode, low].map(|node| system.voltage_of(node) as usize);
        (ws.x[low], ws.x[anode]) = (90.0, 128.0);
        assert!(newton(&system, Formula::new(0.0, &past), &mut ws).converged());
        // By the law of the diode itself, within as many e-folds as the tolerance is of a volt per e-fold.
        let amps = Diode::silicon().current(ws.x[anode] - ws.x[low]).value;
        let ohms = (100.0 - ws.x[anode]) / 10e3;
        assert!((amps / ohms).ln().abs() < 0.7, "{amps} {ohms}");
    }

    #[test]
    fn factors_made_with_a_shunt_serve_no_circuit_without_it() {
        let (system, half, _) = divider();
        let mut ws = system.workspace();
        system.set_tolerances(&Tolerances::default(), &mut ws);
        let mut past = vec![0.0; system.len()];
        system.sources_at_rest(1.0, &ws.waveforms, &mut past);
        let formula = Formula::new(0.0, &past);
        let shunted = Formula {
            shunt: 1e-2,
            ..formula
        };
        // 1 kΩ beside 100 Ω under 1 kΩ; then a half. A linear circuit takes one factorisation each.
        for (formula, volts) in [(shunted, 1.0 / 12.0), (formula, 0.5), (shunted, 1.0 / 12.0)] {
            let outcome = newton(&system, formula, &mut ws);
            assert_eq!(outcome, Outcome::Converged { iterations: 1 });
            assert!((ws.x[half] - volts).abs() < 1e-9, "{}", ws.x[half]);
        }
    }
}
