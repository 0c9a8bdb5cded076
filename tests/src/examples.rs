//! The amplifiers of `examples/` and drawings of the checks' own, read and compiled.

use std::path::PathBuf;

use measure::driven::power::PowerOf;
use measure::{Measurement, UnderTest};
use sim::SimError;
use sim::amplifier::Amplifier;
use sim::operating_point::operating_point;
use sim::parts::Waveform;
use sim::periodic::{Period, Settling, settle};
use sim::{System, Tolerances, Workspace};

/// A folder of `examples/` and drives at which its amplifier is tested.
#[derive(Clone, Copy, Debug)]
pub struct Example {
    /// The folder.
    pub name: &'static str,
    /// Peak of the generator for about half of the rated power, V.
    pub half_power: f64,
    /// Peak of the generator that drives the output stage into grid current and cut-off, V.
    pub overdrive: f64,
}

/// All of them.
pub const EXAMPLES: [Example; 3] = [
    Example {
        name: "01_single_ended_6v6",
        half_power: 0.18,
        overdrive: 0.6,
    },
    Example {
        name: "02_hall_2a3_push_pull",
        half_power: 0.22,
        overdrive: 0.7,
    },
    Example {
        name: "03_el84_push_pull_feedback",
        half_power: 0.44,
        overdrive: 1.4,
    },
];

/// The text of an amplifier file of these parts. The generator is a node and the resistance behind which it
/// drives it; a line put behind the text belongs to the bench.
pub fn text_of_parts(parts: &str, (into, resistance): (&str, &str), load: &str) -> String {
    format!(
        r#"[amplifier]
title = "A drawing"
source = "own design, invented for a check"
[parts]
{parts}
[bench]
generator = {{ into = "{into}", resistance = "{resistance}" }}
load = "{load}"
"#
    )
}

/// An amplifier with its equations.
#[derive(Debug)]
pub struct Opened {
    /// As read.
    pub amplifier: Amplifier,
    /// Its equations.
    pub system: System,
}

impl Example {
    /// Its amplifier file.
    ///
    /// # Panics
    /// When it is not there.
    pub fn text(&self) -> String {
        let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR"))
            .join("../examples")
            .join(self.name);
        std::fs::read_to_string(folder.join("amplifier.toml")).expect("the example is there")
    }

    /// Reads the file with these settings before its own, e.g. `("R16", "1k")`.
    ///
    /// # Panics
    /// When the file has faults.
    pub fn open(&self, set: &[(&str, &str)]) -> Opened {
        Opened::read(&self.text(), set)
    }
}

impl Opened {
    /// From the text of an amplifier file.
    ///
    /// # Panics
    /// When the text has faults.
    pub fn read(text: &str, set: &[(&str, &str)]) -> Self {
        let set: Vec<(String, String)> = set
            .iter()
            .map(|(part, value)| ((*part).to_owned(), (*value).to_owned()))
            .collect();
        let amplifier = sheet::read(text, &set).expect("a file without faults");
        let system = System::of(&amplifier.circuit).expect("a circuit without faults");
        Self { amplifier, system }
    }

    /// From a parts list, a generator as for [`text_of_parts`] and a load.
    ///
    /// # Panics
    /// When the drawing has faults.
    pub fn of_parts(parts: &str, generator: (&str, &str), load: &str) -> Self {
        Self::read(&text_of_parts(parts, generator, load), &[])
    }

    /// From the parts of a supply, on a bench that does nothing: its generator is behind 1 GΩ.
    ///
    /// # Panics
    /// When the drawing has faults.
    pub fn supply(parts: &str, set: &[(&str, &str)]) -> Self {
        let parts =
            format!("{parts}\nRB = {{ resistor = \"1k\", between = [\"bench\", \"chassis\"] }}");
        let text = text_of_parts(&parts, ("bench", "1000M"), "RB");
        Self::read(&text, set)
    }

    /// At rest.
    ///
    /// # Panics
    /// When it has none.
    pub fn under_test(&self) -> UnderTest<'_> {
        UnderTest::find(&self.amplifier, &self.system).expect("it rests")
    }

    /// An answer about it.
    ///
    /// # Errors
    /// Those of its rest and of the question.
    pub fn ask<M: Measurement>(&self, question: &M) -> Result<M::Answer, SimError> {
        question.about(&self.amplifier, &self.system)
    }

    /// The question of its bench.
    pub fn bench(&self) -> PowerOf {
        PowerOf::bench(&self.amplifier.bench)
    }

    /// At rest, the generator set to a sine of that peak, V, at the test frequency.
    ///
    /// # Errors
    /// Those of the operating point.
    pub fn driven(&self, amplitude: f64) -> Result<Workspace, SimError> {
        self.driven_at(amplitude, self.amplifier.bench.frequency)
    }

    /// At rest, the generator set to a sine of that peak, V, and frequency, Hz.
    ///
    /// # Errors
    /// Those of the operating point.
    pub fn driven_at(&self, amplitude: f64, frequency: f64) -> Result<Workspace, SimError> {
        let mut ws = self.system.workspace();
        operating_point(&self.system, &Tolerances::default(), &mut ws)?;
        self.drive_at(amplitude, frequency, &mut ws);
        Ok(ws)
    }

    /// Sets the generator to a sine of that peak, V, at the test frequency.
    pub fn drive(&self, amplitude: f64, ws: &mut Workspace) {
        self.drive_at(amplitude, self.amplifier.bench.frequency, ws);
    }

    /// Sets the generator to a sine of that peak, V, and frequency, Hz.
    fn drive_at(&self, amplitude: f64, frequency: f64, ws: &mut Workspace) {
        let generator = self.amplifier.bench.generator;
        for (part, waveform) in self.system.sources().zip(&mut ws.waveforms) {
            if part == generator {
                *waveform = Waveform::Sine {
                    amplitude,
                    frequency,
                    phase: 0.0,
                    offset: 0.0,
                };
            }
        }
    }

    /// The period of the test frequency, s.
    pub fn cycle(&self) -> f64 {
        1.0 / self.amplifier.bench.frequency
    }

    /// A settled period from `ws`.
    ///
    /// # Errors
    /// Those of settling.
    pub fn settle(&self, settling: &Settling, ws: &mut Workspace) -> Result<Period, SimError> {
        settle(
            &self.system,
            self.cycle(),
            settling,
            &Tolerances::default(),
            ws,
        )
    }

    /// The unknowns at the ends of the load.
    pub fn load(&self) -> (usize, usize) {
        let (a, b) = self.amplifier.bench.load_nodes;
        (
            self.system.voltage_of(a) as usize,
            self.system.voltage_of(b) as usize,
        )
    }
}
