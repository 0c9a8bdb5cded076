//! How long the program takes to answer, in CPU seconds of one thread, for every amplifier of `tests/answers/` and every
//! command with a goal (`tests/src/answers.rs`):
//!
//! ```text
//! cargo build --release -p cli
//! cargo run --release -p checks --example answers
//! cargo run --release -p checks --example answers -- power distortion 06_guitar
//! ```
//!
//! Words that are commands choose among the commands, others among the files whose names they begin. `composed=100
//! seed=1` asks a hundred amplifiers composed by lot instead, and tells how the seconds lie. What was printed stays in
//! `target/answers/`, the program that was asked too: what is built meanwhile changes nothing. Linux only: the seconds are
//! those of `/proc`.

#![allow(clippy::print_stdout, reason = "an example prints")]

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::path::Path;
use std::process::{Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

use checks::answers::{Asked, GOALS, Goal, composed, set};
use checks::processor::{spent_by, spent_by_children};
use checks::source::root;

/// CPU seconds after which a command is ended.
const LONGEST: f64 = 120.0;
/// By the clock on the wall, however busy the machine is.
const SILENT: Duration = Duration::from_mins(30);

/// How a run ended.
enum End {
    Code(Option<i32>),
    TooLong,
}

fn spent() -> f64 {
    spent_by_children().expect("there is a /proc")
}

/// One command about one amplifier: CPU seconds and outcome.
fn run(program: &Path, asked: &Asked, goal: &Goal, folder: &Path) -> (f64, End) {
    let kept = |ending: &str| folder.join(format!("{}.{}.{ending}", asked.name, goal.command));
    let stdout = File::create(kept("out")).expect("target can be written");
    let stderr = File::create(kept("err")).expect("target can be written");
    let mut command = Command::new(program);
    command.arg(goal.command).arg(&asked.file);
    if goal.command == "compare" {
        command.arg(&asked.rework);
    }
    let before = spent();
    let start = Instant::now();
    let mut child = command
        .env("RAYON_NUM_THREADS", "1")
        .stdin(Stdio::null())
        .stdout(stdout)
        .stderr(stderr)
        .spawn()
        .expect("it was copied");
    let end = loop {
        if let Some(status) = child.try_wait().expect("it can be waited for") {
            break End::Code(status.code());
        }
        let spent = spent_by(child.id()).unwrap_or(0.0);
        if spent > LONGEST || start.elapsed() > SILENT {
            child.kill().expect("it can be ended");
            child.wait().expect("it can be waited for");
            break End::TooLong;
        }
        sleep(Duration::from_millis(2));
    };
    (spent() - before, end)
}

/// The id of the first error that was told.
fn id(told: &str) -> Option<&str> {
    let (_, behind) = told.split_once("error[")?;
    behind.split_once(']').map(|(id, _)| id)
}

/// The whole number behind a word and `=`.
fn number(words: &[String], key: &str) -> Option<u64> {
    let found = words.iter().find_map(|word| word.strip_prefix(key));
    found.map(|text| text.parse().expect("a whole number"))
}

/// How the seconds of one command lie against its goal.
#[derive(Default)]
struct Spread {
    seconds: Vec<f64>,
    shares: Vec<f64>,
    outcomes: BTreeMap<String, usize>,
}

impl Spread {
    fn print(&mut self, command: &str) {
        self.seconds.sort_by(f64::total_cmp);
        let at = |share: f64| self.seconds[(share * (self.seconds.len() - 1) as f64) as usize];
        let above = |times: f64| self.shares.iter().filter(|share| **share > times).count();
        println!(
            "{command:10} {:>7.2} {:>7.2} {:>7.2} {:>9} {:>9}  {:?}",
            at(0.5),
            at(0.9),
            at(1.0),
            above(1.0),
            above(3.0),
            self.outcomes
        );
    }
}

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let lots = number(&words, "composed=");
    let seed = number(&words, "seed=").unwrap_or(1);
    let words: Vec<String> = words
        .into_iter()
        .filter(|word| !word.contains('='))
        .collect();
    let (commands, names): (Vec<&String>, Vec<&String>) = words
        .iter()
        .partition(|word| GOALS.iter().any(|goal| goal.command == **word));
    let folder = lots.map_or_else(
        || root().join("target/answers"),
        |_| root().join(format!("target/answers/{seed}")),
    );
    fs::create_dir_all(&folder).expect("target can be written");
    let program = folder.join("gridleak");
    fs::copy(root().join("target/release/gridleak"), &program)
        .expect("target/release/gridleak is there; build it first");
    let asked = lots.map_or_else(set, |count| composed(count, seed, &folder));
    let mut spreads: BTreeMap<&str, Spread> = BTreeMap::new();
    let mut over = Vec::new();
    let mut without = Vec::new();
    println!(
        "{:34} {:10} {:>7} {:>5} {:>6}  outcome",
        "amplifier", "command", "CPU s", "goal", "over"
    );
    for asked in asked {
        if !names.is_empty() && !names.iter().any(|name| asked.name.starts_with(*name)) {
            continue;
        }
        for goal in &GOALS {
            if !commands.is_empty() && !commands.iter().any(|command| *command == goal.command) {
                continue;
            }
            let (spent, end) = run(&program, &asked, goal, &folder);
            let may = goal.seconds(asked.on_the_mains);
            let told =
                fs::read_to_string(folder.join(format!("{}.{}.err", asked.name, goal.command)));
            let told = told.expect("it was kept");
            let outcome = match end {
                End::Code(Some(0)) => "answered".to_owned(),
                End::Code(Some(code)) => format!("exit {code} {}", id(&told).unwrap_or("no id")),
                End::Code(None) => "ended by a signal".to_owned(),
                End::TooLong => "ended".to_owned(),
            };
            let factor = if spent > may {
                format!("× {:.1}", spent / may)
            } else {
                String::new()
            };
            let line = format!(
                "{:34} {:10} {spent:7.2} {may:5.0} {factor:>6}  {outcome}",
                asked.name, goal.command
            );
            println!("{line}");
            let spread = spreads.entry(goal.command).or_default();
            spread.seconds.push(spent);
            spread.shares.push(spent / may);
            *spread.outcomes.entry(outcome.clone()).or_default() += 1;
            if spent > may {
                over.push((spent / may, line.clone()));
            }
            if outcome != "answered" {
                without.push(line);
            }
        }
    }
    over.sort_by(|one, other| other.0.total_cmp(&one.0));
    println!("\nOver the goal, the worst first: {}", over.len());
    for (_, line) in over {
        println!("{line}");
    }
    println!("\nWithout an answer: {}", without.len());
    for line in without {
        println!("{line}");
    }
    println!(
        "\n{:10} {:>7} {:>7} {:>7} {:>9} {:>9}  outcomes",
        "CPU s", "median", "nine of ten", "most", "over goal", "three times"
    );
    for (command, mut spread) in spreads {
        spread.print(command);
    }
}
