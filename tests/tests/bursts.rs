//! Bursts of oscillation under drive: an amplifier that is stable at rest and oscillates on the peaks of its signal.
//!
//! The witness is the circuit itself, followed by a rule that damps nothing on a grid that resolves the burst.

use checks::examples::{EXAMPLES, Opened};
use measure::Measurement;
use measure::driven::power::Power;
use measure::driven::waveform::WaveformOf;
use sim::error::SimError;
use sim::parts::Waveform;
use sim::transient::Method;

/// The amplifier with feedback with its output pair too cold: at rest its gain is low and it is stable; the gain grows
/// with the signal.
fn cold() -> Opened {
    let example = EXAMPLES
        .iter()
        .find(|example| example.name.starts_with("03_"));
    let example = example.expect("it is there");
    example.open(&[("R13", "1k"), ("R16", "500R")])
}

/// Volts across the load at a peak of the generator, V, every half microsecond of the last of twelve milliseconds.
fn followed(amplifier: &Opened, drive: f64) -> Vec<f64> {
    let traces = amplifier
        .ask(&WaveformOf {
            nodes: vec![amplifier.amplifier.bench.load_nodes.0],
            signal: Some(Waveform::Sine {
                amplitude: drive,
                frequency: 1e3,
                phase: 0.0,
                offset: 0.0,
            }),
            duration: 12e-3,
            rate: RATE,
            method: Method::Trapezoidal,
        })
        .expect("it runs");
    let volts = &traces.volts[0];
    volts[volts.len() - (RATE * 1e-3) as usize..].to_vec()
}

const RATE: f64 = 2e6;

/// What is left without what moves slowly: each sample less the mean of a time around it that holds some turns.
fn fast(volts: &[f64]) -> Vec<f64> {
    const AROUND: usize = 24;
    (AROUND..volts.len() - AROUND)
        .map(|k| {
            let around = &volts[k - AROUND..=k + AROUND];
            volts[k] - around.iter().sum::<f64>() / around.len() as f64
        })
        .collect()
}

/// Frequency where it is largest, from where it rises through zero around there, Hz.
fn pitch(fast: &[f64]) -> f64 {
    const AROUND: usize = 60;
    let most = (AROUND..fast.len() - AROUND)
        .max_by(|&a, &b| fast[a].abs().total_cmp(&fast[b].abs()))
        .expect("there are samples");
    let around = &fast[most - AROUND..most + AROUND];
    let crossings: Vec<f64> = (0..around.len() - 1)
        .filter(|&k| around[k] < 0.0 && around[k + 1] >= 0.0)
        .map(|k| k as f64 + around[k] / (around[k] - around[k + 1]))
        .collect();
    let turns = (crossings.len() - 1) as f64;
    RATE * turns / (crossings[crossings.len() - 1] - crossings[0])
}

#[test]
fn a_slow_tone_on_a_fine_grid_is_told_to_burst() {
    // Its bursts lie milliseconds before the run ends, at no signal.
    let amplifier = cold();
    let traces = amplifier.ask(&WaveformOf {
        nodes: vec![amplifier.amplifier.bench.load_nodes.0],
        signal: Some(Waveform::Sine {
            amplitude: 0.2,
            frequency: 20.0,
            phase: 0.0,
            offset: 0.0,
        }),
        duration: 0.1,
        rate: 1e6,
        method: Method::TrBdf2,
    });
    let found = traces.expect("it runs").bursts.expect("it bursts");
    // Somewhere between 80 and 90 kHz, as the output pair stands.
    assert!((found.frequency / 85e3 - 1.0).abs() < 0.06, "{found:?}");
}

#[test]
fn a_power_sweep_ends_where_bursts_begin_and_names_them() {
    let amplifier = cold();
    let power: Power = amplifier
        .ask(&amplifier.bench())
        .expect("it is stable at rest");
    let bursting = power.bursting.expect("it bursts");
    assert!(power.rated.is_none());
    assert!(power.ended_early.is_none(), "{:?}", power.ended_early);
    let last = power.levels.last().expect("there are levels");
    assert!(bursting.drive >= last.drive && bursting.drive < 1.16 * last.drive);

    // Below its onset nothing is seen; the millivolt is what the sine itself leaves of its curvature, 24 samples to
    // either side: U·(2π·1 kHz·12 µs)²/6 of 1.2 V.
    let below = fast(&followed(&amplifier, 0.97 * bursting.drive));
    let most = |volts: &[f64]| volts.iter().map(|v| v.abs()).fold(0.0, f64::max);
    assert!(most(&below) < 2e-3, "{} V", most(&below));
    // Half as much again: a run without noise starts the oscillation from rounding, which takes some e-folds more.
    let above = fast(&followed(&amplifier, 1.5 * bursting.drive));
    assert!(most(&above) > 0.1, "{} V", most(&above));
    // While it is small its pitch is that of the circuit it grows in, whose slopes change meanwhile: five per cent.
    let first = fast(&followed(&amplifier, 1.42 * bursting.drive));
    let ratio = pitch(&first) / bursting.frequency;
    assert!(
        (ratio - 1.0).abs() < 0.05,
        "{} Hz, {bursting:?}",
        pitch(&first)
    );
}

#[test]
fn a_waveform_is_taken_as_finely_as_its_bursts_ask() {
    let amplifier = cold();
    let question = |drive: f64| WaveformOf {
        nodes: vec![amplifier.amplifier.bench.load_nodes.0],
        signal: Some(Waveform::Sine {
            amplitude: drive,
            frequency: 1e3,
            phase: 0.0,
            offset: 0.0,
        }),
        duration: 5e-3,
        rate: 96e3,
        method: Method::default(),
    };
    let quiet = amplifier.ask(&question(0.1)).expect("it runs");
    assert!(quiet.bursts.is_none() && quiet.rate.to_bits() == 96e3_f64.to_bits());
    let loud = amplifier.ask(&question(0.8)).expect("it runs");
    let bursts = loud.bursts.expect("it bursts");
    assert!(loud.rate >= 20.0 * bursts.frequency, "{} Hz", loud.rate);
    assert_eq!(loud.time.len(), (loud.rate * 5e-3).round() as usize + 1);
    // Volts where the grid of 96 kHz shows a smooth sine.
    let swing = fast(&loud.volts[0])
        .iter()
        .map(|v| v.abs())
        .fold(0.0, f64::max);
    assert!(swing > 2.0, "{swing} V");
}

#[test]
fn an_amplifier_driven_into_its_bursts_has_no_settled_level() {
    let amplifier = cold();
    let of = amplifier.under_test();
    let level = amplifier.bench().at_drive(&of, 0.8);
    let Err(SimError::Bursts { frequency, .. }) = level else {
        panic!("{level:?}");
    };
    assert!((60e3..120e3).contains(&frequency), "{frequency} Hz");
    // As drawn it is stable at its rated level and beyond.
    let example = EXAMPLES
        .iter()
        .find(|example| example.name.starts_with("03_"));
    let drawn = example.expect("it is there").open(&[]);
    let power = drawn
        .bench()
        .ask(&drawn.under_test(), &|_| ())
        .expect("it answers");
    assert_eq!(power.bursting, None);
    assert!(power.rated.is_some());
}
