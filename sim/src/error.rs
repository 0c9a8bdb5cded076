//! What remains when the solver has given up: where, when, and after how much work.

use crate::counts::Counts;
use crate::grown::{Grown, comes_back, swings};

/// Why there is no answer. Names parts and nodes, never rows.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SimError {
    /// No voltages satisfy the circuit, or none were found.
    #[error("no steady voltages found; {worst} would not settle{}", left_over(left.as_deref()))]
    NoOperatingPoint {
        /// The unknown that moved most, in words.
        worst: String,
        /// What does not balance in the nearest state that was found, if any was.
        left: Option<Box<LeftOver>>,
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
    #[error(
        "the run comes to a stop after {}: no value was found for {worst}",
        crate::quantity::engineering(*time, crate::quantity::Unit::Second)
    )]
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
    /// The circuit did not become periodic in the cycles, or with the steps, allowed.
    #[error("{0}")]
    NotPeriodic(Unsettled),
    /// A disturbance grows by itself: no state the circuit stays in.
    #[error("{}", oscillation(*frequency, *rate, *grown))]
    Oscillates {
        /// Of the oscillation, Hz; zero when it runs away without swinging, none when it only shows
        /// from cycle to cycle of a signal.
        frequency: Option<f64>,
        /// Growth, 1/s: e-fold in its reciprocal.
        rate: f64,
        /// What it comes to, when it does not settle there.
        grown: Option<Grown>,
    },
    /// It never comes to rest but repeats itself: it oscillates, motor-boats or blocks.
    #[error("{}", repetition(*period, *even))]
    Repeats {
        /// After how long, s; on the mean where it does so unevenly.
        period: f64,
        /// Whether each time takes as long as the others.
        even: bool,
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

impl SimError {
    /// Whether the solver gave up; else the amplifier does what it says, or the question does not fit it.
    pub fn gave_up(&self) -> bool {
        match self {
            Self::NoOperatingPoint { .. }
            | Self::OneWay { .. }
            | Self::Stuck { .. }
            | Self::Undetermined { .. }
            | Self::NotPeriodic(_) => true,
            Self::Oscillates { .. }
            | Self::Repeats { .. }
            | Self::Bursts { .. }
            | Self::Question(_) => false,
        }
    }
}

/// The current that balances worst at any node of a state.
#[derive(Clone, Debug, PartialEq)]
pub struct LeftOver {
    /// The node, in words.
    pub node: String,
    /// What is left over there, A.
    pub amps: f64,
}

fn left_over(left: Option<&LeftOver>) -> String {
    left.map_or_else(String::new, |left| {
        let amps = crate::quantity::engineering(left.amps, crate::quantity::Unit::Ampere);
        format!(
            "; of the nearest that were found, {amps} are left over at {}",
            left.node
        )
    })
}

/// A search for a settled cycle given up: how far it came, and what still moves.
#[derive(Clone, Debug, PartialEq)]
pub struct Unsettled {
    /// Cycles run to their ends.
    pub cycles: u32,
    /// Steps in them, refused ones included.
    pub steps: u64,
    /// Whether these are all that are allowed.
    pub spent: bool,
    /// Change over the last cycle, relative, see [`Period::residual`](crate::periodic::Period::residual).
    pub residual: f64,
    /// The least of any cycle.
    pub least: f64,
    /// What changed most over the last cycle, for its swing; none where no cycle was run to its end, or where it is what
    /// iron remembers.
    pub moving: Option<Moving>,
    /// Whether the generator gives a signal; without, it is rest on the mains that is not found.
    pub driven: bool,
}

/// An unknown that is not the same at the end of a cycle as at its start.
#[derive(Clone, Debug, PartialEq)]
pub struct Moving {
    /// The unknown, in words.
    pub unknown: String,
    /// Its change over a cycle.
    pub change: f64,
    /// Of the change.
    pub unit: crate::quantity::Unit,
}

impl std::fmt::Display for Unsettled {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let (steps, cycles) = (self.steps, self.cycles);
        let work = if self.spent {
            format!("{cycles} cycles and {steps} steps, all that are allowed")
        } else {
            format!("{cycles} cycles")
        };
        write!(f, "no cycle that repeats was found in {work}")?;
        if cycles == 0 {
            return Ok(());
        }
        if let Some(moving) = &self.moving {
            let change = crate::quantity::engineering(moving.change.abs(), moving.unit);
            write!(f, ": {} still moves by {change} a cycle", moving.unknown)?;
        } else {
            write!(f, ": the iron still remembers something else")?;
        }
        let (residual, least) = (self.residual, self.least);
        write!(
            f,
            ", {residual:.1e} of its swing; the best cycle came within {least:.1e}"
        )
    }
}

fn oscillation(frequency: Option<f64>, rate: f64, grown: Option<Grown>) -> String {
    let grows = crate::quantity::engineering(1.0 / rate, crate::quantity::Unit::Second);
    let hertz = |hertz| crate::quantity::engineering(hertz, crate::quantity::Unit::Hertz);
    let end = grown.map_or_else(String::new, |grown| format!("; once grown, {grown}"));
    let Some(frequency) = frequency else {
        return format!(
            "the amplifier does not stay settled: a disturbance grows 2.7-fold every {grows}"
        );
    };
    if !comes_back(frequency, grown) {
        return format!(
            "the amplifier does not stay at rest: it runs away, growing 2.7-fold every {grows}, until it tips over{end}"
        );
    }
    let at = hertz(frequency);
    if swings(frequency, rate) {
        return format!(
            "the amplifier oscillates by itself at about {at}, growing 2.7-fold every {grows}{end}"
        );
    }
    let often = grown.map_or_else(|| format!(", at about {at}"), |grown| format!("; {grown}"));
    format!(
        "the amplifier oscillates by itself: it runs away, growing 2.7-fold every {grows}, tips over, and comes back to do so again{often}"
    )
}

fn repetition(period: f64, even: bool) -> String {
    /// The lowest frequency that is heard as a tone, Hz; what is slower is told by its period.
    const HEARD: f64 = 20.0;
    if period * HEARD < 1.0 {
        let at = crate::quantity::engineering(1.0 / period, crate::quantity::Unit::Hertz);
        let uneven = if even { "" } else { " on the mean, unevenly" };
        return format!("the amplifier oscillates by itself at about {at}{uneven}");
    }
    let every = crate::quantity::engineering(period, crate::quantity::Unit::Second);
    let uneven = if even { "" } else { " or so, unevenly" };
    let often = crate::quantity::engineering(1.0 / period, crate::quantity::Unit::Hertz);
    format!(
        "the amplifier does not come to rest: it repeats itself every {every}{uneven}, at {often}"
    )
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

#[cfg(test)]
mod tests {
    use super::SimError;

    #[test]
    fn what_is_large_before_it_turns_is_no_oscillation_at_how_often_it_comes_back() {
        let told = |frequency: f64, time: f64| {
            let error = SimError::Oscillates {
                frequency: Some(frequency),
                rate: 1.0 / time,
                grown: None,
            };
            error.to_string()
        };
        let back = told(26.7, 860e-9);
        assert!(
            back.contains("it runs away, growing 2.7-fold every 860 ns, tips over"),
            "{back}"
        );
        assert!(
            back.ends_with("comes back to do so again, at about 26.7 Hz"),
            "{back}"
        );
        assert!(!back.contains("by itself at about"), "{back}");
        let once = told(0.0, 860e-9);
        assert!(once.ends_with("it runs away, growing 2.7-fold every 860 ns, until it tips over"));
        let swings = told(37.5, 48e-3);
        assert!(swings.ends_with("by itself at about 37.5 Hz, growing 2.7-fold every 48.0 ms"));
    }
}
