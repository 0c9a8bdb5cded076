//! `audition FILE FILE… music.wav -o FOLDER`: the same recording through several amplifiers, equally loud, in
//! step to the sample, with a page to compare them blind.
//!
//! A command by itself: it is about several amplifiers, and what it delivers is a folder.

use std::cell::Cell;
use std::path::{Path, PathBuf};

use measure::driven::playback::Meters;
use rayon::prelude::*;
use serde::Serialize;

use super::command::Command;
use super::listen::{Asked, Playing};
use crate::amplifier::Opened;
use crate::diagnostic::{self, Diagnostic, Id};
use crate::failure::Failure;
use crate::listening::{
    Bits, ClosedBox, Delivery, Form, Grid, Recording, Rendered, Written, deliver, original,
};
use crate::notes::Assumption;
use crate::options::Options;
use crate::report::{self, json};
use crate::{caution, notes, progress};

mod folder;
mod matching;
mod page;
mod play;
mod words;

use folder::Folder;
use matching::{Match, MatchedBy, matched};
use play::{Played, play};

// `--set` changes a value in every file.
/// Amplifiers with the same recording, equally loud, on a page to compare them blind.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// Amplifier files or reworks, then the recording: a WAV file of one channel or two.
    #[arg(required = true, value_name = "FILE… RECORDING")]
    files: Vec<PathBuf>,
    /// The folder to make: a page, and a WAV file of each amplifier and of the recording.
    #[arg(short, long, value_name = "FOLDER")]
    output: PathBuf,
    #[command(flatten)]
    playing: Playing,
    /// Samples of the WAV files; those in the page have 16 bit.
    #[arg(long, value_enum, default_value = "24")]
    bits: Bits,
}

/// Amplifiers that can be told from each other by ear in one sitting.
const MOST: usize = 6;

/// The page in the folder.
const PAGE: &str = "audition.html";

/// The recording in the folder.
const ORIGINAL: &str = "original.wav";

/// The file of an amplifier in the folder, counted from 0.
fn wav_name(amplifier: usize) -> String {
    format!("amplifier_{}.wav", amplifier + 1)
}

/// dB; tracks further apart than this can be told by level alone by a practised ear.
/// Source    common practice of listening tests, no source: 0.1 dB is asked for, half of it is left to the rest
const MATCHED: f64 = 0.05;

/// One amplifier of the answer.
#[derive(Debug, Serialize)]
struct Amplifier {
    file: String,
    title: String,
    source: String,
    assumed: Vec<Assumption>,
    /// Volts of the generator for full scale of the recording, peak.
    drive: f64,
    /// Peak of the generator, V.
    drive_peak: f64,
    /// Share of the time for which more is asked than the amplifier gives at its distortion limit.
    clipped: Option<f64>,
    /// That limit, W.
    limit_power: Option<f64>,
    grid: Grid,
    channels: Vec<Meters>,
    /// It turns the recording round; the file has been turned back.
    inverts: bool,
    /// Level at the load before matching against that of the first amplifier, dB.
    before_db: f64,
    output: String,
    written: Written,
}

/// The answer.
#[derive(Debug, Serialize)]
struct Answer {
    recording: String,
    seconds: f64,
    rate: u32,
    level: String,
    loudspeaker: Option<String>,
    closed_box: Option<ClosedBox>,
    matched_by: MatchedBy,
    /// LUFS of all tracks; none when matched by rms.
    loudness: Option<f64>,
    /// dB between the loudest track and the softest.
    spread_db: f64,
    /// By how much all tracks are softer than the recording, that none clips, dB.
    softer_db: f64,
    page: String,
    original: Written,
    amplifiers: Vec<Amplifier>,
}

impl Command for Arguments {
    const NAME: &'static str = "audition";

    fn run(&self, options: &Options) -> Result<(), Failure> {
        let asked = self.playing.read()?;
        let (path, files) = sitting(&self.files)?;
        let mut opened: Vec<Opened> = Vec::new();
        let mut failures = Vec::new();
        for file in files {
            match self.playing.open(file, options) {
                Ok(found) => opened.push(found),
                Err(failure) => failures.push(failure),
            }
        }
        if !failures.is_empty() {
            return Err(Failure::Several(failures));
        }
        let recording = Recording::open(path, asked.part)?;
        fits(&recording, opened.len() + 1)?;
        let folder = Folder::new(&self.output, options.overwrite)?;

        let bar =
            progress::real_time_bar(recording.frames() * opened.len() as u64, recording.rate());
        let played: Vec<Result<Played, Failure>> = opened
            .par_iter()
            .map(|opened| {
                let before = Cell::new(0);
                play(opened, &recording, &asked, folder.scratch(), &|frames| {
                    bar.inc(frames - before.replace(frames));
                })
            })
            .collect();
        bar.finish_and_clear();
        let mut played: Vec<Played> = played
            .into_iter()
            .zip(files)
            .map(|(played, file)| {
                played.map_err(|failure| named(failure, &file.display().to_string()))
            })
            .collect::<Result<_, _>>()?;

        let spinner = progress::counter("matching the loudness");
        let mut source = original(&recording, asked.closed_box, folder.scratch())?;
        for played in &mut played {
            played.inverts = played.rendered.opposes(&mut source)?;
        }
        let turned: Vec<bool> = std::iter::once(false)
            .chain(played.iter().map(|played| played.inverts))
            .collect();
        let mut tracks: Vec<(&mut Rendered, f64)> = vec![(&mut source, 1.0)];
        tracks.extend(
            played
                .iter_mut()
                .map(|played| (&mut played.rendered, played.rough_gain)),
        );
        let found = matched(&mut tracks, recording.rate())?;
        let mut delivered = Vec::new();
        let mut sounds = Vec::new();
        for (k, ((rendered, _), &gain)) in tracks.iter_mut().zip(&found.gains).enumerate() {
            let form = Form {
                gain: if turned[k] { -gain } else { gain },
                bits: self.bits,
                keep_dc: false,
                rate: recording.rate(),
                overwrite: false,
            };
            let name = if k == 0 {
                ORIGINAL.to_owned()
            } else {
                wav_name(k - 1)
            };
            let mut written = deliver(rendered, Delivery::Whole, form, &folder.place(&name))?;
            written.full_scale_volts = written.full_scale_volts.abs();
            delivered.push(written);
            sounds.push(folder.sound(rendered, form)?);
        }
        spinner.finish_and_clear();
        let answer = answer(
            self, &asked, &recording, &opened, &played, &found, delivered,
        )?;
        let page = words::page(&answer, &opened, sounds);
        folder.write(PAGE, page.as_bytes())?;
        folder.finish()?;
        if options.json {
            report::print(&json::plain(
                "audition",
                &answer.recording,
                &path.display().to_string(),
                &answer,
            ))?;
        } else {
            let warnings = opened
                .iter()
                .map(|opened| notes::warnings(&opened.amplifier.notes));
            let words = words::text(&answer, &opened, &self.output);
            report::print(&(warnings.collect::<String>() + &words))?;
        }
        let amplifiers = opened.iter().map(|opened| &opened.amplifier);
        caution::print_highest(amplifiers.zip(played.iter().map(|played| &played.rest)));
        Ok(())
    }
}

/// The recording, which stands last, and the amplifiers.
fn sitting(given: &[PathBuf]) -> Result<(&Path, &[PathBuf]), Failure> {
    match given {
        [files @ .., recording] if (1..=MOST).contains(&files.len()) => Ok((recording, files)),
        [_, ..] if given.len() > MOST => Err(Failure::plain(
            Id::CannotAsk,
            format!(
                "{} amplifiers are too many for one sitting",
                given.len() - 1
            ),
            format!("give up to {MOST} at a time"),
        )),
        _ => Err(Failure::plain(
            Id::CannotAsk,
            "an amplifier file or the recording is missing",
            "write e.g. gridleak audition one.toml other.toml music.wav -o folder",
        )),
    }
}

/// Refuses what would make a page too long to open, before any work is done.
fn fits(recording: &Recording, tracks: usize) -> Result<(), Failure> {
    let longest = page::longest(tracks, recording.channels(), recording.rate());
    if recording.seconds() <= longest {
        return Ok(());
    }
    Err(Failure::plain(
        Id::OutOfBounds,
        format!(
            "{:.0} s of {tracks} tracks are too long for a page, which holds {:.0} s of them",
            recording.seconds(),
            longest.floor()
        ),
        "play a part of the recording, e.g. --from 0:30 --for 20s",
    ))
}

/// A failure of one amplifier, with its file.
fn named(failure: Failure, file: &str) -> Failure {
    let named = |diagnostic: Diagnostic| Diagnostic {
        message: format!("{file}: {}", diagnostic.message),
        ..diagnostic
    };
    match failure {
        Failure::Run(error) => Failure::NoAnswer(named(diagnostic::of_sim(&error))),
        Failure::NoAnswer(diagnostic) => Failure::NoAnswer(named(diagnostic)),
        Failure::Input {
            diagnostics,
            text: None,
        } => Failure::Input {
            diagnostics: diagnostics.into_iter().map(named).collect(),
            text: None,
        },
        other => other,
    }
}

fn answer(
    arguments: &Arguments,
    asked: &Asked,
    recording: &Recording,
    opened: &[Opened],
    played: &[Played],
    found: &Match,
    mut files: Vec<Written>,
) -> Result<Answer, Failure> {
    let spread_db = found.by.spread_db(&files, &found.gains);
    if spread_db > MATCHED {
        return Err(Failure::NoAnswer(Diagnostic::plain(
            Id::NotReached,
            format!("the tracks stay {spread_db:.2} dB apart in loudness"),
            "take a longer or louder part of the recording: gates and silence decide here",
        )));
    }
    let original = files.remove(0);
    let amplifiers = opened
        .iter()
        .zip(played)
        .zip(files)
        .enumerate()
        .map(|(k, ((opened, played), written))| Amplifier {
            file: arguments.files[k].display().to_string(),
            title: opened.amplifier.title.clone(),
            source: opened.amplifier.source.clone(),
            assumed: notes::json(&opened.amplifier.notes),
            drive: played.drive,
            drive_peak: played.drive_peak,
            clipped: played.clipped,
            limit_power: played.limit_power,
            grid: played.grid,
            channels: played.rendered.meters.clone(),
            inverts: played.inverts,
            before_db: 20.0 * (found.gains[1] / found.gains[k + 1]).log10(),
            output: wav_name(k),
            written,
        })
        .collect();
    Ok(Answer {
        recording: words::name(recording.path()),
        seconds: recording.seconds(),
        rate: recording.rate(),
        level: asked.level.words(),
        loudspeaker: arguments.playing.loudspeaker.clone(),
        closed_box: asked.closed_box,
        matched_by: found.by,
        loudness: original
            .loudness
            .filter(|_| found.by == MatchedBy::Loudness),
        spread_db,
        softer_db: found.softer_db,
        page: PAGE.to_owned(),
        original,
        amplifiers,
    })
}
