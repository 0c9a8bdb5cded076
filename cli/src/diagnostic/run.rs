//! What kept a run from answering, in words.

use sim::SimError;
use sim::error::Question;

use super::{Diagnostic, Id};

/// The message for a run without an answer.
pub(crate) fn of_sim(error: &SimError) -> Diagnostic {
    let message = error.to_string();
    let (id, help) = match error {
        SimError::NoOperatingPoint { .. } => (
            Id::NoOperatingPoint,
            "look at the parts joined there: a value off by a decade, a joint on the wrong node, a supply the wrong way round; `--set PART=VALUE` tries another value, and smaller supply volts tell whether it is theirs",
        ),
        SimError::OneWay { .. } => (
            Id::NoDcPath,
            "join it to the chassis through a resistor, a load or a bleeder, or look for the joint that is missing",
        ),
        SimError::Stuck { .. } => (
            Id::Stuck,
            "look at the parts joined there: real windings have resistance and capacitance, real wiring some picofarads",
        ),
        SimError::Undetermined { .. } => (
            Id::Undetermined,
            "join it to the chassis, directly or through a resistor",
        ),
        SimError::NotPeriodic(unsettled) if unsettled.driven => (
            Id::NotPeriodic,
            "less drive settles sooner; what it does instead of repeating itself is followed from rest, with no cycle sought, by `gridleak waveform FILE --drive 1V --for 200ms`: blocking creeps, motor-boating swings",
        ),
        SimError::NotPeriodic(_) => (
            Id::NotPeriodic,
            "look at what is joined there: a supply of direct volts in the place of mains and rectifier (`supply`) tells whether the amplifier itself comes to rest; a large capacitor behind a large resistance takes minutes and is never there",
        ),
        SimError::Oscillates { .. } => (
            Id::Oscillates,
            "high up: stopper resistors, leakage and winding capacitance, less feedback; low down: decoupling and coupling; at once: the sign of the feedback",
        ),
        SimError::Repeats { .. } => (
            Id::Oscillates,
            "motor-boating through a common supply wants larger smoothing capacitors or smaller coupling capacitors; blocking wants a grid stopper or less drive; feedback of the wrong sign wants turning round; `gridleak check` names the part it comes by",
        ),
        SimError::Bursts { .. } => (
            Id::Oscillates,
            "it is stable at rest: less drive, stopper resistors at grids and screens, less feedback high up; `gridleak power` tells from what power on",
        ),
        SimError::Question(Question::NoCommonPeriod { .. }) => (
            Id::CannotAsk,
            "choose tones with a larger common divisor, whole hertz say; with a mains supply running, multiples of its frequency",
        ),
        SimError::Question(Question::NoMains) => (
            Id::CannotAsk,
            "draw the mains and its transformer with rectifier, reservoir and heaters (`mains`, `mains_transformer`, `gridleak explain file`); an amplifier on ideal supplies does not hum",
        ),
        SimError::Question(Question::NothingVaries) => {
            (Id::CannotAsk, "leave one of the tolerances above zero")
        }
        SimError::Question(Question::TonesOverlap(_)) => (
            Id::CannotAsk,
            "for modulation a low and a high tone, for the difference frequency two close ones",
        ),
        SimError::Question(Question::NoSignal | Question::NoNode(_) | Question::NotASource(_)) => (
            Id::CannotAsk,
            "follow the signal from the generator to the load",
        ),
    };
    Diagnostic::plain(id, message, help)
}
