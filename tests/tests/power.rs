//! What a power sweep says of a level, against the settled period itself: drive and output as rms, the levels at
//! which causes set in, and what electrodes dissipate.

use checks::examples::{EXAMPLES, Example, Opened};
use measure::UnderTest;
use measure::at_rest::voltages::VoltagesOf;
use measure::driven::power::{Cause, Limit, Power, Role};
use measure::instruments::valve::{Electrodes, ValveProbe};
use measure::small_signal::response::ResponseOf;
use sim::periodic::Settling;

fn power(opened: &Opened) -> Power {
    opened.ask(&opened.bench()).expect("it has a power")
}

/// A figure of a valve at every sample of the settled period at this drive, V peak.
fn over_a_period(
    opened: &Opened,
    valve: &str,
    drive: f64,
    figure: impl Fn(&Electrodes) -> f64,
) -> Vec<f64> {
    let probes = ValveProbe::all(&opened.amplifier.circuit, &opened.system);
    let probe = probes.iter().find(|probe| probe.name == valve);
    let probe = probe.expect("a valve of that name");
    let mut ws = opened.driven(drive).expect("it rests");
    let settling = Settling::default();
    let period = opened.settle(&settling, &mut ws).expect("it settles");
    period
        .samples
        .iter()
        .map(|x| figure(&probe.at(x)))
        .collect()
}

fn least(values: &[f64]) -> f64 {
    values.iter().copied().fold(f64::INFINITY, f64::min)
}

fn most(values: &[f64]) -> f64 {
    values.iter().copied().fold(f64::NEG_INFINITY, f64::max)
}

/// The first limit of a cause among those of the examples, with its example opened.
fn first(cause: Cause) -> (Opened, Limit) {
    let found = EXAMPLES.iter().find_map(|example| {
        let opened = example.open(&[]);
        let limits = power(&opened).limits;
        let limit = limits.into_iter().find(|limit| limit.cause == cause);
        limit.map(|limit| (opened, limit))
    });
    found.unwrap_or_else(|| panic!("no example shows {cause:?}"))
}

/// An onset is told at the upper of two drives this far apart, twice over for the samples of a period, which are other
/// ones here.
const CLOSE: f64 = 1.02;

#[test]
fn a_small_level_has_the_gain_of_the_linearised_circuit() {
    let opened = EXAMPLES[0].open(&[]);
    let question = ResponseOf::bench(
        &opened.amplifier.circuit,
        &opened.amplifier.bench,
        (1e3, 1e3),
    );
    let gain = opened.ask(&question).expect("it has a response")[0].gain;
    let level = &power(&opened).levels[0];
    // Both rms; a level that small is compressed by less than its distortion.
    let found = level.output_rms / level.drive_rms;
    assert!(level.thd < 0.01, "{}", level.thd);
    assert!((found / gain - 1.0).abs() < level.thd, "{found} {gain}");
}

#[test]
fn class_a_ends_where_a_valve_of_the_pair_keeps_a_tenth_of_its_mean_current() {
    // The rule: less than a tenth of the mean at that output counts as cut off.
    let (opened, limit) = first(Cause::ClassAb);
    let share = |drive: f64| {
        let currents = over_a_period(&opened, &limit.part, drive, |e| e.currents.anode);
        let mean = currents.iter().sum::<f64>() / currents.len() as f64;
        least(&currents) / mean
    };
    let (there, below) = (share(CLOSE * limit.drive), share(limit.drive / CLOSE));
    assert!(there < 0.1, "{there}");
    assert!(below > 0.1, "{below}");
}

#[test]
fn grid_current_sets_in_at_three_tenths_of_a_microampere() {
    // The onset at which the European resistance-coupling tables are made (from memory).
    let (opened, limit) = first(Cause::GridCurrent);
    let current = |drive: f64| {
        let currents = over_a_period(&opened, &limit.part, drive, |e| e.currents.grid);
        most(&currents)
    };
    let (there, below) = (current(CLOSE * limit.drive), current(limit.drive / CLOSE));
    assert!(there > 0.3e-6, "{there} A");
    assert!(below < 0.3e-6, "{below} A");
}

#[test]
fn a_screen_dissipates_its_volts_times_its_current() {
    let example: &Example = &EXAMPLES[2];
    let opened = example.open(&[]);
    let power = power(&opened);
    let level = &power.levels[power.levels.len() / 2];
    for valve in level.valves.iter().filter(|valve| valve.has_screen) {
        let watts = over_a_period(&opened, &valve.part, level.drive, |e| {
            e.v_sk * e.currents.screen
        });
        let mean = watts.iter().sum::<f64>() / watts.len() as f64;
        // Two settled periods of one amplifier, each to a millionth of its swing.
        assert!(
            (valve.p_s / mean - 1.0).abs() < 1e-4,
            "{} {mean}",
            valve.p_s
        );
    }
    // And without a signal to speak of, what the chart of the amplifier at rest says.
    let of: UnderTest<'_> = opened.under_test();
    let rest = opened.ask(&VoltagesOf).expect("it rests");
    assert!(of.rest.mains.is_none());
    let small = &power.levels[0];
    for (valve, at_rest) in small.valves.iter().zip(&rest.valves) {
        if let Some(p_s) = &at_rest.p_s {
            assert!((valve.p_s / p_s.value - 1.0).abs() < 0.01, "{}", valve.part);
        }
    }
}

#[test]
fn a_valve_by_itself_is_cut_off_and_leaves_no_class() {
    // Class AB is what two valves in opposition come to (common practice, no source). With 1 kΩ instead of 270 Ω in its
    // cathode the one output valve carries so little that it is cut off on the way.
    let opened = EXAMPLES[0].open(&[("R5", "1k")]);
    let power = power(&opened);
    assert_eq!(power.output_valves.len(), 1);
    let of_output = power
        .limits
        .iter()
        .filter(|limit| limit.role == Role::Output);
    let causes: Vec<Cause> = of_output.map(|limit| limit.cause).collect();
    assert!(causes.contains(&Cause::CutOff), "{causes:?}");
    assert!(!causes.contains(&Cause::ClassAb), "{causes:?}");
}
