//! The answer of `impedance` in words and tables.

use measure::small_signal::impedance::{Extreme, Impedance, Ohms, TwoLoads};
use sim::amplifier::Amplifier;
use sim::quantity::{Unit, engineering};

use crate::loudspeaker::Described;
use crate::notes;
use crate::report::table::Sheet;

/// Without a loudspeaker nothing is said of what one would do.
pub(super) fn text(
    amplifier: &Amplifier,
    answer: &Impedance,
    loudspeaker: Option<&Described>,
) -> String {
    let mut text = format!("{}\nSource: {}\n\n", amplifier.title, amplifier.source);
    text += &headline(answer, loudspeaker);
    text += &format!(
        "\nConditions: small signals about rest; output impedance looking back from {} with the load taken out,\n  generator at rest behind {}; damping factor is {} over |Zo|.",
        amplifier.circuit.part(amplifier.bench.load).name,
        engineering(answer.generator_ohms, Unit::Ohm),
        engineering(answer.load_ohms, Unit::Ohm),
    );
    if loudspeaker.is_some() {
        text += &format!(
            " Level: volts at the loudspeaker for a constant\n  generator, as such and against what {} in its place would get; 0 dB at {}.",
            engineering(answer.load_ohms, Unit::Ohm),
            engineering(answer.frequency, Unit::Hertz)
        );
    }
    text += "\n\n";
    text += &impedances(answer);
    if loudspeaker.is_some() {
        text += &levels(answer);
    }
    if let Some(two) = &answer.two_loads {
        text += &methods(answer, two);
    }
    if let Some(loudspeaker) = loudspeaker {
        text += &format!("{}\n", loudspeaker.words());
    }
    text += &notes::text(amplifier);
    text
}

fn headline(answer: &Impedance, loudspeaker: Option<&Described>) -> String {
    let at = engineering(answer.frequency, Unit::Hertz);
    let mut text = match (answer.at_test.output, answer.at_test.damping) {
        (Some(zo), Some(damping)) => format!(
            "Output impedance {} at {at}: damping factor {} into {}.\n",
            engineering(zo.magnitude, Unit::Ohm),
            figure(damping),
            engineering(answer.load_ohms, Unit::Ohm)
        ),
        _ => format!("Nothing is behind the terminals of the load at {at}.\n"),
    };
    if let (Some(rise), Some(dip), Some(loudspeaker)) = (answer.rise, answer.dip, loudspeaker) {
        let place = |extreme: Extreme| {
            format!(
                "{} at {}",
                decibels(extreme.db),
                engineering(extreme.frequency, Unit::Hertz)
            )
        };
        text += &format!(
            "{} changes the level by {} and {} against {at}, from 20 Hz to 20 kHz.\n",
            loudspeaker.name(),
            place(rise),
            place(dip)
        );
    }
    if let Some(input) = answer.input {
        let resistance = input
            .resistance
            .map_or("no resistance".to_owned(), |r| engineering(r, Unit::Ohm));
        let reactance = if input.capacitance >= 0.0 {
            engineering(input.capacitance, Unit::Farad)
        } else {
            let omega = std::f64::consts::TAU * answer.frequency;
            engineering(-1.0 / (omega * omega * input.capacitance), Unit::Henry)
        };
        text += &format!("The generator sees {resistance} with {reactance} in parallel at {at}.\n");
    }
    text
}

fn impedances(answer: &Impedance) -> String {
    let mut sheet = Sheet::new(&[
        "frequency",
        "|Zo|",
        "phase",
        "resistive",
        "damping",
        "|Zi|",
        "phase",
    ]);
    for at in &answer.standard {
        let mut row = vec![engineering(at.frequency, Unit::Hertz)];
        row.extend(polar(at.output));
        row.push(dash(at.output, |z| engineering(z.resistance, Unit::Ohm)));
        row.push(dash(at.damping, figure));
        row.extend(polar(at.input));
        sheet.row(row);
    }
    sheet.print("Output impedance Zo, damping factor, input impedance Zi", 0)
}

fn levels(answer: &Impedance) -> String {
    let against = format!("against {}", engineering(answer.load_ohms, Unit::Ohm));
    let mut sheet = Sheet::new(&["frequency", "|Z|", "phase", "level", &against]);
    for at in &answer.standard {
        let mut row = vec![engineering(at.frequency, Unit::Hertz)];
        row.extend(polar(Some(at.loudspeaker)));
        row.push(dash(at.level_db, decibels));
        row.push(dash(at.deviation_db, decibels));
        sheet.row(row);
    }
    sheet.print("Loudspeaker", 0)
}

/// Direct volts from which a load counts as carrying current.
const CARRIES: f64 = 0.1;

fn methods(answer: &Impedance, two: &TwoLoads) -> String {
    let mut sheet = Sheet::new(&["method", "|Zo|", "phase"]);
    let mut row = |name: String, z: Option<Ohms>| {
        let mut cells = vec![name];
        cells.extend(polar(z));
        sheet.row(cells);
    };
    row(
        "1 A into the terminals, circuit linearised".to_owned(),
        answer.at_test.output,
    );
    row(
        format!(
            "settled periods into {} and {}, {} peak",
            engineering(two.first_ohms, Unit::Ohm),
            engineering(two.second_ohms, Unit::Ohm),
            engineering(two.level, Unit::Volt)
        ),
        two.phasors,
    );
    sheet.row(vec![
        "the same by voltmeter, phase unknown".to_owned(),
        dash(two.magnitudes, |z| engineering(z, Unit::Ohm)),
        "-".to_owned(),
    ]);
    let heading = format!(
        "Two methods at {}",
        engineering(answer.frequency, Unit::Hertz)
    );
    let mut text = sheet.print(&heading, 1);
    // The blank line comes after the sentences that belong to the table.
    text.pop();
    if two.at_rest.abs() > CARRIES {
        text += &format!(
            "  {} stand across the load at rest: another load moves the rest of the circuit.\n",
            engineering(two.at_rest, Unit::Volt)
        );
    }
    text += &match (&two.difference, &two.failed) {
        (Some(difference), _) => {
            format!("  The first two differ by {difference:.1e} of the impedance.\n\n")
        }
        (None, Some(reason)) => format!("  No settled periods: {reason}.\n\n"),
        (None, None) => "\n".to_owned(),
    };
    text
}

fn polar(z: Option<Ohms>) -> [String; 2] {
    [
        dash(z, |z| engineering(z.magnitude, Unit::Ohm)),
        dash(z, |z| degrees(z.phase_degrees)),
    ]
}

fn dash<T>(value: Option<T>, words: impl FnOnce(T) -> String) -> String {
    value.map_or_else(|| "-".to_owned(), words)
}

/// An angle to a degree; nought has no sign.
fn degrees(angle: f64) -> String {
    format!("{:+.0}°", angle.round() + 0.0)
}

/// A level to a hundredth of a decibel.
fn decibels(db: f64) -> String {
    format!("{:+.2} dB", (100.0 * db).round() / 100.0 + 0.0)
}

/// A ratio with three figures.
fn figure(ratio: f64) -> String {
    if ratio >= 99.95 {
        format!("{ratio:.0}")
    } else if ratio >= 9.995 {
        format!("{ratio:.1}")
    } else if ratio >= 0.0995 {
        format!("{ratio:.2}")
    } else {
        format!("{ratio:.4}")
    }
}
