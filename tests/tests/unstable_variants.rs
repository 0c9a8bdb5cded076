//! Drawings that oscillate in twenty ways, on an ideal supply and on their mains, and what stands idle beside them.
//!
//! The witness of a frequency is the transient: the circuit pushed off its rest and followed while the oscillation is
//! still small; and for where it ends up, once grids, cathodes and supplies have given way, our own long runs ([`SETTLED`]).

use checks::examples::Opened;
use checks::variants::{
    FEEDBACK, OTHER_PHASE, PHASE, amplifier, changed, on_its_mains, stable, unstable,
};
use measure::UnderTest;
use sim::Tolerances;
use sim::error::SimError;
use sim::grown::{Grown, ToAndFro};
use sim::stability::{Growing, growing};
use sim::transient::{Method, transient};

/// Turns in the time of growing 2.7-fold below which nothing has swung.
const RUNS_AWAY: f64 = 0.05;

/// How often the load's volts come round in the end, Hz, on the ideal supply and on the mains. Our own runs by another method
/// than the one that judges: the trapezoidal rule, which damps nothing, steps of 0.4 µs (20 µs for what comes round less than a
/// thousand times a second), cut ten times as closely as is usual; after 0.3 s (4 s; of 100R and 150R 1.6 s) from rest, on the mains after
/// 0.4 s (4 s; of 100R, 150R and 330R 1.2 s) from where a second of long steps led. Means over the last 20 ms (0.5 s). What is not here
/// comes round unevenly there ([`UNEVEN`]), in bursts ([`BURSTS`]), or above a megahertz. By `--example settles`.
const SETTLED: [(&str, Option<f64>, Option<f64>); 16] = [
    // On its mains still falling, from 91.76 kHz by 4 Hz a millisecond and ever more slowly.
    ("feedback of 100R", Some(91.14e3), Some(91.71e3)),
    // On the ideal supply still to and fro, between 91.5 kHz and 93.7 kHz in the last fifth of a second.
    ("feedback of 150R", Some(91.6e3), Some(93.8e3)),
    ("feedback of 330R", Some(109.2e3), Some(108.8e3)),
    ("feedback of 390R", Some(112.9e3), Some(114.4e3)),
    ("feedback of 470R", Some(120.0e3), Some(120.38e3)),
    ("470R without a lead", Some(133.5e3), Some(132.3e3)),
    ("680R without a lead", Some(130.5e3), None),
    ("820R without a lead", Some(129.7e3), Some(128.9e3)),
    ("wrong sign, 2k2", Some(56.39), Some(55.9)),
    ("wrong sign, 3k3", Some(86.52), Some(87.96)),
    ("wrong sign, 4k7", Some(150.1), Some(150.3)),
    ("wrong sign, 8k2", Some(559.7), Some(555.6)),
    ("wrong sign, 10k", Some(438.1), Some(430.1)),
    ("33p from a4 to g1", Some(57.71e3), Some(57.4e3)),
    ("68p from a4 to g1", Some(54.30e3), Some(55.0e3)),
    ("low down, 560R", Some(127.65e3), None),
];

/// What never settles, on the ideal supply and on the mains: the lowest and the highest frequency of rounds in long runs, Hz.
/// Bias and cathodes creep until the swing collapses, and back: of 270R six times a second, in 1.6 s of the ideal supply. None
/// where the runs were too short to tell.
const UNEVEN: [(&str, Option<[f64; 2]>); 2] = [
    ("feedback of 270R", Some([78.5e3, 123e3])),
    ("feedback of 220R", None),
];

/// What bursts on part of every slow turn. Of the long runs of the first, on the ideal supply, 54 turns a second with 76 kHz on
/// the third part of each.
const BURSTS: [&str; 1] = ["low down, 680R"];

/// What is told of an end that is none.
fn against_unsettled(name: &str, grown: Option<Grown>) -> Option<String> {
    let uneven = UNEVEN.iter().find(|(known, _)| *known == name);
    let wrong = match (uneven, grown) {
        (Some((_, seen)), Some(grown)) => {
            let near = |told: ToAndFro| {
                // Where it was followed for some turns only, it is seen on its way: a twentieth.
                seen.is_none_or(|[l, h]| {
                    (told.lowest / l - 1.0).abs() < 0.05 && (told.highest / h - 1.0).abs() < 0.05
                })
            };
            grown.settles || !grown.between.is_some_and(near)
        }
        (Some(_), None) => true,
        (None, grown) if BURSTS.contains(&name) => {
            !grown.is_some_and(|grown| !grown.settles && grown.bursts.is_some())
        }
        (None, grown) => grown.is_some_and(|grown| !grown.settles),
    };
    wrong.then(|| format!("{name}: {grown:?}"))
}

/// What is told, against where long runs ended.
fn against_long_runs(name: &str, told: [f64; 2]) -> Vec<String> {
    let of_name = |(known, _, _): &&(&str, Option<f64>, Option<f64>)| *known == name;
    let Some((_, ideal, mains)) = SETTLED.iter().find(of_name) else {
        return Vec::new();
    };
    let places = ["", " on its mains"];
    let known = [ideal, mains].into_iter().zip(told).zip(places);
    known
        .filter_map(|((seen, told), place)| {
            let seen = (*seen)?;
            // Supplies at their means, and the drift that is left in the long runs: a hundredth each.
            let is_off = (told / seen - 1.0).abs() > 0.02;
            is_off.then(|| format!("{name}{place}: ends up at {told} Hz, seen at {seen} Hz"))
        })
        .collect()
}

/// Hertz at which the load's volts rise through their mean, followed from rest pushed by a nanovolt, while nothing has
/// moved by a hundredth of a volt; none when they get there without swinging four times, or where steps of one length do not
/// follow it when it is large.
fn seen(opened: &Opened, found: Growing) -> Option<f64> {
    let mut ws = opened.driven(1e-9).expect("rest");
    let (a, b) = opened.load();
    let voltages: Vec<usize> = (0..opened.system.len())
        .filter(|&k| opened.system.unknowns()[k].is_voltage())
        .collect();
    let start = ws.x.clone();
    let mut small = None;
    // Fifty steps a turn: the trapezoidal rule is then a thousandth slow.
    let step = f64::min(0.02 / found.rate, 0.02 / found.frequency);
    let mut volts: Vec<f64> = Vec::new();
    let tolerances = Tolerances {
        local_error: f64::INFINITY,
        ..Tolerances::default().closer(1e-6)
    };
    let mut watch = |_: f64, x: &[f64]| {
        if small.is_none() && voltages.iter().any(|&k| (x[k] - start[k]).abs() > 0.01) {
            small = Some(volts.len());
        }
        volts.push(x[a] - x[b]);
    };
    let run = (0.0, 8000.0 * step, step);
    let (system, method) = (&opened.system, Method::Trapezoidal);
    transient(system, method, run, true, &tolerances, &mut ws, &mut watch).ok()?;
    let rest = volts[0];
    let small = volts
        .iter()
        .position(|v| (v - rest).abs() > 0.1)
        .unwrap_or(volts.len());
    let crossings: Vec<f64> = (0..small - 1)
        .filter(|&k| volts[k] < rest && volts[k + 1] >= rest)
        .map(|k| k as f64 + (rest - volts[k]) / (volts[k + 1] - volts[k]))
        .collect();
    // The last few: the first are of what else was pushed.
    let late = &crossings[crossings.len().checked_sub(4)?..];
    Some(3.0 / (step * (late[3] - late[0])))
}

#[test]
fn twenty_drawings_that_oscillate_are_named_by_their_frequency() {
    let drawings = unstable();
    assert_eq!(drawings.len(), 20);
    let mut faults = Vec::new();
    for (name, text) in &drawings {
        let opened = Opened::read(text, &[]);
        let ws = opened.driven(0.0).expect("rest");
        let found = growing(&opened.system, &mut ws.clone()).expect("it has an answer");
        let Some(found) = found else {
            faults.push(format!("{name}: called stable"));
            continue;
        };
        if found.frequency <= 0.0 {
            faults.push(format!("{name}: without a frequency"));
        }
        // What runs away without swinging repeats itself far more slowly than it grows.
        if found.frequency > RUNS_AWAY * found.rate {
            let seen = seen(&opened, found);
            if seen.is_some_and(|seen| (found.frequency / seen - 1.0).abs() > 0.02) {
                faults.push(format!("{name}: {found:?}, seen at {seen:?} Hz"));
            }
        }
        faults.extend(against_unsettled(name, found.grown));
        let mains = Opened::read(&on_its_mains(text), &[]);
        let frequency = match UnderTest::find(&mains.amplifier, &mains.system) {
            Err(SimError::Oscillates {
                frequency, grown, ..
            }) => {
                faults.extend(against_unsettled(name, grown));
                grown.map(|grown| grown.frequency).or(frequency)
            }
            Err(SimError::Repeats { period, .. }) => Some(1.0 / period),
            Ok(of) => match of.growing() {
                Ok(Some(growing)) => {
                    faults.extend(against_unsettled(name, growing.grown));
                    (growing.grown.map(|grown| grown.frequency)).or(Some(growing.frequency))
                }
                stable => {
                    faults.push(format!("{name} on its mains: {stable:?}"));
                    continue;
                }
            },
            Err(other) => {
                faults.push(format!("{name} on its mains: {other}"));
                continue;
            }
        };
        println!("{name}: {found:?}; on its mains {frequency:?}");
        if frequency.is_none_or(|hertz| hertz <= 0.0) {
            faults.push(format!("{name} on its mains: without a frequency"));
        }
        let ends = found.grown.map_or(found.frequency, |grown| grown.frequency);
        faults.extend(against_long_runs(name, [ends, frequency.unwrap_or(0.0)]));
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

#[test]
fn what_stands_idle_beside_it_makes_no_amplifier_unstable() {
    let drawings = stable();
    assert_eq!(drawings.len(), 20);
    for (name, text) in &drawings {
        let opened = Opened::read(text, &[]);
        let ws = opened.driven(0.0).expect("rest");
        assert_eq!(growing(&opened.system, &mut ws.clone()), Ok(None), "{name}");
        let mains = Opened::read(&on_its_mains(text), &[]);
        let of = mains.under_test();
        assert_eq!(of.growing(), Ok(None), "{name}, on its mains");
    }
}

#[test]
fn an_oscillation_that_has_locked_to_the_mains_is_no_hum() {
    // Feedback of the wrong sign that relaxes about a hundred times a second falls into step with the ripple: the cycle
    // closes, and between its jumps some valve is cut off at every moment.
    for ohms in ["1k", "1k05"] {
        let to = format!(r#"R16 = {{ resistor = "{ohms}""#);
        let text = changed(&amplifier(), &[(FEEDBACK, &to), (PHASE, OTHER_PHASE)]);
        let mains = Opened::read(&on_its_mains(&text), &[]);
        let of = UnderTest::find(&mains.amplifier, &mains.system).expect("its cycle closes");
        let (a, b) = mains.load();
        let volts: Vec<f64> = of.rest.samples().iter().map(|x| x[a] - x[b]).collect();
        // Volts of the load rise through zero so often in a fiftieth of a second.
        let rises = (0..volts.len())
            .filter(|&k| volts[k] < 0.0 && volts[(k + 1) % volts.len()] >= 0.0)
            .count();
        let seen = 50.0 * rises as f64;
        let found = of.growing().expect("it has an answer").expect("it grows");
        assert!(
            (found.frequency / seen - 1.0).abs() < 0.01,
            "{ohms}: {found:?}, seen at {seen} Hz"
        );
    }
}
