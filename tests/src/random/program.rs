//! Random cases put to the program itself: what it exits with, and what it says.

use std::fs;
use std::io::Read;
use std::path::Path;
use std::process::{Command, Stdio};
use std::thread;
use std::time::{Duration, Instant};

use serde_json::Value;

use super::case::{Kind, Outcome};
use super::dice::Dice;
use super::spoilt::spoil_bytes;
use crate::processor::spent_by_children;
use crate::source::root;

/// Where the program is, where it may write, and when it is ended.
#[derive(Clone, Copy, Debug)]
pub struct Program<'a> {
    /// The program.
    pub path: &'a Path,
    /// A folder for the files of a case.
    pub folder: &'a Path,
    /// A case that takes longer is a hang.
    pub longest: Duration,
}

/// What is asked of a random circuit or a spoilt amplifier file: commands that end in milliseconds on direct
/// supplies.
const QUICK: [&[&str]; 5] = [
    &["voltages"],
    &["voltages", "--json"],
    &["check", "--quick"],
    &["response", "--json"],
    &["noise", "--rated", "1W", "--json"],
];

/// What is asked besides where there is time.
const SLOW: [&[&str]; 11] = [
    &["impedance", "--json"],
    &["noise", "--json"],
    &["power", "--json"],
    &["distortion", "--json", "--frequencies", "1kHz"],
    &["feedback", "--json"],
    &["waveform", "--for", "2ms", "--json"],
    &["readings", "--json"],
    &["spread", "--samples", "20", "--json"],
    &["effect", "--json"],
    &["check"],
    &["choose", "--part", "R1", "--so-that", "R1 current = 1mA"],
];

/// Kinds of files the program is given.
const GIVEN: [&str; 8] = [
    "circuits",
    "files",
    "reworks",
    "readings",
    "targets",
    "traced",
    "valves",
    "recordings",
];

/// A run that ended.
pub(super) struct Ended {
    code: Option<i32>,
    stdout: String,
    stderr: String,
    /// CPU seconds; none where they are not told.
    pub(super) seconds: Option<f64>,
}

impl Program<'_> {
    /// Case `number` of a seed; `slow` asks what may take seconds as well.
    ///
    /// # Errors
    /// What must not be, in words.
    ///
    /// # Panics
    /// When the folder cannot be written or the program not be run.
    pub fn judge(&self, seed: u64, number: u64, slow: bool) -> Result<Outcome, String> {
        let dice = &mut Dice::new(seed ^ 0x5EED, number);
        let given = *dice.pick(&GIVEN);
        let kind = Kind::ALL.into_iter().find(|(name, _)| *name == given);
        let text = kind.map(|(_, kind)| kind.text(seed, number));
        let asked = if slow && dice.chance(0.5) {
            *dice.pick(&SLOW)
        } else {
            *dice.pick(&QUICK)
        };
        let file = |name: &str, text: &[u8]| {
            let path = self.folder.join(name);
            fs::write(&path, text).expect("the folder can be written");
            path.display().to_string()
        };
        let example = root().join("examples/01_single_ended_6v6/amplifier.toml");
        let example = example.display().to_string();
        let text = text.unwrap_or_default();
        let (name, arguments) = match given {
            "circuits" | "files" => {
                let path = file("case.toml", text.as_bytes());
                let (command, more) = asked.split_first().expect("a command");
                let mut arguments = vec![(*command).to_owned(), path];
                arguments.extend(more.iter().map(|word| (*word).to_owned()));
                ("case.toml", arguments)
            }
            "reworks" => {
                // Its base is named from a folder of the examples.
                let base = root().join("examples").display().to_string();
                let text = text
                    .replace("\"../", &format!("\"{base}/"))
                    .replace(
                        "\"amplifier.toml",
                        &format!("\"{base}/09_balancing_transformer/amplifier.toml"),
                    )
                    .replace(
                        "\"near_the_mains",
                        &format!("\"{base}/09_balancing_transformer/near_the_mains"),
                    );
                (
                    "case.toml",
                    words(&["voltages"], &[file("case.toml", text.as_bytes())]),
                )
            }
            "readings" => {
                let path = file("taken.csv", text.as_bytes());
                (
                    "taken.csv",
                    words(&["readings", &example, "--taken"], &[path]),
                )
            }
            "targets" => {
                let path = file("curve.csv", text.as_bytes());
                (
                    "curve.csv",
                    words(&["response", &example, "--target"], &[path]),
                )
            }
            "traced" => {
                let path = file("traced.csv", text.as_bytes());
                ("traced.csv", words(&["fit"], &[path]))
            }
            "valves" => {
                let path = file("valve.toml", text.as_bytes());
                ("valve.toml", words(&["fit"], &[path]))
            }
            _ => {
                let path = file("case.wav", &recording(dice));
                let out = self.folder.join("out.wav").display().to_string();
                let fixed = ["listen", &example, "--overwrite", "-o", &out];
                ("case.wav", words(&fixed, &[path]))
            }
        };
        let json = arguments.iter().any(|word| word == "--json");
        let Some(ended) = self.run(&arguments) else {
            return Err(format!("HANG of {}", arguments.join(" ")));
        };
        judged(&ended, name, json).map_err(|wrong| format!("{}: {wrong}", arguments.join(" ")))
    }

    /// Runs it to its end; none when it had to be ended.
    pub(super) fn run(&self, arguments: &[String]) -> Option<Ended> {
        let before = spent_by_children();
        let mut child = Command::new(self.path)
            .args(arguments)
            .env("RAYON_NUM_THREADS", "1")
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program runs");
        let mut out = child.stdout.take().expect("it is piped");
        let mut err = child.stderr.take().expect("it is piped");
        let all = |stream: &mut dyn Read| {
            let mut bytes = Vec::new();
            stream.read_to_end(&mut bytes).expect("it can be read");
            String::from_utf8_lossy(&bytes).into_owned()
        };
        thread::scope(|scope| {
            let stdout = scope.spawn(|| all(&mut out));
            let stderr = scope.spawn(|| all(&mut err));
            let began = Instant::now();
            let status = loop {
                if let Some(status) = child.try_wait().expect("it can be waited for") {
                    break Some(status);
                }
                if began.elapsed() > self.longest {
                    child.kill().expect("it can be ended");
                    child.wait().expect("it ends");
                    break None;
                }
                thread::sleep(Duration::from_millis(2));
            };
            let (stdout, stderr) = (stdout.join().ok()?, stderr.join().ok()?);
            Some(Ended {
                code: status?.code(),
                stdout,
                stderr,
                seconds: spent_by_children()
                    .zip(before)
                    .map(|(now, then)| now - then),
            })
        })
    }
}

fn words(fixed: &[&str], more: &[String]) -> Vec<String> {
    let fixed = fixed.iter().map(|word| (*word).to_owned());
    fixed.chain(more.iter().cloned()).collect()
}

/// A spoilt recording: a few milliseconds of a tone, as WAV.
fn recording(dice: &mut Dice) -> Vec<u8> {
    let spec = hound::WavSpec {
        channels: 1 + dice.below(2) as u16,
        sample_rate: *dice.pick(&[8_000, 44_100, 48_000]),
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut bytes = std::io::Cursor::new(Vec::new());
    let mut writer = hound::WavWriter::new(&mut bytes, spec).expect("memory can be written");
    for k in 0..dice.below(400) * usize::from(spec.channels) {
        let angle = k as f64 * 0.05;
        writer
            .write_sample((8_000.0 * angle.sin()) as i16)
            .expect("memory can be written");
    }
    writer.finalize().expect("memory can be written");
    spoil_bytes(&bytes.into_inner(), dice)
}

/// Messages of what is wrong with a file as a whole, which stands in no line of it.
const WHOLE_FILE: [&str; 9] = [
    "missing-table",
    "missing-key",
    "not-text",
    "cannot-read",
    "recording",
    "target-curve",
    "bad-value",
    "out-of-bounds",
    "cannot-ask",
];

/// Whether an end is one that may be.
pub(super) fn judged(ended: &Ended, name: &str, json: bool) -> Result<Outcome, String> {
    let first = ended.stderr.lines().next().unwrap_or_default().to_owned();
    if ended.stdout.contains("NaN") {
        return Err("a figure that is no number is printed".to_owned());
    }
    match ended.code {
        Some(0) => {
            if ended.stdout.is_empty() {
                return Err("answered without a word".to_owned());
            }
            if json {
                serde_json::from_str::<Value>(&ended.stdout)
                    .map_err(|error| format!("no JSON: {error}"))?;
            }
            Ok(Outcome::Answered)
        }
        Some(1) if ended.stderr.contains("error[") => {
            let message = ended.stderr.split("error[").nth(1).unwrap_or_default();
            let id = message.split(']').next().unwrap_or_default();
            Ok(Outcome::NoAnswer(id.to_owned()))
        }
        Some(2) if ended.stderr.contains("error[") => {
            // Each message names its file, and its line unless it is about the whole.
            for message in ended.stderr.split("error[").skip(1) {
                let id = message.split(']').next().unwrap_or_default();
                // A rework's fault may stand in its base.
                let ending = name.rsplit('.').next().unwrap_or(name);
                let before_line = format!(".{ending}:");
                let has_line = message
                    .split(&before_line)
                    .skip(1)
                    .any(|rest| rest.starts_with(|letter: char| letter.is_ascii_digit()));
                let absent = WHOLE_FILE.contains(&id)
                    || message.contains("missing field")
                    || message.contains("is missing");
                if !has_line && !absent {
                    return Err(format!("no line in: {}", message.replace('\n', " | ")));
                }
                if !message.contains("help: ") {
                    return Err(format!("no help in: {}", message.replace('\n', " | ")));
                }
            }
            Ok(Outcome::Refused)
        }
        other => Err(format!("exit {other:?}: {first}")),
    }
}
