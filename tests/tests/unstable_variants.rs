//! Drawings that oscillate in twenty ways, on an ideal supply and on their mains, and what stands idle beside them.
//!
//! The witness of a frequency is the transient: the circuit pushed off its rest and followed while the oscillation is
//! still small, or, where it runs away without swinging, once it repeats itself.

use checks::examples::Opened;
use checks::variants::{
    FEEDBACK, OTHER_PHASE, PHASE, amplifier, changed, on_its_mains, stable, unstable,
};
use measure::UnderTest;
use sim::Tolerances;
use sim::error::SimError;
use sim::stability::{Growing, growing};
use sim::transient::{Method, transient};

/// Turns in the time of growing 2.7-fold below which nothing has swung.
const RUNS_AWAY: f64 = 0.05;

/// Hertz at which the load's volts rise through their mean, followed from rest pushed by a nanovolt, while nothing has
/// moved by a hundredth of a volt; none when they get there without swinging.
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
    transient(
        &opened.system,
        Method::Trapezoidal,
        run,
        true,
        &tolerances,
        &mut ws,
        &mut watch,
    )
    .ok()?;
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
        if found.frequency > RUNS_AWAY * found.rate
            && let Some(seen) = seen(&opened, found)
            && (found.frequency / seen - 1.0).abs() > 0.02
        {
            faults.push(format!("{name}: {found:?}, seen at {seen} Hz"));
        }
        let mains = Opened::read(&on_its_mains(text), &[]);
        let frequency = match UnderTest::find(&mains.amplifier, &mains.system) {
            Err(SimError::Oscillates { frequency, .. }) => frequency,
            Err(SimError::Repeats { period }) => Some(1.0 / period),
            Ok(of) => match of.growing() {
                Ok(Some(growing)) => Some(growing.frequency),
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
