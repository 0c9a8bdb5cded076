//! The power supply of an amplifier against closed forms, textbook rules and independently solved points.
//!
//! C8 and C9 of the circuits are the capacitance of a winding to the core: behind a bridge it floats without.

#![allow(
    clippy::print_stdout,
    reason = "what was compared is of interest when a check fails"
)]

use std::f64::consts::{SQRT_2, TAU};

use checks::examples::Opened;
use measure::at_rest::supply::{Band, CapacitorStress, Condition, Figures, Supply, SupplyOf};
use sim::Tolerances;
use sim::operating_point::operating_point;
use sim::parts::Waveform;
use sim::periodic::{Approach, Settling, settle};

fn answer(opened: &Opened, drive: Option<f64>) -> Supply {
    let mut question = SupplyOf::of(&opened.amplifier).expect("it is on its mains");
    question.drive = drive;
    opened.ask(&question).expect("it settles")
}

fn at(supply: &Supply, in_use: bool, band: Band) -> &Condition {
    let mut conditions = supply.conditions.iter();
    conditions
        .find(|condition| condition.in_use == in_use && condition.band == band)
        .expect("all are asked")
}

fn figures(supply: &Supply, band: Band) -> &Figures {
    let condition = at(supply, true, band);
    condition.figures.as_ref().expect("it settled")
}

fn point(figures: &Figures, node: &str) -> f64 {
    let mut points = figures.points.iter();
    let point = points.find(|point| point.node == node);
    point.expect("a rectifier feeds it").volts
}

fn capacitor<'a>(figures: &'a Figures, part: &str) -> &'a CapacitorStress {
    let mut capacitors = figures.capacitors.iter();
    capacitors
        .find(|capacitor| capacitor.part == part)
        .expect("it is listed")
}

#[track_caller]
fn assert_near(found: f64, wanted: f64, relative: f64) {
    println!("{found} for {wanted}");
    assert!(
        (found / wanted - 1.0).abs() < relative,
        "{found} for {wanted}: {:+.3} %",
        100.0 * (found / wanted - 1.0)
    );
}

/// Two anodes, reservoir, choke, heaters.
const BI_PHASE: &str = r#"
M1 = { mains = "230V", frequency = "50Hz", between = ["l", "chassis"], low = "207V", high = "253V", resistance = "1R" }
T1 = { mains_transformer = "230V", taps = ["230V", "250V"], primary = ["l", "chassis"], primary_resistance = "8R", secondaries = [
  { name = "HT", off_load = "300-0-300V", nodes = ["x", "chassis", "y"], current = "120mA", resistance = "120R" },
  { name = "rectifier", off_load = "5.4V", nodes = ["r1", "r2"], current = "1.9A", resistance = "0.1R" },
] }
V1 = { valve = "GZ34", anodes = ["x", "y"], cathode = "r1", heater = ["r1", "r2"] }
C1 = { electrolytic = "16u", positive = "r1", negative = "chassis", rating = "600V" }
L1 = { choke = "10H", between = ["r1", "ht"], resistance = "300R", saturates = "200mA" }
C2 = { electrolytic = "32u", positive = "ht", negative = "chassis", rating = "500V" }
R1 = { resistor = "4k", between = ["ht", "chassis"] }
"#;

#[test]
fn voltages_and_supply_tell_one_flux_of_the_iron() {
    let opened = Opened::read(
        &checks::examples::text_of_parts(BI_PHASE, ("ht", "100k"), "R1"),
        &[],
    );
    let supply = answer(&opened, None);
    let rest = measure::UnderTest::find(&opened.amplifier, &opened.system).expect("it settles");
    let chart = measure::at_rest::voltages::chart(&rest).expect("a chart");
    let cores = &figures(&supply, Band::Nominal).cores;
    assert_eq!(cores.len(), 2);
    for core in cores {
        let winding = chart
            .windings
            .iter()
            .find(|winding| winding.part == core.part);
        let flux = winding
            .and_then(|winding| winding.flux)
            .expect("it saturates");
        // Peaks read at the samples of a period, of two grids.
        assert!(
            (flux / core.saturation - 1.0).abs() < 1e-3,
            "{}: {flux} {}",
            core.part,
            core.saturation
        );
    }
    // Volts of the mains over those at which the iron saturates, assumed as 1.25 of the tap, less the drop in the
    // primary, which is under a fiftieth.
    let flux = cores
        .iter()
        .find(|core| core.part == "T1")
        .expect("T1")
        .saturation;
    assert!(flux < 0.8 && flux > 0.78, "{flux}");
}

#[test]
fn what_the_mains_gives_is_what_all_parts_take() {
    let supply = answer(&Opened::supply(BI_PHASE, &[]), None);
    for condition in &supply.conditions {
        let plug = &condition.figures.as_ref().expect("it settled").plug;
        // Conservation of energy. Rectangles over 512 samples of a period with four kinks: a thousandth.
        assert_near(plug.power, plug.dissipated, 0.01);
        assert!(plug.apparent > plug.power);
    }
    // By hand for the greater part of it: load, choke, heater and copper.
    let figures = figures(&supply, Band::Nominal);
    let load = point(figures, "ht").powi(2) / 4e3;
    let copper: f64 = figures.windings.iter().map(|winding| winding.loss).sum();
    let heater = &figures.heaters[0];
    let heat = heater.volts.powi(2) / (5.0 / 1.9);
    let plug = figures.plug.power;
    println!("{load} W of load, {copper} W of copper, {heat} W of heater, {plug} W in all");
    // What is left is lost in the rectifier, the core and the leakage: some watts of them.
    let left = plug - load - copper - heat;
    assert!(left > 0.02 * plug && left < 0.2 * plug);
}

#[test]
fn ripple_current_of_a_capacitor_is_that_of_the_closed_form() {
    // A series circuit, V ωC/√(1 + (ωRC)²), beside a rectifier that takes nothing.
    let (r, c) = (470.0, 10e-6);
    let parts = r#"
M1 = { mains = "40V", frequency = "50Hz", between = ["l", "chassis"] }
R1 = { resistor = "470R", between = ["l", "c"] }
C1 = { electrolytic = "10u", positive = "c", negative = "chassis", leakage = "1000M", esr = "{esr}" }
D1 = { diode = "silicon", anode = "l", cathode = "d" }
C2 = { capacitor = "1n", between = ["d", "chassis"] }
R2 = { resistor = "100M", between = ["d", "chassis"] }
"#;
    for (esr, ohms) in [("0R", 0.0), ("47R", 47.0)] {
        let supply = answer(&Opened::supply(&parts.replace("{esr}", esr), &[]), None);
        let omega_c = TAU * 50.0 * c;
        let wanted = 40.0 * omega_c / (1.0 + (omega_c * (r + ohms)).powi(2)).sqrt();
        let figures = figures(&supply, Band::Nominal);
        // The local error of a step, 1e-4.
        assert_near(capacitor(figures, "C1").ripple_amps, wanted, 1e-3);
        // The closed form of its volts, too.
        let volts = wanted * (ohms.powi(2) + omega_c.powi(-2)).sqrt() * SQRT_2;
        assert_near(capacitor(figures, "C1").volts.value, volts, 1e-3);
    }
}

#[test]
fn ripple_current_of_a_reservoir_is_what_its_charge_says() {
    let parts = BI_PHASE.replace("rating = \"600V\"", "rating = \"600V\", esr = \"0R\"");
    let opened = Opened::supply(&parts, &[]);
    let supply = answer(&opened, None);
    let trace = supply.traces.points.iter().find(|t| t.name == "r1");
    let volts = &trace.expect("it is a point").values;
    let step = 0.02 / volts.len() as f64;
    // Independent of currents: the charge that moves from sample to sample.
    let amps = (0..volts.len()).map(|k| {
        let next = volts[(k + 1) % volts.len()];
        16e-6 * (next - volts[k]) / step
    });
    let rms = (amps.map(|amps| amps * amps).sum::<f64>() / volts.len() as f64).sqrt();
    // A mean over 39 µs of a pulse of 3 ms is short by (π 39/3000)²/24 of it; its kinks by less than 1 %.
    let found = capacitor(figures(&supply, Band::Nominal), "C1").ripple_amps;
    assert_near(found, rms, 0.01);
    // And the mean of what comes through the rectifier is what the load takes.
    let nominal = figures(&supply, Band::Nominal);
    let load = point(nominal, "ht") / 4e3;
    // Leakage of the capacitors, 0.2 mA of 90 mA.
    assert_near(nominal.rectifiers[0].direct.value, load, 0.005);
}

#[test]
fn peak_inverse_of_two_anodes_is_twice_the_peak_of_half_the_winding() {
    let supply = answer(
        &Opened::supply(&BI_PHASE.replace("\"4k\"", "\"400k\""), &[]),
        None,
    );
    let figures = figures(&supply, Band::Nominal);
    for anode in &figures.rectifiers[0].anodes {
        // Textbook: 2 √2 U minus the drops, which at a milliampere are a volt or two in all.
        assert_near(anode.inverse.value, 2.0 * SQRT_2 * 300.0, 0.02);
        // R_s + n² (R_p + R_m), by hand; n is 300 V over what is left of 230 V off load.
        let n = 300.0 / 230.0;
        assert_near(
            anode.supply_ohms.expect("a winding"),
            60.0 + n * n * 9.0,
            0.01,
        );
        // The published operation at 300 V (GZ34, 50 Ω).
        assert_near(anode.least_ohms.expect("published"), 50.0, 0.02);
        assert_near(anode.inverse.limit.expect("published"), 1500.0, 1e-9);
    }
}

#[test]
fn volts_of_a_linear_supply_follow_the_mains_and_the_tap() {
    let parts = r#"
M1 = { mains = "230V", frequency = "50Hz", between = ["l", "chassis"], low = "207V", high = "253V" }
T1 = { mains_transformer = "230V", taps = ["230V", "253V"], primary = ["l", "chassis"], magnetising_current = "20mA", core_loss = "100k", saturates = "600V", secondaries = [ { off_load = "300V", nodes = ["x", "y"], current = "200mA", resistance = "20R" } ] }
D1 = { bridge = "silicon", between = ["x", "y"], positive = "ht", negative = "chassis" }
C8 = { capacitor = "100p", between = ["x", "chassis"], esr = "1k" }
C9 = { capacitor = "100p", between = ["y", "chassis"], esr = "1k" }
C1 = { electrolytic = "100u", positive = "ht", negative = "chassis", rating = "600V" }
R1 = { resistor = "10k", between = ["ht", "chassis"] }
"#;
    let supply = answer(&Opened::supply(parts, &[]), None);
    let volts = |band| point(figures(&supply, band), "ht");
    // Two silicon drops of 0.7 V do not follow: 1.4 V of 400 V, a tenth of it, and their logarithm.
    assert_near(volts(Band::High) / volts(Band::Nominal), 1.1, 1e-3);
    assert_near(volts(Band::Low) / volts(Band::Nominal), 0.9, 1e-3);
    let current = |band| figures(&supply, band).plug.current;
    // The load follows; the core's current is small and far from its bend.
    assert_near(current(Band::High) / current(Band::Nominal), 1.1, 0.02);
    // On the tap of 253 V, 253 V give what 230 V give on theirs, but for a primary whose resistance, seen
    // from the secondary, is a tenth less: of a drop of 3 %, half of it there.
    let other = at(&supply, false, Band::High);
    let other = other.figures.as_ref().expect("it settled");
    assert_near(point(other, "ht"), volts(Band::Nominal), 4e-3);
    // And the file with that tap set is the same circuit.
    let set = answer(&Opened::supply(parts, &[("T1", "253V")]), None);
    assert_near(
        point(other, "ht"),
        point(figures(&set, Band::High), "ht"),
        1e-6,
    );
    assert_near(
        other.plug.current,
        figures(&set, Band::High).plug.current,
        1e-6,
    );
}

/// A triode near cut-off, which takes more current the more it is driven, on a bridge.
const DRIVEN: &str = r#"
[amplifier]
title = "Driven stage"
source = "own design, invented for this test"
[parts]
M1 = { mains = "230V", frequency = "50Hz", between = ["l", "chassis"] }
T1 = { mains_transformer = "230V", primary = ["l", "chassis"], secondaries = [ { volts = "200V", nodes = ["x", "y"], current = "60mA" }, { volts = "6.3V", nodes = ["h", "chassis"], current = "0.3A" } ] }
R5 = { resistor = "21R", between = ["h", "chassis"] }
D1 = { bridge = "silicon", between = ["x", "y"], positive = "ht", negative = "chassis" }
C8 = { capacitor = "100p", between = ["x", "chassis"], esr = "1k" }
C9 = { capacitor = "100p", between = ["y", "chassis"], esr = "1k" }
C1 = { electrolytic = "22u", positive = "ht", negative = "chassis", rating = "450V" }
V1 = { valve = "6J5", anode = "a", grid = "g", cathode = "chassis" }
R1 = { resistor = "2k2", between = ["a", "ht"] }
C2 = { capacitor = "1u", between = ["in", "g"] }
R2 = { resistor = "100k", between = ["g", "bias"] }
GB = { supply = "14V", positive = "chassis", negative = "bias" }
R3 = { resistor = "100k", between = ["in", "chassis"] }
C3 = { capacitor = "1u", between = ["a", "out"] }
R4 = { resistor = "100k", between = ["out", "chassis"] }
[bench]
generator = { into = "in", resistance = "600R" }
load = "R4"
"#;

#[test]
fn regulation_is_between_two_points_solved_apart() {
    let opened = Opened::read(DRIVEN, &[]);
    let drive = 12.0;
    let supply = answer(&opened, Some(drive));
    // A winding at the chassis makes no point of the bridge's alternating side.
    assert_eq!(supply.regulation.len(), 1);
    let regulation = &supply.regulation[0];
    assert_eq!(regulation.node, "ht");
    let node = opened.amplifier.circuit.find_node("ht").expect("a node");
    let node = opened.system.voltage_of(node) as usize;
    // By shooting over the common period of 20 ms with twice the steps, from the operating point.
    let volts = |amplitude: f64| {
        let mut ws = opened.system.workspace();
        let generator = opened.amplifier.bench.generator;
        let place = opened.system.sources().position(|part| part == generator);
        ws.waveforms[place.expect("there is one")] = Waveform::Sine {
            amplitude,
            frequency: 1e3,
            phase: 0.0,
            offset: 0.0,
        };
        operating_point(&opened.system, &Tolerances::default(), &mut ws).expect("rest");
        let settling = Settling {
            samples: 4000,
            approach: Approach::Shooting,
            ..Settling::default()
        };
        let period = settle(
            &opened.system,
            0.02,
            &settling,
            &Tolerances::default(),
            &mut ws,
        )
        .expect("a settled period");
        let samples = period.unknown(node as u32);
        samples.iter().sum::<f64>() / samples.len() as f64
    };
    // Means of the same waveform by two grids.
    assert_near(regulation.idle, volts(0.0), 2e-4);
    assert_near(regulation.driven, volts(drive), 2e-4);
    assert!(regulation.change < -0.01, "{}", regulation.change);
    assert_near(
        regulation.change,
        regulation.driven / regulation.idle - 1.0,
        1e-9,
    );
    assert!(supply.full_drive.expect("asked").output.expect("driven") > 0.0);
}

#[test]
fn a_capacitor_and_its_bleeder_discharge_by_the_exponential() {
    let parts = r#"
M1 = { mains = "230V", frequency = "50Hz", between = ["l", "n"] }
T1 = { mains_transformer = "230V", primary = ["l", "n"], secondaries = [ { volts = "300V", nodes = ["x", "y"], current = "60mA" } ] }
D1 = { bridge = "silicon", between = ["x", "y"], positive = "ht", negative = "chassis" }
C8 = { capacitor = "100p", between = ["x", "chassis"], esr = "1k" }
C9 = { capacitor = "100p", between = ["y", "chassis"], esr = "1k" }
C1 = { capacitor = "47u", between = ["ht", "chassis"], rating = "450V" }
R1 = { resistor = "{bleeder}", between = ["ht", "chassis"] }
"#;
    let supply = answer(
        &Opened::supply(&parts.replace("{bleeder}", "100k"), &[]),
        None,
    );
    let capacitor = &supply.discharge[0];
    // t = RC ln(V/50 V); the silicon leaks a picoampere.
    let wanted = 4.7 * (capacitor.volts / 50.0).ln();
    assert_near(capacitor.cold.expect("it discharges"), wanted, 0.01);
    assert_near(capacitor.hot.expect("it discharges"), wanted, 0.01);
    assert!(capacitor.cold_left.is_none());

    // 2350 s: by the same law 50 V are not reached, and so much is left.
    let supply = answer(
        &Opened::supply(&parts.replace("{bleeder}", "50M"), &[]),
        None,
    );
    let capacitor = &supply.discharge[0];
    assert!(capacitor.cold.is_none());
    let left = capacitor.volts * (-1800.0_f64 / 2350.0).exp();
    assert_near(capacitor.cold_left.expect("it is followed"), left, 0.01);
}

#[test]
fn only_hot_valves_discharge_a_supply_without_bleeder() {
    let text = DRIVEN.replace("\"14V\"", "\"4V\"");
    let supply = answer(&Opened::read(&text, &[]), None);
    let capacitor = supply.discharge.iter().find(|c| c.part == "C1");
    let capacitor = capacitor.expect("it is charged");
    let (hot, cold) = (capacitor.hot.expect("it conducts"), capacitor.cold);
    println!("{hot} s hot, {cold:?} s cold");
    assert!(hot < 5.0);
    // What it leaks is not to be relied on, and nothing else discharges it.
    assert!(cold.is_none());
    assert!(capacitor.cold_left.expect("it is followed") > 0.9 * capacitor.volts);
}

/// Two electrolytics across 540 V, the lower leaking ten times as much.
const PAIR: &str = r#"
M1 = { mains = "383V", frequency = "50Hz", between = ["x", "y"] }
D1 = { bridge = "silicon", between = ["x", "y"], positive = "ht", negative = "chassis" }
C8 = { capacitor = "100p", between = ["x", "chassis"], esr = "1k" }
C9 = { capacitor = "100p", between = ["y", "chassis"], esr = "1k" }
C1 = { electrolytic = "100u", positive = "ht", negative = "mid", rating = "350V", leakage = "2M" }
C2 = { electrolytic = "100u", positive = "mid", negative = "chassis", rating = "350V", leakage = "200k" }
R9 = { resistor = "100k", between = ["ht", "chassis"] }
"#;

const SHARING: &str = r#"
R1 = { resistor = "22k", between = ["ht", "mid"], rating = "5W" }
R2 = { resistor = "22k", between = ["mid", "chassis"], rating = "5W" }
"#;

#[test]
fn capacitors_in_series_share_by_their_resistors_or_by_their_leakage() {
    let parallel = |a: f64, b: f64| a * b / (a + b);
    let with = answer(&Opened::supply(&format!("{PAIR}{SHARING}"), &[]), None);
    let figures_with = figures(&with, Band::Nominal);
    let pair = &figures_with.pairs[0];
    assert_eq!(pair.parts, ["C1", "C2"]);
    assert_near(pair.across, 540.0, 0.01);
    // The divider of both sides, closed form.
    let (upper, lower) = (parallel(22e3, 2e6), parallel(22e3, 200e3));
    assert_near(pair.share, upper / (upper + lower), 2e-3);
    // V²/R by the same divider: 3 W each and more, "several watts" (common practice, no source).
    for (resistor, share) in pair.resistors.iter().zip([pair.share, 1.0 - pair.share]) {
        let wanted = (share * pair.across).powi(2) / 22e3;
        assert_near(resistor.power.value, wanted, 2e-3);
        assert!(resistor.power.value > 2.5 && resistor.power.value < 5.0);
    }
    assert!(!capacitor(figures_with, "C1").volts.is_over());
    // The middle is no point of the supply.
    assert_eq!(figures_with.points.len(), 1);

    let without = answer(&Opened::supply(PAIR, &[]), None);
    let figures = figures(&without, Band::Nominal);
    let pair = &figures.pairs[0];
    assert!(pair.resistors.is_empty());
    assert_near(pair.share, 2e6 / 2.2e6, 2e-3);
    assert!(capacitor(figures, "C1").volts.is_over());
}

#[test]
fn threads_change_nothing() {
    let opened = Opened::supply(BI_PHASE, &[]);
    let with = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
        let supply = pool.expect("threads").install(|| answer(&opened, None));
        serde_json::to_string(&supply).expect("JSON")
    };
    // Of a difference the place says little, and the text is long.
    assert!(with(1) == with(3));
}

#[test]
fn ripple_from_peak_to_peak_is_the_highest_less_the_lowest() {
    // Pulses of charge on a slow decay: the peak stands further from the mean than the valley does.
    let opened = Opened::supply(&BI_PHASE.replace("\"16u\"", "\"2u\""), &[]);
    let supply = answer(&opened, None);
    let trace = supply.traces.points.iter().find(|t| t.name == "r1");
    let volts = &trace.expect("it is a point").values;
    let most = volts.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let least = volts.iter().copied().fold(f64::INFINITY, f64::min);
    let mean = volts.iter().sum::<f64>() / volts.len() as f64;
    assert!(
        (most - mean) / (mean - least) < 0.9 || (most - mean) / (mean - least) > 1.1,
        "it tells nothing: {least} {mean} {most}"
    );
    let figures = figures(&supply, Band::Nominal);
    let point = figures.points.iter().find(|point| point.node == "r1");
    // The same samples of one period.
    assert_near(
        point.expect("it is a point").ripple_peak_to_peak,
        most - least,
        1e-9,
    );
}
