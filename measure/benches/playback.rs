//! How fast sound goes through an amplifier on one core, and with what error.
//!
//! A chord of plucked strings, our own invention, is played through the ten-valve amplifier, whose supply is
//! smoothed as drawn, and through the hall amplifier on its own mains, rectifier and all. The error is that
//! against Radau IIA(5) at four times the rate.

#![allow(
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "a benchmark reads the clock and reports on the terminal"
)]

mod opened;

use std::f64::consts::TAU;
use std::hint::black_box;
use std::time::Instant;

use divan::Bencher;
use measure::UnderTest;
use measure::driven::playback::{PlaybackOf, Player, resting_output};
use opened::opened;
use sim::transient::Method;

const TEN_VALVES: &str = include_str!("ten_valves.toml");
const ON_ITS_MAINS: &str = include_str!("../../examples/04_hall_2a3_on_its_mains/amplifier.toml");

/// Peaks of the generator, V: two thirds of the drive of the distortion limit of each.
const DRIVES: [(&str, &str, f64); 2] = [
    ("ten valves, smoothed supply", TEN_VALVES, 4e-3),
    (
        "six valves and two rectifiers on the mains",
        ON_ITS_MAINS,
        0.2,
    ),
];

/// Samples a second.
const RATES: [f64; 2] = [96_000.0, 192_000.0];

fn main() {
    report();
    divan::main();
}

/// A chord of five strings at time `t`, s, of a peak near 1: harmonics fall as 1/k and die the faster the
/// higher they are.
fn chord(t: f64) -> f64 {
    let strings = [110.0, 164.8, 220.0, 277.2, 329.6];
    let attack = 1.0 - (-t / 2e-3).exp();
    let sum: f64 = strings
        .iter()
        .flat_map(|f| (1..=12).map(move |k| (f * f64::from(k), f64::from(k))))
        .map(|(f, k)| (TAU * f * t).sin() / k * (-t * 0.6 * k).exp())
        .sum();
    0.2 * attack * sum
}

fn samples(rate: f64, seconds: f64, drive: f64) -> Vec<f64> {
    (0..(rate * seconds) as usize)
        .map(|k| drive * chord(k as f64 / rate))
        .collect()
}

/// The output at every `finer`-th sample, and the seconds it took.
fn played(
    of: &UnderTest<'_>,
    how: PlaybackOf,
    finer: usize,
    seconds: f64,
    drive: f64,
) -> (Vec<f64>, f64) {
    let input = samples(how.rate, seconds, drive);
    let mut output = vec![0.0; input.len()];
    let mut player = how.player(of).expect("it is driven");
    let start = Instant::now();
    player
        .play(&input, &mut output)
        .expect("it can be followed");
    let took = start.elapsed().as_secs_f64();
    let kept = output.into_iter().skip(Player::LATENCY).step_by(finer);
    (kept.collect(), took)
}

fn report() {
    const COMPARED: f64 = 0.1;
    const TIMED: f64 = 0.5;
    let rms = |x: &[f64]| (x.iter().map(|v| v * v).sum::<f64>() / x.len() as f64).sqrt();
    for (name, text, drive) in DRIVES {
        let (amplifier, system) = opened(text);
        let of = UnderTest::find(&amplifier, &system).expect("it rests");
        println!("{name}: {} unknowns", system.len());
        for rate in RATES {
            let reference = PlaybackOf {
                method: Method::RadauIia5,
                ..PlaybackOf::at(4.0 * rate)
            };
            let (reference, _) = played(&of, reference, 4, COMPARED, drive);
            let (output, _) = played(&of, PlaybackOf::at(rate), 1, COMPARED, drive);
            let rest = resting_output(&of);
            let difference: Vec<f64> = output.iter().zip(&reference).map(|(a, b)| a - b).collect();
            let sound: Vec<f64> = reference.iter().map(|v| v - rest).collect();
            let error = 20.0 * (rms(&difference) / rms(&sound)).log10();
            let (_, took) = played(&of, PlaybackOf::at(rate), 1, TIMED, drive);
            println!(
                "  {:.0} kHz: error {error:.1} dB against Radau IIA(5) at four times the rate, {:.2} x real time on one core, {:.1} V rms at the load",
                rate / 1e3,
                TIMED / took,
                rms(&sound)
            );
        }
    }
}

#[divan::bench(args = RATES)]
fn a_hundredth_of_a_second(bencher: Bencher, rate: f64) {
    let (amplifier, system) = opened(TEN_VALVES);
    let of = UnderTest::find(&amplifier, &system).expect("it rests");
    let mut player = PlaybackOf::at(rate).player(&of).expect("it is driven");
    let input = samples(rate, 0.5, DRIVES[0].2);
    let block = (rate / 100.0) as usize;
    let mut output = vec![0.0; block];
    let mut at = 0;
    bencher.bench_local(|| {
        if at + block > input.len() {
            at = 0;
        }
        player
            .play(&input[at..at + block], &mut output)
            .expect("it can be followed");
        at += block;
        black_box(output[0]);
    });
}
