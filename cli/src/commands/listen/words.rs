//! What `listen` says in words.

use std::path::Path;

use sim::SimError;
use sim::quantity::{Unit, engineering};
use sim::stability::Bursts;

use super::{Answer, Arguments};
use crate::amplifier::Opened;
use crate::listening::{Recording, decibels, loudness};
use crate::notes;
use crate::report::table::{Sheet, percent, share, volts, watts};

/// What is said of an amplifier that oscillates on the peaks of a recording.
pub(in crate::commands) fn burst_words(bursts: &Bursts) -> String {
    format!(
        "BURSTS INTO OSCILLATION at about {} where the recording is loudest: what is written is not what it would do there.\n",
        engineering(bursts.frequency, Unit::Hertz)
    )
}

pub(super) fn text(
    arguments: &Arguments,
    (opened, recording): (&Opened, &Recording),
    answer: &Answer,
    no_limit: Option<&SimError>,
) -> String {
    let amplifier = &opened.amplifier;
    let load = engineering(amplifier.bench.load_ohms, Unit::Ohm);
    let mut text = format!("{}\n\n", amplifier.title);
    let most = |figure: &dyn Fn(&measure::driven::playback::Meters) -> f64| {
        answer.channels.iter().map(figure).fold(0.0, f64::max)
    };
    text += &format!(
        "Peaks of {}, {} on the average into {load}: {} peak from the generator.\n",
        watts(most(&|meters| meters.peak_power)),
        watts(most(&|meters| meters.mean_power)),
        engineering(answer.drive_peak, Unit::Volt),
    );
    let limit = percent(amplifier.bench.distortion_limit);
    text += &match (answer.clipped.zip(answer.limit_power), no_limit) {
        (Some((clipped, most)), _) => format!(
            "More than its {} at {limit} THD is asked of it for {} of the time.\n",
            watts(most),
            share_of_time(clipped)
        ),
        (None, Some(error)) => format!("Where it reaches {limit} THD was not found: {error}.\n"),
        (None, None) => format!("No drive brings it to {limit} THD.\n"),
    };
    if let Some(bursts) = &answer.bursts {
        text += &burst_words(bursts);
    }
    if let Some(added) = answer.added {
        let more = match (answer.on_mains, arguments.playing.switch_on) {
            (true, true) => ", hum and thump included",
            (true, false) => ", hum included",
            (false, true) => ", thump included",
            (false, false) => "",
        };
        text += &format!(
            "What it adds lies {} below its output{more}.
",
            decibels(-20.0 * added.log10())
        );
    }
    text += &format!(
        "\nRecording: {}, {}, {}, {}, {}, peak {} below full scale.\n",
        name(recording.path()),
        time(answer.recording.seconds),
        engineering(f64::from(recording.rate()), Unit::Hertz),
        if recording.channels() == 1 {
            "one channel".to_owned()
        } else {
            "two channels, an amplifier for each".to_owned()
        },
        recording.kind(),
        decibels(-20.0 * answer.recording.peak.log10()),
    );
    text += &format!(
        "Conditions: {}; full scale of the recording {} from the generator; load {};\n  from {}; grid {} x as fine, {}: steps and aliasing {} below the sound at its loudest and brightest{}.\n",
        answer.level,
        engineering(answer.drive, Unit::Volt),
        load_words(opened, arguments),
        if arguments.playing.switch_on {
            "the switch, valves warm"
        } else {
            "rest"
        },
        answer.grid.times,
        engineering(answer.grid.rate, Unit::Hertz),
        decibels(-answer.grid.error_db),
        if answer.grid.met {
            ""
        } else {
            ", less than was asked for on the finest grid there is"
        },
    );
    if let Some(of) = &answer.closed_box {
        text += &format!("  {}.\n", of.words());
    }
    text += &format!("\n{}", meters(answer));
    text += &files(arguments, answer);
    if let Some(hertz) = answer.linear_means_below {
        text += &format!(
            "The linear amplifier, by which drive and grid are chosen and what is added is told, has the mean slopes of the mains\n  period: below {} its supply seems stiffer than it is.\n",
            engineering(hertz, Unit::Hertz)
        );
    }
    text += &format!("Took {:.2} x real time.\n", answer.real_time);
    text += &notes::text(amplifier);
    text
}

fn load_words(opened: &Opened, arguments: &Arguments) -> String {
    let bench = &opened.amplifier.bench;
    let name = &opened.amplifier.circuit.part(bench.load).name;
    match &arguments.playing.loudspeaker {
        Some(given) => format!("loudspeaker {given} in place of {name}"),
        None => format!("{name}, {}", engineering(bench.load_ohms, Unit::Ohm)),
    }
}

fn share_of_time(share: f64) -> String {
    if share <= 0.0 {
        "none".to_owned()
    } else {
        format!("{:.3} %", 100.0 * share)
    }
}

/// The meters of each channel.
fn meters(answer: &Answer) -> String {
    let mut text = String::new();
    for (k, channel) in answer.channels.iter().enumerate() {
        let which = match (answer.channels.len(), k) {
            (1, _) => "",
            (_, 0) => ", left",
            _ => ", right",
        };
        let mut sheet = Sheet::new(&[
            "valve",
            "grid current sets in",
            "flows",
            "anode, hottest second",
            "of limit",
            "mean",
        ]);
        for valve in &channel.valves {
            sheet.row(vec![
                valve.part.clone(),
                valve.grid_current_events.to_string(),
                share_of_time(valve.grid_current_share),
                watts(valve.hottest.value),
                share(&valve.hottest),
                watts(valve.mean_watts),
            ]);
        }
        text += &sheet.print(&format!("Valves{which}"), 1);
        if channel.rails.is_empty() {
            if k == 0 && !channel.valves.is_empty() {
                text += "HT: ideal supplies, no sag.\n\n";
            }
            continue;
        }
        let mut sheet = Sheet::new(&["rail", "at rest", "at its farthest", "sag"]);
        for rail in &channel.rails {
            sheet.row(vec![
                rail.node.clone(),
                volts(rail.rest),
                volts(rail.sagged),
                format!("{:.2} %", 100.0 * rail.sag()),
            ]);
        }
        text += &sheet.print(&format!("HT, means over 0.1 s{which}"), 1);
    }
    text
}

fn files(arguments: &Arguments, answer: &Answer) -> String {
    let mut text = format!(
        "{}: {}, {}, full scale {} at the load.\n",
        name(&arguments.output),
        arguments.bits.words(),
        loudness(answer.output.loudness),
        engineering(answer.output.full_scale_volts, Unit::Volt),
    );
    match (
        answer.softer_db,
        arguments.full_scale.is_some(),
        answer.recording.loudness,
    ) {
        (Some(softer), ..) => {
            text += &format!(
                "  {softer:.2} dB softer than the recording, whose loudness its peaks do not allow.\n"
            );
        }
        (None, false, Some(wanted)) => {
            text += &format!("  As loud as the recording, {wanted:.2} LUFS.\n");
        }
        _ => {}
    }
    for (path, written, what) in [
        (&arguments.ideal, &answer.ideal, "the linear amplifier"),
        (
            &arguments.residual,
            &answer.residual,
            "what the amplifier adds",
        ),
    ] {
        if let (Some(path), Some(written)) = (path, written) {
            text += &format!(
                "{}: {what}, the same scale, {}.\n",
                name(path),
                loudness(written.loudness)
            );
        }
    }
    text
}

fn name(path: &Path) -> String {
    path.file_name().map_or_else(
        || path.display().to_string(),
        |name| name.to_string_lossy().into_owned(),
    )
}

fn time(seconds: f64) -> String {
    if seconds < 60.0 {
        format!("{seconds:.2} s")
    } else {
        format!("{} min {:.0} s", (seconds / 60.0).floor(), seconds % 60.0)
    }
}
