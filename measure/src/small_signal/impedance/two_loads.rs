//! The output impedance as a bench finds it: from the output into two loads.
//!
//! ```text
//! Zo = (V2 − V1) / (V1/R1 − V2/R2),   by magnitudes alone  R1 R2 (|V2| − |V1|) / (|V1| R2 − |V2| R1)
//! ```
//!
//! V1 and V2 are the phasors of the fundamental of two settled periods of the whole circuit, valve laws
//! and iron included, at a level too small to bend them: another road to the figure than the linearised
//! equations. With |V2| for R2 → ∞ the second formula is the familiar R (V_open/V_loaded − 1), right for
//! a resistive Zo only.
//!
//! Symbols   V1 output into R1, the rated load, V;  V2 into R2, V
//! Source    IEC 60268-3, output source impedance (from memory)
//! Care      where the load carries direct current the second one moves the rest and the figure with it

use nalgebra::Complex;
use serde::Serialize;

use super::{ImpedanceOf, Ohms, Solved};
use sim::System;
use sim::circuit::{Circuit, NodeId};
use sim::error::SimError;
use sim::operating_point::operating_point;
use sim::parts::{Part, Waveform};
use sim::periodic::{Settling, settle};
use sim::spectrum::Spectrum;
use sim::tolerances::Tolerances;

/// The second load over the first: far enough apart to tell, near enough to leave the amplifier as
/// stable as it is (an open one may not be).
const SECOND: f64 = 1.1;

/// Peak at the load, V: some tenths of a milliwatt in a loudspeaker, where no valve bends.
const LEVEL: f64 = 0.05;

/// No generator is raised beyond this for it, V peak.
const MOST_DRIVE: f64 = 0.1;

/// Periodicity asked for: the difference of the two outputs may be a hundredth of either.
const PERIODICITY: f64 = 1e-8;

/// How near to the settled period is near enough, relative, where rounding keeps a cycle from closing so well: a
/// hundred-thousandth of that difference.
const CLOSENESS: f64 = 1e-7;

/// Newton's iteration against the usual: the signal is a millionth of the supplies.
const CLOSER: f64 = 1e-4;

/// The method of two loads at the test frequency.
#[derive(Clone, Debug, Serialize)]
pub struct TwoLoads {
    /// First load, Ω.
    pub first_ohms: f64,
    /// Second load, Ω.
    pub second_ohms: f64,
    /// Peak at the first load, V.
    pub level: f64,
    /// Direct voltage across the load at rest, V: where there is some, the second load moves the rest.
    pub at_rest: f64,
    /// From the phasors of the settled periods; none when they could not be settled.
    pub phasors: Option<Ohms>,
    /// From their magnitudes alone, as a voltmeter gives them, Ω.
    pub magnitudes: Option<f64>,
    /// The phasors' figure against that of one ampere into the terminals, a ratio.
    pub difference: Option<f64>,
    /// Why there is none.
    pub failed: Option<String>,
}

impl ImpedanceOf {
    /// The method of two loads; none when the signal does not reach the load.
    pub(super) fn two_loads(
        &self,
        circuit: &Circuit,
        test: &Solved,
        at_rest: f64,
    ) -> Option<TwoLoads> {
        let gain = test.gain.norm();
        let level = LEVEL.min(gain * MOST_DRIVE);
        if level.is_nan() || level < 1e-6 * LEVEL {
            return None;
        }
        let (first, second) = (self.load_ohms, SECOND * self.load_ohms);
        let mut answer = TwoLoads {
            first_ohms: first,
            second_ohms: second,
            level,
            at_rest,
            phasors: None,
            magnitudes: None,
            difference: None,
            failed: None,
        };
        let drive = level / gain;
        let mains = circuit.parts().any(|(_, placed)| {
            matches!(&placed.part, Part::Source(source) if source.waveform.alternates())
        });
        if mains {
            answer.failed =
                Some("not tried while the mains runs: its hum is in every reading".to_owned());
            return Some(answer);
        }
        let both = rayon::join(
            || self.phasor(circuit, first, drive),
            || self.phasor(circuit, second, drive),
        );
        match both {
            (Ok(v1), Ok(v2)) => {
                let z = (v2 - v1) / (v1 / first - v2 / second);
                let (m1, m2) = (v1.norm(), v2.norm());
                let magnitudes = first * second * (m2 - m1) / (m1 * second - m2 * first);
                answer.difference = Some((z * test.output - 1.0).norm());
                answer.phasors = Some(z.into());
                answer.magnitudes = Some(magnitudes);
            }
            (Err(error), _) | (_, Err(error)) => answer.failed = Some(error.to_string()),
        }
        Some(answer)
    }

    /// The fundamental across a resistance in the place of the load, V, settled at a peak of the generator.
    fn phasor(&self, circuit: &Circuit, load: f64, drive: f64) -> Result<Complex<f64>, SimError> {
        let mut circuit = circuit.clone();
        circuit.part_mut(self.load).part = Part::resistor(load);
        let sources: Vec<_> = circuit
            .parts()
            .filter_map(|(id, placed)| Some((id, placed.part.source()?.waveform.at_rest())))
            .collect();
        for (id, volts) in sources {
            circuit.set_waveform(id, Waveform::Dc(volts));
        }
        circuit.set_waveform(
            self.generator,
            Waveform::Sine {
                amplitude: drive,
                frequency: self.frequency,
                phase: 0.0,
                offset: 0.0,
            },
        );
        let system = System::of(&circuit)
            .expect("a resistor in the place of the load leaves the drawing sound");
        // The grid alone: a step refined for one load and not for the other would tell them apart.
        let tolerances = Tolerances {
            local_error: f64::INFINITY,
            ..Tolerances::default().closer(CLOSER)
        };
        let mut ws = system.workspace();
        operating_point(&system, &tolerances, &mut ws)?;
        let settling = Settling {
            periodicity: PERIODICITY,
            closeness: CLOSENESS,
            ..Settling::default()
        };
        let period = settle(
            &system,
            1.0 / self.frequency,
            &settling,
            &tolerances,
            &mut ws,
        )?;
        let [a, b]: [NodeId; 2] = circuit.part(self.load).nodes[..2]
            .try_into()
            .expect("a load has two ends");
        let (a, b) = (system.voltage_of(a) as usize, system.voltage_of(b) as usize);
        let spectrum = Spectrum::of_period(&period.of(|x| x[a] - x[b]));
        let fundamental = spectrum.harmonics[0];
        Ok(Complex::from_polar(
            fundamental.amplitude,
            fundamental.phase,
        ))
    }
}
