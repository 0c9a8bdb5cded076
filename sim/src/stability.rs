//! Whether a circuit stays at rest: its natural frequencies at an operating point.
//!
//! ```text
//! (G + s·C) x = 0   ⇔   (G + σ·C)⁻¹ C x = μ x,   s = σ − 1/μ;   at rest only if every Re s < 0
//! ```
//!
//! The shift σ lies in the middle of the audio band, so that neither the hours of a leaking capacitor nor the
//! megahertz of a winding drown in the rounding of the other: both ends are some ten decades away. What seems to grow
//! is looked at again with a shift of its own size; what rounding made does not stand there a second time.
//!
//! Symbols   G  slopes ∂f/∂x at the operating point;  C  storage matrix;  s  natural frequency, 1/s;  σ  shift, 1/s
//! Source    linearised circuit equations; shift and inversion: Saad, Numerical Methods for Large Eigenvalue
//!           Problems, 1992 (from memory)
//! Care      a sparse solution for each unknown that stores, and a dense eigenvalue problem of as many, up to two hundred:
//!           what grows among more is sought from many shifts (`sought`). Modes whose growth rounding cannot tell from none
//!           are left out

use nalgebra::Complex;

use crate::error::SimError;
use crate::system::System;
use crate::workspace::Workspace;

mod bursting;
mod bursts;
mod changes;
mod frequencies;
mod growth;
mod limit_cycle;
mod locked;
mod moments;
mod rounds;
mod sought;
mod stretches;
mod swing;

pub use bursts::{Bursts, bursts};
pub(crate) use bursts::{Quiet, bursts_along, bursts_beside};
pub use changes::Changes;
use frequencies::frequencies_of;
pub use growth::{Growing, fastest};
pub(crate) use locked::beside_the_ripple;
pub use locked::locked;
pub(crate) use rounds::{Round, comes_round, repeats, wanders};
pub(crate) use swing::{ends_as, repeating};

/// Whether the operating point in `ws.x` is one the circuit stays in: an amplifier that oscillates by
/// itself is told at once and not after hundreds of cycles that never close.
///
/// # Errors
/// [`SimError::Oscillates`] when a disturbance of it grows.
pub fn rests(system: &System, ws: &Workspace) -> Result<(), SimError> {
    match growing(system, &mut ws.clone())? {
        None => Ok(()),
        Some(growing) => Err(growing.into()),
    }
}

/// The fastest growing natural frequency at the solution in `ws.x`, if any grows.
///
/// # Errors
/// [`SimError::Undetermined`] when the equations determine nothing, with which nothing is known to be stable.
pub fn growing(system: &System, ws: &mut Workspace) -> Result<Option<Growing>, SimError> {
    let x = ws.x.clone();
    growing_over(system, &[x], ws)
}

/// The fastest growing natural frequency of the circuit with its mean slopes over a mains period, `samples`
/// `[samples][n+1]`, if any grows.
///
/// # Errors
/// [`SimError::Undetermined`] when the equations determine nothing.
pub fn growing_over(
    system: &System,
    samples: &[Vec<f64>],
    ws: &mut Workspace,
) -> Result<Option<Growing>, SimError> {
    Ok(grows_over(system, samples, ws)?.map(|growing| told(system, samples, growing, ws)))
}

/// As [`growing_over`], for a fraction of the cost: what runs away without swinging has no frequency as yet.
///
/// # Errors
/// As [`growing_over`].
pub fn grows_over(
    system: &System,
    samples: &[Vec<f64>],
    ws: &mut Workspace,
) -> Result<Option<Growing>, SimError> {
    let slopes = system.mean_slopes(samples, ws);
    fastest_growing(system, &slopes)
}

/// What was found by [`grows_over`] with what it comes to.
pub(crate) fn told(
    system: &System,
    samples: &[Vec<f64>],
    growing: Growing,
    ws: &mut Workspace,
) -> Growing {
    if let [x] = samples {
        let mut ws = ws.clone();
        ws.x.copy_from_slice(x);
        return ends_as(system, growing, &mut ws);
    }
    // The ripple of the mains is no part of it, and would have to be followed along.
    let mut of = system.averaged(samples, ws);
    ends_as(&of.system, growing, &mut of.ws)
}

/// The fastest growing natural frequency of the circuit with these slopes, `[nnz]`; what runs away without swinging has
/// none as yet.
fn fastest_growing(system: &System, slopes: &[f64]) -> Result<Option<Growing>, SimError> {
    if sought::too_many(system) {
        return Ok(fastest(&sought::sought(system, slopes)?));
    }
    let none = Changes::none(system);
    let mut candidates: Vec<Complex<f64>> = frequencies_of(system, slopes, &none, SHIFT)?
        .into_iter()
        .filter(|s| s.re > 0.0)
        .collect();
    candidates.sort_by(|a, b| b.re.total_cmp(&a.re));
    for s in candidates {
        let found = grows_again(system, slopes, s)?;
        if let Some(growing) = found.and_then(|found| fastest(&[found])) {
            return Ok(Some(growing));
        }
    }
    Ok(None)
}

/// What seems to grow looked at again, with a shift of its own size; none when it does not stand there.
fn grows_again(
    system: &System,
    slopes: &[f64],
    s: Complex<f64>,
) -> Result<Option<Complex<f64>>, SimError> {
    // No pole of any circuit: a growth is rarely a round part of its frequency.
    let again = frequencies_of(system, slopes, &Changes::none(system), AGAIN * s.norm())?;
    let same = |other: &&Complex<f64>| (*other - s).norm() < CONFIRMED * s.norm();
    Ok(again
        .iter()
        .filter(same)
        .find(|found| found.re > 0.0)
        .copied())
}

/// The highest frequency, Hz, at which it is asked what an oscillation comes to: above a megahertz it is the leads that
/// decide, which no drawing shows.
const HIGHEST: f64 = 1e6;

/// Shift, 1/s: 1.6 kHz.
const SHIFT: f64 = 1e4;

/// Shift at a second look, of the size of what is looked at.
const AGAIN: f64 = 1.37;

/// How near to where it was a natural frequency must be found again, of its size.
const CONFIRMED: f64 = 0.05;

/// All natural frequencies s, 1/s, that rounding does not hide.
///
/// # Errors
/// [`SimError::Undetermined`] when the equations determine nothing.
pub fn natural_frequencies(
    system: &System,
    ws: &mut Workspace,
) -> Result<Vec<Complex<f64>>, SimError> {
    let x = ws.x.clone();
    natural_frequencies_over(system, &Changes::none(system), &[x], ws)
}

/// All natural frequencies s, 1/s, of the circuit with changes and its mean slopes over a mains period, `samples`
/// `[samples][n+1]`.
///
/// # Errors
/// [`SimError::Undetermined`] when the equations determine nothing.
pub fn natural_frequencies_over(
    system: &System,
    changes: &Changes,
    samples: &[Vec<f64>],
    ws: &mut Workspace,
) -> Result<Vec<Complex<f64>>, SimError> {
    let slopes = system.mean_slopes(samples, ws);
    frequencies_of(system, &slopes, changes, SHIFT)
}

#[cfg(test)]
mod tests {
    use super::{Changes, growing, natural_frequencies, natural_frequencies_over};
    use crate::parts::Part;
    use crate::{Circuit, NodeId, System};
    use models::transistor::Transistor;

    #[test]
    fn a_tuned_circuit_has_its_textbook_frequency() {
        // s = −R/2L ± √((R/2L)² − 1/LC)
        let (r, l, c) = (20.0, 1e-3, 1e-9);
        let mut circuit = Circuit::new();
        let a = circuit.node("a");
        circuit
            .add("L1", Part::inductor(l, r), &[a, NodeId::CHASSIS])
            .expect("well formed");
        circuit
            .add("C1", Part::capacitor(c), &[a, NodeId::CHASSIS])
            .expect("well formed");
        let system = System::of(&circuit).expect("well formed");
        let mut ws = system.workspace();
        let modes = natural_frequencies(&system, &mut ws).expect("it has a rest");
        assert_eq!(modes.len(), 2);
        let (re, im) = (
            -r / (2.0 * l),
            (1.0 / (l * c) - (r / (2.0 * l)).powi(2)).sqrt(),
        );
        for mode in modes {
            // A dozen digits: two unknowns, rounding of a square root near 1e6.
            assert!((mode.re / re - 1.0).abs() < 1e-9, "{mode}");
            assert!((mode.im.abs() / im - 1.0).abs() < 1e-12, "{mode}");
        }
        assert_eq!(growing(&system, &mut ws), Ok(None));
    }

    #[test]
    fn changes_of_the_equations_are_parts_that_were_never_drawn() {
        // s = −(1/R + g)/C with g added across both, and with 2g and 2g in series by way of one unknown more.
        let (r, c, g) = (10e3, 1e-6, 3e-4);
        let mut circuit = Circuit::new();
        let a = circuit.node("a");
        for (name, part) in [("R1", Part::resistor(r)), ("C1", Part::capacitor(c))] {
            circuit
                .add(name, part, &[a, NodeId::CHASSIS])
                .expect("well formed");
        }
        let system = System::of(&circuit).expect("well formed");
        let mut ws = system.workspace();
        let at = system.voltage_of(a);
        let mut across = Changes::none(&system);
        across.add(at, at, g, 0.0);
        let mut series = Changes::none(&system);
        let inner = series.unknown();
        series.add(at, at, 2.0 * g, 0.0);
        series.add(at, inner, -2.0 * g, 0.0);
        series.add(inner, at, -2.0 * g, 0.0);
        series.add(inner, inner, 4.0 * g, 0.0);
        for (changes, exact) in [
            (Changes::none(&system), -1.0 / (r * c)),
            (across, -(1.0 / r + g) / c),
            (series, -(1.0 / r + g) / c),
        ] {
            let rest = [ws.x.clone()];
            let modes =
                natural_frequencies_over(&system, &changes, &rest, &mut ws).expect("it has a rest");
            // A handful of roundings.
            assert_eq!(modes.len(), 1);
            assert!((modes[0] / exact - 1.0).norm() < 1e-12, "{}", modes[0]);
        }
    }

    #[test]
    fn what_stores_nothing_has_no_frequency() {
        let mut circuit = Circuit::new();
        let a = circuit.node("a");
        for name in ["R1", "R2"] {
            circuit
                .add(name, Part::resistor(1e3), &[a, NodeId::CHASSIS])
                .expect("well formed");
        }
        let system = System::of(&circuit).expect("well formed");
        let mut ws = system.workspace();
        assert_eq!(natural_frequencies(&system, &mut ws), Ok(Vec::new()));
        assert_eq!(growing(&system, &mut ws), Ok(None));
    }

    #[test]
    fn what_is_slow_elsewhere_hides_nothing() {
        // A tuned circuit with a negative resistance beside it: s = g/2C ± j·√(1/LC − (g/2C)²). A transistor's
        // reversed current would do as well; here the parts that stand apart are of interest: 10 µF behind the
        // 100 GΩ of an open contact (11 days), an hour, and a coil that settles in picoseconds.
        let (l, c, g) = (1e-3, 1e-9, 1e-5);
        let mut circuit = Circuit::new();
        let a = circuit.node("a");
        for (name, part) in [("L1", Part::inductor(l, 0.0)), ("C1", Part::capacitor(c))] {
            circuit
                .add(name, part, &[a, NodeId::CHASSIS])
                .expect("well formed");
        }
        for (k, (ohms, farads)) in [(1e11, 10e-6), (1e9, 3.6e-6), (1.0, 1e-12)]
            .into_iter()
            .enumerate()
        {
            let far = circuit.node(&format!("n{k}"));
            circuit
                .add(&format!("R{k}"), Part::resistor(ohms), &[a, far])
                .expect("well formed");
            let part = Part::capacitor(farads);
            circuit
                .add(&format!("D{k}"), part, &[far, NodeId::CHASSIS])
                .expect("well formed");
        }
        let system = System::of(&circuit).expect("well formed");
        let mut ws = system.workspace();
        let at = system.voltage_of(a);
        let mut negative = Changes::none(&system);
        negative.add(at, at, -g, 0.0);
        let rest = [ws.x.clone()];
        let modes =
            natural_frequencies_over(&system, &negative, &rest, &mut ws).expect("it has an answer");
        let grows = modes.iter().find(|s| s.re > 0.0).expect("it grows");
        // The picofarad behind an ohm stands across the tuned circuit.
        let c = c + 1e-12;
        let exact = (1.0 / (l * c) - (g / (2.0 * c)).powi(2)).sqrt();
        assert!((grows.im.abs() / exact - 1.0).abs() < 1e-6, "{grows}");
        assert!((grows.re * 2.0 * c / g - 1.0).abs() < 1e-3, "{grows}");
        let slowest = modes.iter().map(|s| s.norm()).fold(f64::INFINITY, f64::min);
        assert!((slowest * 1e11 * 10e-6 - 1.0).abs() < 0.05, "{slowest} 1/s");
    }

    #[test]
    fn a_feedback_pair_runs_away_at_its_textbook_rate() {
        // Each collector drives the other base across R ‖ C: with slopes g at rest and base currents left
        // out, C s = −1/R ± g, so the antisymmetric mode grows at (gR − 1)/RC.
        let (r, c, i_s, v_t) = (1e3, 1e-6, 1e-4, 0.025);
        let mut circuit = Circuit::new();
        let (a, b) = (circuit.node("a"), circuit.node("b"));
        for (name, at) in [("A", a), ("B", b)] {
            let part = Part::resistor(r);
            circuit
                .add(&format!("R{name}"), part, &[at, NodeId::CHASSIS])
                .expect("well formed");
            circuit
                .add(
                    &format!("C{name}"),
                    Part::capacitor(c),
                    &[at, NodeId::CHASSIS],
                )
                .expect("well formed");
        }
        let transistor = || {
            Part::Device(
                Transistor {
                    alpha: 1.0,
                    i_s,
                    v_t,
                }
                .into(),
            )
        };
        circuit
            .add("Q1", transistor(), &[a, b, NodeId::CHASSIS])
            .expect("well formed");
        circuit
            .add("Q2", transistor(), &[b, a, NodeId::CHASSIS])
            .expect("well formed");
        let system = System::of(&circuit).expect("well formed");
        let mut ws = system.workspace();
        let found = growing(&system, &mut ws)
            .expect("it has an answer")
            .expect("gR is 4");
        let exact = (i_s / v_t * r - 1.0) / (r * c);
        assert!(
            (found.rate / exact - 1.0).abs() < 1e-9,
            "{found:?}, not {exact}"
        );
        assert!(found.frequency.abs() < 1e-6, "it does not swing: {found:?}");
    }
}
