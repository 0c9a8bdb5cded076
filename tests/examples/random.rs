//! Random circuits and spoilt files, as many as asked for:
//!
//! ```text
//! cargo run --release -p checks --example random -- circuits 10000 SEED [FOLDER]
//! cargo run --release -p checks --example random -- one circuits NUMBER SEED
//! cargo run --release -p checks --example random -- program 1000 SEED [FOLDER]
//! ```
//!
//! The first counts outcomes and keeps in FOLDER the text of every case with something wrong; the second prints the
//! text of one case and judges it. Kinds: circuits, mains, files, reworks, readings, targets, traced, valves. The third
//! puts cases of all kinds, recordings too, to `target/release/gridleak`, with commands that may take seconds. `amplifiers`
//! composes amplifiers of two to four stages and changes what must not change them; `composed` puts as many of them to
//! every command of the program, and calls wrong what takes ten seconds of the processor.
//!
//! Cases run in a process of their own. One that gives no sign for some ten seconds is ended, named as a hang, and
//! the next one goes on.

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Write};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::Duration;

use checks::random::case::{Kind, Outcome};
use checks::random::composed;
use checks::random::program::Program;
use checks::random::same;
use checks::source::root;

/// No case may take longer.
const LONGEST: Duration = Duration::from_secs(10);
/// By the clock on the wall, on a busy machine; seconds of the processor are counted besides.
const LONGEST_COMPOSED: Duration = Duration::from_mins(4);
/// A worker that is silent for longer is ended: it ends the program by itself first, and asks of an amplifier a dozen
/// times.
const SILENT: Duration = Duration::from_secs(12);
const SILENT_AMPLIFIER: Duration = Duration::from_mins(2);

fn number(text: Option<&String>, what: &str) -> u64 {
    text.and_then(|text| text.parse().ok())
        .unwrap_or_else(|| panic!("{what} is a whole number"))
}

const SILENT_COMPOSED: Duration = Duration::from_mins(5);

/// What is asked: the library about a kind of case, the program about any, composed amplifiers whether they stay
/// the same, or the program about those.
#[derive(Clone, Copy)]
enum Asked {
    Library(Kind),
    Program,
    Amplifiers,
    Composed,
}

fn asked(word: Option<&String>) -> Asked {
    let word = word.map_or("", String::as_str);
    match word {
        "program" => return Asked::Program,
        "amplifiers" => return Asked::Amplifiers,
        "composed" => return Asked::Composed,
        _ => {}
    }
    let found = Kind::ALL.into_iter().find(|(name, _)| *name == word);
    found.map_or_else(
        || {
            panic!(
                "a kind is program, amplifiers, composed or one of {:?}",
                Kind::ALL.map(|(name, _)| name)
            )
        },
        |(_, kind)| Asked::Library(kind),
    )
}

/// Where the program writes the files of a case.
fn folder(seed: u64) -> PathBuf {
    root().join(format!("target/random-{seed}"))
}

fn judge(asked: Asked, seed: u64, case: u64) -> Result<Outcome, String> {
    match asked {
        Asked::Amplifiers => {
            let (amplifier, mut dice) = same::drawn(seed, case);
            let how = same::judge(&amplifier, &mut dice)?;
            if how == "stable" && case.is_multiple_of(4) && !amplifier.on_the_mains {
                same::judge_driven(&amplifier)?;
            }
            Ok(Outcome::NoAnswer(how.to_owned()))
        }
        Asked::Library(kind) => kind.judge(&kind.text(seed, case)),
        Asked::Program | Asked::Composed => {
            let folder = folder(seed);
            std::fs::create_dir_all(&folder).expect("target can be written");
            let program = Program {
                path: &root().join("target/release/gridleak"),
                folder: &folder,
                longest: match asked {
                    Asked::Composed => LONGEST_COMPOSED,
                    Asked::Library(_) | Asked::Program | Asked::Amplifiers => LONGEST,
                },
            };
            match asked {
                Asked::Composed => composed::judge(&program, seed, case),
                Asked::Library(_) | Asked::Program | Asked::Amplifiers => {
                    program.judge(seed, case, true)
                }
            }
        }
    }
}

/// What a case is about; the files of the program stay where it was asked.
fn text(asked: Asked, seed: u64, case: u64) -> String {
    match asked {
        Asked::Library(kind) => kind.text(seed, case),
        Asked::Amplifiers => same::drawn(seed, case).0.text(),
        Asked::Composed => {
            let (amplifier, command) = composed::of(case);
            format!("# {command}\n{}", same::drawn(seed, amplifier).0.text())
        }
        Asked::Program => String::new(),
    }
}

/// One line about one case.
fn judged(asked: Asked, seed: u64, case: u64) -> String {
    let done = catch_unwind(AssertUnwindSafe(|| judge(asked, seed, case)));
    match done {
        Ok(Ok(Outcome::Answered)) => "answered".to_owned(),
        Ok(Ok(Outcome::Refused)) => "refused".to_owned(),
        Ok(Ok(Outcome::NoAnswer(why))) => why,
        Ok(Err(wrong)) => format!("WRONG {}", wrong.replace('\n', " ")),
        Err(_) => "PANIC".to_owned(),
    }
}

#[allow(
    clippy::print_stdout,
    reason = "a program of the checks that a person runs"
)]
fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    match arguments.first().map(String::as_str) {
        Some("worker") => {
            let asked = asked(arguments.get(1));
            let [from, to, seed] = [2, 3, 4].map(|k| number(arguments.get(k), "each"));
            let mut out = std::io::stdout();
            for case in from..to {
                writeln!(out, "{case} {}", judged(asked, seed, case)).expect("somebody reads");
                out.flush().expect("somebody reads");
            }
        }
        Some("one") => {
            let asked = asked(arguments.get(1));
            let (case, seed) = (
                number(arguments.get(2), "NUMBER"),
                number(arguments.get(3), "SEED"),
            );
            println!("{}", text(asked, seed, case));
            println!("# {}", judged(asked, seed, case));
        }
        _ => {
            let kind = arguments.first().expect("a kind");
            let count = number(arguments.get(1), "how many");
            let seed = number(arguments.get(2), "SEED");
            run(kind, count, seed, arguments.get(3).map(Path::new));
        }
    }
}

fn worker(kind: &str, from: u64, to: u64, seed: u64) -> (Child, Receiver<String>) {
    let itself = std::env::current_exe().expect("its own path");
    let mut child = Command::new(itself)
        .args(["worker", kind])
        .args([from, to, seed].map(|n| n.to_string()))
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("it starts itself");
    let lines = BufReader::new(child.stdout.take().expect("it is piped")).lines();
    let (send, receive) = channel();
    std::thread::spawn(move || {
        for line in lines.map_while(Result::ok) {
            if send.send(line).is_err() {
                break;
            }
        }
    });
    (child, receive)
}

#[allow(
    clippy::print_stdout,
    reason = "a program of the checks that a person runs"
)]
fn run(word: &str, count: u64, seed: u64, keep: Option<&Path>) {
    let asked = asked(Some(&word.to_owned()));
    let silent = match asked {
        Asked::Library(_) | Asked::Program => SILENT,
        Asked::Amplifiers => SILENT_AMPLIFIER,
        Asked::Composed => SILENT_COMPOSED,
    };
    let count = match asked {
        Asked::Composed => count * composed::COMMANDS.len() as u64,
        Asked::Library(_) | Asked::Program | Asked::Amplifiers => count,
    };
    let mut counts: BTreeMap<String, u64> = BTreeMap::new();
    let mut wrong = 0;
    let mut next = 0;
    while next < count {
        let (mut child, lines) = worker(word, next, count, seed);
        loop {
            let (case, outcome) = match lines.recv_timeout(silent) {
                Ok(line) => {
                    let (case, outcome) = line.split_once(' ').expect("number and outcome");
                    (case.parse().expect("a number"), outcome.to_owned())
                }
                Err(RecvTimeoutError::Timeout) => (next, "HANG".to_owned()),
                Err(RecvTimeoutError::Disconnected) if next < count => (next, "ABORT".to_owned()),
                Err(RecvTimeoutError::Disconnected) => break,
            };
            next = case + 1;
            let word_of = outcome.split(' ').next().unwrap_or_default();
            let bad = word_of.chars().all(char::is_uppercase);
            if bad {
                wrong += 1;
                println!("{word} {case} {seed}: {outcome}");
                if let Some(folder) = keep {
                    std::fs::create_dir_all(folder).expect("the folder can be made");
                    let path = folder.join(format!("{word}-{case}-{seed}.txt"));
                    let text = text(asked, seed, case);
                    std::fs::write(path, format!("# {outcome}\n{text}"))
                        .expect("the folder can be written");
                }
            }
            let counted = if bad { word_of.to_owned() } else { outcome };
            *counts.entry(counted.clone()).or_default() += 1;
            if matches!(counted.as_str(), "HANG" | "ABORT") {
                break;
            }
        }
        // It may have ended by itself.
        let _ = child.kill();
        let _ = child.wait();
    }
    println!("{count} {word}, seed {seed}:");
    for (outcome, cases) in counts {
        println!("  {cases:7}  {outcome}");
    }
    assert_eq!(wrong, 0, "{wrong} cases with something wrong");
}
