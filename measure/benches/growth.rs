//! How the work grows with the drawing: from a hundred parts to ten thousand it should grow as they do.
//!
//! Before the benchmark runs, every question is put to three kinds of drawing of five sizes, and the exponents between
//! neighbouring sizes are printed: 1 is work in proportion.

#![allow(
    clippy::print_stdout,
    clippy::disallowed_methods,
    clippy::format_push_string,
    clippy::format_collect,
    reason = "a benchmark reads the clock and reports on the terminal; a drawing is made once"
)]

mod driven;
mod opened;

use std::time::{Duration, Instant};

use divan::Bencher;
use driven::driven;
use measure::UnderTest;
use measure::at_rest::voltages::chart;
use opened::opened;
use sim::operating_point::operating_point;
use sim::stability::growing;
use sim::transient::{Method, Stepper};
use sim::{System, Tolerances};

/// Parts.
const SIZES: [usize; 5] = [100, 300, 1000, 3000, 10_000];

/// Grid of the step, s.
const STEP: f64 = 1.0 / 96_000.0;

/// A drawing of about so many parts.
type Drawing = fn(usize) -> String;

const DRAWINGS: [(&str, Drawing); 3] = [
    ("ladder", ladder),
    ("gain stages", stages),
    ("islands", islands),
];

/// A question put to a drawing: the time it took, without what had to be found before it.
type Asked = fn(&str) -> Duration;

const ASKED: [(&str, Asked); 7] = [
    ("read", read),
    ("faults", faults),
    ("reworks, ten deep", reworks),
    ("operating point", at_rest),
    ("one step", one_step),
    ("natural frequencies", natural_frequencies),
    ("voltages", voltages),
];

fn main() {
    if !std::env::args().any(|argument| argument == "--test") {
        report();
    }
    divan::main();
}

fn report() {
    println!("milliseconds, and the exponent from the size before");
    for (name, drawing) in DRAWINGS {
        print!("\n{name:22}");
        for size in SIZES {
            print!("{size:>15}");
        }
        println!();
        let texts = SIZES.map(drawing);
        for (question, asked) in ASKED {
            print!("{question:22}");
            let mut before: Option<(f64, f64)> = None;
            for (size, text) in SIZES.iter().zip(&texts) {
                let seconds = least(text, asked);
                let size = *size as f64;
                let exponent = before.map_or(String::new(), |(smaller, took)| {
                    format!("{:+5.2}", (seconds / took).ln() / (size / smaller).ln())
                });
                print!("{:>9.2} {exponent:5}", 1e3 * seconds);
                before = Some((size, seconds));
            }
            println!();
        }
    }
}

/// The least of some runs, s: the others share the machine.
fn least(text: &str, asked: Asked) -> f64 {
    const LONG: f64 = 0.3;
    let mut least = f64::INFINITY;
    for _ in 0..5 {
        least = least.min(asked(text).as_secs_f64());
        if least > LONG {
            break;
        }
    }
    least
}

fn timed<T>(work: impl FnOnce() -> T) -> Duration {
    let start = Instant::now();
    divan::black_box_drop(work());
    start.elapsed()
}

fn read(text: &str) -> Duration {
    timed(|| opened(text))
}

/// Every resistor is spelt wrongly.
fn faults(text: &str) -> Duration {
    let text = text.replace("resistor = \"1k", "resistor = \"1q");
    timed(|| sheet::read(&text, &[]).expect_err("nothing can be read"))
}

/// Ten reworks, one on another; each changes a tenth of the parts and adds as many.
fn reworks(text: &str) -> Duration {
    let names: Vec<&str> = (text.lines())
        .filter(|line| line.contains("{ resistor"))
        .filter_map(|line| line.split_once(" = ").map(|(name, _)| name))
        .collect();
    let share = names.len() / 10;
    let mut texts: Vec<String> = (0..10)
        .map(|k| {
            let changed: String = (names[k * share..(k + 1) * share].iter())
                .map(|name| format!("{name} = \"2k2\"\n"))
                .collect();
            let added: String = (0..share)
                .map(|at| {
                    format!(
                        "N{k}x{at} = {{ resistor = \"1M\", between = [\"n0\", \"chassis\"] }}\n"
                    )
                })
                .collect();
            format!("base = \"below.toml\"\n[replace]\n{changed}[add]\n{added}")
        })
        .collect();
    texts.push(text.to_owned());
    let texts: Vec<&str> = texts.iter().map(String::as_str).collect();
    timed(|| {
        sheet::rework::read(&texts, |text| {
            sheet::read_with(text, &[], &models::library::Library::default())
        })
    })
}

fn at_rest(text: &str) -> Duration {
    let (_, system) = opened(text);
    let mut ws = system.workspace();
    timed(|| operating_point(&system, &Tolerances::default(), &mut ws).expect("it has a rest"))
}

fn one_step(text: &str) -> Duration {
    let (amplifier, system) = opened(text);
    let mut ws = driven(&amplifier, &system, 0.01);
    let tolerances = Tolerances::default();
    let mut stepper = Stepper::new(&system, Method::TrBdf2, tolerances, 0.0, true, &mut ws);
    // The first interval opens with minute steps.
    stepper.advance(STEP, &mut ws).expect("it can be followed");
    timed(|| {
        let stepped = stepper.advance(2.0 * STEP, &mut ws);
        stepped.expect("it can be followed");
    })
}

fn natural_frequencies(text: &str) -> Duration {
    let (_, system) = opened(text);
    let mut ws = system.workspace();
    operating_point(&system, &Tolerances::default(), &mut ws).expect("it has a rest");
    timed(|| growing(&system, &mut ws).expect("it has an answer"))
}

fn voltages(text: &str) -> Duration {
    timed(|| {
        let amplifier = sheet::read(text, &[]).expect("the drawing is well formed");
        let system = System::of(&amplifier.circuit).expect("it is a circuit");
        let of = UnderTest::find(&amplifier, &system).expect("it has a rest");
        chart(&of).expect("it has voltages")
    })
}

fn drawing(parts: &str) -> String {
    format!(
        r#"[amplifier]
title  = "As many parts as wanted"
source = "own design"

[parts]
HT = {{ supply = "250V", positive = "ht", negative = "chassis" }}
{parts}
[bench]
generator = {{ into = "n0", resistance = "600R" }}
load = "RL"
"#
    )
}

/// Resistors in a row, a capacitor from each joint to the chassis.
fn ladder(parts: usize) -> String {
    let mut text = "RL = { resistor = \"10k\", between = [\"ht\", \"chassis\"] }\n".to_owned();
    text += "RG = { resistor = \"1M\", between = [\"n0\", \"chassis\"] }\n";
    for k in 0..parts / 2 {
        let next = k + 1;
        text += &format!("R{k} = {{ resistor = \"1k\", between = [\"n{k}\", \"n{next}\"] }}\n");
        text += &format!("C{k} = {{ capacitor = \"1n\", between = [\"n{next}\", \"chassis\"] }}\n");
    }
    drawing(&text)
}

/// Triode stages, each behind a divider that takes back what the one before gives.
fn stages(parts: usize) -> String {
    let mut text = String::new();
    let count = parts / 6;
    for k in 0..count {
        let next = k + 1;
        text += &format!(
            r#"V{k} = {{ valve = "12AX7", anode = "a{k}", grid = "n{k}", cathode = "k{k}" }}
RA{k} = {{ resistor = "100k", between = ["a{k}", "ht"] }}
RK{k} = {{ resistor = "1k5", between = ["k{k}", "chassis"] }}
RG{k} = {{ resistor = "22k", between = ["n{k}", "chassis"] }}
C{k} = {{ capacitor = "100n", between = ["a{k}", "d{k}"] }}
RD{k} = {{ resistor = "1M", between = ["d{k}", "n{next}"] }}
"#
        );
    }
    text += &format!("RL = {{ resistor = \"22k\", between = [\"n{count}\", \"chassis\"] }}\n");
    drawing(&text)
}

/// Supplies of their own with a load, joined to the chassis by a capacitor only.
fn islands(parts: usize) -> String {
    let mut text = "RL = { resistor = \"10k\", between = [\"ht\", \"chassis\"] }\n".to_owned();
    text += "RG = { resistor = \"1M\", between = [\"n0\", \"chassis\"] }\n";
    for k in 0..parts / 5 {
        text += &format!(
            r#"B{k} = {{ supply = "250V", positive = "p{k}", negative = "m{k}" }}
R{k} = {{ resistor = "1k", between = ["p{k}", "q{k}"] }}
RQ{k} = {{ resistor = "10k", between = ["q{k}", "m{k}"] }}
C{k} = {{ capacitor = "1u", between = ["q{k}", "m{k}"] }}
CM{k} = {{ capacitor = "10n", between = ["m{k}", "chassis"] }}
"#
        );
    }
    drawing(&text)
}

#[divan::bench(args = SIZES, max_time = 2)]
fn voltages_of_a_ladder(bencher: Bencher, parts: usize) {
    let text = ladder(parts);
    bencher.bench_local(|| voltages(&text));
}

#[divan::bench(args = SIZES, max_time = 2)]
fn voltages_of_gain_stages(bencher: Bencher, parts: usize) {
    let text = stages(parts);
    bencher.bench_local(|| voltages(&text));
}

#[divan::bench(args = SIZES, max_time = 2)]
fn voltages_of_islands(bencher: Bencher, parts: usize) {
    let text = islands(parts);
    bencher.bench_local(|| voltages(&text));
}
