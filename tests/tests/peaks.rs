//! `measure::instruments::peak` and `sim::structure::live`: the greatest volts anywhere, and the mains at the chassis.

use checks::examples::{Opened, text_of_parts};
use measure::at_rest::switch_on::SwitchOnOf;
use measure::at_rest::voltages::chart;
use measure::driven::playback::PlaybackOf;
use measure::driven::power::PowerOf;
use measure::instruments::load_condition::hangs_on_a_transformer;
use measure::{Measurement, UnderTest};
use sim::structure::live;

/// A centre-tapped winding of 600 V off load, and nothing that loads it.
const WINDING: &str = r#"
M1 = { mains = "230V", frequency = "50Hz", between = ["l", "n"] }
T1 = { transformer = "230V : 600V", primary = ["l", "n"], secondary = ["x", "chassis", "y"], primary_inductance = "100H", primary_resistance = "1mR", secondary_resistance = "1mR", leakage_inductance = "0H", capacitance = "0F", saturates = "1A" }
R1 = { resistor = "10M", between = ["x", "chassis"] }
R2 = { resistor = "10M", between = ["y", "chassis"] }
R3 = { resistor = "10M", between = ["g", "chassis"] }
"#;

/// A set without a transformer: heaters in series across the mains, one end of which is the chassis behind a switch.
const SERIES_HEATERS: &str = r#"
M1 = { mains = "117V", frequency = "60Hz", between = ["l", "n"] }
S1 = { switch = "on", common = "n", positions = { on = "chassis", off = [] } }
R1 = { resistor = "560R", between = ["l", "h1"], rating = "25W" }
V1 = { valve = "12AX7", anode = "a1", grid = "g1", cathode = "k1", heater = ["h1", "chassis"] }
D1 = { diode = "silicon", anode = "l", cathode = "ht" }
C1 = { electrolytic = "47u", positive = "ht", negative = "chassis", rating = "200V" }
R2 = { resistor = "100k", between = ["a1", "ht"] }
R3 = { resistor = "1k5", between = ["k1", "chassis"] }
R4 = { resistor = "1M", between = ["g1", "chassis"] }
C2 = { capacitor = "22n", between = ["a1", "out"] }
R5 = { resistor = "470k", between = ["out", "chassis"] }
"#;

fn opened(parts: &str, into: &str, load: &str) -> Opened {
    Opened::read(&text_of_parts(parts, (into, "600R"), load), &[])
}

#[test]
fn the_ends_of_a_centre_tapped_winding_are_the_greatest_volts() {
    let of = opened(WINDING, "g", "R3");
    let rest = UnderTest::find(&of.amplifier, &of.system).expect("it settles");
    let peak = chart(&rest)
        .expect("a chart")
        .peak
        .expect("there are nodes");
    assert_eq!((peak.from.as_str(), peak.to.as_str()), ("x", "y"));
    // 600·√2 V, read at the samples of a period: one of 256 misses the crest by 1 - cos(π/256) at most.
    let exact = 600.0 * std::f64::consts::SQRT_2;
    assert!(
        (peak.volts / exact - 1.0).abs() < 1e-4,
        "{} {exact}",
        peak.volts
    );
}

#[test]
fn a_driven_output_stage_has_its_peak_at_an_anode_and_above_the_supply() {
    let example = checks::examples::EXAMPLES[0];
    let of = Opened::read(&example.text(), &[]);
    let question = PowerOf::bench(&of.amplifier.bench);
    let rest = UnderTest::find(&of.amplifier, &of.system).expect("it rests");
    let still = chart(&rest).expect("a chart").peak.expect("nodes").volts;
    let level = question
        .at_drive(&rest, example.overdrive)
        .expect("it settles");
    let peak = level.peak.expect("nodes");
    let anode = level
        .valves
        .iter()
        .find(|valve| valve.part == "V2")
        .expect("V2");
    // Farthest apart are anode and grid, by the anode's volts and the grid's below the cathode: two biases at most.
    assert_eq!((peak.from.as_str(), peak.to.as_str()), ("a2", "g2"));
    let beyond = peak.volts - anode.v_ak_most;
    assert!(beyond > 0.0 && beyond < 60.0, "{beyond}");
    assert!(peak.volts > 1.2 * still, "{} {still}", peak.volts);
    assert!(hangs_on_a_transformer(
        &of.amplifier.circuit,
        of.amplifier.bench.load
    ));
}

#[test]
fn a_chassis_is_live_where_the_mains_reaches_it_and_not_behind_a_transformer() {
    let names = |of: &Opened| -> Option<Vec<String>> {
        let through = live::through(&of.amplifier)?;
        let name = |part: &sim::PartId| of.amplifier.circuit.part(*part).name.clone();
        Some(through.iter().map(name).collect())
    };
    assert_eq!(names(&opened(WINDING, "g", "R3")), None);
    let set = opened(SERIES_HEATERS, "g1", "R5");
    assert_eq!(names(&set), Some(vec!["S1".to_owned()]));
    assert!(!hangs_on_a_transformer(
        &set.amplifier.circuit,
        set.amplifier.bench.load
    ));
    // An open switch is closed by whoever turns it on.
    let off = SERIES_HEATERS.replace(r#"switch = "on""#, r#"switch = "off""#);
    assert_eq!(
        names(&opened(&off, "g1", "R5")),
        Some(vec!["S1".to_owned()])
    );
    // With the heater string alone on the way.
    let string =
        SERIES_HEATERS.replace("positions = { on = \"chassis\"", "positions = { on = \"q\"");
    let string = format!("{string}R6 = {{ resistor = \"1k\", between = [\"q\", \"l\"] }}\n");
    assert_eq!(
        names(&opened(&string, "g1", "R5")),
        Some(vec!["R1".to_owned(), "V1".to_owned()])
    );
    // A transformer with a megohm across it: 0.2 mA is no shock; with a tenth of it it is.
    let leak = |ohms: &str| {
        format!("{WINDING}R9 = {{ resistor = \"{ohms}\", between = [\"l\", \"chassis\"] }}\n")
    };
    assert_eq!(names(&opened(&leak("1M"), "g", "R3")), None);
    assert_eq!(
        names(&opened(&leak("100k"), "g", "R3")),
        Some(vec!["R9".to_owned()])
    );
    // One end of the mains drawn as the chassis.
    let direct = WINDING.replace(r#""n""#, r#""chassis""#);
    assert_eq!(names(&opened(&direct, "g", "R3")), Some(Vec::new()));
}

#[test]
fn what_is_played_has_its_own_peak() {
    let example = checks::examples::EXAMPLES[0];
    let of = Opened::read(&example.text(), &[]);
    let rest = UnderTest::find(&of.amplifier, &of.system).expect("it rests");
    let still = chart(&rest).expect("a chart").peak.expect("nodes");
    let played = |drive: f64| {
        let rate = 96e3;
        let mut player = PlaybackOf::at(rate).player(&rest).expect("a generator");
        let turn = |k: u32| std::f64::consts::TAU * 1e3 * f64::from(k) / rate;
        let input: Vec<f64> = (0..4800).map(|k| drive * turn(k).sin()).collect();
        player
            .play(&input, &mut vec![0.0; input.len()])
            .expect("it plays");
        player.meters().peak.expect("nodes")
    };
    let silent = played(0.0);
    assert!(
        (silent.volts / still.volts - 1.0).abs() < 1e-6,
        "{silent:?}"
    );
    // As the level of a settled period at that drive has it: the first cycles may go a little further.
    let question = PowerOf::bench(&of.amplifier.bench);
    let level = question
        .at_drive(&rest, example.overdrive)
        .expect("it settles");
    let settled = level.peak.expect("nodes");
    let loud = played(example.overdrive);
    assert_eq!(loud.from, settled.from);
    assert!(loud.volts > 0.95 * settled.volts, "{loud:?} {settled:?}");
}

#[test]
fn switching_on_goes_beyond_rest() {
    // Hot rectifiers charge empty capacitors with no valve to draw from them: the rails stand at the crest for a while.
    let path = checks::source::root().join("examples/04_hall_2a3_on_its_mains/amplifier.toml");
    let text = std::fs::read_to_string(path).expect("an example");
    let of = Opened::read(&text, &[]);
    let rest = UnderTest::find(&of.amplifier, &of.system).expect("it rests");
    let still = chart(&rest).expect("a chart").peak.expect("nodes");
    let question = SwitchOnOf {
        hot: false,
        mains: of.amplifier.mains.map(|mains| mains.part),
    };
    let answer = question.ask(&rest, &|_| ()).expect("it comes to rest");
    let peak = answer.peak.expect("nodes");
    assert!(peak.volts >= 0.99 * still.volts, "{peak:?} {still:?}");
    let capacitors = answer.capacitors.iter().map(|of| of.peak.value);
    assert!(peak.volts >= capacitors.fold(0.0, f64::max));
}
