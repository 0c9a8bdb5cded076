//! The wire by which the feedback leaves the output, cut in the algebra: what the two ends of the cut see.
//!
//! ```text
//! I₁ = y₁₁V₁ + y₁₂V₂,   I₂ = y₂₁V₁ + y₂₂V₂,   T = (y₁₂ + y₂₁)/(y₁₁ + y₂₂)
//! ```
//!
//! Port 1 is the output without the parts of the loop, port 2 their ends that were joined to it. The
//! admittances of the closed circuit at the output and at the far ends are the inverse of its transfer
//! impedances there; with the parts taken off these, everything at the ports follows.
//!
//! ```text
//! Y = Z⁻¹,   rest = Y − parts = | a bᵀ |,   V_k = (D + diag y)⁻¹ (y·V₂ − c·V₁)
//!                               | c D  |
//! I₁ = a·V₁ + bᵀV_k,   I₂ = Σ y_k (V₂ − V_k)
//! ```
//!
//! Symbols   Z volts at node i for each ampere into node j, Ω;  y_k admittance of the part to far end k, S;
//!           b what the amplifier draws at the output for each volt at a far end, S;  c the reverse
//! Source    two injections, of voltage and of current: Middlebrook, Int. J. Electronics 38 (1975) 485;
//!           with both directions in one formula: Tian, Visvanathan, Hantgan & Kundert, IEEE Circuits &
//!           Devices 17 (2001) 31 (both from memory). The way through Z⁻¹ is ours
//! Care      with one far end T = y(b + c)/(a(d + y) + yd − bc): the same seen from either end of the part

use nalgebra::{Complex, DMatrix, DVector};

use sim::circuit::{Circuit, NodeId, PartId};
use sim::error::SimError;
use sim::parts::Part;
use sim::small_signal::{Excitation, SmallSignal};

/// Both sides of the cut at one frequency, S.
#[derive(Clone, Debug)]
pub(super) struct Cut {
    /// `[1+m × 1+m]` the circuit without the parts of the loop: output first, then the far ends.
    pub(super) rest: DMatrix<Complex<f64>>,
    /// `[m]` admittance to each far end.
    pub(super) parts: DVector<Complex<f64>>,
}

impl Cut {
    /// The cut of the parts that lead from a node to their far ends, at the frequency tuned to; none when a stiff source holds a far end, where no
    /// signal gets in. One solution for each node.
    pub(super) fn of(
        (from, branches): (NodeId, &[(PartId, NodeId)]),
        circuit: &Circuit,
        linear: &mut SmallSignal<'_>,
    ) -> Result<Option<Self>, SimError> {
        let frequency = linear.frequency();
        let mut nodes = vec![from];
        for &(_, far) in branches {
            if !nodes.contains(&far) {
                nodes.push(far);
            }
        }
        let count = nodes.len();
        let mut impedances = DMatrix::zeros(count, count);
        for (j, &into) in nodes.iter().enumerate() {
            let x = linear.response(Excitation::Current(into, NodeId::CHASSIS))?;
            for (i, &node) in nodes.iter().enumerate() {
                impedances[(i, j)] = linear.voltage(&x, node, NodeId::CHASSIS);
            }
        }
        let mut parts = DVector::zeros(count - 1);
        for &(part, far) in branches {
            let k = nodes[1..].iter().position(|node| *node == far);
            parts[k.expect("every far end is listed")] +=
                admittance(&circuit.part(part).part, frequency).unwrap_or_default();
        }
        let Some(mut rest) = impedances.try_inverse() else {
            return Ok(None);
        };
        for (k, y) in parts.iter().enumerate() {
            rest[(0, 0)] -= y;
            rest[(k + 1, k + 1)] -= y;
            rest[(0, k + 1)] += y;
            rest[(k + 1, 0)] += y;
        }
        Ok(Some(Self { rest, parts }))
    }

    /// The loop gain T.
    pub(super) fn loop_gain(&self) -> Complex<f64> {
        let m = self.parts.len();
        let one = Complex::new(1.0, 0.0);
        let mut far = self.rest.view((1, 1), (m, m)).into_owned();
        for (k, y) in self.parts.iter().enumerate() {
            far[(k, k)] += y;
        }
        let far = far.lu();
        let forward = self.rest.view((0, 1), (1, m));
        let reverse = self.rest.view((1, 0), (m, 1)).into_owned();
        // Far ends for one volt at either port.
        let (Some(of_1), Some(of_2)) = (
            far.solve(&(-reverse)),
            far.solve(&DMatrix::from_column_slice(m, 1, self.parts.as_slice())),
        ) else {
            return Complex::default();
        };
        let drawn = |volts: &DMatrix<Complex<f64>>| (forward * volts)[(0, 0)];
        let sent = |own: Complex<f64>, volts: &DMatrix<Complex<f64>>| -> Complex<f64> {
            let each = self.parts.iter().zip(volts.iter());
            each.map(|(y, v)| y * (own - v)).sum()
        };
        let (y_11, y_12) = (self.rest[(0, 0)] + drawn(&of_1), drawn(&of_2));
        let (y_21, y_22) = (sent(Complex::default(), &of_1), sent(one, &of_2));
        (y_12 + y_21) / (y_11 + y_22)
    }
}

/// Whether a part can carry feedback: a resistor or a capacitor.
pub(super) fn passes(circuit: &Circuit, part: PartId) -> bool {
    admittance(&circuit.part(part).part, 0.0).is_some()
}

/// The admittance of a resistor or capacitor, S; none of any other part.
fn admittance(part: &Part, frequency: f64) -> Option<Complex<f64>> {
    match part {
        Part::Resistor(resistor) => Some(Complex::new(1.0 / resistor.r, 0.0)),
        Part::Capacitor(capacitor) => {
            let y = Complex::new(0.0, std::f64::consts::TAU * frequency * capacitor.c);
            Some(y / (1.0 + y * capacitor.esr) + capacitor.leakage)
        }
        Part::Inductor(_)
        | Part::Transformer(_)
        | Part::Valve(_)
        | Part::Device(_)
        | Part::Diodes(_)
        | Part::Source(_)
        | Part::Pot(_)
        | Part::Switch(_)
        | Part::Loudspeaker(_) => None,
    }
}
