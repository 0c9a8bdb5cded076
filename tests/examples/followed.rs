//! An amplifier without a rest, followed by another method than the one that judged it: what is said of it, and how often
//! the volts of its load come round.
//!
//! ```text
//! cargo run --release -p checks --example followed -- FILE SECONDS INTERVAL [trapezoidal|radau]
//! cargo run --release -p checks --example followed -- SEED NUMBER SECONDS INTERVAL [trapezoidal|radau]
//! ```
//!
//! A file, or an amplifier composed by lot (`-- amplifiers` of the example `random`). It is pushed off its operating point,
//! followed for the seconds, and the later half is looked at. The trapezoidal rule controls its steps, ten times as closely
//! as is usual; Radau takes those of the interval.

#![allow(clippy::print_stdout, reason = "an example prints")]

use checks::examples::Opened;
use checks::random::same::drawn;
use checks::rises::rises;
use measure::UnderTest;
use sim::Tolerances;
use sim::error::SimError;
use sim::transient::{Method, transient};

/// Volts by which every node is pushed.
const PUSH: f64 = 1e-3;

fn number(text: &str) -> f64 {
    text.parse().expect("a number")
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let is_file = arguments[0].parse::<u64>().is_err();
    let text = if is_file {
        std::fs::read_to_string(&arguments[0]).expect("the file can be read")
    } else {
        let [seed, case] = [0, 1].map(|k| arguments[k].parse().expect("a whole number"));
        drawn(seed, case).0.text()
    };
    let rest = &arguments[if is_file { 1 } else { 2 }..];
    let (seconds, interval) = (number(&rest[0]), number(&rest[1]));
    let method = match rest.get(2).map(String::as_str) {
        Some("radau") => Method::RadauIia5,
        _ => Method::Trapezoidal,
    };
    let opened = Opened::read(&text, &[]);
    if rest.get(3).is_none() {
        let found = UnderTest::find(&opened.amplifier, &opened.system);
        match found.and_then(|of| of.growing()) {
            Ok(None) => println!("said: stable"),
            Ok(Some(growing)) => println!("said: {growing:?}"),
            Err(SimError::Repeats { period, even }) => {
                println!("said: repeats, {} Hz, evenly: {even}", 1.0 / period);
            }
            Err(error) => println!("said: {error}"),
        }
    }
    let mut ws = opened.driven(0.0).expect("it has an operating point");
    for (k, unknown) in opened.system.unknowns().iter().enumerate() {
        if unknown.is_voltage() {
            ws.x[k] += PUSH * (0.414_213_6 * (k + 1) as f64).fract();
        }
    }
    let (a, b) = opened.load();
    let mut volts: Vec<f64> = Vec::new();
    let tolerances = Tolerances {
        local_error: 1e2,
        ..Tolerances::default()
    };
    let run = (0.0, seconds, interval);
    let mut probe = |_: f64, x: &[f64]| {
        volts.push(x[a] - x[b]);
    };
    let ended = transient(
        &opened.system,
        method,
        run,
        false,
        &tolerances,
        &mut ws,
        &mut probe,
    );
    if let Err(error) = ended {
        println!("followed for {} s: {error}", interval * volts.len() as f64);
    }
    let late = &volts[volts.len() / 2..];
    let least = late.iter().copied().fold(f64::INFINITY, f64::min);
    let most = late.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let crossings = rises(late, interval);
    let lengths: Vec<f64> = crossings.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let shortest = lengths.iter().copied().fold(f64::INFINITY, f64::min);
    let longest = lengths.iter().copied().fold(0.0, f64::max);
    let mean = lengths.iter().sum::<f64>() / lengths.len() as f64;
    println!(
        "load from {least:.3} V to {most:.3} V; {} rounds, {:.4} Hz on the mean, {:.4} Hz to {:.4} Hz",
        lengths.len(),
        1.0 / mean,
        1.0 / longest,
        1.0 / shortest,
    );
}
