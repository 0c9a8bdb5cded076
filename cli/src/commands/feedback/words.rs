//! The answer in words and tables.

use measure::judged::check::wrong_way_round;
use measure::small_signal::feedback::{AtLoad, Feedback};
use measure::small_signal::loop_gain::Peak;
use measure::small_signal::square_wave::FREQUENCY;
use sim::amplifier::Amplifier;
use sim::quantity::{Unit, engineering};
use sim::stability::Growing;

use super::{ends, names};
use crate::notes;
use crate::report::table::{Sheet, percent};

pub(super) fn text(amplifier: &Amplifier, answer: &Feedback) -> String {
    let mut text = format!("{}\nSource: {}\n\n", amplifier.title, amplifier.source);
    text += &headline(amplifier, answer);
    text.push('\n');
    text += &conditions(amplifier, answer);
    text += &crossings(answer);
    text += &margins(amplifier, answer);
    text += &square_waves(amplifier, answer);
    text += &notes::text(amplifier);
    text
}

fn hertz(frequency: f64) -> String {
    engineering(frequency, Unit::Hertz)
}

/// A list of words with its last pair joined.
fn listed(words: &[String]) -> String {
    match words.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} and {last}", rest.join(", ")),
        _ => words.concat(),
    }
}

/// The load in the words of the trade.
pub(super) fn load(amplifier: &Amplifier, at: &AtLoad) -> String {
    let rated = engineering(amplifier.bench.load_ohms, Unit::Ohm);
    let capacitance = engineering(at.capacitance, Unit::Farad);
    match (at.rated, at.capacitance > 0.0) {
        (true, false) => format!("{rated}, rated"),
        (true, true) => format!("{rated} and {capacitance}"),
        (false, true) => format!("{capacitance} alone"),
        (false, false) => "open".to_owned(),
    }
}

/// What it does by itself, e.g. "oscillates at 87.4 kHz".
pub(super) fn verdict(growing: Option<&Growing>) -> String {
    match growing {
        None => "stable".to_owned(),
        Some(growing) if growing.frequency > 0.0 => {
            format!("oscillates at {}", hertz(growing.frequency))
        }
        Some(_) => "runs away".to_owned(),
    }
}

fn headline(amplifier: &Amplifier, answer: &Feedback) -> String {
    let found = &answer.loop_gain;
    let circuit = &amplifier.circuit;
    let parts: Vec<String> = names(circuit, &answer.path)
        .into_iter()
        .map(str::to_owned)
        .collect();
    let amount = found.feedback_db();
    let kind = match (found.is_positive(), amount < 0.0) {
        (true, true) => format!(
            "POSITIVE feedback raises the gain by {:.1} dB",
            amount.abs()
        ),
        (true, false) => format!(
            "POSITIVE feedback, {:.1} times the signal",
            found.mid.loop_gain.norm()
        ),
        (false, _) => format!("Feedback lowers the gain by {:.1} dB", amount.abs()),
    };
    let mut text = format!(
        "{kind} at {}, through {} from `{}` to `{}`: {} without, {} with.\n",
        hertz(found.mid.frequency),
        listed(&parts),
        circuit.node_name(answer.path.from),
        ends(circuit, &answer.path).join("` and `"),
        engineering(found.mid.without.norm(), Unit::Number),
        engineering(found.mid.with.norm(), Unit::Number)
    );
    if found.is_positive() {
        text += &format!(
            "It comes back the wrong way round. Look at {}.\n",
            wrong_way_round(circuit, &answer.path, amplifier.bench.load)
        );
    }
    if let Some(growing) = &found.growing_without {
        text += &format!(
            "UNSTABLE WITHOUT THE FEEDBACK TOO: {}; margins say nothing then.\n",
            verdict(Some(growing))
        );
    }
    let margins: Vec<String> = [found.margin_below(), found.margin_above()]
        .into_iter()
        .flatten()
        .map(|crossing| {
            format!(
                "{:.0}° at {}",
                crossing.margin_degrees,
                hertz(crossing.frequency)
            )
        })
        .collect();
    let gains: Vec<String> = [found.gain_margin_below(), found.gain_margin_above()]
        .into_iter()
        .flatten()
        .map(|crossing| {
            format!(
                "{:.1} dB at {}",
                crossing.margin_db,
                hertz(crossing.frequency)
            )
        })
        .collect();
    text += &match &found.growing {
        Some(growing) => format!("UNSTABLE with the rated load: {}", verdict(Some(growing))),
        None => "Stable with the rated load".to_owned(),
    };
    if !margins.is_empty() {
        text += &format!("; phase margin {}", listed(&margins));
    }
    if !gains.is_empty() {
        text += &format!("; gain margin {}", listed(&gains));
    }
    text += ".\n";
    let peaks: Vec<String> = [found.peak_below, found.peak_above]
        .into_iter()
        .flatten()
        .map(peak_words)
        .collect();
    if !peaks.is_empty() {
        text += &format!(
            "The response with feedback peaks above mid band by {}.\n",
            peaks.join("; ")
        );
    }
    let howling: Vec<String> = answer
        .loads
        .iter()
        .skip(1)
        .filter(|at| at.growing.is_some())
        .map(|at| load(amplifier, at))
        .collect();
    if !howling.is_empty() {
        text += &format!("UNSTABLE with other loads: {}.\n", listed(&howling));
    }
    text
}

/// A peak, and what the feedback does there.
fn peak_words(peak: Peak) -> String {
    /// dB that print as none.
    const NONE: f64 = 0.05;
    let raised = peak.raised_db;
    let there = if raised.abs() < NONE {
        "leaves the gain as it is".to_owned()
    } else if raised > 0.0 {
        format!("raises the gain by {raised:.1} dB")
    } else {
        format!("lowers the gain by {:.1} dB", raised.abs())
    };
    let without = if peak.without_db > NONE {
        format!(" (without it {:.1} dB above mid band)", peak.without_db)
    } else {
        String::new()
    };
    format!(
        "{:.1} dB at {}, where the feedback {there}{without}",
        peak.height_db,
        hertz(peak.frequency)
    )
}

fn conditions(amplifier: &Amplifier, answer: &Feedback) -> String {
    let level = answer.loop_gain.mid.with.norm() * answer.drive;
    let watts = level * level / (2.0 * amplifier.bench.load_ohms);
    format!(
        "Conditions: small signals about rest, gain from the generator's open circuit to the load of {}; the loop\n  is cut where it leaves the output, both ends of the cut loaded as before; stable or not is by natural\n  frequencies. Square wave of {} from a generator of {} peak, {} at the rated load (a sine of that\n  peak: {}); its figures are those of a single edge.\n\n",
        engineering(amplifier.bench.load_ohms, Unit::Ohm),
        hertz(FREQUENCY),
        engineering(answer.drive, Unit::Volt),
        engineering(level, Unit::Volt),
        engineering(watts, Unit::Watt)
    )
}

fn crossings(answer: &Feedback) -> String {
    let found = &answer.loop_gain;
    let unity = found.unity.iter().map(|crossing| {
        let margin = format!("{:.1}°", crossing.margin_degrees);
        (crossing.frequency, "loop gain one", margin)
    });
    let half_turn = found.phase.iter().map(|crossing| {
        let margin = format!("{:.1} dB", crossing.margin_db);
        (crossing.frequency, "phase 180°", margin)
    });
    let mut rows: Vec<_> = unity.chain(half_turn).collect();
    rows.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut sheet = Sheet::new(&["where", "frequency", "margin"]);
    for (frequency, place, margin) in rows {
        sheet.row(vec![place.to_owned(), hertz(frequency), margin]);
    }
    sheet.print("Margins with the rated load", 1)
}

fn margins(amplifier: &Amplifier, answer: &Feedback) -> String {
    let mut sheet = Sheet::new(&[
        "load",
        "by itself",
        "phase margin",
        "at",
        "gain margin",
        "at",
        "peak",
        "feedback there",
        "at",
    ]);
    for at in &answer.loads {
        let mut row = vec![
            load(amplifier, at),
            at.failed
                .clone()
                .unwrap_or_else(|| verdict(at.growing.as_ref())),
        ];
        let pairs = [
            at.phase_margin
                .map(|m| (format!("{:.0}°", m.margin_degrees), m.frequency)),
            at.gain_margin
                .map(|m| (format!("{:.1} dB", m.margin_db), m.frequency)),
        ];
        for pair in pairs {
            match pair {
                Some((figure, frequency)) => row.extend([figure, hertz(frequency)]),
                None => row.extend(["-".to_owned(), "-".to_owned()]),
            }
        }
        match at.peak {
            Some(peak) => row.extend([
                format!("{:.1} dB", peak.height_db),
                format!("{:+.1} dB", peak.raised_db),
                hertz(peak.frequency),
            ]),
            None => row.extend(["-"; 3].map(str::to_owned)),
        }
        sheet.row(row);
    }
    sheet.print("Loads, above mid band", 2)
}

/// dB from which a response that rises by itself is seen in an edge.
const TILTED: f64 = 1.0;

fn square_waves(amplifier: &Amplifier, answer: &Feedback) -> String {
    let mut sheet = Sheet::new(&[
        "load",
        "overshoot",
        "ringing",
        "left a cycle later",
        "cycles to a tenth",
        "rise time",
    ]);
    for at in &answer.loads {
        let Some(wave) = &at.square else {
            continue;
        };
        let dash = || "-".to_owned();
        sheet.row(vec![
            load(amplifier, at),
            percent(wave.overshoot),
            wave.ringing.map_or_else(dash, |r| hertz(r.frequency)),
            wave.ringing.map_or_else(dash, |r| percent(r.decay)),
            wave.ringing
                .and_then(|r| r.cycles)
                .map_or_else(dash, |cycles| format!("{cycles:.1}")),
            wave.rise_time
                .map_or_else(dash, |t| engineering(t, Unit::Second)),
        ]);
    }
    let mut text = sheet.print(
        "Square wave, overshoot of the step and rise time from 10 to 90 %",
        1,
    );
    // An edge shows whatever rises with frequency, tone controls as well as feedback.
    let tilted = answer.loads.first().and_then(|at| at.peak);
    if let Some(peak) = tilted.filter(|peak| peak.without_db > TILTED) {
        text.truncate(text.trim_end().len());
        text += &format!(
            "\n  Without feedback the response stands {:.1} dB above mid band at {}: an edge overshoots by that too,\n  with no ringing; see the peaks for what the feedback makes of it.\n\n",
            peak.without_db,
            hertz(peak.frequency)
        );
    }
    text
}
