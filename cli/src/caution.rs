//! The cautions usual in the trade, printed once where the voltages call for them.
//!
//! Common practice, not a standard: the figures tell what to expect, training tells what to do.

use std::io::Write;

use measure::at_rest::voltages::Voltages;
use sim::quantity::{Unit, engineering};

/// V; direct voltages above it are treated as dangerous.
/// Source    customary limit of extra-low voltage for direct current in dry places, from memory
const DANGEROUS_VOLTS: f64 = 60.0;

/// V; where a capacitor counts as discharged.
const DISCHARGED_VOLTS: f64 = 50.0;

/// What is said of a mains supply, whatever the voltages.
const MAINS: &str = "caution: a mains-fed amplifier is lethal, and stays so after the plug is pulled: unplug, discharge\n  through a resistor, prove dead with the meter. Never drive it without a load. These figures are a\n  prediction, not a permission. Local codes and licensed practice come first.\n";

/// Words of caution for an amplifier with these voltages; none below the limit.
fn text(voltages: &Voltages) -> Option<String> {
    let highest = voltages
        .nodes
        .iter()
        .max_by(|a, b| a.volts.abs().total_cmp(&b.volts.abs()))?;
    if highest.volts.abs() <= DANGEROUS_VOLTS {
        return None;
    }
    let charged = voltages
        .capacitors
        .iter()
        .filter(|c| c.volts.value > DISCHARGED_VOLTS);
    let stored: f64 = charged.map(|capacitor| capacitor.stored).sum();
    let mut text = format!(
        "caution: up to {} at node `{}`: lethal, and it stays after the plug is pulled.\n",
        engineering(highest.volts, Unit::Volt),
        highest.node
    );
    if stored > 0.0 {
        text += &format!(
            "  Capacitors above {} hold {}: unplug, discharge through a resistor, prove dead with the meter.\n",
            engineering(DISCHARGED_VOLTS, Unit::Volt),
            joules(stored)
        );
    }
    text += "  Never drive the amplifier without a load. These figures are a prediction, not a permission:\n";
    text +=
        "  check the first reading against them. Local codes and licensed practice come first.\n";
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

/// Prints the cautions to stderr: those that the voltages call for, or, where none are known, those of the mains.
pub(crate) fn print(voltages: Option<&Voltages>) {
    let text = voltages.map_or_else(|| Some(MAINS.to_owned()), text);
    print_text(&text.unwrap_or_default());
}

/// Prints words to stderr as they are.
pub(crate) fn print_text(text: &str) {
    // Where stderr is gone there is nobody left to warn.
    let _ = std::io::stderr().lock().write_all(text.as_bytes());
}

/// Prints the cautions of several amplifiers: those of the one with the highest voltages.
pub(crate) fn print_highest<'a>(amplifiers: impl Iterator<Item = &'a Voltages>) {
    let highest = |voltages: &&Voltages| {
        let nodes = voltages.nodes.iter();
        nodes.map(|node| node.volts.abs()).fold(0.0, f64::max)
    };
    if let Some(most) = amplifiers.max_by(|a, b| highest(a).total_cmp(&highest(b))) {
        print(Some(most));
    }
}
