use std::f64::consts::TAU;

use super::{PlaybackOf, Player, linear};
use crate::drawn;
use crate::driven::power::PowerOf;
use crate::{Measurement, UnderTest};
use sim::amplifier::Amplifier;
use sim::parts::Waveform;
use sim::system::System;

/// A low-pass of 600 Ω + 1 kΩ and 10 nF, with a light load.
const LOW_PASS: &str = r#"
R1 = { resistor = "1k", between = ["in", "out"] }
C1 = { capacitor = "10n", between = ["out", "chassis"] }
RL = { resistor = "160k", between = ["out", "chassis"] }
"#;

/// A triode whose grid stands at its cathode's volts behind 10 kΩ.
const TRIODE: &str = r#"
HT = { supply = "300V", positive = "ht", negative = "chassis", resistance = "1k" }
R4 = { resistor = "10k", between = ["ht", "ht1"] }
C1 = { electrolytic = "16u", positive = "ht1", negative = "chassis" }
R1 = { resistor = "100k", between = ["ht1", "a"] }
R2 = { resistor = "10k", between = ["in", "g"] }
V1 = { valve = "ECC83", anode = "a", grid = "g", cathode = "chassis" }
C2 = { capacitor = "0.1u", between = ["a", "out"] }
RL = { resistor = "1M", between = ["out", "chassis"] }
"#;

const RATE: f64 = 96_000.0;

fn amplifier(parts: &str) -> (Amplifier, System) {
    let amplifier = drawn::amplifier(parts, ("in", "600R"), "RL");
    let system = System::of(&amplifier.circuit).expect("a whole drawing");
    (amplifier, system)
}

fn sine(frequency: f64, amplitude: f64, count: usize) -> Vec<f64> {
    (0..count)
        .map(|k| amplitude * (TAU * frequency * k as f64 / RATE).sin())
        .collect()
}

#[test]
fn a_stretch_is_the_cubic_through_its_four_samples() {
    let cubic = |t: f64| 2.0 - 3.0 * t + 0.5 * t * t + 0.25 * t * t * t;
    let (start, interval) = (4.0, 0.5);
    let volts = [-1.0, 0.0, 1.0, 2.0].map(|k: f64| cubic(start + k * interval));
    let stretch = Waveform::Stretch {
        start,
        interval,
        volts,
    };
    for u in [0.0, 0.2, 0.5, 0.9, 1.0] {
        let t = start + u * interval;
        // Values near 20: rounding of a dozen operations.
        assert!((stretch.at(t) - cubic(t)).abs() < 1e-13, "{u}");
    }
    assert!(stretch.next_edge(0.0).is_infinite() && stretch.at_rest().abs() < f64::MIN_POSITIVE);
}

#[test]
fn the_linear_amplifier_has_the_response_of_its_rule() {
    // The trapezoidal rule turns ω into 2/h·tan(ωh/2) and nothing else (bilinear transform, textbook).
    let (amplifier, system) = amplifier(LOW_PASS);
    let at_rest = UnderTest::find(&amplifier, &system).expect("it rests");
    for frequency in [1000.0, 12_000.0, 30_000.0] {
        let mut player = linear(&at_rest, RATE).expect("it has a response");
        let input = sine(frequency, 1.0, 9600);
        let mut output = vec![0.0; input.len()];
        player.play(&input, &mut output);
        let last = &output[4800..];
        let seen = (2.0 * last.iter().map(|y| y * y).sum::<f64>() / last.len() as f64).sqrt();
        let omega = 2.0 * RATE * (std::f64::consts::PI * frequency / RATE).tan();
        let parallel = 1.0 / (1.0 / 1600.0 + 1.0 / 160_000.0);
        let wanted = parallel / 1600.0 / (1.0 + (omega * parallel * 10e-9).powi(2)).sqrt();
        assert!(
            (seen / wanted - 1.0).abs() < 1e-9,
            "{frequency} Hz: {seen} against {wanted}"
        );
    }
}

#[test]
fn whole_and_linear_agree_where_nothing_bends() {
    let (amplifier, system) = amplifier(LOW_PASS);
    let at_rest = UnderTest::find(&amplifier, &system).expect("it rests");
    let input = sine(5000.0, 1.0, 2000);
    let (mut whole, mut bare) = (vec![0.0; 2000], vec![0.0; 2000]);
    // Without control of the step, which would cut some of them.
    let mut how = PlaybackOf::at(RATE);
    how.tolerances.local_error = f64::INFINITY;
    how.player(&at_rest)
        .expect("it is driven")
        .play(&input, &mut whole)
        .expect("it can be followed");
    linear(&at_rest, RATE)
        .expect("it has a response")
        .play(&input, &mut bare);
    // Newton's tolerance of 1 µV, the later sample of the whole allowed for.
    for (a, b) in whole[Player::LATENCY..].iter().zip(&bare) {
        assert!((a - b).abs() < 2e-6, "{a} against {b}");
    }
}

#[test]
fn blocks_do_not_show() {
    let (amplifier, system) = amplifier(TRIODE);
    let at_rest = UnderTest::find(&amplifier, &system).expect("it rests");
    let input = sine(700.0, 1.5, 3000);
    let (mut whole, mut pieces) = (vec![0.0; 3000], vec![0.0; 3000]);
    let mut player = PlaybackOf::at(RATE).player(&at_rest).expect("it is driven");
    player.play(&input, &mut whole).expect("it plays");
    let mut player = PlaybackOf::at(RATE).player(&at_rest).expect("it is driven");
    for (input, output) in input.chunks(7).zip(pieces.chunks_mut(7)) {
        player.play(input, output).expect("it plays");
    }
    assert_eq!(whole, pieces);
}

#[test]
fn the_meters_count_what_happens() {
    let (amplifier, system) = amplifier(TRIODE);
    let at_rest = UnderTest::find(&amplifier, &system).expect("it rests");
    let mut player = PlaybackOf::at(RATE).player(&at_rest).expect("it is driven");
    // Fifty cycles. The grid draws current at zero volts already: once from rest into the first top, once before
    // each other top, and once more where the last cycle comes back to zero.
    let input = sine(100.0, 3.0, 48_000);
    let mut output = vec![0.0; input.len()];
    player.play(&input, &mut output).expect("it plays");
    let meters = player.meters();
    assert!((meters.seconds - 0.5).abs() < 1e-4, "{}", meters.seconds);
    let valve = &meters.valves[0];
    assert_eq!(valve.grid_current_events, 1 + 49 + 1);
    assert!(
        valve.grid_current_share > 0.3 && valve.grid_current_share < 0.7,
        "{}",
        valve.grid_current_share
    );
    // Power by its definition, from the volts that came out; the first is the rest itself.
    let volts = &output[1..];
    let mean = volts.iter().sum::<f64>() / volts.len() as f64;
    let power = volts.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / volts.len() as f64 / 1e6;
    assert!((meters.mean_power / power - 1.0).abs() < 1e-3);
    let most = volts.iter().map(|v| (v - mean).abs()).fold(0.0, f64::max);
    assert!((meters.peak_volts / most - 1.0).abs() < 1e-3);
    assert!((meters.peak_power / (most * most / 2e6) - 1.0).abs() < 2e-3);
    // Cut off half the time, the valve takes less than at rest, and the rail rises.
    let [rail] = meters.rails.as_slice() else {
        panic!("one rail: {:?}", meters.rails);
    };
    assert!(rail.node == "ht1" && rail.sag() < 0.0, "{rail:?}");
    let held = valve.hottest.value;
    assert!((held / valve.mean_watts - 1.0).abs() < 0.01, "{held}");
}

#[test]
fn the_hottest_second_is_found_wherever_it_lies() {
    // A valve cut off but for the second from 0.6 to 1.6 s, which no division into whole seconds shows.
    let (amplifier, system) = amplifier(TRIODE);
    let at_rest = UnderTest::find(&amplifier, &system).expect("it rests");
    let mut player = PlaybackOf::at(RATE).player(&at_rest).expect("it is driven");
    let input: Vec<f64> = (0..(2.2 * RATE) as usize)
        .map(|k| {
            if (0.6..1.6).contains(&(k as f64 / RATE)) {
                0.0
            } else {
                -20.0
            }
        })
        .collect();
    let mut output = vec![0.0; input.len()];
    player.play(&input, &mut output).expect("it plays");
    let hottest = player.meters().valves[0].hottest.value;
    let mut still = PlaybackOf::at(RATE).player(&at_rest).expect("it is driven");
    let silence = vec![0.0; RATE as usize];
    still
        .play(&silence, &mut vec![0.0; silence.len()])
        .expect("it plays");
    let at_rest = still.meters().valves[0].hottest.value;
    // The rail, higher when the valve wakes, falls back within a fifth of a second: some per cent at most.
    assert!(
        (0.95..1.2).contains(&(hottest / at_rest)),
        "{hottest} W against {at_rest} W"
    );
}

#[test]
fn the_limit_alone_is_that_of_the_sweep() {
    // Into a megohm 10 mW are 100 V: the way up begins below that.
    let (amplifier, system) = amplifier(TRIODE);
    let question = PowerOf::bench(&amplifier.bench);
    let swept = question
        .about(&amplifier, &system)
        .expect("it has a power")
        .rated
        .expect("it has a limit");
    let at_rest = UnderTest::find(&amplifier, &system).expect("it rests");
    let alone = question
        .limit(&at_rest, &|_| ())
        .expect("it can be solved")
        .expect("it has a limit");
    // Both meet the limit to 1e-4, and the drive follows it no faster.
    assert!(
        (alone.drive / swept.drive - 1.0).abs() < 1e-3,
        "{} V against {} V",
        alone.drive,
        swept.drive
    );
}
