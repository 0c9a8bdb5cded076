//! What the supplies and the generator give is what the load and every loss take.

use checks::examples::{EXAMPLES, Opened};
use measure::instruments::power_balance::PowerBalance;
use sim::Tolerances;
use sim::parts::Part;
use sim::periodic::{Period, Settling};

/// A transformer amplifier closes its account within a tenth of a per cent over a settled cycle: the
/// claim of the README. What remains is the error of the method, which neither makes nor loses
/// more than its local error, −100 dB of a signal.
const CLOSED: f64 = 1e-3;

/// Mean of v²/R over the period in the load of the bench, W.
fn into_load(opened: &Opened, period: &Period) -> f64 {
    let Part::Resistor(load) = opened
        .amplifier
        .circuit
        .part(opened.amplifier.bench.load)
        .part
    else {
        panic!("the load is a resistor");
    };
    let (a, b) = opened.load();
    let mean = |values: Vec<f64>| values.iter().sum::<f64>() / values.len() as f64;
    mean(period.of(|x| (x[a] - x[b]).powi(2) / load.r))
}

#[test]
fn a_settled_cycle_gives_what_it_takes() {
    for example in EXAMPLES {
        let opened = example.open(&[]);
        let mut ws = opened
            .driven(example.half_power)
            .expect("an operating point");
        let period = opened
            .settle(&Settling::default(), &mut ws)
            .expect("a settled cycle");
        let balance = PowerBalance::of(&opened.system, &period);
        let difference = balance.given / balance.taken() - 1.0;
        println!(
            "{}: {balance:?}, given/taken − 1 = {difference:.1e}",
            example.name
        );
        assert!(difference.abs() < CLOSED, "{}: {balance:?}", example.name);

        // Every share is there: an account of zeros would close as well.
        let load = into_load(&opened, &period);
        assert!(balance.resistors > load, "{}: {balance:?}", example.name);
        for share in [balance.devices, balance.windings, balance.cores] {
            assert!(share > 0.0, "{}: {balance:?}", example.name);
        }

        // The load's share is the figure of the power report. One thing computed twice, from the
        // spectrum without mean value and from the samples: the secondary passes no direct current, so
        // only the mean left by a cycle settled to 1e-6 separates them.
        let level = opened
            .bench()
            .at_drive(
                &opened.amplifier.circuit,
                &opened.system,
                &Tolerances::default(),
                example.half_power,
            )
            .expect("a level");
        println!("  load {load:.6} W, reported {:.6} W", level.power);
        assert!(
            (load / level.power - 1.0).abs() < 1e-5,
            "{load} W, reported {} W",
            level.power
        );
    }
}

/// Parts that store, and so might be forgotten among those that take: series resistance inside a
/// capacitor, a loudspeaker, a switch, a pot, a choke without saturation but with core loss, hysteresis.
const LOSSES: &str = r#"
[amplifier]
title  = "Every loss at once"
source = "made up for this check"

[parts]
VR1 = { pot = "100R", ends = ["in", "chassis"], wiper = "w", law = "linear", setting = "70%" }
S1  = { switch = "near", common = "w", positions = { near = "s", far = "open" } }
R1  = { resistor = "1k", between = ["open", "chassis"] }
C1  = { electrolytic = "100u", positive = "s", negative = "p", esr = "20R", leakage = "1mA", rating = "25V" }
L1  = { choke = "50mH", between = ["p", "q"], resistance = "5R" }
T1  = { transformer = "500R : 8R", primary = ["q", "chassis"], secondary = ["out", "chassis"], primary_resistance = "10R", secondary_resistance = "0.5R", primary_inductance = "1H", leakage_inductance = "5mH", saturates = "1W at 50Hz", core_loss = "2k", hysteresis = "0.5mA" }
LS1 = { loudspeaker = "8R", between = ["out", "chassis"], re = "6R5", le = "0.5mH", fs = "60Hz", qms = "4", qes = "0.5" }

[bench]
generator = { into = "in", resistance = "10R" }
load      = "LS1"
frequency = "60Hz"
"#;

#[test]
fn no_loss_is_forgotten() {
    let opened = Opened::read(LOSSES, &[]);
    let mut ws = opened.driven(10.0).expect("an operating point");
    let period = opened
        .settle(&Settling::default(), &mut ws)
        .expect("a settled cycle");
    let balance = PowerBalance::of(&opened.system, &period);
    let difference = balance.given / balance.taken() - 1.0;
    println!("{balance:?}, given/taken − 1 = {difference:.1e}");
    assert!(difference.abs() < CLOSED, "{balance:?}");
    assert!(balance.cores > 0.0 && balance.windings > 0.0, "{balance:?}");
}
