//! The interrupt key ends any command within a second, and leaves nothing half written.

#![cfg(unix)]

#[path = "bench/mod.rs"]
mod bench;

use std::path::Path;
use std::process::Output;
use std::time::{Duration, Instant};

use bench::{Bench, interrupted, stderr};

/// The time from the key to the end: a second, and as much again for each of four that may share the machine.
const PATIENCE: Duration = Duration::from_secs(5);

/// Pressed when the program has worked for half a second. Everything asked here takes ten at least.
fn pressed(bench: &Bench, asked: &[&str]) -> Output {
    let file = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../tests/answers/07_guitar_6l6_four_stages.toml")
        .display()
        .to_string();
    let asked: Vec<&str> = (asked.iter())
        .map(|word| if *word == "FILE" { &file } else { *word })
        .collect();
    let (begun, mut sent) = (Instant::now(), Instant::now());
    let run = interrupted(bench.command(&asked), |_| {
        sent = Instant::now();
        begun.elapsed() > Duration::from_millis(500)
    });
    let took = sent.elapsed();
    assert!(took < PATIENCE, "{took:?}");
    assert_eq!(run.status.code(), Some(130), "{}", stderr(&run));
    assert_eq!(run.stdout, b"", "no answer is half printed");
    run
}

#[test]
fn a_command_that_only_prints_ends() {
    let bench = Bench::with(&[]);
    for asked in [
        &["power", "FILE"][..],
        &["spread", "FILE", "--of", "power", "--samples", "100000"],
    ] {
        let run = pressed(&bench, asked);
        let said = stderr(&run);
        assert!(said.contains("interrupted: nothing was written"), "{said}");
    }
    assert_eq!(bench.names(), [""; 0]);
}

#[test]
fn a_picture_asked_for_is_not_begun() {
    let bench = Bench::with(&[]);
    pressed(&bench, &["distortion", "FILE", "--svg", "out.svg"]);
    assert_eq!(bench.names(), [""; 0]);
    // One that is there stays as it was.
    let bench = Bench::with(&[("out.svg", "<svg/>")]);
    let asked = ["distortion", "FILE", "--svg", "out.svg", "--overwrite"];
    pressed(&bench, &asked);
    let kept = std::fs::read_to_string(bench.path("out.svg")).expect("it is there");
    assert_eq!(
        (kept.as_str(), bench.names()),
        ("<svg/>", vec!["out.svg".to_owned()])
    );
}

#[test]
fn a_temporary_folder_goes_with_all_that_is_in_it() {
    // `listen` and `audition` have tests of their own, in the midst of their playing; here the key comes during rest.
    let bench = Bench::with(&[]);
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 44_100,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut file = hound::WavWriter::create(bench.path("long.wav"), spec).expect("a new file");
    for k in 0..60 * 44_100_i32 {
        file.write_sample((k % 100 * 100) as i16)
            .expect("it can be written");
    }
    file.finalize().expect("it can be written");
    pressed(&bench, &["listen", "FILE", "long.wav", "-o", "out.wav"]);
    pressed(&bench, &["audition", "FILE", "long.wav", "-o", "out"]);
    assert_eq!(bench.names(), ["long.wav"]);
}
