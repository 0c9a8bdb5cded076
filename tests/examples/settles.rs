//! Where a drawing that oscillates ends up, followed for long by another method than the one that judges it: how often its
//! load's volts come round, and how evenly.
//!
//! ```text
//! cargo run --release -p checks --example settles -- NAME ideal|mains [SECONDS [INTERVAL [CLOSER [OVER [LED]]]]]
//! ```
//!
//! The names are those of `checks::variants::unstable`. The trapezoidal rule, which damps nothing, in steps of 0.4 µs that are
//! cut ten times as closely as is usual; from rest, on the mains from where a second of long steps led, or LED seconds of them:
//! none is from switching on with hot cathodes. Where volts are averaged OVER some time, s, bursts do not count.

#![allow(clippy::print_stdout, reason = "an example prints")]

use checks::examples::Opened;
use checks::rises::rises;
use checks::variants::{on_its_mains, unstable};
use sim::Tolerances;
use sim::transient::{Method, transient};

/// Volts by which every node is pushed.
const PUSH: f64 = 1e-3;

/// Steps of a mains period that damp what oscillates.
const LONG: f64 = 128.0;

/// Parts of the later half that are told one by one.
const PARTS: usize = 20;

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let number = |k: usize, otherwise: f64| {
        let text = arguments.get(k);
        text.map_or(otherwise, |text| text.parse().expect("a number"))
    };
    let on_mains = arguments[1] == "mains";
    let seconds = number(2, if on_mains { 0.4 } else { 0.3 });
    let interval = number(3, 0.4e-6);
    let closer = number(4, 0.1);
    let over = number(5, 0.0);
    let led = number(6, if on_mains { 1.0 } else { 0.0 });
    let drawings = unstable();
    let (_, text) = (drawings.iter().find(|(name, _)| *name == arguments[0])).expect("a name");
    let text = if on_mains {
        on_its_mains(text)
    } else {
        text.clone()
    };
    let opened = Opened::read(&text, &[]);
    let mut ws = opened.driven(0.0).expect("it has an operating point");
    if led > 0.0 {
        let run = (0.0, led, 0.02 / LONG);
        let coarse = Tolerances {
            local_error: f64::INFINITY,
            ..Tolerances::default()
        };
        transient(
            &opened.system,
            Method::TrBdf2,
            run,
            false,
            &coarse,
            &mut ws,
            &mut |_: f64, _: &[f64]| {},
        )
        .expect("it can be followed");
    }
    for (k, unknown) in opened.system.unknowns().iter().enumerate() {
        if unknown.is_voltage() {
            ws.x[k] += PUSH * (0.414_213_6 * (k + 1) as f64).fract();
        }
    }
    let (a, b) = opened.load();
    let mut volts: Vec<f64> = Vec::new();
    let mut tolerances = Tolerances::default();
    tolerances.local_error *= closer;
    let run = (led, led + seconds, interval);
    let mut probe = |_: f64, x: &[f64]| volts.push(x[a] - x[b]);
    let ended = transient(
        &opened.system,
        Method::Trapezoidal,
        run,
        false,
        &tolerances,
        &mut ws,
        &mut probe,
    );
    if let Err(error) = ended {
        println!("followed for {} s: {error}", interval * volts.len() as f64);
    }
    let each = (over / interval).max(1.0) as usize;
    let volts: Vec<f64> = (volts.chunks_exact(each))
        .map(|volts| volts.iter().sum::<f64>() / each as f64)
        .collect();
    let interval = each as f64 * interval;
    let half = volts.len() / 2;
    for part in volts[half..].chunks(half / PARTS) {
        told(part, interval);
    }
    let last = (0.02 / interval) as usize;
    if last < half {
        print!("the last 20 ms: ");
        told(&volts[volts.len() - last..], interval);
    }
}

/// How often volts rise through their middle, and how evenly.
fn told(volts: &[f64], interval: f64) {
    let least = volts.iter().copied().fold(f64::INFINITY, f64::min);
    let most = volts.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let rises = rises(volts, interval);
    let mut lengths: Vec<f64> = rises.windows(2).map(|pair| pair[1] - pair[0]).collect();
    if lengths.is_empty() {
        println!("{least:.3} V to {most:.3} V, {} rises", rises.len());
        return;
    }
    let mean = lengths.iter().sum::<f64>() / lengths.len() as f64;
    lengths.sort_by(f64::total_cmp);
    let of = |share: f64| 1.0 / lengths[(share * (lengths.len() - 1) as f64) as usize];
    println!(
        "{least:.3} V to {most:.3} V; {} rounds, {:.1} Hz on the mean; longest {:.1} Hz, tenth {:.1} Hz, median {:.1} Hz, ninth tenth {:.1} Hz, shortest {:.1} Hz",
        lengths.len(),
        1.0 / mean,
        of(1.0),
        of(0.9),
        of(0.5),
        of(0.1),
        of(0.0),
    );
}
