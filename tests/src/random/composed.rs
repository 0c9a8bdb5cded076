//! A composed amplifier put to every command of the program that has to do with one, one by one, with the seconds of
//! the processor that each may take.

use std::f64::consts::TAU;
use std::fs;

use super::case::Outcome;
use super::dice::Dice;
use super::program::{Program, judged};
use super::same::drawn;
use super::stages::Amplifier;

/// CPU seconds that no answer may take: what somebody at the bench waits for (ours).
const MOST: f64 = 10.0;

/// The commands. In their words FILE, OTHER and WAV are files, Rn and Rm resistors, Cn a capacitor of the drawing.
pub const COMMANDS: [&str; 23] = [
    "voltages FILE",
    "readings FILE --json",
    "check FILE",
    "response FILE --json",
    "impedance FILE --json",
    "feedback FILE --json",
    "power FILE --json",
    "noise FILE --json",
    "distortion FILE --json",
    "hum FILE --json",
    "supply FILE --json",
    "switch-on FILE --json",
    "waveform FILE --json",
    "effect FILE --json",
    "effect FILE --part Rn --json",
    "effect FILE --part Cn --json",
    "choose FILE --part Rn --so-that Rm_current_=_1mA",
    "choose FILE --part Rn --so-that gain_=_20dB",
    "choose FILE --part Rn --so-that power_=_1W",
    "choose FILE --part Cn --so-that bass_limit_=_20Hz",
    "spread FILE --json",
    "compare FILE OTHER --json",
    "listen FILE WAV --overwrite -o OUT",
];

/// Which amplifier and which command case `number` is about.
pub fn of(number: u64) -> (u64, &'static str) {
    let commands = COMMANDS.len() as u64;
    (number / commands, COMMANDS[(number % commands) as usize])
}

/// Puts case `number` of a seed to the program; the outcome, told with its command.
///
/// # Errors
/// What must not be, in words, too many seconds of the processor among it.
///
/// # Panics
/// When the folder cannot be written or the program not be run.
pub fn judge(program: &Program<'_>, seed: u64, number: u64) -> Result<Outcome, String> {
    let (at, command) = of(number);
    let (amplifier, mut dice) = drawn(seed, at);
    let (other, _) = drawn(seed, at + 1);
    let write = |name: &str, bytes: &[u8]| {
        let path = program.folder.join(name);
        fs::write(&path, bytes).expect("the folder can be written");
        path.display().to_string()
    };
    let file = write("composed.toml", amplifier.text().as_bytes());
    let (other, wav) = (
        write("other.toml", other.text().as_bytes()),
        write("tone.wav", &tone()),
    );
    let out = program.folder.join("out.wav").display().to_string();
    let [first, second] = [(); 2].map(|()| part(&amplifier, 'R', &mut dice));
    let capacitor = part(&amplifier, 'C', &mut dice);
    let arguments: Vec<String> = command
        .split(' ')
        .map(|word| match word {
            "FILE" => file.clone(),
            "OTHER" => other.clone(),
            "WAV" => wav.clone(),
            "OUT" => out.clone(),
            word => word
                .replace("Rn", &first)
                .replace("Rm", &second)
                .replace("Cn", &capacitor)
                .replace('_', " "),
        })
        .collect();
    let Some(ended) = program.run(&arguments) else {
        return Err(format!("HANG of {}", arguments.join(" ")));
    };
    let json = command.contains("--json");
    let outcome = judged(&ended, "composed.toml", json)
        .map_err(|wrong| format!("{}: {wrong}", arguments.join(" ")))?;
    if let Some(seconds) = ended.seconds.filter(|seconds| *seconds > MOST) {
        return Err(format!("{seconds:.1} s of CPU: {}", arguments.join(" ")));
    }
    let word = match outcome {
        Outcome::Answered => "answered".to_owned(),
        Outcome::Refused => "refused".to_owned(),
        Outcome::NoAnswer(why) => why,
    };
    let asked = command.split(' ').next().unwrap_or_default();
    Ok(Outcome::NoAnswer(format!("{asked}: {word}")))
}

/// A part of the drawing whose designator begins so, but for the load.
fn part(amplifier: &Amplifier, letter: char, dice: &mut Dice) -> String {
    let names: Vec<&String> = amplifier
        .lines
        .iter()
        .map(|line| &line.name)
        .filter(|name| name.starts_with(letter) && **name != amplifier.load)
        .collect();
    (*dice.pick(&names)).clone()
}

/// A tenth of a second of a tone that swells, as WAV.
fn tone() -> Vec<u8> {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 44_100,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut bytes = std::io::Cursor::new(Vec::new());
    let mut writer = hound::WavWriter::new(&mut bytes, spec).expect("memory can be written");
    for k in 0..4_410 {
        let time = f64::from(k) / 44_100.0;
        let sample = 80_000.0 * time * (TAU * 440.0 * time).sin();
        writer
            .write_sample(sample as i16)
            .expect("memory can be written");
    }
    writer.finalize().expect("memory can be written");
    bytes.into_inner()
}
