//! A pair biased too near cut-off: its distortion falls again as the drive rises.

use checks::examples::Opened;
use measure::driven::power::{Output, PowerOf};

/// Two beam tetrodes on ideal iron and supplies, at a grid bias, V. Our own invention.
fn pair(bias: &str) -> Opened {
    let parts = format!(
        r#"V1 = {{ valve = "6L6GC", anode = "a1", screen = "s", grid = "g1", cathode = "chassis" }}
V2 = {{ valve = "6L6GC", anode = "a2", screen = "s", grid = "g2", cathode = "chassis" }}
T1 = {{ transformer = "6k6 : 8R", primary = ["a1", "ht", "a2"], secondary = ["out", "chassis"], primary_inductance = "60H", leakage_inductance = "25mH", capacitance = "1n", primary_resistance = "200R", secondary_resistance = "0.3R", core_loss = "75k" }}
T2 = {{ transformer = [{{ name = "primary", nodes = ["in", "chassis"], turns = "100", resistance = "10R" }}, {{ name = "s1", nodes = ["g1", "gb"], turns = "100", resistance = "10R" }}, {{ name = "s2", nodes = ["gb", "g2"], turns = "100", resistance = "10R" }}], primary_inductance = "100H", leakage_inductance = "1mH", capacitance = "10p", core_loss = "1M" }}
LS1 = {{ resistor = "8R", between = ["out", "chassis"] }}
HT = {{ supply = "400V", positive = "ht", negative = "chassis", resistance = "10R" }}
SC = {{ supply = "300V", positive = "s", negative = "chassis", resistance = "10R" }}
BI = {{ supply = "{bias}", positive = "chassis", negative = "gb", resistance = "10R" }}"#
    );
    Opened::of_parts(&parts, ("in", "100R"), "LS1")
}

#[test]
fn a_sweep_does_not_end_at_the_distortion_of_the_crossover() {
    let amplifier = pair("40V");
    let of = amplifier.under_test();
    let question = PowerOf {
        at: vec![Output::Watts(20.0), Output::Volts(10.0), Output::Watts(1e3)],
        distortion_limit: 0.10,
        ..amplifier.bench()
    };
    let power = amplifier.ask(&question).expect("it answers");
    assert!(power.greatest > 35.0, "{} W", power.greatest);

    // Each passage is a level that has that distortion, and above and below it the way it says.
    let ways: Vec<bool> = power.passages.iter().map(|at| at.rising).collect();
    assert_eq!(ways, [true, false, true]);
    for at in &power.passages {
        let thd = |drive: f64| question.at_drive(&of, drive).expect("it settles").thd;
        assert!((thd(at.drive) / 0.10 - 1.0).abs() < 1e-3, "{at:?}");
        assert_eq!(thd(1.02 * at.drive) > thd(at.drive), at.rising, "{at:?}");
    }
    // The limit holds up to the last; a search for it alone finds the same.
    let rated = power.rated.expect("it is met");
    assert_eq!(rated.drive.to_bits(), power.passages[2].drive.to_bits());
    let alone = question
        .limit(&of, &|_| ())
        .expect("it answers")
        .expect("it is met");
    assert!((alone.power / rated.power - 1.0).abs() < 1e-3);

    // Outputs asked for, in watts and in volts, and one that it has not.
    let at: Vec<Option<f64>> = power
        .at_output
        .iter()
        .map(|at| at.level.as_ref().map(|level| level.power))
        .collect();
    // 10 V rms across 8 Ω.
    for (watts, wanted) in at.iter().zip([20.0, 12.5]) {
        assert!((watts.expect("it reaches it") / wanted - 1.0).abs() < 1e-3);
    }
    assert_eq!(at[2], None);
}

#[test]
fn crossover_distortion_is_named_where_there_is_some() {
    let cold = pair("40V");
    let power = cold.ask(&cold.bench()).expect("it answers");
    let crossover = power.crossover.expect("it is far too cold");
    let peak = power
        .levels
        .iter()
        .find(|level| level.thd.to_bits() == crossover.distortion.to_bits());
    assert!(peak.is_some() && crossover.falls_to < crossover.distortion);
    // The bias of the valve makers for this anode and screen voltage, −25 V (from memory), and the same more distortion.
    let warm = pair("25V");
    let power = warm.ask(&warm.bench()).expect("it answers");
    assert_eq!(power.crossover, None);
}
