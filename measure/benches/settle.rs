//! What a settled period costs, found directly and waited for, and a power curve made of such periods.
//!
//! Each time stands beside the error it is bought with: distortion against a period by shooting on a
//! grid eight times as fine.

#![allow(
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "a benchmark reads the clock and reports on the terminal"
)]

mod driven;
mod opened;

use std::time::Instant;

use divan::Bencher;
use driven::driven;
use measure::Measurement;
use measure::driven::power::PowerOf;
use opened::opened;
use sim::amplifier::Amplifier;
use sim::periodic::{Approach, Period, Settling, settle};
use sim::spectrum::Spectrum;
use sim::{System, Tolerances};

const PUSH_PULL: &str = include_str!("../../examples/02_hall_2a3_push_pull/amplifier.toml");

/// Peak of the generator, V: half of the rated power.
const DRIVE: f64 = 0.22;

/// Change from cycle to cycle at which waiting ends. At 5e-4, which the eye takes for settled, the
/// distortion is still off in its second digit.
const CLOSES: f64 = 5e-6;

fn main() {
    report();
    divan::main();
}

/// A settled period of 1 kHz, and the seconds it took from rest.
fn timed(amplifier: &Amplifier, system: &System, settling: &Settling) -> (Period, f64) {
    let mut ws = driven(amplifier, system, DRIVE);
    let start = Instant::now();
    let period = settle(system, 1e-3, settling, &Tolerances::default(), &mut ws)
        .expect("the amplifier settles");
    (period, start.elapsed().as_secs_f64())
}

fn report() {
    let (amplifier, system) = opened(PUSH_PULL);
    let (a, b) = amplifier.bench.load_nodes;
    let (a, b) = (system.voltage_of(a) as usize, system.voltage_of(b) as usize);
    let percent = |period: &Period| 100.0 * Spectrum::of_period(&period.of(|x| x[a] - x[b])).thd();
    let by = |approach, samples| Settling {
        approach,
        samples,
        ..Settling::default()
    };
    let waiting = Settling {
        periodicity: CLOSES,
        most_cycles: 100_000,
        ..by(Approach::Waiting, 96)
    };
    let (fine, _) = timed(&amplifier, &system, &by(Approach::Shooting, 2048));
    let exact = percent(&fine);
    println!(
        "push-pull amplifier, {} unknowns, 1 kHz at half power, {exact:.4} % THD",
        system.len()
    );
    let (_, unit) = timed(&amplifier, &system, &by(Approach::Collocation, 256));
    for (name, settling) in [
        ("collocation", by(Approach::Collocation, 256)),
        ("shooting, 256 steps", by(Approach::Shooting, 256)),
        ("waiting, 96 steps", waiting),
    ] {
        let (period, seconds) = timed(&amplifier, &system, &settling);
        println!(
            "{name:20} {:8.2} ms, {:6.1} x, {:5} cycles, {:.1e} points off",
            1e3 * seconds,
            seconds / unit,
            period.cycles,
            (percent(&period) - exact).abs()
        );
    }
    let start = Instant::now();
    let power = PowerOf::bench(&amplifier.bench)
        .about(&amplifier, &system)
        .expect("the amplifier has a power curve");
    println!(
        "power curve          {:8.2} s, {} levels, {} threads",
        start.elapsed().as_secs_f64(),
        power.levels.len(),
        rayon::current_num_threads()
    );
}

#[divan::bench]
fn collocation(bencher: Bencher) {
    settled_by(bencher, Approach::Collocation);
}

#[divan::bench]
fn shooting(bencher: Bencher) {
    settled_by(bencher, Approach::Shooting);
}

fn settled_by(bencher: Bencher, approach: Approach) {
    let (amplifier, system) = opened(PUSH_PULL);
    let settling = Settling {
        approach,
        ..Settling::default()
    };
    bencher.bench_local(|| timed(&amplifier, &system, &settling));
}
