//! What the solver's work amounts to, kept: the same answer for double the work is a fault as well.
//!
//! `UPDATE_EXPECTED=1` writes the files anew, for a change that is meant.

use std::fmt::Write as _;
use std::path::PathBuf;

use checks::examples::{EXAMPLES, Example};
use sim::periodic::{Approach, Settling};
use sim::transient::{Method, transient};
use sim::{Counts, Tolerances};

/// On one machine the counts are equal. Sine and exponential differ in the last bit from one C library
/// to another, and now and then a step is refused on one and taken on the other: 2 % and two.
const SHARE: f64 = 0.02;
/// See [`SHARE`].
const FEW: f64 = 2.0;

/// Length of the transient, s, and its grid, 1/s.
const LENGTH: f64 = 20e-3;
const RATE: f64 = 96e3;

fn lines(text: &mut String, name: &str, counts: &Counts) {
    let figures = [
        ("steps", counts.steps),
        ("newton_failures", counts.newton_failures),
        ("error_failures", counts.error_failures),
        ("evaluations", counts.evaluations),
        ("refactorisations", counts.refactorisations),
        ("factorisations", counts.factorisations),
    ];
    for (figure, count) in figures {
        writeln!(text, "{name}.{figure} = {count}").expect("a text has room");
    }
}

/// One settling at half of the rated power, by choice and by shooting, and one transient in overdrive, by each method for sound.
fn work(example: &Example) -> String {
    let opened = example.open(&[]);
    let mut text = String::new();
    let ws = opened
        .driven(example.half_power)
        .expect("an operating point");
    lines(&mut text, "operating_point", &ws.counts);
    for (name, approach) in [
        ("settle", Approach::Automatic),
        ("shoot", Approach::Shooting),
    ] {
        let mut ws = ws.clone();
        ws.counts = Counts::default();
        let settling = Settling {
            approach,
            ..Settling::default()
        };
        let period = opened.settle(&settling, &mut ws).expect("a settled cycle");
        writeln!(text, "{name}.cycles = {}", period.cycles).expect("a text has room");
        lines(&mut text, name, &ws.counts);
    }
    for (name, method) in [
        ("tr_bdf2", Method::TrBdf2),
        ("trapezoidal", Method::Trapezoidal),
    ] {
        let mut ws = opened
            .driven(example.overdrive)
            .expect("an operating point");
        ws.counts = Counts::default();
        let run = (0.0, LENGTH, 1.0 / RATE);
        let tolerances = Tolerances::default();
        transient(
            &opened.system,
            method,
            run,
            true,
            &tolerances,
            &mut ws,
            &mut |_: f64, _: &[f64]| (),
        )
        .expect("a transient");
        lines(&mut text, name, &ws.counts);
    }
    text
}

fn figures(text: &str) -> Vec<(&str, f64)> {
    text.lines()
        .map(|line| {
            let (name, count) = line.split_once(" = ").expect("name = count");
            (name, count.parse().expect("a count"))
        })
        .collect()
}

#[test]
fn the_work_is_what_it_was() {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("cost");
    let mut differences = Vec::new();
    for example in EXAMPLES {
        let now = work(&example);
        let path = folder.join(format!("{}.txt", example.name));
        if std::env::var_os("UPDATE_EXPECTED").is_some() {
            std::fs::create_dir_all(&folder).expect("a folder");
            std::fs::write(&path, &now).expect("a file");
            continue;
        }
        let kept =
            std::fs::read_to_string(&path).expect("kept counts; UPDATE_EXPECTED=1 writes them");
        let (now, kept) = (figures(&now), figures(&kept));
        assert_eq!(
            now.len(),
            kept.len(),
            "{}: figures came or went",
            example.name
        );
        for ((name, now), (name_kept, kept)) in now.into_iter().zip(kept) {
            assert_eq!(name, name_kept);
            if (now - kept).abs() > SHARE * kept + FEW {
                differences.push(format!("{}: {name} was {kept}, is {now}", example.name));
            }
        }
    }
    assert!(
        differences.is_empty(),
        "{}\nwhen this is meant: UPDATE_EXPECTED=1 cargo test --release -p checks --test cost",
        differences.join("\n")
    );
}
