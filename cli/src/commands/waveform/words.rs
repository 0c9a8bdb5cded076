//! What was watched, in words.

use sim::amplifier::Amplifier;
use sim::quantity::{Unit, engineering};

use super::Answer;
use crate::notes;
use crate::report::table::Sheet;

/// What the generator gives.
pub(super) fn generator(answer: &Answer) -> String {
    let frequency = engineering(answer.frequency, Unit::Hertz);
    let peak = engineering(answer.drive, Unit::Volt);
    match answer.second_frequency {
        Some(second) => format!(
            "{peak} peak, two tones at {frequency} and {}",
            engineering(second, Unit::Hertz)
        ),
        None => format!("{peak} peak, {} at {frequency}", answer.wave),
    }
}

/// What is said of bursts; nothing where there are none.
pub(super) fn bursts(answer: &Answer) -> String {
    answer
        .traces
        .bursts
        .as_ref()
        .map_or_else(String::new, |bursts| {
            format!(
                "BURSTS INTO OSCILLATION at about {} while the signal swings; samples are taken at {} to show it.\n",
                engineering(bursts.frequency, Unit::Hertz),
                engineering(answer.traces.rate, Unit::Hertz)
            )
        })
}

pub(super) fn text(amplifier: &Amplifier, answer: &Answer, duration: f64) -> String {
    let mut sheet = Sheet::new(&["node", "least", "mean", "greatest", "rms about the mean"]);
    for (name, volts) in answer.nodes.iter().zip(&answer.traces.volts) {
        let count = volts.len().max(1) as f64;
        let mean = volts.iter().sum::<f64>() / count;
        let rms = (volts.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / count).sqrt();
        let least = volts.iter().copied().fold(f64::INFINITY, f64::min);
        let most = volts.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let mut row = vec![name.clone()];
        row.extend([least, mean, most, rms].map(|v| engineering(v, Unit::Volt)));
        sheet.row(row);
    }
    format!(
        "{}\n\n{}From rest, generator {}, for {}.\n\n{}{}",
        amplifier.title,
        bursts(answer),
        generator(answer),
        engineering(duration, Unit::Second),
        sheet.print("Traces", 1),
        notes::text(amplifier)
    )
}
