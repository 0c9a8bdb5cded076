//! The answer of `noise` in words and tables.

use measure::small_signal::noise::{Contribution, Noise, NoiseKind};
use sim::amplifier::Amplifier;
use sim::quantity::{Unit, engineering};

use super::{Answer, Arguments};
use crate::amplifier::generator_ohms;
use crate::notes;
use crate::report::table::{Sheet, percent};

pub(super) fn text(amplifier: &Amplifier, answer: &Answer, arguments: &Arguments) -> String {
    let noise = &answer.noise;
    let behind = behind(amplifier);
    let at = engineering(noise.frequency, Unit::Hertz);
    let mut text = format!("{}\nSource: {}\n\n", amplifier.title, amplifier.source);
    text += &headline(answer, &behind);
    text += &format!(
        "\nConditions: rms from {}, generator at rest behind {behind}, all resistances at {:.0} K;\n  A-weighting by IEC 61672-1; referred to the generator by the gain of {} at {at}.\n",
        bandwidth(noise),
        noise.temperature,
        gain(noise.gain)
    );
    let assumed = if arguments.flicker_corner.is_some() {
        ""
    } else {
        " (the general expectation: valves differ tenfold)"
    };
    let mut corner = if noise.flicker_corner > 0.0 {
        format!(
            "flicker noise from {} downwards{assumed}",
            engineering(noise.flicker_corner, Unit::Hertz)
        )
    } else {
        "no flicker noise".to_owned()
    };
    for own in &noise.own_corners {
        corner += &format!(
            ";\n  of {} from {}, by the noise published of the {}",
            own.part,
            engineering(own.corner, Unit::Hertz),
            own.kind
        );
    }
    text += &format!(
        "  Valves: shot noise smoothed by space charge, {corner}.\n  Not in it: hum, microphony, excess noise of composition resistors, faulty valves, heat inside the chassis.\n\n"
    );
    text += &sources(noise);
    text += &parts(noise);
    text += &notes::text(amplifier);
    text += &format!(
        "Integral over {} frequencies; the last halving of the grid moved it by {:.1e}.\n",
        noise.frequencies, noise.change
    );
    text
}

/// The resistance of the generator.
pub(super) fn behind(amplifier: &Amplifier) -> String {
    generator_ohms(amplifier)
        .map_or_else(|| "nothing".to_owned(), |ohms| engineering(ohms, Unit::Ohm))
}

pub(super) fn bandwidth(noise: &Noise) -> String {
    format!(
        "{} to {}",
        engineering(noise.from, Unit::Hertz),
        engineering(noise.to, Unit::Hertz)
    )
}

fn headline(answer: &Answer, behind: &str) -> String {
    let noise = &answer.noise;
    let mut text = format!(
        "Noise at the load {} rms, {} A-weighted ({}); {} at {}.\n",
        engineering(noise.output_rms, Unit::Volt),
        engineering(noise.output_a_rms, Unit::Volt),
        bandwidth(noise),
        density(noise.density),
        engineering(noise.frequency, Unit::Hertz)
    );
    text += &match (
        answer.rated_power,
        answer.signal_to_noise_db,
        answer.signal_to_noise_a_db,
    ) {
        (Some(power), Some(plain), Some(weighted)) => {
            let power = engineering(power, Unit::Watt);
            let what = answer.rated_distortion.map_or_else(
                || "as given".to_owned(),
                |thd| format!("{} THD", percent(thd)),
            );
            format!(
                "Signal-to-noise ratio {plain:.1} dB, {weighted:.1} dB A-weighted, at {power} ({what})"
            )
        }
        _ => match (
            answer.input_signal,
            answer.input_signal_to_noise_db,
            answer.input_signal_to_noise_a_db,
        ) {
            (Some(volts), Some(plain), Some(weighted)) => format!(
                "Signal-to-noise ratio {plain:.1} dB, {weighted:.1} dB A-weighted, for {} rms of the generator behind {behind}, {} at the load",
                engineering(volts, Unit::Volt),
                engineering(volts * noise.gain, Unit::Volt)
            ),
            (Some(_), ..) => "No signal-to-noise ratio: no signal reaches the load".to_owned(),
            (None, ..) => format!(
                "No signal-to-noise ratio: {}; `--input 5mV` states that\n  for a signal at the input",
                answer
                    .no_rated_power
                    .as_deref()
                    .unwrap_or("no power is known")
            ),
        },
    };
    text += &match (answer.one_watt_db, answer.one_watt_a_db) {
        (Some(plain), Some(weighted)) => format!("; {plain:.1} dB and {weighted:.1} dB at 1 W.\n"),
        _ => ".\n".to_owned(),
    };
    if let (Some(plain), Some(weighted), Some(at_test)) =
        (noise.input_rms, noise.input_a_rms, noise.input_density)
    {
        text += &format!(
            "Referred to the generator: {} rms, {} A-weighted, {}.\n",
            engineering(plain, Unit::Volt),
            engineering(weighted, Unit::Volt),
            density(at_test)
        );
    }
    if let Some(loudest) = noise.parts.first() {
        text += &format!(
            "The loudest part is {}: {} of the noise power, {} A-weighted.\n",
            loudest.part,
            share(loudest.share),
            share(loudest.share_a)
        );
    }
    text
}

/// Rows of a table; the others are summed in one.
const ROWS: usize = 10;

fn sources(noise: &Noise) -> String {
    let mut sheet = Sheet::new(&[
        "part",
        "noise",
        "at the load, rms",
        "of the power",
        "A-weighted",
    ]);
    let (shown, rest) = noise
        .contributions
        .split_at(noise.contributions.len().min(ROWS));
    for source in shown {
        sheet.row(vec![
            source.part.clone(),
            kind(source),
            engineering(source.output_rms, Unit::Volt),
            share(source.share),
            share(source.share_a),
        ]);
    }
    if !rest.is_empty() {
        let sum = |of: fn(&Contribution) -> f64| rest.iter().map(of).sum::<f64>();
        sheet.row(vec![
            "others".to_owned(),
            format!("{} sources", rest.len()),
            engineering(sum(|s| s.output_rms.powi(2)).sqrt(), Unit::Volt),
            share(sum(|s| s.share)),
            share(sum(|s| s.share_a)),
        ]);
    }
    sheet.print("What makes the noise, the loudest first", 2)
}

fn parts(noise: &Noise) -> String {
    let mut sheet = Sheet::new(&["part", "of the power", "A-weighted"]);
    for part in noise.parts.iter().take(5) {
        sheet.row(vec![
            part.part.clone(),
            share(part.share),
            share(part.share_a),
        ]);
    }
    sheet.print("The loudest parts, all their noises together", 1)
}

/// What kind of noise a source makes.
pub(super) fn kind(source: &Contribution) -> String {
    let kind = match source.kind {
        NoiseKind::Thermal => "thermal",
        NoiseKind::Shot => "shot",
        NoiseKind::Partition => "partition",
        NoiseKind::Flicker => "flicker",
        NoiseKind::GridCurrent => "grid current",
    };
    if source.place.is_empty() {
        kind.to_owned()
    } else {
        format!("{kind}, {}", source.place)
    }
}

fn density(volts: f64) -> String {
    format!("{}/√Hz", engineering(volts, Unit::Volt))
}

/// A voltage gain: a ratio and its decibels.
fn gain(gain: f64) -> String {
    if gain > 0.0 {
        format!("{:.1} dB", 20.0 * gain.log10())
    } else {
        "nought".to_owned()
    }
}

/// A share of the power to a tenth of a per cent.
fn share(ratio: f64) -> String {
    let percent = 100.0 * ratio;
    if percent < 0.05 {
        "< 0.1 %".to_owned()
    } else {
        format!("{percent:.1} %")
    }
}
