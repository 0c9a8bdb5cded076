//! The circuit of a row on the bench, and the drive at which it is asked.

use std::fs;

use sim::file::{Amplifier, read};
use sim::measure::power::{Level, PowerOf};
use sim::measure::voltages::voltages;
use sim::{SimError, System, Tolerances};

use crate::page::{Row, folder};

/// A sheet is printed to about this, so a wanted level is met finely enough.
const LEVEL_MET: f64 = 1e-4;

/// A circuit ready to be asked.
pub(crate) struct Bench {
    pub(crate) amplifier: Amplifier,
    system: System,
    question: PowerOf,
    tolerances: Tolerances,
}

impl Bench {
    pub(crate) fn of(row: &Row) -> Self {
        let name = &row["circuit"];
        let path = folder().join("circuits").join(format!("{name}.toml"));
        let text = fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
        let amplifier = read(&text, &[]).unwrap_or_else(|faults| panic!("{name}: {faults:#?}"));
        let system = amplifier
            .circuit
            .compile()
            .unwrap_or_else(|faults| panic!("{name}: {faults:?}"));
        let question = PowerOf::bench(&amplifier.bench);
        Self {
            amplifier,
            system,
            question,
            tolerances: Tolerances::default(),
        }
    }

    /// Current of all valves with no signal, mA; `cathode` counts the screens in.
    pub(crate) fn idle(&self, cathode: bool) -> Result<f64, SimError> {
        let mut ws = self.system.workspace();
        let chart = voltages(
            &self.amplifier.circuit,
            &self.system,
            &self.tolerances,
            &mut ws,
        )?;
        let screens = f64::from(u8::from(cathode));
        Ok(1e3
            * chart
                .valves
                .iter()
                .map(|valve| valve.i_a + screens * valve.i_s)
                .sum::<f64>())
    }

    pub(crate) fn at(&self, drive: f64) -> Result<Level, SimError> {
        self.question.at_drive(
            &self.amplifier.circuit,
            &self.system,
            &self.tolerances,
            drive,
        )
    }

    /// The level where the distortion first reaches `thd`, by halving; at `most` drive if it does not.
    pub(crate) fn at_distortion(&self, thd: f64, most: f64) -> Result<(Level, How), SimError> {
        const SCAN: u32 = 20;
        const HALVINGS: u32 = 14;
        let mut level = self.at(most / f64::from(SCAN))?;
        for k in 2..=SCAN {
            if level.thd >= thd {
                break;
            }
            level = self.at(most * f64::from(k) / f64::from(SCAN))?;
        }
        if level.thd < thd {
            return Ok((level, How::Bias));
        }
        let mut low = level.drive - most / f64::from(SCAN);
        for _ in 0..HALVINGS {
            let between = self.at(0.5 * (low + level.drive))?;
            if between.thd >= thd {
                level = between;
            } else {
                low = between.drive;
            }
        }
        Ok((level, How::Solved))
    }

    /// The level of that output, V rms.
    pub(crate) fn at_output(&self, volts: f64) -> Result<Level, SimError> {
        const MOST: u32 = 20;
        let mut level = self.at(1e-3)?;
        for _ in 0..MOST {
            if (level.output_rms / volts - 1.0).abs() < LEVEL_MET {
                return Ok(level);
            }
            // The gain changes little with level: its last value leads on.
            level = self.at(level.drive * volts / level.output_rms)?;
        }
        panic!("{}: {volts} V are not reached", self.amplifier.title)
    }
}

/// The drive a row is checked at.
pub(crate) enum Drive {
    /// Stated, or the bias by convention: V peak, all of the generator.
    Volts(f64),
    /// Not stated: what gives the stated distortion, but no more than the second figure.
    Distortion(f64, f64),
}

impl Drive {
    /// `45 V` or `5 % up to 56 V`.
    pub(crate) fn of(row: &Row) -> Self {
        let text = &row["drive"];
        let number = |text: &str, unit: &str| -> f64 {
            text.trim()
                .strip_suffix(unit)
                .and_then(|figure| figure.trim().parse().ok())
                .unwrap_or_else(|| panic!("drive `{text}` is not a figure in {unit}"))
        };
        match text.split_once(" up to ") {
            Some((thd, most)) => Self::Distortion(1e-2 * number(thd, "%"), number(most, "V")),
            None => Self::Volts(number(text, "V")),
        }
    }
}

/// How the drive came about.
#[derive(Clone, Copy, PartialEq)]
pub(crate) enum How {
    Table,
    /// Solved for the distortion, which is then no evidence.
    Solved,
    /// The distortion was not reached within class 1.
    Bias,
}

impl How {
    pub(crate) fn words(self) -> &'static str {
        match self {
            Self::Table => "as in the table",
            Self::Solved => "solved for the distortion",
            Self::Bias => "at the bias, distortion not reached",
        }
    }
}
