//! The circuit of a row on the bench, and the drive at which it is asked.

use measure::at_rest::voltages::voltages;
use measure::driven::power::{Level, PowerOf};
use models::data::ValveType;
use sheet::read;
use sim::amplifier::{Amplifier, NoteKind};
use sim::parts::Part;
use sim::{SimError, System, Tolerances};

/// A sheet is printed to about this, so a wanted level is met finely enough.
const LEVEL_MET: f64 = 1e-4;

/// Another law or fit for a type, by its name; none leaves what the library has.
pub type Valves<'a> = dyn Fn(&str) -> Option<ValveType> + Sync + 'a;

/// A circuit ready to be asked.
#[derive(Debug)]
pub struct Bench {
    amplifier: Amplifier,
    system: System,
    question: PowerOf,
    tolerances: Tolerances,
}

/// Mean currents of all valves together, A.
#[derive(Clone, Copy, Debug)]
pub struct Currents {
    /// Of the anodes.
    pub anodes: f64,
    /// Of the screens.
    pub screens: f64,
}

impl Bench {
    /// Reads the text and puts the valves in place.
    ///
    /// # Panics
    /// When the text of a row is no good amplifier file: that is our fault.
    pub fn of(text: &str, valves: &Valves<'_>) -> Self {
        let mut amplifier = read(text, &[]).unwrap_or_else(|faults| panic!("{text}\n{faults:#?}"));
        // What the reader assumes of practice, such as core loss, is not what a sheet is printed for.
        let assumed = |kind: &NoteKind| matches!(kind, NoteKind::Assumed { .. });
        assert!(
            !amplifier.notes.iter().any(|note| assumed(&note.kind)),
            "{text}\n{:#?}",
            amplifier.notes
        );
        let parts: Vec<_> = amplifier.circuit.parts().map(|(id, _)| id).collect();
        for id in parts {
            if let Part::Valve(valve) = &mut amplifier.circuit.part_mut(id).part
                && let Some(other) = valves(&valve.kind.name)
            {
                valve.kind = other;
            }
        }
        let system = amplifier
            .circuit
            .compile()
            .unwrap_or_else(|faults| panic!("{text}\n{faults:?}"));
        let question = PowerOf::bench(&amplifier.bench);
        Self {
            amplifier,
            system,
            question,
            tolerances: Tolerances::default(),
        }
    }

    /// With no signal.
    ///
    /// # Errors
    /// Those of the operating point.
    pub fn idle(&self) -> Result<Currents, SimError> {
        let mut ws = self.system.workspace();
        let chart = voltages(
            &self.amplifier.circuit,
            &self.system,
            &self.tolerances,
            &mut ws,
        )?;
        Ok(Currents {
            anodes: chart.valves.iter().map(|valve| valve.i_a).sum(),
            screens: chart.valves.iter().map(|valve| valve.i_s).sum(),
        })
    }

    /// At a peak of the generator, V.
    ///
    /// # Errors
    /// Those of a settled level.
    pub fn at(&self, drive: f64) -> Result<Level, SimError> {
        self.question.at_drive(
            &self.amplifier.circuit,
            &self.system,
            &self.tolerances,
            drive,
        )
    }

    /// The level where a rising `figure` first reaches `wanted`, by halving, and whether it does before `most` drive.
    ///
    /// # Errors
    /// Those of a settled level.
    pub fn at_first(
        &self,
        figure: impl Fn(&Level) -> f64,
        wanted: f64,
        most: f64,
    ) -> Result<(Level, bool), SimError> {
        const SCAN: u32 = 20;
        const HALVINGS: u32 = 14;
        let step = most / f64::from(SCAN);
        let mut level = self.at(step)?;
        for k in 2..=SCAN {
            if figure(&level) >= wanted {
                break;
            }
            level = self.at(step * f64::from(k))?;
        }
        if figure(&level) < wanted {
            return Ok((level, false));
        }
        let mut low = level.drive - step;
        for _ in 0..HALVINGS {
            let between = self.at(0.5 * (low + level.drive))?;
            if figure(&between) >= wanted {
                level = between;
            } else {
                low = between.drive;
            }
        }
        Ok((level, true))
    }

    /// The level of that output, V rms; none when it is not reached.
    ///
    /// # Errors
    /// Those of a settled level.
    pub fn at_output(&self, volts: f64) -> Result<Option<Level>, SimError> {
        const MOST: u32 = 40;
        let mut level = self.at(1e-3)?;
        for _ in 0..MOST {
            if (level.output_rms / volts - 1.0).abs() < LEVEL_MET {
                return Ok(Some(level));
            }
            // The gain changes little with level: its last value leads on.
            level = self.at(level.drive * volts / level.output_rms)?;
        }
        Ok(None)
    }
}

/// Of a level.
pub fn currents(level: &Level) -> Currents {
    Currents {
        anodes: level.valves.iter().map(|valve| valve.i_a).sum(),
        screens: level.valves.iter().map(|valve| valve.i_s).sum(),
    }
}
