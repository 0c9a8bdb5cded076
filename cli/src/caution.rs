//! The cautions usual in the trade, printed once where the voltages call for them.
//!
//! Common practice, not a standard: the figures tell what to expect, training tells what to do.

use std::io::Write;

use measure::at_rest::voltages::Voltages;
use measure::instruments::load_condition::hangs_on_a_transformer;
use measure::instruments::peak::Peak;
use sim::amplifier::Amplifier;
use sim::quantity::{Unit, engineering};

use crate::notes;

/// V; direct voltages above it are treated as dangerous.
/// Source    customary limit of extra-low voltage for direct current in dry places, from memory
const DANGEROUS_VOLTS: f64 = 60.0;

/// The chassis as nodes are named.
const CHASSIS: &str = "chassis";

/// V; where a capacitor counts as discharged.
const DISCHARGED_VOLTS: f64 = 50.0;

/// What is said of a mains supply, whatever the voltages.
const MAINS: &str = "caution: a mains-fed amplifier is lethal, and stays so after the plug is pulled: unplug, discharge\n  through a resistor, prove dead with the meter.\n";

/// What is said of an amplifier whose load hangs on a transformer.
const OPEN_LOAD: &str = "  Never drive the amplifier without a load.\n";

/// What is said at the end.
const PREDICTION: &str = "  These figures are a prediction, not a permission: check the first reading against them. Local codes and\n  licensed practice come first.\n";

/// What is said where the mains touches the chassis, behind how it does.
const LIVE: &str = ": every metal part may be at the full\n  mains. Feed it from an isolating transformer; join no earth, meter or oscilloscope to it before.\n";

/// The greatest volts other than at rest.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Beyond<'a> {
    /// Volts and place.
    pub(crate) peak: &'a Peak,
    /// In words: "with signal", say.
    pub(crate) when: &'static str,
}

impl<'a> Beyond<'a> {
    /// With a signal.
    pub(crate) fn with_signal(peak: &'a Peak) -> Self {
        Self {
            peak,
            when: "with signal",
        }
    }
}

/// Words of caution for an amplifier with these voltages at rest and that peak beyond; none below the limit.
fn text(amplifier: &Amplifier, voltages: Option<&Voltages>, beyond: Option<Beyond<'_>>) -> String {
    let live = notes::live_chassis(amplifier);
    let mut text = live.map_or_else(String::new, |how| {
        format!("caution: LIVE CHASSIS, {how}{LIVE}")
    });
    let lethal = match voltages {
        Some(voltages) => highest(voltages, beyond),
        None => Some(MAINS.to_owned()),
    };
    let Some(lethal) = lethal else {
        return text;
    };
    text += &lethal;
    if hangs_on_a_transformer(&amplifier.circuit, amplifier.bench.load) {
        text += OPEN_LOAD;
    }
    text + PREDICTION
}

/// The greatest peak, and what capacitors keep; none below the limit.
fn highest(voltages: &Voltages, beyond: Option<Beyond<'_>>) -> Option<String> {
    let at_rest = voltages.peak.as_ref()?;
    let more = beyond.filter(|beyond| beyond.peak.volts > at_rest.volts);
    let peak = more.map_or(at_rest, |beyond| beyond.peak);
    if peak.volts <= DANGEROUS_VOLTS {
        return None;
    }
    let charged = voltages
        .capacitors
        .iter()
        .filter(|c| c.volts.value > DISCHARGED_VOLTS);
    let stored: f64 = charged.map(|capacitor| capacitor.stored).sum();
    let kind = match (more, voltages.mains) {
        (Some(beyond), _) => format!(" peak {}", beyond.when),
        (None, Some(_)) => " peak".to_owned(),
        (None, None) => String::new(),
    };
    let place = if peak.to == CHASSIS {
        format!("at node `{}`", peak.from)
    } else {
        format!("between `{}` and `{}`", peak.from, peak.to)
    };
    let mut text = format!(
        "caution: up to {}{kind} {place}: lethal, and it stays after the plug is pulled.\n",
        engineering(peak.volts, Unit::Volt)
    );
    if stored > 0.0 {
        text += &format!(
            "  Capacitors above {} hold {}: unplug, discharge through a resistor, prove dead with the meter.\n",
            engineering(DISCHARGED_VOLTS, Unit::Volt),
            joules(stored)
        );
    }
    Some(text)
}

/// Energy with two figures; there is no unit of it in an amplifier file.
fn joules(energy: f64) -> String {
    if energy < 0.1 {
        format!("{:.1} mJ", 1e3 * energy)
    } else {
        format!("{energy:.1} J")
    }
}

/// Prints a warning to stderr.
pub(crate) fn warn(words: &str) {
    // Where stderr is gone there is nobody left to warn.
    let _ = writeln!(std::io::stderr().lock(), "warning: {words}");
}

/// Prints the cautions to stderr: those that the voltages call for, at rest and, where there is more, beyond; where
/// none are known, those of the mains.
pub(crate) fn print(
    amplifier: &Amplifier,
    voltages: Option<&Voltages>,
    beyond: Option<Beyond<'_>>,
) {
    print_text(&text(amplifier, voltages, beyond));
}

/// Prints words to stderr as they are.
pub(crate) fn print_text(text: &str) {
    // Where stderr is gone there is nobody left to warn.
    let _ = std::io::stderr().lock().write_all(text.as_bytes());
}

/// Prints the cautions of several amplifiers: those of the one with the highest voltages, one with a live chassis
/// before all others.
pub(crate) fn print_highest<'a>(amplifiers: impl Iterator<Item = (&'a Amplifier, &'a Voltages)>) {
    let highest = |(amplifier, voltages): &(&Amplifier, &Voltages)| {
        let volts = voltages.peak.as_ref().map_or(0.0, |peak| peak.volts);
        (notes::live_chassis(amplifier).is_some(), volts)
    };
    let most = amplifiers.max_by(|a, b| {
        let (a, b) = (highest(a), highest(b));
        a.0.cmp(&b.0).then(a.1.total_cmp(&b.1))
    });
    if let Some((amplifier, voltages)) = most {
        print(amplifier, Some(voltages), None);
    }
}
