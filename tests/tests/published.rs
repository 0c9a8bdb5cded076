//! Published operation of power amplifiers and resistance-coupled stages against the program.
//!
//! The figures stand in the tables of `published/*.md`, the circuits in `published/circuits`; this file
//! reads both, solves every circuit and compares. Every row is printed, then the medians are held.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;
use std::fs;

use rayon::prelude::*;
use sim::SimError;
use sim::file::NoteKind;

#[path = "../published/bench.rs"]
mod bench;
#[path = "../published/errors.rs"]
mod errors;
#[path = "../published/page.rs"]
mod page;

use bench::{Bench, Drive, How};
use errors::{Kind, Pair, show};
use page::{Row, figure, folder, legend, needed, provenance, table};

/// Goals for medians and the reasons for them: `published/amplifiers.md`, "What is held".
const IDLE_MEDIAN_PERCENT: f64 = 3.0;
const POWER_MEDIAN_PERCENT: f64 = 6.0;
const THD_MEDIAN_POINTS: f64 = 2.0;
const GAIN_MEDIAN_PERCENT: f64 = 5.0;

/// No single row may be further off than this; the reasons are in the same place.
const CURRENT_ROW_FACTOR: f64 = 2.0;
const POWER_ROW_FACTOR: f64 = 1.5;
const THD_ROW_POINTS: f64 = 6.0;
const STAGE_ROW_FACTOR: f64 = 1.3;
const STAGE_THD_ROW_POINTS: f64 = 3.0;

/// What the program makes of a power row.
struct Output {
    idle: Option<Pair>,
    full: Option<Pair>,
    power: Option<Pair>,
    thd: Option<Pair>,
    drive: f64,
    how: How,
}

fn output(row: &Row) -> Result<Output, SimError> {
    let bench = Bench::of(row);
    let cathode = match row["current"].as_str() {
        "anode" => false,
        "anode + screen" => true,
        other => panic!("current `{other}`"),
    };
    let idle = bench.idle(cathode)?;
    let (level, how) = match Drive::of(row) {
        Drive::Volts(volts) => (bench.at(volts)?, How::Table),
        Drive::Distortion(thd, most) => bench.at_distortion(thd, most)?,
    };
    let screens = f64::from(u8::from(cathode));
    let full = 1e3
        * level
            .valves
            .iter()
            .map(|valve| valve.i_a + screens * valve.i_s)
            .sum::<f64>();
    Ok(Output {
        idle: Pair::of(Some(needed(row, "idle mA")), idle),
        full: Pair::of(figure(row, "full mA"), full),
        power: Pair::of(Some(needed(row, "power W")), level.power),
        thd: Pair::of(figure(row, "THD %"), 100.0 * level.thd),
        drive: level.drive,
        how,
    })
}

#[test]
fn power_amplifiers_do_what_their_sheets_say() {
    let rows = table("amplifiers.md", "circuit");
    let answers: Vec<_> = rows.par_iter().map(output).collect();
    let mut report = format!(
        "{:<38} {:^26}{:^26}{:^26}{:^26} drive V pk\n{:<38} {}\n",
        "",
        "idle mA",
        "full mA",
        "power W",
        "THD %",
        "published, ours, difference (%, %, %, points)",
        "",
    );
    let (mut idle, mut full, mut power, mut thd) = (
        Kind::default(),
        Kind::default(),
        Kind::default(),
        Kind::default(),
    );
    let mut faults = Vec::new();
    for (row, answer) in rows.iter().zip(answers) {
        let name = &row["circuit"];
        let answer = match answer {
            Ok(answer) => answer,
            Err(error) => {
                writeln!(report, "{name:<38} {error}").expect("text takes text");
                faults.push(format!("{name}: {error}"));
                continue;
            }
        };
        writeln!(
            report,
            "{name:<38} {}{}{}{} {:7.2} {}; {}{}",
            show(answer.idle, 1, Pair::percent),
            show(answer.full, 1, Pair::percent),
            show(answer.power, 2, Pair::percent),
            show(answer.thd, 2, Pair::points),
            answer.drive,
            answer.how.words(),
            provenance(row),
            if row["doubt"].is_empty() {
                String::new()
            } else {
                format!("; doubt {}", row["doubt"])
            },
        )
        .expect("text takes text");
        let doubted = !row["doubt"].is_empty();
        let relative = [
            (&mut idle, answer.idle, CURRENT_ROW_FACTOR, "idle current"),
            (
                &mut full,
                answer.full,
                CURRENT_ROW_FACTOR,
                "current at full signal",
            ),
            (&mut power, answer.power, POWER_ROW_FACTOR, "power"),
        ];
        for (kind, pair, factor, what) in relative {
            let Some(pair) = pair else { continue };
            kind.take(pair.percent(), doubted);
            if !pair.within_factor(factor) {
                faults.push(format!(
                    "{name}: {what} {} for {}",
                    pair.ours, pair.published
                ));
            }
        }
        if let Some(pair) = answer.thd.filter(|_| answer.how != How::Solved) {
            thd.take(pair.points(), doubted);
            if !pair.within_points(THD_ROW_POINTS) {
                faults.push(format!(
                    "{name}: distortion {} for {}",
                    pair.ours, pair.published
                ));
            }
        }
    }
    let medians = [
        (
            idle.median("idle current", "%", &mut report),
            IDLE_MEDIAN_PERCENT,
            "idle current, %",
        ),
        (
            power.median("power", "%", &mut report),
            POWER_MEDIAN_PERCENT,
            "power, %",
        ),
        (
            thd.median("distortion, drive known", "points", &mut report),
            THD_MEDIAN_POINTS,
            "THD, points",
        ),
    ];
    full.median("current at full signal", "%", &mut report);
    report += &legend("amplifiers.md", "source", "sheet");
    report += &legend("amplifiers.md", "doubt", "reason");
    println!("{report}");
    for (median, goal, what) in medians {
        if median.is_nan() || median > goal {
            faults.push(format!("median {what}: {median:.2}, goal {goal}"));
        }
    }
    assert!(faults.is_empty(), "{faults:#?}");
}

/// What the program makes of a resistance-coupled row.
struct Stage {
    current: Option<Pair>,
    gain: Pair,
    thd: Option<Pair>,
}

fn stage(row: &Row) -> Result<Stage, SimError> {
    let bench = Bench::of(row);
    let idle = bench.idle(false)?;
    let level = bench.at_output(needed(row, "output V rms"))?;
    Ok(Stage {
        current: Pair::of(figure(row, "anode mA"), idle),
        gain: Pair {
            published: needed(row, "gain"),
            ours: level.output_rms / level.drive_rms,
        },
        thd: Pair::of(figure(row, "THD %"), 100.0 * level.thd),
    })
}

#[test]
fn resistance_coupled_stages_do_what_their_tables_say() {
    let rows = table("resistance_coupled.md", "circuit");
    let answers: Vec<_> = rows.par_iter().map(stage).collect();
    let mut report = format!(
        "{:<24} {:^26}{:^26}{:^26}\n{:<24} published, ours, difference (%, %, points)\n",
        "", "gain", "anode mA", "THD %", ""
    );
    let (mut gain, mut current, mut thd) = (Kind::default(), Kind::default(), Kind::default());
    let mut faults = Vec::new();
    for (row, answer) in rows.iter().zip(answers) {
        let name = &row["circuit"];
        let answer = match answer {
            Ok(answer) => answer,
            Err(error) => {
                writeln!(report, "{name:<24} {error}").expect("text takes text");
                faults.push(format!("{name}: {error}"));
                continue;
            }
        };
        writeln!(
            report,
            "{name:<24} {}{}{} {}",
            show(Some(answer.gain), 2, Pair::percent),
            show(answer.current, 2, Pair::percent),
            show(answer.thd, 2, Pair::points),
            provenance(row),
        )
        .expect("text takes text");
        gain.take(answer.gain.percent(), false);
        if !answer.gain.within_factor(STAGE_ROW_FACTOR) {
            faults.push(format!(
                "{name}: gain {} for {}",
                answer.gain.ours, answer.gain.published
            ));
        }
        if let Some(pair) = answer.current {
            current.take(pair.percent(), false);
            if !pair.within_factor(STAGE_ROW_FACTOR) {
                faults.push(format!(
                    "{name}: current {} for {}",
                    pair.ours, pair.published
                ));
            }
        }
        if let Some(pair) = answer.thd {
            thd.take(pair.points(), false);
            if !pair.within_points(STAGE_THD_ROW_POINTS) {
                faults.push(format!(
                    "{name}: distortion {} for {}",
                    pair.ours, pair.published
                ));
            }
        }
    }
    let medians = [
        (
            gain.median("gain", "%", &mut report),
            GAIN_MEDIAN_PERCENT,
            "gain, %",
        ),
        (
            current.median("anode current", "%", &mut report),
            IDLE_MEDIAN_PERCENT,
            "anode current, %",
        ),
        (
            thd.median("distortion", "points", &mut report),
            THD_MEDIAN_POINTS,
            "THD, points",
        ),
    ];
    report += &legend("resistance_coupled.md", "source", "sheet");
    println!("{report}");
    for (median, goal, what) in medians {
        if median.is_nan() || median > goal {
            faults.push(format!("median {what}: {median:.2}, goal {goal}"));
        }
    }
    assert!(faults.is_empty(), "{faults:#?}");
}

#[test]
fn every_row_has_its_circuit_and_every_circuit_its_row() {
    let mut named = BTreeSet::new();
    for page in ["amplifiers.md", "resistance_coupled.md"] {
        let sources: BTreeMap<String, String> = table(page, "source")
            .into_iter()
            .map(|row| (row["source"].clone(), row["sheet"].clone()))
            .collect();
        for row in table(page, "circuit") {
            let name = &row["circuit"];
            assert!(named.insert(name.clone()), "{name} stands twice");
            let sheet = sources
                .get(&row["source"])
                .unwrap_or_else(|| panic!("{name}: no sheet called {}", row["source"]));
            let amplifier = Bench::of(&row).amplifier;
            assert_eq!(&amplifier.source, sheet, "{name}");
            // What the reader assumes of practice, such as core loss, is not what a sheet is printed for.
            let assumed = |kind: &NoteKind| matches!(kind, NoteKind::Assumed { .. });
            assert!(
                !amplifier.notes.iter().any(|note| assumed(&note.kind)),
                "{name}: {:#?}",
                amplifier.notes
            );

            assert!(
                ["memory", "page"].contains(&row["basis"].as_str()),
                "{name}"
            );
            assert!(
                ["high", "medium"].contains(&row["confidence"].as_str()),
                "{name}"
            );
        }
    }
    let circuits: BTreeSet<String> = fs::read_dir(folder().join("circuits"))
        .expect("the circuits are there")
        .map(|entry| {
            let path = entry.expect("a readable folder").path();
            path.file_stem()
                .expect("files have names")
                .to_string_lossy()
                .into_owned()
        })
        .collect();
    assert_eq!(named, circuits, "tables on the left, circuits on the right");
    let doubts: BTreeSet<String> = table("amplifiers.md", "doubt")
        .into_iter()
        .map(|row| row["doubt"].clone())
        .collect();
    let used: BTreeSet<String> = table("amplifiers.md", "circuit")
        .into_iter()
        .map(|row| row["doubt"].clone())
        .filter(|doubt| !doubt.is_empty())
        .collect();
    assert_eq!(
        doubts, used,
        "reasons on the left, doubted rows on the right"
    );
}
