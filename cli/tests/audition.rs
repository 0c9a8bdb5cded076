//! `audition`: what it writes is equally loud, in step and the right way round, and there whole or not at all. Recordings
//! and amplifiers are our own inventions for these checks.

use std::f64::consts::TAU;
use std::path::Path;

mod bench;
mod drawings;

use bench::{Bench, interrupted, stderr};
use drawings::{ATTENUATOR, STAGE};

fn amplifiers() -> Bench {
    Bench::with(&[("attenuator.toml", ATTENUATOR), ("stage.toml", STAGE)]).asking("audition")
}

/// Writes a recording of 16 bit at 44.1 kHz, a function of time for each channel.
fn record(bench: &Bench, name: &str, seconds: f64, channels: &[&dyn Fn(f64) -> f64]) {
    let spec = hound::WavSpec {
        channels: channels.len() as u16,
        sample_rate: 44_100,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(bench.path(name), spec).expect("a new file");
    for k in 0..(44_100.0 * seconds) as u32 {
        for channel in channels {
            let sample = 32_767.0 * channel(f64::from(k) / 44_100.0);
            writer.write_sample(sample.round() as i16).expect("it fits");
        }
    }
    writer.finalize().expect("it is closed");
}

/// Two seconds of decaying tones, a little above each other left and right.
fn music(bench: &Bench) {
    let tone =
        |frequency: f64| move |t: f64| 0.6 * (-3.0 * (t % 0.5)).exp() * (TAU * frequency * t).sin();
    record(bench, "music.wav", 2.0, &[&tone(330.0), &tone(440.0)]);
}

/// Everything in the bench's folder that begins with a dot.
fn left_over(bench: &Bench) -> Vec<String> {
    let mut names = bench.names();
    names.retain(|name| name.starts_with('.'));
    names
}

/// Interleaved samples, full scale 1.
fn samples(path: &Path) -> Vec<f64> {
    let mut reader = hound::WavReader::open(path).expect("a WAV file");
    let scale = 2_f64.powi(1 - i32::from(reader.spec().bits_per_sample));
    reader
        .samples::<i32>()
        .map(|sample| f64::from(sample.expect("a sample")) * scale)
        .collect()
}

/// Gated loudness of a stereo file at 44.1 kHz, LUFS.
fn loudness(samples: &[f64]) -> f64 {
    let mut meter = ebur128::EbuR128::new(2, 44_100, ebur128::Mode::I).expect("two channels");
    meter.add_frames_f64(samples).expect("whole frames");
    meter.loudness_global().expect("a loudness")
}

/// Sum of products, the second list so many stereo frames later.
fn correlation(a: &[f64], b: &[f64], later: usize) -> f64 {
    a.iter().zip(&b[2 * later..]).map(|(a, b)| a * b).sum()
}

#[test]
fn the_tracks_are_equally_loud_in_step_and_the_right_way_round() {
    let bench = amplifiers();
    music(&bench);
    let answer = bench.figures(&[
        "attenuator.toml",
        "stage.toml",
        "music.wav",
        "-o",
        "out",
        // Enough to drive the stage into clipping.
        "--level",
        "input 2V",
        "--accuracy",
        "-60dB",
    ]);
    let [original, plain, stage] = ["original.wav", "amplifier_1.wav", "amplifier_2.wav"]
        .map(|name| samples(&bench.path("out").join(name)));
    assert!(
        original.len() == plain.len() && original.len() == stage.len() && original.len() == 176_400
    );
    let wanted = loudness(&samples(&bench.path("music.wav")));
    let softer = answer["softer_db"].as_f64().expect("a number");
    for track in [&original, &plain, &stage] {
        // What is promised is 0.05 dB; the files show that the gain found is the gain written, and 24 bits of it.
        assert!((loudness(track) - (wanted - softer)).abs() < 0.005);
        let peak = track.iter().fold(0.0, |most: f64, x| most.max(x.abs()));
        assert!(peak < 1.0);
    }
    assert!(
        softer < 0.1,
        "a recording this far below full scale need not be softer: {softer}"
    );
    // A wire but for its level gives the recording back, to the accuracy asked for; one sample late would be 0.04 apart.
    let apart = original
        .iter()
        .zip(&plain)
        .fold(0.0, |most: f64, (a, b)| most.max((a - b).abs()));
    assert!(apart < 1e-3, "{apart}");
    // In step: no other lag agrees better; round the right way: it agrees at all.
    let here = correlation(&original, &stage, 0);
    assert!(here > 0.0, "turned back");
    for later in 1..40 {
        assert!(
            correlation(&original, &stage, later) < here,
            "{later} frames early"
        );
        assert!(
            correlation(&stage, &original, later) < here,
            "{later} frames late"
        );
    }
    assert_eq!(answer["amplifiers"][0]["inverts"], false);
    assert_eq!(answer["amplifiers"][1]["inverts"], true);
    assert_eq!(answer["matched_by"], "loudness");
    assert!(answer["spread_db"].as_f64().expect("a number") < 0.05);
    // Closed form: the attenuator gives a quarter; the stage, from its file, is louder by as much as its file was
    // turned down against that of the attenuator.
    let scale = |k: usize| {
        answer["amplifiers"][k]["written"]["full_scale_volts"]
            .as_f64()
            .expect("volts")
    };
    let before = answer["amplifiers"][1]["before_db"]
        .as_f64()
        .expect("a number");
    assert!((before - 20.0 * (scale(1) / scale(0)).log10()).abs() < 1e-9);
    let drive = answer["amplifiers"][0]["drive"].as_f64().expect("volts");
    let quarter = scale(0) / drive * 10_f64.powf(-softer / 20.0);
    assert!((quarter / 0.25 - 1.0).abs() < 1e-3, "{quarter}");
}

#[test]
fn a_recording_too_short_for_a_loudness_is_matched_by_rms_and_says_so() {
    let bench = amplifiers();
    record(
        &bench,
        "short.wav",
        0.3,
        &[&|t| 0.5 * (TAU * 440.0 * t).sin()],
    );
    let run = bench.run(&[
        "attenuator.toml",
        "stage.toml",
        "short.wav",
        "-o",
        "out",
        "--level",
        "input 0.2V",
    ]);
    assert_eq!(run.status.code(), Some(0), "{}", stderr(&run));
    let text = String::from_utf8_lossy(&run.stdout).into_owned();
    assert!(
        text.contains("Matched: rms, as something is too short"),
        "{text}"
    );
    let rms = |name: &str| {
        let samples = samples(&bench.path("out").join(name));
        (samples.iter().map(|x| x * x).sum::<f64>() / samples.len() as f64).sqrt()
    };
    for name in ["amplifier_1.wav", "amplifier_2.wav"] {
        assert!(
            (20.0 * (rms(name) / rms("original.wav")).log10()).abs() < 0.005,
            "{name}"
        );
    }
}

#[test]
fn tracks_whose_peaks_would_clip_are_all_softer_by_the_same() {
    let bench = amplifiers();
    // A square wave at full scale: whatever rounds its corners off needs more room than there is.
    record(
        &bench,
        "square.wav",
        1.0,
        &[&|t| if (200.0 * t) % 1.0 < 0.5 { 0.99 } else { -0.99 }],
    );
    let answer = bench.figures(&[
        "stage.toml",
        "square.wav",
        "-o",
        "out",
        "--level",
        "input 10mV",
        "--accuracy",
        "-30dB",
    ]);
    let softer = answer["softer_db"].as_f64().expect("a number");
    assert!(softer > 0.1, "{softer}");
    // Peaks are those about the mean, which the files leave out; 1e-5 is what 24 bits and their dither leave.
    let peak = |name: &str| {
        let samples = samples(&bench.path(name));
        let mean = samples.iter().sum::<f64>() / samples.len() as f64;
        samples
            .iter()
            .fold(0.0, |most: f64, x| most.max((x - mean).abs()))
    };
    let (before, after) = (peak("square.wav"), peak("out/original.wav"));
    assert!(
        (after - before * 10_f64.powf(-softer / 20.0)).abs() < 1e-5,
        "{before} {after}"
    );
    assert!(peak("out/amplifier_1.wav") <= 0.989);
}

#[test]
fn a_folder_is_not_written_over_unasked_and_failed_work_leaves_nothing() {
    let bench = amplifiers();
    music(&bench);
    let asked = [
        "attenuator.toml",
        "music.wav",
        "-o",
        "out",
        "--level",
        "input 0.2V",
        "--for",
        "0.5s",
    ];
    assert_eq!(bench.run(&asked).status.code(), Some(0));
    let page = bench.path("out/audition.html");
    let first = std::fs::read(&page).expect("the page");
    let again = bench.run(&asked);
    assert_eq!(again.status.code(), Some(2));
    assert!(stderr(&again).contains("--overwrite"), "{}", stderr(&again));
    let over = bench.run(&[&asked[..], &["--overwrite"]].concat());
    assert_eq!(over.status.code(), Some(0), "{}", stderr(&over));
    assert_eq!(
        std::fs::read(&page).expect("the page"),
        first,
        "same question, same bytes"
    );

    // An attenuator has no distortion limit to play up to.
    let no_limit = bench.run(&["attenuator.toml", "music.wav", "-o", "other"]);
    assert_ne!(no_limit.status.code(), Some(0));
    assert!(
        stderr(&no_limit).contains("attenuator.toml: "),
        "{}",
        stderr(&no_limit)
    );
    assert!(!bench.path("other").exists());
    assert_eq!(left_over(&bench), Vec::<String>::new());
}

#[test]
fn what_would_make_a_page_too_long_is_refused_before_any_work() {
    let bench = amplifiers();
    let silence: &dyn Fn(f64) -> f64 = &|_| 0.0;
    record(&bench, "long.wav", 64.0, &[silence, silence]);
    let files = ["attenuator.toml"; 6];
    let run = bench.run(&[&files[..], &["long.wav", "-o", "out"]].concat());
    assert_eq!(run.status.code(), Some(2));
    assert!(
        stderr(&run).contains("64 s of 7 tracks are too long"),
        "{}",
        stderr(&run)
    );
    assert!(
        stderr(&run).contains("--from 0:30 --for 20s"),
        "{}",
        stderr(&run)
    );
}

#[test]
fn a_missing_recording_and_too_many_amplifiers_are_said_to_be_so() {
    let bench = amplifiers();
    let run = bench.run(&["attenuator.toml", "-o", "out"]);
    assert_eq!(run.status.code(), Some(2));
    assert!(
        stderr(&run).contains("the recording is missing"),
        "{}",
        stderr(&run)
    );
    let run = bench.run(&[&["attenuator.toml"; 7][..], &["music.wav", "-o", "out"]].concat());
    assert_eq!(run.status.code(), Some(2));
    assert!(
        stderr(&run).contains("7 amplifiers are too many"),
        "{}",
        stderr(&run)
    );
}

#[cfg(unix)]
#[test]
fn an_interruption_leaves_nothing() {
    let bench = amplifiers();
    record(
        &bench,
        "long.wav",
        60.0,
        &[&|t| 0.5 * (TAU * 440.0 * t).sin()],
    );
    let asked = ["stage.toml", "long.wav", "-o", "out", "--level", "input 1V"];
    // The temporary folder is made when the key is watched.
    let run = interrupted(bench.command(&asked), |_| !left_over(&bench).is_empty());
    assert_eq!(run.status.code(), Some(130), "{}", stderr(&run));
    assert!(stderr(&run).contains("interrupted"), "{}", stderr(&run));
    assert!(!bench.path("out").exists());
    assert_eq!(left_over(&bench), Vec::<String>::new());
}
