//! What the amplifier is as a source and as a load: output and input impedance, damping, and what a
//! loudspeaker makes of it.
//!
//! ```text
//! 1/Zo = 1/Zt − 1/Zl,   D = R_rated/|Zo|,   deviation = |Zs/(Zs + Zo)| · |(R_rated + Zo)/R_rated|
//! Zi = 1/i − R_g
//! ```
//!
//! One ampere into the terminals of the load meets Zt: amplifier and load together, the generator at
//! rest. The load is taken out by its admittance, not by cutting it out of the circuit: that keeps the
//! circuit at the rest it has, whatever direct current the load carries, a secondary that only the load
//! earths stays determined, and feedback taken from the load's nodes stays where it is. Of sixteen digits
//! it costs as many as |Zo| has more than |Zl|.
//!
//! Symbols   Zl impedance of the load part, Ω;  Zs of the loudspeaker, Ω;  i current of the generator
//!           for each volt of it, A/V;  R_g its resistance, Ω
//! Source    IEC 60268-3, output source impedance and damping factor (from memory)
//! Valid     small signals about rest
//! Care      the deviation is what the loudspeaker adds to the response that the same amplifier has into
//!           the rated resistance; the response itself is another question

use nalgebra::Complex;
use serde::Serialize;

use crate::instruments::logarithmic::{decibels, spaced};
use crate::{Measurement, Progress, UnderTest};
use sim::amplifier::Bench;
use sim::circuit::{Circuit, NodeId, PartId};
use sim::error::{Question, SimError};
use sim::parts::{Loudspeaker, Part, Source};
use sim::small_signal::{Excitation, SmallSignal};
use sim::system::System;

mod two_loads;

pub use two_loads::TwoLoads;

/// The question.
#[derive(Clone, Debug)]
pub struct ImpedanceOf {
    /// The generator, a source.
    pub generator: PartId,
    /// The load, a resistor or a loudspeaker.
    pub load: PartId,
    /// Rated load, Ω.
    pub load_ohms: f64,
    /// Test frequency, Hz.
    pub frequency: f64,
    /// The band, Hz.
    pub from: f64,
    /// Its end, Hz.
    pub to: f64,
    /// The loudspeaker whose level is asked for.
    pub loudspeaker: Loudspeaker,
}

/// The answer. SI units.
#[derive(Clone, Debug, Serialize)]
pub struct Impedance {
    /// Test frequency, Hz.
    pub frequency: f64,
    /// Rated load, Ω.
    pub load_ohms: f64,
    /// Resistance of the generator, Ω.
    pub generator_ohms: f64,
    /// At the test frequency.
    pub at_test: At,
    /// At the standard frequencies within the band.
    pub standard: Vec<At>,
    /// The band, [`POINTS`] a decade.
    pub points: Vec<At>,
    /// What the generator sees at the test frequency, as resistance and capacitance side by side.
    pub input: Option<Parallel>,
    /// The output impedance by the method of two loads; none when no signal reaches the load.
    pub two_loads: Option<TwoLoads>,
    /// Where the loudspeaker is loudest against the test frequency, within the audio band.
    pub rise: Option<Extreme>,
    /// Where it is softest.
    pub dip: Option<Extreme>,
}

/// An impedance.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Ohms {
    /// Ω.
    pub magnitude: f64,
    /// Degrees; above zero it is inductive.
    pub phase_degrees: f64,
    /// Its resistive part, Ω.
    pub resistance: f64,
    /// Its reactive part, Ω.
    pub reactance: f64,
}

/// Everything at one frequency.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct At {
    /// Hz.
    pub frequency: f64,
    /// Output impedance; none where the terminals are open.
    pub output: Option<Ohms>,
    /// Rated load over the output impedance.
    pub damping: Option<f64>,
    /// Input impedance; none where the generator's terminals are open.
    pub input: Option<Ohms>,
    /// The loudspeaker's impedance.
    pub loudspeaker: Ohms,
    /// Voltage at the loudspeaker for a constant generator against that at the test frequency, dB; none when
    /// no signal reaches it.
    pub level_db: Option<f64>,
    /// Voltage at the loudspeaker against what the rated resistance would get, dB: the loudspeaker's part of it.
    pub deviation_db: Option<f64>,
}

/// A resistance and a capacitance side by side.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Parallel {
    /// Ω; none when it is infinite.
    pub resistance: Option<f64>,
    /// F; below zero the impedance is inductive.
    pub capacitance: f64,
}

/// A greatest deviation and its place.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Extreme {
    /// Hz.
    pub frequency: f64,
    /// dB against the test frequency.
    pub db: f64,
}

/// Frequencies a decade: the peak of a resonance of Q 4 is missed by 0.04 dB at most.
pub const POINTS: f64 = 100.0;

/// Frequencies at which figures are stated, Hz.
const STANDARD: [f64; 13] = [
    10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1e3, 2e3, 5e3, 10e3, 20e3, 50e3, 100e3,
];

/// Where the largest rise and dip are looked for, Hz.
const AUDIO: std::ops::RangeInclusive<f64> = 20.0..=20e3;

/// Of the load's admittance: less is rounding, the terminals are open.
const OPEN: f64 = 1e-12;

/// What the solution gives at one frequency.
struct Solved {
    frequency: f64,
    /// Admittance at the terminals without the load, S.
    output: Complex<f64>,
    /// Admittance at the generator's terminals, S.
    input: Complex<f64>,
    /// Voltage into the load for each volt of the generator.
    gain: Complex<f64>,
}

impl ImpedanceOf {
    /// The question the bench of an amplifier file asks: at its test frequency, with a typical loudspeaker.
    pub fn bench(bench: &Bench) -> Self {
        Self {
            generator: bench.generator,
            load: bench.load,
            load_ohms: bench.load_ohms,
            frequency: bench.frequency,
            from: bench.frequency,
            to: bench.frequency,
            loudspeaker: Loudspeaker::typical(bench.load_ohms),
        }
    }
}

impl Measurement for ImpedanceOf {
    type Answer = Impedance;

    /// Answers; one factorisation a frequency.
    ///
    /// # Errors
    /// [`SimError::Oscillates`] and [`Question::NotASource`].
    fn ask(&self, of: &UnderTest<'_>, _: &Progress<'_>) -> Result<Impedance, SimError> {
        of.lasts()?;
        let (circuit, system) = (of.circuit, of.system);
        let Part::Source(Source {
            resistance: generator_ohms,
            ..
        }) = circuit.part(self.generator).part
        else {
            return Err(SimError::Question(Question::NotASource(
                "the generator".to_owned(),
            )));
        };
        let (a, b) = self.terminals(circuit);
        let volts = |node| of.rest.mean(|x| x[system.voltage_of(node) as usize]);
        let at_rest = volts(a) - volts(b);
        let mut linear = of.linearised();
        let mut solve =
            |frequency| self.solve(circuit, system, &mut linear, generator_ohms, frequency);
        let test = solve(self.frequency)?;
        let mut at = |frequency| Ok(self.read(circuit, &solve(frequency)?, &test));
        let points = spaced(self.from, self.to, POINTS)
            .into_iter()
            .map(&mut at)
            .collect::<Result<Vec<At>, SimError>>()?;
        let standard = STANDARD
            .into_iter()
            .filter(|f| (self.from..=self.to).contains(f))
            .map(&mut at)
            .collect::<Result<Vec<At>, SimError>>()?;
        let audible = || {
            points.iter().filter_map(|at| {
                let db = at.deviation_db.filter(|_| AUDIO.contains(&at.frequency))?;
                Some(Extreme {
                    frequency: at.frequency,
                    db,
                })
            })
        };
        let (rise, dip) = (
            audible().max_by(|a, b| a.db.total_cmp(&b.db)),
            audible().min_by(|a, b| a.db.total_cmp(&b.db)),
        );
        Ok(Impedance {
            frequency: self.frequency,
            load_ohms: self.load_ohms,
            generator_ohms,
            at_test: self.read(circuit, &test, &test),
            input: parallel(test.input, self.frequency),
            two_loads: self.two_loads(circuit, &test, at_rest),
            standard,
            points,
            rise,
            dip,
        })
    }
}

impl ImpedanceOf {
    fn solve(
        &self,
        circuit: &Circuit,
        system: &System,
        linear: &mut SmallSignal<'_>,
        generator_ohms: f64,
        frequency: f64,
    ) -> Result<Solved, SimError> {
        let (a, b) = self.terminals(circuit);
        linear.tune(frequency)?;
        let x = linear.response(Excitation::Current(a, b))?;
        let together = linear.voltage(&x, a, b).inv();
        let load = self.load_impedance(circuit, frequency).inv();
        let x = linear.response(Excitation::Source(self.generator))?;
        let current = x[system.currents_of(self.generator)[0] as usize];
        Ok(Solved {
            frequency,
            output: together - load,
            // i = 1/(R_g + Z), so that 1/Z = i/(1 − R_g·i)
            input: current / (1.0 - generator_ohms * current),
            gain: linear.voltage(&x, a, b),
        })
    }

    fn terminals(&self, circuit: &Circuit) -> (NodeId, NodeId) {
        let nodes = &circuit.part(self.load).nodes;
        (nodes[0], nodes[1])
    }

    /// The impedance of the load as drawn, Ω.
    fn load_impedance(&self, circuit: &Circuit, frequency: f64) -> Complex<f64> {
        match &circuit.part(self.load).part {
            Part::Resistor(resistor) => resistor.r.into(),
            Part::Loudspeaker(loudspeaker) => loudspeaker.impedance(frequency),
            Part::Capacitor(_)
            | Part::Inductor(_)
            | Part::Transformer(_)
            | Part::Valve(_)
            | Part::Device(_)
            | Part::Diodes(_)
            | Part::Source(_)
            | Part::Pot(_)
            | Part::Switch(_) => self.load_ohms.into(),
        }
    }

    /// Voltage at the loudspeaker for each volt of the generator.
    fn level(&self, circuit: &Circuit, solved: &Solved) -> Complex<f64> {
        let load = self.load_impedance(circuit, solved.frequency).inv();
        // V = I/(Yo + Yl) for the current I that the shorted terminals would give.
        let shorted = solved.gain * (solved.output + load);
        shorted / (solved.output + self.loudspeaker.impedance(solved.frequency).inv())
    }

    /// 20 log of the loudspeaker's voltage over that of the rated resistance, dB.
    fn loudspeaker_db(&self, solved: &Solved) -> f64 {
        let loudspeaker = self.loudspeaker.impedance(solved.frequency).inv();
        decibels(((solved.output + 1.0 / self.load_ohms) / (solved.output + loudspeaker)).norm())
    }

    fn read(&self, circuit: &Circuit, solved: &Solved, test: &Solved) -> At {
        let level = self.level(circuit, solved) / self.level(circuit, test);
        let load = self.load_impedance(circuit, solved.frequency).inv();
        let output = (solved.output.norm() > OPEN * load.norm()).then(|| solved.output.inv());
        At {
            frequency: solved.frequency,
            output: output.map(Ohms::from),
            damping: output.map(|z| self.load_ohms / z.norm()),
            input: (solved.input.norm() > 0.0).then(|| Ohms::from(solved.input.inv())),
            loudspeaker: Ohms::from(self.loudspeaker.impedance(solved.frequency)),
            level_db: finite(decibels(level.norm())),
            deviation_db: finite(self.loudspeaker_db(solved) - self.loudspeaker_db(test)),
        }
    }
}

impl From<Complex<f64>> for Ohms {
    fn from(z: Complex<f64>) -> Self {
        Self {
            magnitude: z.norm(),
            phase_degrees: z.arg().to_degrees(),
            resistance: z.re,
            reactance: z.im,
        }
    }
}

fn parallel(admittance: Complex<f64>, frequency: f64) -> Option<Parallel> {
    (admittance.norm() > 0.0).then(|| Parallel {
        resistance: finite(admittance.re.recip()),
        capacitance: admittance.im / (std::f64::consts::TAU * frequency),
    })
}

fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}
