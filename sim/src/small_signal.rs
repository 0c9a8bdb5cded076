//! The circuit linearised about its operating point: what small signals do in it.
//!
//! ```text
//! (G + jω·C)·x = b,   G = ∂f/∂x at rest,   ω = 2πf
//! ```
//!
//! On the mains the slopes vary in step with it. Below [`EXACT_BELOW`] cycles of a signal in a mains period that is
//! followed, see `varying`; above, where the first capacitor of the supply has taken over from its rectifier, their
//! mean serves.
//!
//! Symbols   x  phasors of the unknowns, V, A, Wb;  b  what drives them: 1 A into a node, 1 V of a source
//! Source    linearised circuit equations; for the transposed solution Director & Rohrer, IEEE Trans.
//!           Circuit Theory 16 (1969) 318 (from memory)
//! Valid     signals so small that every valve and core keeps its slopes
//! Care      a core with hysteresis answers with its reversible slope, as small signals do

use std::sync::Arc;

use nalgebra::Complex;

use crate::circuit::{NodeId, PartId};
use crate::error::{Question, SimError};
use crate::lu::Factors;
use crate::system::{System, UnknownId};
use crate::workspace::Workspace;

mod closing;
pub(crate) mod varying;

use varying::Varying;

/// Cycles of a signal in a mains period below which the slopes are followed through the period: twice the mains, where
/// a supply of 50 µF is 32 Ω whatever its rectifier does.
pub const EXACT_BELOW: f64 = 2.0;

/// States up to which that is done: an inverse of as many is made for each frequency.
pub(crate) const MOST_STATES: usize = 200;

/// Whether the slopes of that circuit are followed through a mains period.
pub(crate) fn follows(system: &System) -> bool {
    varying::states(system).len() <= MOST_STATES
}

/// A circuit linearised at an operating point, and tuned to one frequency at a time.
#[derive(Clone, Debug)]
pub struct SmallSignal<'a> {
    system: &'a System,
    /// `[nnz]` slopes G, of linear parts and devices alike.
    slopes: Vec<f64>,
    values: Vec<Complex<f64>>,
    factors: Factors<Complex<f64>>,
    frequency: f64,
    period: Option<MainsPeriod>,
}

/// A mains period and what it makes of slow signals.
#[derive(Clone, Debug)]
struct MainsPeriod {
    samples: Arc<Vec<Vec<f64>>>,
    /// s.
    duration: f64,
    ws: Workspace,
    /// Made when first asked for.
    varying: Option<Varying>,
}

/// What drives the circuit, at unit strength.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Excitation {
    /// One volt, the electromotive force of a source.
    Source(PartId),
    /// One ampere into the first node and out of the second.
    Current(NodeId, NodeId),
}

impl<'a> SmallSignal<'a> {
    /// Linearises at the solution in `ws.x`. Answers wait for [`SmallSignal::tune`].
    pub fn at(system: &'a System, ws: &mut Workspace) -> Self {
        let x = ws.x.clone();
        Self::over(system, &[x], ws)
    }

    /// Linearises with the mean slopes of a mains period, `samples` `[samples][n+1]`: what a signal meets
    /// on the average, rectifiers that conduct for a while included.
    pub fn over(system: &'a System, samples: &[Vec<f64>], ws: &mut Workspace) -> Self {
        let slopes = system.mean_slopes(samples, ws);
        Self {
            system,
            values: vec![Complex::default(); slopes.len()],
            slopes,
            factors: Factors::new(system.symbolic()),
            frequency: f64::NAN,
            period: None,
        }
    }

    /// Linearises along a mains period, `samples` `[samples][n+1]` evenly over `duration`, s: what is slower than
    /// [`EXACT_BELOW`] cycles in it meets the slopes as they come, what is faster their mean.
    pub fn along(
        system: &'a System,
        samples: &Arc<Vec<Vec<f64>>>,
        duration: f64,
        ws: &mut Workspace,
    ) -> Self {
        Self {
            period: follows(system).then(|| MainsPeriod {
                samples: Arc::clone(samples),
                duration,
                ws: ws.clone(),
                varying: None,
            }),
            ..Self::over(system, samples, ws)
        }
    }

    /// Goes to a frequency, Hz; one factorisation.
    ///
    /// # Errors
    /// [`SimError::Undetermined`] when the circuit has no answer there: an ideal resonance.
    pub fn tune(&mut self, frequency: f64) -> Result<(), SimError> {
        if frequency.to_bits() == self.frequency.to_bits() {
            return Ok(());
        }
        self.frequency = f64::NAN;
        match &mut self.period {
            Some(period) if period.is_slow(frequency) => period.tune(self.system, frequency)?,
            Some(_) | None => self.tune_to_mean(frequency)?,
        }
        self.frequency = frequency;
        Ok(())
    }

    /// The slopes along the period, when the frequency tuned to asks for them.
    fn varying(&self) -> Option<&Varying> {
        let period = self.period.as_ref()?;
        let varying = period.varying.as_ref()?;
        period.is_slow(self.frequency).then_some(varying)
    }

    fn tune_to_mean(&mut self, frequency: f64) -> Result<(), SimError> {
        let omega = std::f64::consts::TAU * frequency;
        let stored = self.system.storage().data();
        for ((value, g), c) in self.values.iter_mut().zip(&self.slopes).zip(stored) {
            *value = Complex::new(*g, omega * c);
        }
        self.factors
            .factor(self.system.symbolic(), &self.values)
            .map_err(|singular| self.system.undetermined(singular))
    }

    /// The frequency tuned to, Hz; NaN before the first.
    pub fn frequency(&self) -> f64 {
        self.frequency
    }

    /// `[n+1]` phasors of all unknowns, the chassis last; V or A for each volt or ampere put in.
    ///
    /// # Errors
    /// [`Question::NotASource`] when the part drives nothing.
    ///
    /// # Panics
    /// Before [`SmallSignal::tune`].
    pub fn response(&mut self, to: Excitation) -> Result<Vec<Complex<f64>>, SimError> {
        let n = self.system.len();
        let mut b = vec![0.0; n + 1];
        match to {
            Excitation::Source(part) => {
                let row = self.row_of(part)?;
                b[row] += 1.0;
            }
            Excitation::Current(from, into) => self.apart(from, into, &mut b),
        }
        b[n] = 0.0;
        if let Some(varying) = self.varying() {
            return Ok(varying.response(self.system, &b[..n]));
        }
        let mut x: Vec<_> = b.into_iter().map(Complex::from).collect();
        self.factors.solve(&mut x[..n]);
        Ok(x)
    }

    /// The voltage from `a` to `b` that each excitation would make: all of them for the cost of one
    /// solution.
    ///
    /// # Panics
    /// Before [`SmallSignal::tune`].
    pub fn transfers(&mut self, a: NodeId, b: NodeId) -> Transfers<'a> {
        let n = self.system.len();
        let mut c = vec![0.0; n + 1];
        self.apart(a, b, &mut c);
        c[n] = 0.0;
        let y = if let Some(varying) = self.varying() {
            varying.transfers(self.system, &c[..n])
        } else {
            let mut y: Vec<_> = c.into_iter().map(Complex::from).collect();
            self.factors.solve_transposed(&mut y[..n]);
            y
        };
        Transfers {
            system: self.system,
            y,
        }
    }

    /// One at `a` and minus one at `b`, into `[n+1]`.
    fn apart(&self, a: NodeId, b: NodeId, side: &mut [f64]) {
        side[self.system.voltage_of(a) as usize] += 1.0;
        side[self.system.voltage_of(b) as usize] -= 1.0;
    }

    /// The voltage between two nodes of a response.
    pub fn voltage(&self, x: &[Complex<f64>], a: NodeId, b: NodeId) -> Complex<f64> {
        x[self.system.voltage_of(a) as usize] - x[self.system.voltage_of(b) as usize]
    }

    fn row_of(&self, part: PartId) -> Result<usize, SimError> {
        self.system
            .source_row(part)
            .map(|row| row as usize)
            .ok_or_else(|| SimError::Question(Question::NotASource("the part".to_owned())))
    }
}

impl MainsPeriod {
    fn is_slow(&self, frequency: f64) -> bool {
        frequency * self.duration < EXACT_BELOW
    }

    fn tune(&mut self, system: &System, frequency: f64) -> Result<(), SimError> {
        if self.varying.is_none() {
            let made = Varying::along(system, &self.samples, self.duration, &mut self.ws)?;
            self.varying = Some(made);
        }
        match &mut self.varying {
            Some(varying) => varying.tune(system, frequency),
            None => Ok(()),
        }
    }
}

/// The transfer from every place of the circuit to one voltage.
#[derive(Clone, Debug)]
pub struct Transfers<'a> {
    system: &'a System,
    /// `[n+1]` the solution of the transposed equations, the chassis last.
    y: Vec<Complex<f64>>,
}

impl Transfers<'_> {
    /// Volts for each ampere into the first node and out of the second, Ω.
    pub fn from_current(&self, into: NodeId, out_of: NodeId) -> Complex<f64> {
        self.y[self.system.voltage_of(into) as usize]
            - self.y[self.system.voltage_of(out_of) as usize]
    }

    /// Volts for each unit put into one equation: amperes into a node, volts into a branch, ampere-turns
    /// into a core.
    pub fn from_equation(&self, of: UnknownId) -> Complex<f64> {
        self.y[of as usize]
    }

    /// Volts for each volt in series with a branch: a source, or a winding by its number; the positive
    /// end towards the first node of the branch.
    pub fn from_branch(&self, part: PartId, number: usize) -> Option<Complex<f64>> {
        let branch = self.system.currents_of(part).get(number)?;
        Some(self.y[*branch as usize])
    }
}

#[cfg(test)]
mod tests {
    use super::{Excitation, SmallSignal};
    use crate::parts::{Part, Source, Waveform};
    use crate::{Circuit, NodeId, System};
    use nalgebra::Complex;

    #[test]
    fn a_divider_of_resistor_and_capacitor_is_its_closed_form() {
        let (r, c) = (10e3, 22e-9);
        let mut circuit = Circuit::new();
        let (a, b) = (circuit.node("a"), circuit.node("b"));
        let source = circuit
            .add(
                "V",
                Part::Source(Source {
                    waveform: Waveform::Dc(0.0),
                    resistance: 0.0,
                }),
                &[a, NodeId::CHASSIS],
            )
            .expect("well formed");
        circuit
            .add("R", Part::resistor(r), &[a, b])
            .expect("well formed");
        circuit
            .add("C", Part::capacitor(c), &[b, NodeId::CHASSIS])
            .expect("well formed");
        let system = System::of(&circuit).expect("well formed");
        let mut ws = system.workspace();
        let mut linear = SmallSignal::at(&system, &mut ws);
        for frequency in [1.0, 723.4, 1e6] {
            linear.tune(frequency).expect("it has an answer");
            let s = Complex::new(0.0, std::f64::consts::TAU * frequency);
            let exact = (1.0 + s * r * c).inv();
            let x = linear
                .response(Excitation::Source(source))
                .expect("a source");
            let direct = linear.voltage(&x, b, NodeId::CHASSIS);
            let transfers = linear.transfers(b, NodeId::CHASSIS);
            let adjoint = transfers
                .from_branch(source, 0)
                .expect("a source has a branch");
            // A handful of roundings.
            assert!((direct / exact - 1.0).norm() < 1e-14, "{direct}");
            assert!((adjoint / exact - 1.0).norm() < 1e-14, "{adjoint}");
            // One ampere into b meets R ‖ C.
            let x = linear
                .response(Excitation::Current(b, NodeId::CHASSIS))
                .expect("nodes");
            let impedance = linear.voltage(&x, b, NodeId::CHASSIS);
            assert!((impedance / (r * exact) - 1.0).norm() < 1e-14);
            let adjoint = transfers.from_current(b, NodeId::CHASSIS);
            assert!((adjoint / impedance - 1.0).norm() < 1e-14);
        }
    }
}
