//! What a spread costs: a thousand amplifiers at rest, and what of it a single one is.
//!
//! `cargo bench -p measure --bench spread`. Times are of all threads together on the machine at hand.

#![allow(
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "a benchmark reads the clock and reports on the terminal"
)]

mod opened;

use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Instant;

use divan::Bencher;
use measure::at_rest::voltages::VoltagesOf;
use measure::instruments::varied::Allowed;
use measure::judged::spread::{Asked, SpreadOf, usual};
use measure::{Measurement, UnderTest};
use opened::opened;
use sim::System;
use sim::amplifier::Amplifier;

const STILL: &str = include_str!("../../examples/02_hall_2a3_push_pull/amplifier.toml");
const ON_MAINS: &str = include_str!("../../examples/04_hall_2a3_on_its_mains/amplifier.toml");

fn main() {
    for (name, text, samples) in [
        ("direct supplies", STILL, 1000),
        ("on its mains", ON_MAINS, 10),
    ] {
        let (amplifier, system) = opened(text);
        let mut question = question(&amplifier, &system, samples);
        if samples < 100 {
            question.asked.truncate(1);
        }
        let circuits = AtomicUsize::new(0);
        let start = Instant::now();
        let of = UnderTest::find(&amplifier, &system).expect("the amplifier rests");
        question
            .ask(&of, &|_| {
                circuits.fetch_add(1, Ordering::Relaxed);
            })
            .expect("the amplifier rests");
        let seconds = start.elapsed().as_secs_f64();
        let all = circuits.into_inner();
        println!(
            "push-pull amplifier, {name:16} {samples:5} samples, {all:5} circuits {seconds:7.2} s, {:7.2} ms each, {} threads",
            1e3 * seconds / all as f64,
            rayon::current_num_threads()
        );
    }
    divan::main();
}

fn question(amplifier: &Amplifier, system: &System, samples: usize) -> SpreadOf {
    let rest = VoltagesOf
        .about(amplifier, system)
        .expect("the amplifier rests");
    let figures = usual(amplifier, &rest).into_iter();
    SpreadOf {
        asked: figures
            .map(|figure| Asked {
                figure,
                least: None,
                greatest: None,
            })
            .collect(),
        allowed: Allowed::default(),
        samples,
        seed: 1,
    }
}

#[divan::bench(sample_count = 10)]
fn hundred_at_rest(bencher: Bencher) {
    let (amplifier, system) = opened(STILL);
    let question = question(&amplifier, &system, 100);
    bencher.bench_local(|| question.about(&amplifier, &system));
}
