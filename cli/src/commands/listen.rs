//! `listen FILE music.wav -o out.wav`.
//!
//! A command by itself: what it delivers are recordings, written while they are played.

use std::path::{Path, PathBuf};

use measure::UnderTest;
use measure::at_rest::voltages::chart;
use measure::driven::playback::{Meters, Start};
use measure::instruments::peak;
use serde::Serialize;
use sim::quantity::Unit;
use sim::rest::slopes_move_below;
use sim::stability::Bursts;

use super::command::Command;
use crate::amplifier::Opened;
use crate::argument::{given, quantity};
use crate::caution::{self, Beyond};
use crate::diagnostic::Id;
use crate::failure::Failure;
use crate::listening::{
    Bits, ClosedBox, Delivery, Excerpt, Form, Grid, Level, Recording, Render, Stage, Written,
    deliver, prepare, render,
};
use crate::options::Options;
use crate::report::file_kind::FileKind;
use crate::report::{self, json, output};
use crate::{amplifier, notes, progress};

pub(super) mod words;

/// A recording through the amplifier: WAV in, WAV out, with meters while it plays.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// The amplifier file.
    file: PathBuf,
    /// The recording, a WAV file of one channel or two.
    recording: PathBuf,
    /// The WAV file to write: what the load gets, as loud as the recording.
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
    #[command(flatten)]
    playing: Playing,
    /// Write what the amplifier added to this file: its output without the best fit of the linear amplifier.
    #[arg(long, value_name = "FILE")]
    residual: Option<PathBuf>,
    /// Write the linear amplifier alone to this file: gain and response without distortion.
    #[arg(long, value_name = "FILE")]
    ideal: Option<PathBuf>,
    /// Volts at the load for full scale of the files, instead of the loudness of the recording.
    #[arg(long, value_name = "VOLTS")]
    full_scale: Option<String>,
    /// Samples of the files.
    #[arg(long, value_enum, default_value = "24")]
    bits: Bits,
    /// Leave steady volts at the load in the files.
    #[arg(long)]
    keep_dc: bool,
}

/// How a recording is played; the same for one amplifier and for several.
#[derive(Debug, clap::Args)]
pub(crate) struct Playing {
    /// How loud: "peaks at 10W", "peaks at the limit", "clipping 1% of the time", "input 0.5V", "0dBFS = 2V".
    #[arg(long, value_name = "WORDS", default_value = "peaks at the limit")]
    pub(super) level: String,
    /// Error of steps and aliasing allowed, against the sound; the grid is chosen for it.
    #[arg(
        long,
        value_name = "DECIBELS",
        default_value = "-80dB",
        allow_hyphen_values = true
    )]
    pub(super) accuracy: String,
    /// Begin there in the recording, e.g. 1:30 or 12.5s.
    #[arg(long, value_name = "TIME")]
    pub(super) from: Option<String>,
    /// Play so much of it.
    #[arg(long = "for", value_name = "TIME")]
    pub(super) length: Option<String>,
    /// A loudspeaker instead of the load: its rated impedance, then what is known of it, e.g. 8R,fs=45Hz.
    #[arg(long, value_name = "OHMS,KEY=VALUE,…")]
    pub(super) loudspeaker: Option<String>,
    /// Let the load's volts sound through a closed box, by its resonance and Q, e.g. 55Hz,Q=0.7.
    #[arg(long = "box", value_name = "HERTZ,Q=…")]
    pub(super) closed_box: Option<String>,
    /// Begin with every capacitor empty and the valves warm, thump and all.
    #[arg(long)]
    pub(super) switch_on: bool,
}

/// How a recording is played, read.
#[derive(Clone, Debug)]
pub(super) struct Asked {
    pub(super) level: Level,
    pub(super) accuracy_db: f64,
    pub(super) part: Excerpt,
    pub(super) closed_box: Option<ClosedBox>,
    pub(super) start: Start,
}

impl Playing {
    pub(super) fn read(&self) -> Result<Asked, Failure> {
        let time = |argument: &str, text: &Option<String>| {
            text.as_deref()
                .map(|text| seconds(argument, text))
                .transpose()
        };
        Ok(Asked {
            level: Level::given(&self.level)?,
            accuracy_db: accuracy(&self.accuracy)?,
            part: Excerpt {
                from: time("--from", &self.from)?.unwrap_or(0.0),
                length: time("--for", &self.length)?,
            },
            closed_box: self
                .closed_box
                .as_deref()
                .map(ClosedBox::given)
                .transpose()?,
            start: if self.switch_on {
                Start::Dead
            } else {
                Start::Rest
            },
        })
    }

    /// The amplifier, with the loudspeaker if one is given.
    pub(super) fn open(&self, file: &Path, options: &Options) -> Result<Opened, Failure> {
        let opened = amplifier::open(file, options)?;
        match &self.loudspeaker {
            None => Ok(opened),
            Some(text) => amplifier::with_loudspeaker(opened, text),
        }
    }
}

/// Seconds, also as minutes and seconds with a colon.
fn seconds(argument: &str, text: &str) -> Result<f64, Failure> {
    let colon = text.split_once(':').and_then(|(minutes, seconds)| {
        let minutes: u32 = minutes.trim().parse().ok()?;
        let seconds: f64 = seconds.trim().parse().ok()?;
        (0.0..60.0)
            .contains(&seconds)
            .then_some(60.0 * f64::from(minutes) + seconds)
    });
    match colon {
        Some(seconds) => Ok(seconds),
        None => quantity(argument, text, Unit::Second, 0.0),
    }
}

fn accuracy(text: &str) -> Result<f64, Failure> {
    let number = text.trim().replace('−', "-");
    let number = number
        .strip_suffix("dB")
        .or_else(|| number.strip_suffix("db"))
        .unwrap_or(&number);
    number
        .trim()
        .parse()
        .ok()
        .filter(|decibels| (-140.0..=-20.0).contains(decibels))
        .ok_or_else(|| {
            Failure::plain(
                Id::BadValue,
                format!("--accuracy {text} cannot be read"),
                "write decibels below the sound, between -20dB and -140dB",
            )
        })
}

/// The answer, for JSON.
#[derive(Debug, Serialize)]
struct Answer {
    /// What was played.
    recording: Played,
    /// What was asked for, in words.
    level: String,
    /// Volts of the generator for full scale of the recording, peak.
    drive: f64,
    /// Peak of the generator, V.
    drive_peak: f64,
    /// Share of the time for which more is asked than the amplifier gives at its distortion limit; none
    /// without one.
    clipped: Option<f64>,
    /// That limit, W.
    limit_power: Option<f64>,
    /// The oscillation it bursts into where the recording is loudest.
    bursts: Option<Bursts>,
    grid: Grid,
    /// Whether its own mains runs along, hum and all.
    on_mains: bool,
    /// Below what frequency, Hz, the linear amplifier has the mean slopes of the mains period where they move; none on
    /// supplies that do not.
    linear_means_below: Option<f64>,
    /// Of each channel.
    channels: Vec<Meters>,
    closed_box: Option<ClosedBox>,
    output: Written,
    /// By how much the files are softer than the recording because its loudness would clip them, dB.
    softer_db: Option<f64>,
    ideal: Option<Written>,
    residual: Option<Written>,
    /// Rms of what was added over that of the output; none unless asked for.
    added: Option<f64>,
    /// Seconds of sound for a second of work.
    real_time: f64,
}

/// The recording as it was played.
#[derive(Debug, Serialize)]
struct Played {
    seconds: f64,
    rate: u32,
    channels: usize,
    /// Gated loudness, LUFS.
    loudness: Option<f64>,
    /// Greatest sample, full scale 1.
    peak: f64,
}

impl Command for Arguments {
    const NAME: &'static str = "listen";

    fn run(&self, options: &Options) -> Result<(), Failure> {
        let asked = self.playing.read()?;
        let full_scale = given("--full-scale", self.full_scale.as_ref(), Unit::Volt)?;
        let opened = self.playing.open(&self.file, options)?;
        let recording = Recording::open(&self.recording, asked.part)?;
        let files = [
            Some(&self.output),
            self.residual.as_ref(),
            self.ideal.as_ref(),
        ]
        .map(|path| (FileKind::Sound, path));
        output::may_be_written(files, options.overwrite)?;
        self.bits.fit(recording.frames(), recording.channels())?;

        let amplifier = &opened.amplifier;
        let of = UnderTest::find(amplifier, &opened.system)?;
        of.lasts()?;
        let rest = chart(&of)?;
        let bar = progress::long_bar(recording.frames(), "hearing the recording");
        let prepared = prepare(
            &of,
            &recording,
            (asked.level, asked.accuracy_db),
            &|stage| match stage {
                Stage::Hearing(frames) => bar.set_position(frames),
                Stage::Limit => bar.set_message("looking for the distortion limit"),
                Stage::Grid => bar.set_message("choosing the grid"),
            },
        )?;
        bar.finish_and_clear();
        let (heard, driven, grid) = (&prepared.heard, prepared.driven, prepared.grid);

        let bar = progress::real_time_bar(recording.frames(), recording.rate());
        let mut rendered = render(
            &Render {
                recording: &recording,
                amplifier: &of,
                drive: driven.volts,
                grid,
                start: asked.start,
                linear: self.residual.is_some() || self.ideal.is_some(),
                closed_box: asked.closed_box,
                folder: &output::scratch(&self.output),
            },
            &|frames| bar.set_position(frames),
        )?;
        bar.finish_and_clear();

        let guess = heard.rough_gain(driven.volts);
        let mut levels =
            |what: Delivery| rendered.levels(what, self.keep_dc, recording.rate(), guess);
        let whole = levels(Delivery::Whole)?;
        // One scale for all files, the highest peak of any within it.
        let mut most = whole.most();
        if self.ideal.is_some() {
            most = most.min(levels(Delivery::Ideal)?.most());
        }
        if self.residual.is_some() {
            most = most.min(levels(Delivery::Residual)?.most());
        }
        let wanted = match full_scale {
            Some(volts) => volts.recip(),
            None => whole.matching((heard.loudness, heard.rms)),
        };
        if full_scale.is_some() && wanted > most {
            return Err(Failure::plain(
                Id::OutOfBounds,
                format!(
                    "--full-scale {} is less than the peaks of what is written, {:.3} V",
                    self.full_scale.as_deref().unwrap_or_default(),
                    most.recip()
                ),
                "give more volts, or leave it out",
            ));
        }
        let gain = wanted.min(most);
        let form = Form {
            gain,
            bits: self.bits,
            keep_dc: self.keep_dc,
            rate: recording.rate(),
            overwrite: options.overwrite,
        };
        let written = deliver(&mut rendered, Delivery::Whole, form, &self.output)?;
        let mut second = |what: Delivery, path: &Option<PathBuf>| {
            path.as_ref()
                .map(|path| deliver(&mut rendered, what, form, path))
                .transpose()
        };
        let ideal = second(Delivery::Ideal, &self.ideal)?;
        let residual = second(Delivery::Residual, &self.residual)?;
        let answer = Answer {
            recording: Played {
                seconds: recording.seconds(),
                rate: recording.rate(),
                channels: recording.channels(),
                loudness: heard.loudness,
                peak: heard.peak,
            },
            level: asked.level.words(),
            drive: driven.volts,
            drive_peak: driven.volts * heard.peak,
            clipped: driven.clipped,
            limit_power: prepared.limit.as_ref().map(|level| level.power),
            bursts: prepared.bursts,
            grid,
            on_mains: of.rest.mains.is_some(),
            linear_means_below: slopes_move_below(&opened.system),
            channels: rendered.meters.clone(),
            closed_box: asked.closed_box,
            added: residual
                .as_ref()
                .map(|residual| residual.rms_volts / written.rms_volts)
                .filter(|added| added.is_finite()),
            output: written,
            softer_db: (gain < wanted).then(|| 20.0 * (wanted / gain).log10()),
            ideal,
            residual,
            real_time: recording.seconds() / rendered.took,
        };
        if options.json {
            report::print(&json::document("listen", amplifier, &answer))?;
        } else {
            let words = words::text(
                self,
                (&opened, &recording),
                &answer,
                prepared.no_limit.as_ref(),
            );
            report::print(&(notes::warnings(&amplifier.notes) + &words))?;
        }
        let peak = peak::most(answer.channels.iter().map(|meters| meters.peak.clone()));
        let beyond = peak.as_ref().map(Beyond::with_signal);
        caution::print(amplifier, Some(&rest), beyond);
        Ok(())
    }
}
