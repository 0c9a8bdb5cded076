//! What an audition says, on the page and in the report.

use std::path::Path;

use sim::quantity::{Unit, engineering};

use super::matching::MatchedBy;
use super::page::{self, Conditions, Track};
use super::{Amplifier, Answer, ORIGINAL};
use crate::amplifier::Opened;
use crate::listening::decibels;
use crate::notes;
use crate::report::table::{Sheet, percent, watts};

/// The page, with these sounds: the recording first, then each amplifier.
pub(super) fn page(answer: &Answer, opened: &[Opened], sounds: Vec<Vec<u8>>) -> String {
    let mut names = vec![(
        "the recording itself".to_owned(),
        "no amplifier in its way".to_owned(),
    )];
    names.extend(
        answer
            .amplifiers
            .iter()
            .zip(opened)
            .map(|(amplifier, opened)| {
                let description = format!(
                    "{}; peaks of {}; level {} before matching",
                    amplifier.file,
                    peaks(amplifier, opened),
                    signed(amplifier.before_db)
                );
                (amplifier.title.clone(), description)
            }),
    );
    let tracks: Vec<Track> = names
        .into_iter()
        .zip(sounds)
        .map(|((name, description), wav)| Track {
            name,
            description,
            wav,
        })
        .collect();
    let conditions = Conditions {
        recording: answer.recording.clone(),
        summary: format!(
            "{} and the recording itself, {:.1} s, equally loud and in step to the sample.",
            count(answer.amplifiers.len()),
            answer.seconds
        ),
        rate: answer.rate,
        facts: facts(answer),
        table: table(answer, opened),
        assumed: assumed(answer, opened),
    };
    page::html(&tracks, &conditions)
}

/// The report.
pub(super) fn text(answer: &Answer, opened: &[Opened], folder: &Path) -> String {
    let mut text = format!(
        "{} through {}, equally loud and in step to the sample\n\n",
        answer.recording,
        count(answer.amplifiers.len()).to_lowercase()
    );
    let mut lines = table(answer, opened).into_iter();
    let header = lines.next().unwrap_or_default();
    let header: Vec<&str> = std::iter::once("file")
        .chain(header.iter().map(String::as_str))
        .collect();
    let mut sheet = Sheet::new(&header);
    for (line, amplifier) in lines.zip(&answer.amplifiers) {
        sheet.row(
            std::iter::once(amplifier.output.clone())
                .chain(line)
                .collect(),
        );
    }
    text += &sheet.print("Amplifiers", 2);
    for (name, value) in facts(answer) {
        text += &format!("{name}: {value}.\n");
    }
    text += &format!(
        "\nOpen {} in a browser to compare them blind; {ORIGINAL} beside it is the recording itself.\n",
        folder.join(&answer.page).display()
    );
    for assumed in assumed(answer, opened) {
        text += &format!("\n{assumed}");
    }
    text
}

fn count(amplifiers: usize) -> String {
    let words = ["No", "One", "Two", "Three", "Four", "Five", "Six"];
    let number = words.get(amplifiers).copied().unwrap_or("Many");
    let plural = if amplifiers == 1 { "" } else { "s" };
    format!("{number} amplifier{plural}")
}

/// Conditions that hold for all of them.
fn facts(answer: &Answer) -> Vec<(String, String)> {
    let mut facts = vec![
        (
            "Recording",
            format!(
                "{}, {:.2} s of it at {}",
                answer.recording,
                answer.seconds,
                engineering(f64::from(answer.rate), Unit::Hertz)
            ),
        ),
        ("Level", format!("{}, for each amplifier", answer.level)),
    ];
    if let Some(loudspeaker) = &answer.loudspeaker {
        facts.push((
            "Load",
            format!("loudspeaker {loudspeaker} in place of each load"),
        ));
    }
    if let Some(closed_box) = &answer.closed_box {
        facts.push(("Box", format!("{}; the recording too", closed_box.words())));
    }
    let level = match (answer.matched_by, answer.loudness) {
        (MatchedBy::Loudness, Some(loudness)) => {
            format!("gated loudness of {loudness:.2} LUFS (ITU-R BS.1770)")
        }
        _ => "rms, as something is too short or too soft for a gated loudness".to_owned(),
    };
    let softer = if answer.softer_db > 0.005 {
        format!(
            "; all {:.2} dB below the recording, that no peak clips",
            answer.softer_db
        )
    } else {
        String::new()
    };
    facts.push((
        "Matched",
        format!("{level}, within {:.3} dB{softer}", answer.spread_db),
    ));
    let turned: Vec<&str> = answer
        .amplifiers
        .iter()
        .filter(|amplifier| amplifier.inverts)
        .map(|amplifier| amplifier.output.as_str())
        .collect();
    if !turned.is_empty() {
        let verb = if turned.len() == 1 { "turns" } else { "turn" };
        facts.push((
            "Polarity",
            format!("{} {verb} it round; turned back here", turned.join(" and ")),
        ));
    }
    let error = answer
        .amplifiers
        .iter()
        .map(|amplifier| amplifier.grid.error_db)
        .fold(f64::NEG_INFINITY, f64::max);
    let met = answer.amplifiers.iter().all(|amplifier| amplifier.grid.met);
    facts.push((
        "Error of steps",
        format!(
            "{} below the sound at its loudest and brightest{}",
            decibels(-error),
            if met {
                ""
            } else {
                ", less than was asked for on the finest grid there is"
            }
        ),
    ));
    facts
        .into_iter()
        .map(|(name, value)| (name.to_owned(), value))
        .collect()
}

/// A heading and a line for each amplifier.
fn table(answer: &Answer, opened: &[Opened]) -> Vec<Vec<String>> {
    let head = [
        "amplifier",
        "peaks",
        "mean",
        "generator, peak",
        "over its limit",
        "level before matching",
    ];
    let mut table = vec![head.map(str::to_owned).to_vec()];
    for (amplifier, opened) in answer.amplifiers.iter().zip(opened) {
        let mean = amplifier
            .channels
            .iter()
            .map(|meters| meters.mean_power)
            .fold(0.0, f64::max);
        let limit = match (amplifier.clipped, amplifier.limit_power) {
            (Some(clipped), Some(limit)) => format!(
                "{} of the time ({} at {})",
                share_of_time(clipped),
                watts(limit),
                percent(opened.amplifier.bench.distortion_limit)
            ),
            _ => "it has none".to_owned(),
        };
        table.push(vec![
            amplifier.title.clone(),
            peaks(amplifier, opened),
            watts(mean),
            engineering(amplifier.drive_peak, Unit::Volt),
            limit,
            signed(amplifier.before_db),
        ]);
    }
    table
}

fn share_of_time(share: f64) -> String {
    if share <= 0.0 {
        "none".to_owned()
    } else {
        format!("{:.2} %", 100.0 * share)
    }
}

/// Watts of the peaks, and into what.
fn peaks(amplifier: &Amplifier, opened: &Opened) -> String {
    let peak = amplifier
        .channels
        .iter()
        .map(|meters| meters.peak_power)
        .fold(0.0, f64::max);
    format!(
        "{} into {}",
        watts(peak),
        engineering(opened.amplifier.bench.load_ohms, Unit::Ohm)
    )
}

fn signed(decibels: f64) -> String {
    // No amplifier is a negative nothing louder than itself.
    format!("{:+.2} dB", decibels + 0.0)
}

/// What was assumed of each amplifier, where anything was.
fn assumed(answer: &Answer, opened: &[Opened]) -> Vec<String> {
    answer
        .amplifiers
        .iter()
        .zip(opened)
        .map(|(amplifier, opened)| (amplifier, notes::text(&opened.amplifier)))
        .filter(|(_, text)| !text.is_empty())
        .map(|(amplifier, text)| format!("{}\n{text}", amplifier.title))
        .collect()
}

/// The name of a file without its folders.
pub(super) fn name(path: &Path) -> String {
    path.file_name().map_or_else(
        || path.display().to_string(),
        |name| name.to_string_lossy().into_owned(),
    )
}
