//! What one time step of a ten-valve amplifier costs, and its parts: valves, refactorisation, solution.
//!
//! Times stand beside the error they are bought with: before the benchmark runs, each method's output
//! is compared with Radau IIA(5) at four times the rate, and the real-time factor is printed.

#![allow(
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "a benchmark reads the clock and reports on the terminal"
)]

mod driven;
mod opened;

use std::hint::black_box;
use std::time::Instant;

use divan::Bencher;
use driven::driven;
use models::{Device, Local};
use opened::opened;
use sim::Tolerances;
use sim::system::Formula;
use sim::transient::{Method, Stepper, transient};

const TEN_VALVES: &str = include_str!("ten_valves.toml");

/// Grid of the run, samples a second.
const RATE: f64 = 96_000.0;

/// Peak of the generator, V: some watts, no clipping.
const DRIVE: f64 = 1e-3;

fn main() {
    report_errors();
    divan::main();
}

/// The output at `rate` over `duration`, computed on a grid `finer` times as fine, and the seconds it took.
fn output(method: Method, rate: f64, finer: u32, duration: f64) -> (Vec<f64>, f64) {
    let (amplifier, system) = opened(TEN_VALVES);
    let mut ws = driven(&amplifier, &system, DRIVE);
    let out = system.voltage_of(amplifier.bench.load_nodes.0) as usize;
    let mut samples = Vec::new();
    let mut count = 0_u32;
    let tolerances = if method == Method::RadauIia5 {
        Tolerances {
            local_error: f64::INFINITY,
            ..Tolerances::default()
        }
    } else {
        Tolerances::default()
    };
    let start = Instant::now();
    transient(
        &system,
        method,
        (0.0, duration, 1.0 / (rate * f64::from(finer))),
        true,
        &tolerances,
        &mut ws,
        &mut |_: f64, x: &[f64]| {
            if count.is_multiple_of(finer) {
                samples.push(x[out]);
            }
            count += 1;
        },
    )
    .expect("the amplifier can be followed");
    (samples, start.elapsed().as_secs_f64())
}

/// Error and real-time factor at two rates. The error is that of the second half of the run, when the
/// start of the tone, which no rate resolves, has died away.
fn report_errors() {
    const COMPARED: f64 = 0.02;
    const TIMED: f64 = 0.25;
    let (_, system) = opened(TEN_VALVES);
    println!(
        "ten valves: {} unknowns, {} entries",
        system.len(),
        system.entries()
    );
    let rms = |x: &[f64]| (x.iter().map(|v| v * v).sum::<f64>() / x.len() as f64).sqrt();
    for rate in [RATE, 112_000.0] {
        let (reference, _) = output(Method::RadauIia5, rate, 4, COMPARED);
        let half = reference.len() / 2;
        for method in [Method::Trapezoidal, Method::TrBdf2] {
            let (samples, _) = output(method, rate, 1, COMPARED);
            let difference: Vec<f64> = samples
                .iter()
                .zip(&reference)
                .map(|(a, b)| a - b)
                .skip(half)
                .collect();
            let error_db = 20.0 * (rms(&difference) / rms(&reference[half..])).log10();
            let (_, seconds) = output(method, rate, 1, TIMED);
            println!(
                "{method:?} at {:.0} kHz: error {error_db:.1} dB against Radau IIA(5) at four times the rate, {:.2} x real time on one core",
                rate / 1e3,
                TIMED / seconds
            );
        }
    }
}

fn bench_steps(bencher: Bencher, method: Method) {
    let (amplifier, system) = opened(TEN_VALVES);
    let mut ws = driven(&amplifier, &system, DRIVE);
    let mut stepper = Stepper::new(&system, method, Tolerances::default(), 0.0, true, &mut ws);
    let mut sample = 0_u64;
    let mut advance = move || {
        sample += 1;
        stepper
            .advance(sample as f64 / RATE, &mut ws)
            .expect("the amplifier can be followed");
        black_box(ws.x[0]);
    };
    for _ in 0..960 {
        advance();
    }
    bencher.bench_local(advance);
}

#[divan::bench]
fn sample_trapezoidal(bencher: Bencher) {
    bench_steps(bencher, Method::Trapezoidal);
}

#[divan::bench]
fn sample_tr_bdf2(bencher: Bencher) {
    bench_steps(bencher, Method::TrBdf2);
}

/// Residual and Jacobian: all devices and the linear parts.
#[divan::bench]
fn assemble(bencher: Bencher) {
    let (amplifier, system) = opened(TEN_VALVES);
    let mut ws = driven(&amplifier, &system, DRIVE);
    let past = vec![0.0; system.len()];
    bencher.bench_local(move || {
        system.assemble(Formula::new(2.0 * RATE, &past), &mut ws);
        black_box(ws.x[0]);
    });
}

/// The ten valves and the two cores alone.
#[divan::bench]
fn devices(bencher: Bencher) {
    let (amplifier, system) = opened(TEN_VALVES);
    let ws = driven(&amplifier, &system, DRIVE);
    let mut cases: Vec<_> = system
        .devices()
        .iter()
        .map(|placed| {
            let x = placed.gather(&ws.x);
            let n = x.len();
            (placed.device.clone(), x, vec![0.0; n], vec![0.0; n * n])
        })
        .collect();
    bencher.bench_local(move || {
        for (device, x, f, df) in &mut cases {
            device.eval(x, &[], &mut Local { f, df });
        }
        black_box(cases[0].2[0]);
    });
}
