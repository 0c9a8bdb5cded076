//! The report.

use measure::at_rest::voltages::Voltages;
use measure::driven::distortion::{
    AtFrequency, BassLimit, Curve, Distortion, End, Intermodulation, IntermodulationKind,
};
use measure::driven::power::{Limit, Power, has_filaments};
use sim::amplifier::Amplifier;
use sim::quantity::{Unit, engineering};

use crate::commands::power::onset::{onsets, output};
use crate::commands::power::words::{ended, headline, over_at_rest, passed_over};
use crate::notes;
use crate::report::table::{Sheet, percent};

/// Of valves whose filament is the cathode, added to what tones with their supplies at the means leave out.
const FILAMENTS: &str =
    " So is the hum of\nfilaments, which near the limit moves it by up to a fiftieth of itself.";

/// The report for people.
pub(super) fn report(
    amplifier: &Amplifier,
    answer: &Distortion,
    rest: Option<&Voltages>,
) -> String {
    let power = &answer.against_power;
    let mut text = format!("{}\nSource: {}\n\n", amplifier.title, amplifier.source);
    text += &headline(power);
    text += &over_at_rest(rest);
    text += &passed_over(power);
    text += &bandwidth(answer);
    text += &bass(answer);
    text.push('\n');
    text += &format!(
        "Conditions: power is rms volts squared over {}, generator volts open-circuit; distortion against the\n  fundamental, with every harmonic the samples resolve, to the {} at least; \"to 80 kHz\" is what a meter\n  of that bandwidth shows. Supplies as in the file; every level settled until it repeats.\n\n",
        engineering(power.load_ohms, Unit::Ohm),
        if power.mains_period.is_some() {
            "16th"
        } else {
            "128th"
        }
    );
    if let Some(hertz) = answer.supplies_at_means_from {
        text += &format!(
            "Tones of {} and above, and two tones with such an upper one, have the supplies at the means they have on the\nmains at that output: ripple hardly moves their distortion and is left out, and no flux is read.{}\n\n",
            engineering(hertz, Unit::Hertz),
            if has_filaments(&amplifier.circuit) {
                FILAMENTS
            } else {
                ""
            }
        );
    }
    text += &against_power(answer);
    for curve in &answer.against_frequency {
        text += &against_frequency(power, curve);
    }
    text += &intermodulation(answer);
    text += &notes::text(amplifier);
    text += &ended(power);
    text
}

/// The band, a line for its ends and one for what ends it.
fn bandwidth(answer: &Distortion) -> String {
    if answer.against_power.mains_period.is_some() {
        return "Power bandwidth and the limit in the bass are not sought on the mains, where every frequency would be a\nperiod of its own, minutes in all: the curves against frequency tell, and the file on direct supplies.\n"
            .to_owned();
    }
    let Some(band) = &answer.power_bandwidth else {
        return "No power bandwidth: there is no rated power to halve.\n".to_owned();
    };
    let end = |end: &End, below: bool| match end.frequency {
        Some(hertz) => engineering(hertz, Unit::Hertz),
        None => format!(
            "{} {}",
            if below { "below" } else { "above" },
            engineering(end.searched_to, Unit::Hertz)
        ),
    };
    let mut text = format!(
        "Power bandwidth: {} to {}, half the power ({}) at no more than {} THD.\n",
        end(&band.low, true),
        end(&band.high, false),
        output(&answer.against_power, band.power),
        percent(band.distortion)
    );
    for (side, end) in [("low", &band.low), ("high", &band.high)] {
        if end.frequency.is_some() {
            let gives_up = || gives_up(&answer.against_power, &end.first);
            let what = end.error.clone().or_else(gives_up);
            let what = what.unwrap_or_else(|| "distortion alone, nothing gives up".to_owned());
            text += &format!("  What ends it at the {side} end: {what}.\n");
        }
    }
    text
}

/// What gives up first, in words; none when nothing does.
fn gives_up(of: &Power, first: &[Limit]) -> Option<String> {
    let words: Vec<String> = onsets(first).iter().map(|onset| onset.words(of)).collect();
    (!words.is_empty()).then(|| words.join(", "))
}

fn bass(answer: &Distortion) -> String {
    let power = &answer.against_power;
    if power.rated.is_none() || power.mains_period.is_some() {
        return String::new();
    }
    if answer.saturating_cores.is_empty() {
        return "No core of this file saturates: the iron sets no limit in the bass.\n".to_owned();
    }
    let line = |limit: &BassLimit| {
        let power = output(&answer.against_power, limit.power);
        match (limit.frequency, &limit.part) {
            (None, _) => format!(
                "{power}: no core saturates down to {}",
                engineering(limit.searched_to, Unit::Hertz)
            ),
            (Some(hertz), Some(part)) => format!(
                "{power} down to {}, where {part} saturates",
                engineering(hertz, Unit::Hertz)
            ),
            (Some(hertz), None) => format!(
                "{power} down to {}, lost before a core saturates{}",
                engineering(hertz, Unit::Hertz),
                limit
                    .error
                    .clone()
                    .or_else(|| gives_up(&answer.against_power, &limit.first))
                    .map_or_else(String::new, |what| format!(": {what}"))
            ),
        }
    };
    let lines: Vec<String> = answer.bass_limits.iter().map(line).collect();
    match lines.as_slice() {
        [] => "A core saturates at the test frequency already.\n".to_owned(),
        _ => format!("Bass, whatever the distortion: {}.\n", lines.join("; ")),
    }
}

fn against_power(answer: &Distortion) -> String {
    let power = &answer.against_power;
    let mut header = vec![
        (if power.in_volts { "output" } else { "power" }).to_owned(),
        "drive, rms".to_owned(),
        "THD".to_owned(),
    ];
    header.extend((2..=9).map(|number| format!("H{number}")));
    let header: Vec<&str> = header.iter().map(String::as_str).collect();
    let mut sheet = Sheet::new(&header);
    for level in &power.levels {
        let mut row = vec![
            output(power, level.power),
            engineering(level.drive_rms, Unit::Volt),
            percent(level.thd),
        ];
        row.extend(level.harmonics.iter().map(|ratio| percent(*ratio)));
        sheet.row(row);
    }
    let heading = format!(
        "Distortion against power, sine at {}",
        engineering(power.frequency, Unit::Hertz)
    );
    sheet.print(&heading, 0)
}

fn against_frequency(of: &Power, curve: &Curve) -> String {
    let mut header = ["frequency", "drive, rms", "THD", "to 80 kHz"]
        .map(str::to_owned)
        .to_vec();
    header.extend((2..=9).map(|number| format!("H{number}")));
    header.push("core flux".to_owned());
    let header: Vec<&str> = header.iter().map(String::as_str).collect();
    let mut sheet = Sheet::new(&header);
    let mut short = String::new();
    for point in &curve.points {
        let frequency = engineering(point.frequency, Unit::Hertz);
        let Some(reading) = &point.reading else {
            short += &format!("  {frequency}: not reached; {}\n", why(of, point));
            continue;
        };
        let mut row = vec![
            frequency,
            engineering(reading.drive_rms, Unit::Volt),
            percent(reading.thd),
            reading
                .thd_in_meter_band
                .map_or_else(|| "-".to_owned(), percent),
        ];
        row.extend(reading.harmonics.iter().map(|ratio| percent(*ratio)));
        row.push(
            reading
                .saturation
                .map_or_else(|| "-".to_owned(), |share| format!("{:.0} %", 100.0 * share)),
        );
        sheet.row(row);
    }
    let heading = format!(
        "Distortion against frequency at {}; core flux of what saturates",
        name(of, curve)
    );
    let mut text = sheet.print(&heading, 0);
    if !short.is_empty() {
        // The list belongs to the table above it.
        if text.is_empty() {
            text = format!("{heading}\n");
        } else {
            text.truncate(text.trim_end().len());
            text.push('\n');
        }
        text += &short;
        text.push('\n');
    }
    text
}

/// Which curve it is.
pub(super) fn name(of: &Power, curve: &Curve) -> String {
    let power = output(of, curve.power);
    if curve.rated {
        format!("the rated {power}")
    } else {
        power
    }
}

fn why(of: &Power, point: &AtFrequency) -> String {
    let Some(short) = &point.not_reached else {
        return String::new();
    };
    let nearest = match (short.power, short.thd) {
        (Some(power), Some(thd)) => Some(format!(
            "{} at {} THD is the nearest",
            output(of, power),
            percent(thd)
        )),
        _ => None,
    };
    let what = gives_up(of, &short.first).map(|what| format!("first to give up: {what}"));
    let told = [nearest, what, short.error.clone()];
    told.into_iter().flatten().collect::<Vec<_>>().join("; ")
}

fn intermodulation(answer: &Distortion) -> String {
    if answer
        .intermodulation
        .iter()
        .all(|signal| signal.levels.is_empty())
    {
        return String::new();
    }
    let mut sheet = Sheet::new(&[
        "kind",
        "tones",
        "level",
        "peak",
        "drive, peak",
        "2nd order",
        "3rd order",
    ]);
    for signal in &answer.intermodulation {
        for level in &signal.levels {
            let mut row = vec![
                match signal.kind {
                    IntermodulationKind::Modulation => "modulation".to_owned(),
                    IntermodulationKind::DifferenceFrequency => "difference frequency".to_owned(),
                },
                tones(signal),
                output(&answer.against_power, level.power),
                engineering(level.peak, Unit::Volt),
            ];
            match (&level.products, &level.error) {
                (Some(products), _) => row.extend([
                    engineering(products.drive, Unit::Volt),
                    percent(products.second),
                    percent(products.third),
                ]),
                (None, _) => row.extend(["not reached", "-", "-"].map(str::to_owned)),
            }
            sheet.row(row);
        }
    }
    let mut text = sheet.print("Intermodulation", 2);
    // The conditions belong to the table above them.
    text.truncate(text.trim_end().len());
    text += "\n  The amplitudes of both tones at the load add up to the peak of a sine of that power; their ratio is\n  that at the generator. Modulation: both side tones together, of the upper tone. Difference frequency:\n  of the sum of the tones; 3rd order, both products together.\n\n";
    text
}

fn tones(signal: &Intermodulation) -> String {
    let [lower, upper] = [signal.lower, signal.upper].map(|hertz| engineering(hertz, Unit::Hertz));
    match signal.kind {
        IntermodulationKind::Modulation => format!("{lower} + {upper}, {}:1", short(signal.ratio)),
        IntermodulationKind::DifferenceFrequency => format!("{lower} + {upper}"),
    }
}

/// A ratio without needless noughts.
fn short(ratio: f64) -> String {
    let text = format!("{ratio:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}
