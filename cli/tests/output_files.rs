//! What is written where: nothing that was read is lost, devices stay devices, and what cannot be written is said
//! before the work.

use std::path::Path;
use std::process::{Command, Output, Stdio};

mod bench;

use bench::{Bench, answer, stderr};

const STAGE: &str = r#"[amplifier]
title  = "One triode"
source = "own design"

[parts]
HT = { supply = "250V", positive = "ht", negative = "chassis", resistance = "1k" }
V1 = { valve = "6SN7GT", anode = "a", grid = "g", cathode = "k" }
R1 = { resistor = "47k", between = ["a", "ht"] }
R2 = { resistor = "1k5", between = ["k", "chassis"] }
R3 = { resistor = "470k", between = ["g", "chassis"] }
C2 = { capacitor = "100n", between = ["a", "out"] }
R4 = { resistor = "220k", between = ["out", "chassis"] }

[bench]
generator = { into = "g", resistance = "600R" }
load      = "R4"
"#;

const REWORK: &str = "base = \"amp.toml\"\n[replace]\nR1 = \"51k\"\n";

/// A stage, a rework of it, a folder of a valve of one's own, a target curve and a recording.
fn bench() -> Bench {
    let bench = Bench::with(&[
        ("amp.toml", STAGE),
        ("rework.toml", REWORK),
        ("curve.csv", "20,0\n1000,0\n20000,0\n"),
    ]);
    std::fs::create_dir(bench.path("types")).expect("the folder can be written");
    let own = Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/valves/bench_triode.toml");
    std::fs::copy(own, bench.path("types/own.toml")).expect("the example is there");
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 8_000,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut wav = hound::WavWriter::create(bench.path("in.wav"), spec).expect("a new file");
    for k in 0..80_i16 {
        wav.write_sample(100 * (k % 20 - 10)).expect("a sample");
    }
    wav.finalize().expect("its end");
    bench
}

/// Refused with exit code 2 before anything was worked out or written, in these words.
#[track_caller]
fn refused(bench: &Bench, arguments: &[&str], words: &str) {
    let before = bench.names();
    let run = bench.run(arguments);
    assert_eq!(
        run.status.code(),
        Some(2),
        "{arguments:?}: {}",
        stderr(&run)
    );
    assert!(
        stderr(&run).contains(words),
        "{arguments:?}: {}",
        stderr(&run)
    );
    assert!(run.stdout.is_empty(), "{arguments:?}");
    assert_eq!(bench.names(), before, "{arguments:?}");
}

#[test]
fn nothing_that_is_read_is_written_over() {
    let bench = bench();
    let read = [
        "amp.toml",
        "rework.toml",
        "curve.csv",
        "types/own.toml",
        "in.wav",
    ];
    let texts = || read.map(|name| std::fs::read(bench.path(name)).expect("it is there"));
    let before = texts();
    std::fs::hard_link(bench.path("amp.toml"), bench.path("hard.csv")).expect("a hard link");
    let over = |question: &[&str], option: &str, path: &str| {
        let arguments = [question, &[option, path, "--overwrite"]].concat();
        refused(&bench, &arguments, "read");
    };
    let noise = ["noise", "rework.toml", "--valves", "types"];
    for path in [
        "rework.toml",
        "./rework.toml",
        "amp.toml",
        "types/own.toml",
        "types/../amp.toml",
    ] {
        over(&noise, "--csv", path);
    }
    over(&noise, "--csv", "hard.csv");
    #[cfg(unix)]
    {
        std::os::unix::fs::symlink("amp.toml", bench.path("soft.csv")).expect("a link");
        over(&noise, "--csv", "soft.csv");
    }
    over(
        &["response", "amp.toml", "--target", "curve.csv"],
        "--csv",
        "curve.csv",
    );
    over(&["compare", "amp.toml", "rework.toml"], "--csv", "amp.toml");
    over(&["fit", "types/own.toml"], "--output", "types/own.toml");
    over(
        &["curves", "EL84", "--valves", "types"],
        "--csv",
        "types/own.toml",
    );
    over(&["listen", "amp.toml", "in.wav"], "-o", "in.wav");
    over(
        &["listen", "amp.toml", "in.wav", "-o", "out.wav"],
        "--ideal",
        "./in.wav",
    );
    assert!(before == texts(), "they are as they were");
}

#[test]
fn a_recording_in_the_folder_of_an_audition_stays() {
    let bench = bench();
    std::fs::create_dir(bench.path("out")).expect("the folder can be written");
    std::fs::rename(bench.path("in.wav"), bench.path("out/original.wav")).expect("it moves");
    let before = std::fs::read(bench.path("out/original.wav")).expect("it is there");
    let arguments = [
        "audition",
        "amp.toml",
        "out/original.wav",
        "-o",
        "out",
        "--overwrite",
    ];
    refused(&bench, &arguments, "read");
    assert!(std::fs::read(bench.path("out/original.wav")).expect("it is there") == before);
}

#[cfg(unix)]
#[test]
fn a_report_is_not_added_to_what_it_was_read_from() {
    let bench = bench();
    let end = std::fs::OpenOptions::new()
        .append(true)
        .open(bench.path("amp.toml"));
    let run = bench
        .command(&["voltages", "amp.toml"])
        .stdout(end.expect("it is there"))
        .output()
        .expect("the program runs");
    assert_eq!(run.status.code(), Some(2), "{}", stderr(&run));
    assert_eq!(
        std::fs::read_to_string(bench.path("amp.toml")).expect("it is there"),
        STAGE
    );
}

#[test]
fn two_files_of_one_name_are_refused() {
    let bench = bench();
    let ask = |csv: &str, svg: &str| {
        let arguments = [
            "noise",
            "amp.toml",
            "--csv",
            csv,
            "--svg",
            svg,
            "--overwrite",
        ];
        refused(&bench, &arguments, "stands for two files");
    };
    ask("a.txt", "a.txt");
    ask("a.txt", "./a.txt");
    ask("a.txt", "types/../a.txt");
    std::fs::write(bench.path("there.txt"), "").expect("the folder can be written");
    std::fs::hard_link(bench.path("there.txt"), bench.path("hard.txt")).expect("a hard link");
    ask("there.txt", "hard.txt");
    let to = ["-o", "x.wav", "--ideal", "x.wav"];
    let arguments = [&["listen", "amp.toml", "in.wav"][..], &to].concat();
    refused(&bench, &arguments, "stands for two files");
}

#[cfg(unix)]
#[test]
fn a_device_stays_one() {
    use std::os::unix::fs::FileTypeExt;
    let bench = bench();
    // By a link: were it replaced, the link would be, and not the device of this machine.
    std::os::unix::fs::symlink("/dev/null", bench.path("nowhere")).expect("a link");
    bench.answer(&["noise", "amp.toml", "--csv", "nowhere", "--svg", "nowhere"]);
    let kind = std::fs::metadata(bench.path("nowhere"))
        .expect("it is there")
        .file_type();
    assert!(kind.is_char_device());
    bench.answer(&[
        "listen",
        "amp.toml",
        "in.wav",
        "-o",
        "nowhere",
        "--accuracy",
        "-40dB",
    ]);
    let kind = std::fs::metadata(bench.path("nowhere"))
        .expect("it is there")
        .file_type();
    assert!(kind.is_char_device());

    assert!(
        Command::new("mkfifo")
            .arg(bench.path("pipe"))
            .status()
            .is_ok_and(|status| status.success())
    );
    let reader = Command::new("cat")
        .arg(bench.path("pipe"))
        .stdout(Stdio::piped())
        .spawn()
        .expect("it runs");
    bench.answer(&["noise", "amp.toml", "--csv", "pipe"]);
    let got = reader.wait_with_output().expect("it ends").stdout;
    bench.answer(&["noise", "amp.toml", "--csv", "plain.csv"]);
    assert!(got == std::fs::read(bench.path("plain.csv")).expect("a sheet"));
    let kind = std::fs::metadata(bench.path("pipe"))
        .expect("it is there")
        .file_type();
    assert!(kind.is_fifo());

    // The output itself, be it a pipe or a file: the sheet, then the report.
    let ask = ["noise", "amp.toml", "--csv", "/dev/stdout"];
    let piped = bench.answer(&ask);
    let report = bench.answer(&["noise", "amp.toml"]);
    let sheet = std::fs::read_to_string(bench.path("plain.csv")).expect("a sheet");
    assert_eq!(piped, format!("{sheet}{report}"));
    let file = std::fs::File::create(bench.path("both.txt")).expect("a new file");
    let run = bench.command(&ask).stdout(file).output().expect("it runs");
    answer(&run);
    let both = std::fs::read_to_string(bench.path("both.txt")).expect("it is there");
    assert_eq!(both, piped);
}

#[cfg(unix)]
#[test]
fn a_link_leads_to_the_file_that_is_written() {
    let bench = bench();
    std::fs::write(bench.path("far.csv"), "old").expect("the folder can be written");
    std::os::unix::fs::symlink("far.csv", bench.path("near.csv")).expect("a link");
    bench.answer(&["noise", "amp.toml", "--csv", "near.csv", "--overwrite"]);
    let link = std::fs::symlink_metadata(bench.path("near.csv")).expect("it is there");
    assert!(link.is_symlink());
    let far = std::fs::read_to_string(bench.path("far.csv")).expect("it is there");
    assert_ne!(far, "old");
    std::os::unix::fs::symlink("gone.csv", bench.path("lost.csv")).expect("a link");
    refused(
        &bench,
        &["noise", "amp.toml", "--csv", "lost.csv"],
        "a link that leads nowhere",
    );
}

#[test]
fn a_place_that_cannot_be_written_is_said_before_the_work() {
    let bench = bench();
    let ask = |path: &str, words: &str| {
        refused(&bench, &["power", "amp.toml", "--csv", path], words);
    };
    ask("no/such/folder.csv", "there is no folder no/such");
    ask("types", "it is a folder");
    ask("new/", "it is a folder");
    ask("amp.toml/x.csv", "amp.toml is no folder");
    ask("..", "it is a folder");
    let long = "x".repeat(300);
    ask(&long, "cannot be written");
    let out = ["listen", "amp.toml", "in.wav", "-o", "no/such/folder.wav"];
    refused(&bench, &out, "there is no folder no/such");
    let folder = ["audition", "amp.toml", "in.wav", "-o", "no/such/folder"];
    refused(&bench, &folder, "there is no folder no/such");
    refused(
        &bench,
        &["fit", "--library", "--write", "no/such"],
        "no/such",
    );
    // Both at once.
    let run = bench.run(&[
        "noise",
        "amp.toml",
        "--csv",
        "no/a.csv",
        "--svg",
        "never/a.svg",
    ]);
    assert!(stderr(&run).contains("no/a.csv") && stderr(&run).contains("never/a.svg"));
}

#[cfg(unix)]
#[test]
fn a_file_that_is_protected_stays() {
    use std::os::unix::fs::PermissionsExt;
    let bench = bench();
    std::fs::write(bench.path("kept.csv"), "kept").expect("the folder can be written");
    let mode = std::fs::Permissions::from_mode(0o444);
    std::fs::set_permissions(bench.path("kept.csv"), mode).expect("it is ours");
    let ask = ["noise", "amp.toml", "--csv", "kept.csv", "--overwrite"];
    refused(&bench, &ask, "it is protected");
}

#[test]
fn a_file_is_of_the_kind_its_ending_says() {
    let bench = bench();
    for (option, path) in [
        ("--svg", "x.png"),
        ("--svg", "x.PDF"),
        ("--svg", "x.csv"),
        ("--csv", "x.svg"),
        ("--csv", "x.xlsx"),
    ] {
        refused(&bench, &["noise", "amp.toml", option, path], "x.");
    }
    refused(
        &bench,
        &["listen", "amp.toml", "in.wav", "-o", "x.mp3"],
        "WAV",
    );
    refused(
        &bench,
        &["fit", "types/own.toml", "--output", "x.csv"],
        "TOML",
    );
    // An ending nobody knows, or none, is the user's own matter.
    bench.answer(&[
        "noise",
        "amp.toml",
        "--svg",
        "picture",
        "--csv",
        "sheet.monday",
    ]);
}

#[cfg(target_os = "linux")]
fn to_shell(bench: &Bench, words: &str) -> Output {
    let program = env!("CARGO_BIN_EXE_gridleak");
    let mut shell = Command::new("bash");
    shell
        .current_dir(bench.path("."))
        .arg("-c")
        .arg(words.replace("gridleak", program));
    shell.output().expect("bash runs")
}

#[cfg(target_os = "linux")]
#[test]
fn an_answer_that_cannot_be_printed_is_a_failure() {
    let bench = bench();
    for words in [
        "gridleak voltages amp.toml >&-",
        "gridleak voltages amp.toml >/dev/full",
        "gridleak voltages amp.toml --json >/dev/full",
        "gridleak explain file >&-",
        "gridleak --help >&-",
        "gridleak power --help >/dev/full",
        "gridleak --version >/dev/full",
        "gridleak noise amp.toml --csv /dev/full",
    ] {
        let run = to_shell(&bench, words);
        assert_eq!(run.status.code(), Some(2), "{words}: {}", stderr(&run));
        assert!(
            stderr(&run).contains("cannot be written"),
            "{words}: {}",
            stderr(&run)
        );
    }
    // Where the output is thrown away on purpose, by whoever runs the program, all is well.
    for words in [
        "gridleak voltages amp.toml >/dev/null",
        "gridleak voltages amp.toml 1<>/dev/null",
    ] {
        let run = to_shell(&bench, words);
        assert_eq!(run.status.code(), Some(0), "{words}: {}", stderr(&run));
    }
}

#[cfg(target_os = "linux")]
#[test]
fn who_reads_the_head_alone_is_still_told_the_verdict_and_warned() {
    let bench = bench();
    let words = "set -o pipefail; gridleak voltages amp.toml | true";
    let run = to_shell(&bench, words);
    assert_eq!(run.status.code(), Some(0), "{}", stderr(&run));
    assert!(stderr(&run).contains("caution"), "{}", stderr(&run));
}
