//! What remains when the solver has given up: where, when, and after how much work.

use crate::counts::Counts;

/// Why there is no answer. Names parts and nodes, never rows.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SimError {
    /// No voltages satisfy the circuit, or none were found.
    #[error("no steady voltages found; {worst} would not settle")]
    NoOperatingPoint {
        /// The unknown that moved most, in words.
        worst: String,
        /// Work done.
        counts: Counts,
    },
    /// No voltages were found, and there is a node that only something that conducts one way joins to the chassis.
    #[error(
        "node `{node}` has no path for direct current but through {part}, which conducts one way: nothing says what voltage it has"
    )]
    OneWay {
        /// The node.
        node: String,
        /// The part.
        part: String,
    },
    /// Newton's iteration failed at the smallest step.
    #[error("the solution could not be followed past {time:.6} s; {worst} would not settle")]
    Stuck {
        /// Time reached, s.
        time: f64,
        /// The unknown that moved most, in words.
        worst: String,
        /// Work done.
        counts: Counts,
    },
    /// The equations leave something undetermined.
    #[error("nothing in the circuit determines {unknown}")]
    Undetermined {
        /// The unknown, in words.
        unknown: String,
    },
    /// The circuit did not become periodic in the cycles allowed.
    #[error(
        "not periodic after {cycles} cycles: the last two differ by {residual:.1e} of the signal"
    )]
    NotPeriodic {
        /// Cycles run.
        cycles: u32,
        /// Change from cycle to cycle, relative.
        residual: f64,
    },
    /// A disturbance grows by itself: no state the circuit stays in.
    #[error("{}", oscillation(*frequency, *rate))]
    Oscillates {
        /// Of the oscillation, Hz; zero when it runs away without swinging, none when it only shows
        /// from cycle to cycle of a signal.
        frequency: Option<f64>,
        /// Growth, 1/s: e-fold in its reciprocal.
        rate: f64,
    },
    /// It never comes to rest but repeats itself: it oscillates, motor-boats or blocks.
    #[error("{}", repetition(*period))]
    Repeats {
        /// After how long, s.
        period: f64,
    },
    /// Stable at rest, but on part of every cycle of this signal, or of the mains, an oscillation grows.
    #[error("{}", bursting(*frequency, *rate))]
    Bursts {
        /// Of the oscillation, Hz.
        frequency: f64,
        /// Growth where it is fastest, 1/s: e-fold in its reciprocal.
        rate: f64,
    },
    /// The question does not fit the circuit.
    #[error("{0}")]
    Question(Question),
}

fn oscillation(frequency: Option<f64>, rate: f64) -> String {
    let grows = crate::quantity::engineering(1.0 / rate, crate::quantity::Unit::Second);
    match frequency {
        Some(hertz) if hertz > 0.0 => {
            let at = crate::quantity::engineering(hertz, crate::quantity::Unit::Hertz);
            format!(
                "the amplifier oscillates by itself at about {at}, growing 2.7-fold every {grows}"
            )
        }
        Some(_) => {
            format!(
                "the amplifier does not stay at rest: it runs away, growing 2.7-fold every {grows}"
            )
        }
        None => format!(
            "the amplifier does not stay settled: a disturbance grows 2.7-fold every {grows}"
        ),
    }
}

fn repetition(period: f64) -> String {
    /// The lowest frequency that is heard as a tone, Hz; what is slower is told by its period.
    const HEARD: f64 = 20.0;
    if period * HEARD < 1.0 {
        let at = crate::quantity::engineering(1.0 / period, crate::quantity::Unit::Hertz);
        return format!("the amplifier oscillates by itself at about {at}");
    }
    let every = crate::quantity::engineering(period, crate::quantity::Unit::Second);
    format!("the amplifier does not come to rest: it repeats itself every {every}")
}

fn bursting(frequency: f64, rate: f64) -> String {
    let at = crate::quantity::engineering(frequency, crate::quantity::Unit::Hertz);
    let grows = crate::quantity::engineering(1.0 / rate, crate::quantity::Unit::Second);
    format!(
        "the amplifier bursts into oscillation at about {at} on part of every cycle, growing 2.7-fold every {grows} there"
    )
}

/// Why a question cannot be asked of this circuit.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Question {
    /// The generator's signal does not reach the load.
    #[error("no signal reaches the load: nothing to measure")]
    NoSignal,
    /// Nothing in the circuit alternates by itself.
    #[error("nothing in the amplifier is fed from the mains: there is no hum to measure")]
    NoMains,
    /// There is no node of that name.
    #[error("there is no node {0:?}")]
    NoNode(String),
    /// Tones that share no period short enough to be solved for.
    #[error("{frequencies} repeat together only after more than {longest}")]
    NoCommonPeriod {
        /// The frequencies, in words.
        frequencies: String,
        /// The longest period allowed, in words.
        longest: String,
    },
    /// The waveform cannot be used for this measurement.
    #[error("{0} is not a signal generator")]
    NotASource(String),
    /// Every tolerance is zero.
    #[error("every tolerance is zero: all amplifiers are as drawn")]
    NothingVaries,
    /// Intermodulation products that cannot be told from a tone or from each other.
    #[error("the products of {0} fall on a tone, on each other or below zero")]
    TonesOverlap(String),
}
