//! Filaments and heaters as circuit: hum, its null, its cancelling in push-pull, the shift of the bias, and
//! the currents and volts of heaters.
//!
//! The effect and its name are Kimmell's (Proc. IRE 16 (1928) 1089, from memory). The closed form is our
//! own second-order average of a current F(v_g + v_a/mu) over a filament of V_f:
//!
//! ```text
//! mean shift, as a grid voltage             e_0 = (I''/I') (1 + 1/mu)² V_f² / 24
//! hum at twice the mains, as grid volts rms e_2 = e_0 / √2
//! ```
//!
//! with V_f rms and I a function of the grid voltage. For the 3/2 law I''/I' = 1/(2v), v = v_g + v_a/mu.
//!
//! Over 400 lines because each check brings its circuit.

#![allow(
    clippy::print_stdout,
    reason = "what was compared is of interest when a check fails"
)]

use checks::examples::{Opened, text_of_parts};
use measure::at_rest::voltages::VoltagesOf;
use measure::instruments::heater::heaters;
use measure::instruments::valve::ValveProbe;
use models::data::ValveModel;
use models::grid_current::GridCurrent;
use models::library;
use models::triode::{Triode, TriodeParameters};
use sim::System;
use sim::Tolerances;
use sim::operating_point::operating_point;
use sim::parts::Part;
use sim::periodic::{Period, Settling, settle};
use sim::spectrum::Spectrum;

/// The mains, s.
const MAINS: f64 = 0.02;

/// A 2A3 with fixed bias and a resistive load, its filament on `heating`; the cathode's node is the chassis.
fn stage(heating: &str) -> String {
    format!(
        r#"
        [amplifier]
        title = "One 2A3"
        source = "own design, invented for this test"
        [parts]
        V1 = {{ valve = "2A3", anode = "a", grid = "g", filament = ["f1", "f2"] }}
        RL = {{ resistor = "800R", between = ["a", "ht"] }}
        HT = {{ supply = "298V", positive = "ht", negative = "chassis" }}
        VB = {{ supply = "45V", positive = "chassis", negative = "bias" }}
        {heating}
        [bench]
        generator = {{ into = "g", return = "bias", resistance = "600R" }}
        load = "RL"
        "#
    )
}

/// Heating by so many volts rms of mains, the centre of two resistors at the chassis.
fn balanced(volts: f64) -> String {
    format!(
        r#"
        F1 = {{ ac_supply = "{volts}V", frequency = "50Hz", between = ["f1", "f2"] }}
        R1 = {{ resistor = "10R", between = ["f1", "chassis"] }}
        R2 = {{ resistor = "10R", between = ["chassis", "f2"] }}
        "#
    )
}

/// A settled period of the mains with no signal.
fn mains(opened: &Opened) -> Period {
    let mut ws = opened.driven(0.0).expect("a start");
    let (settling, tolerances) = (Settling::default(), Tolerances::default());
    settle(&opened.system, MAINS, &settling, &tolerances, &mut ws).expect("a settled period")
}

/// Of the load's volts over a period: mean, and rms at the mains and at twice the mains.
fn hum(opened: &Opened) -> (f64, f64, f64) {
    let (a, b) = opened.load();
    let volts = mains(opened).of(|x| x[a] - x[b]);
    let mean = volts.iter().sum::<f64>() / volts.len() as f64;
    let spectrum = Spectrum::of_period(&volts);
    let rms =
        |number: usize| spectrum.harmonics[number - 1].amplitude * std::f64::consts::FRAC_1_SQRT_2;
    (mean, rms(1), rms(2))
}

/// The load's volts at rest.
fn at_rest(opened: &Opened) -> f64 {
    let ws = opened.driven(0.0).expect("an operating point");
    let (a, b) = opened.load();
    ws.x[a] - ws.x[b]
}

/// The first valve's probe and its electrodes at rest.
fn probed(opened: &Opened) -> measure::instruments::valve::Electrodes {
    let ws = opened.driven(0.0).expect("an operating point");
    ValveProbe::all(&opened.amplifier.circuit, &opened.system)[0].at(&ws.x)
}

/// The stage with another law in its valve.
fn with_law(text: &str, law: Option<Triode>, set: &[(&str, &str)]) -> Opened {
    let mut opened = Opened::read(text, set);
    if let Some(triode) = law {
        let circuit = &mut opened.amplifier.circuit;
        let id = circuit.find_part("V1").expect("the valve");
        if let Part::Valve(valve) = &mut circuit.part_mut(id).part {
            valve.kind.model = ValveModel::Triode(triode);
        }
        opened.system = System::of(circuit).expect("a circuit without faults");
    }
    opened
}

/// (I''/I', mu) by differences of the law over a quarter of a volt, at the operating point.
fn bend(triode: &Triode, v_ak: f64, v_gk: f64) -> (f64, f64) {
    let h = 0.25;
    let i = |v_a: f64, v_g: f64| triode.currents(v_a, v_g).anode;
    let (below, at, above) = (i(v_ak, v_gk - h), i(v_ak, v_gk), i(v_ak, v_gk + h));
    let by_grid = (above - below) / (2.0 * h);
    let by_anode = (i(v_ak + h, v_gk) - i(v_ak - h, v_gk)) / (2.0 * h);
    (
        (above - 2.0 * at + below) / (h * h) / by_grid,
        by_grid / by_anode,
    )
}

/// What the stage brings over the closed form: (mean shift, hum at twice the mains), ratios.
fn against_closed_form(law: Option<Triode>, volts: f64) -> (f64, f64) {
    let text = stage(&balanced(volts));
    let opened = with_law(&text, law, &[]);
    let cold = at_rest(&opened);
    // Volts of the load for a volt on the grid, by two points.
    let step = 0.02;
    let less = at_rest(&with_law(&text, law, &[("VB", "45.01V")]));
    let more = at_rest(&with_law(&text, law, &[("VB", "44.99V")]));
    let gain = (more - less) / step;
    let (mean, _, twice) = hum(&opened);
    let triode = law.unwrap_or_else(|| {
        let ValveModel::Triode(triode) = library::find("2A3").expect("a 2A3").model else {
            panic!("a 2A3 is a triode")
        };
        triode
    });
    let rest = probed(&opened);
    let (ratio, mu) = bend(&triode, rest.v_ak, rest.v_gk);
    let shift = ratio * (1.0 + 1.0 / mu).powi(2) * volts * volts / 24.0;
    let found = (
        (mean - cold) / gain / shift,
        twice / gain.abs() / (shift / 2.0_f64.sqrt()),
    );
    println!(
        "{volts} V rms: hum {:.3e} V at the grid, closed form {:.3e}, ratios {found:?}; mu {mu:.2}",
        twice / gain.abs(),
        shift / 2.0_f64.sqrt(),
    );
    found
}

/// The 3/2 law of an even grid, as good as: a hinge sharp beside a volt and no corner at low anode volts.
fn three_halves() -> Triode {
    let parameters = TriodeParameters {
        mu: 4.2,
        x: 1.5,
        kg: 900.0,
        kp: 2000.0,
        kvb: 1e-3,
        vct: 0.0,
    };
    Triode::new(parameters, GridCurrent::none())
}

#[test]
fn hum_and_shift_of_the_three_halves_law_are_the_closed_form() {
    // The closed form is exact in the limit of small filament volts; 0.5 V leave (V_f/v)² = 0.002 of v = 15 V.
    let (shift, twice) = against_closed_form(Some(three_halves()), 0.5);
    assert!((shift - 1.0).abs() < 0.02 && (twice - 1.0).abs() < 0.02);
    // And with the whole 2.5 V it is still hum of that size.
    let (shift, twice) = against_closed_form(Some(three_halves()), 2.5);
    assert!((shift - 1.0).abs() < 0.05 && (twice - 1.0).abs() < 0.05);
}

#[test]
fn hum_of_a_2a3_is_near_the_closed_form() {
    // The closed form takes one mu for the whole grid. The law of the 2A3 has a mu that falls towards
    // cut-off, which makes its bend along the filament 2 to 5 % less than the formula's at -30 to -60 V.
    for volts in [0.5, 2.5] {
        let (shift, twice) = against_closed_form(None, volts);
        assert!((shift - 1.0).abs() < 0.06 && (twice - 1.0).abs() < 0.06);
    }
}

#[test]
fn a_balanced_filament_hums_at_twice_the_mains_only() {
    let (_, once, twice) = hum(&Opened::read(&stage(&balanced(2.5)), &[]));
    println!("balanced: {once:.2e} V at 50 Hz, {twice:.3e} V at 100 Hz");
    assert!(twice > 0.01);
    // Odd harmonics vanish by symmetry; what is left is the solver's 1e-6 of the swing.
    assert!(once < 1e-4 * twice);
    // One end at the chassis: half of 2.5 V, amplified like (1 + 1/mu) of it at the grid.
    let end = stage(&balanced(2.5)).replace(
        r#"R1 = { resistor = "10R", between = ["f1", "chassis"] }"#,
        r#"R1 = { resistor = "0.01R", between = ["f1", "chassis"] }"#,
    );
    let (_, once, _) = hum(&Opened::read(&end, &[]));
    assert!(once > 1.0, "{once}");
}

#[test]
fn the_hum_pot_nulls_at_the_electrical_centre() {
    // A lead of 0.1 Ω to one end of the 1 Ω filament: its middle is 0.5 of 1.1 Ω from the other end.
    let text = stage(
        r#"
        F1 = { ac_supply = "2.75V", frequency = "50Hz", between = ["x", "f2"] }
        R1 = { resistor = "0.1R", between = ["x", "f1"] }
        VR1 = { pot = "100R", ends = ["x", "f2"], wiper = "chassis", law = "linear", setting = "50%" }
        "#,
    );
    let at = |setting: f64| {
        let setting = format!("{}%", 100.0 * setting);
        let (_, once, twice) = hum(&Opened::read(&text, &[("VR1", &setting)]));
        (once, twice)
    };
    let ends = [at(0.0).0, at(1.0).0];
    // Away from the null the hum is a straight line in the setting, of either sign: the null is where
    // the lines through two points on either side cross zero.
    let (low, high) = (at(0.35).0, at(0.55).0);
    let null = 0.35 + 0.2 * low / (low + high);
    let setting_of_null = 0.5 / 1.1;
    let (once, twice) = at(setting_of_null);
    println!("ends {ends:?} V, null at {null:.4}, {once:.1e} V there, 100 Hz {twice:.3e} V");
    // The lines bend a little, by the second order of a volt in fifteen.
    assert!((null - setting_of_null).abs() < 5e-3, "{null}");
    // Least of a sweep in hundredths of the track, and 40 dB below either end.
    let least = (40..=50)
        .map(|percent| f64::from(percent) / 100.0)
        .min_by(|a, b| at(*a).0.total_cmp(&at(*b).0));
    assert!((least.expect("a sweep") - setting_of_null).abs() < 0.01);
    assert!(ends.iter().all(|end| once < 0.01 * end));
    assert!(twice > 0.01, "what no pot nulls");
}

/// Two 2A3 in push-pull, filaments on one AC winding with a centre tap, the bias under it.
fn push_pull(second: &str) -> String {
    let parts = format!(
        r#"
        V1 = {{ valve = "2A3", anode = "a1", grid = "g", filament = ["f1", "f2"] }}
        V2 = {{ valve = "2A3", anode = "a2", grid = "{second}", filament = ["f1", "f2"] }}
        R3 = {{ resistor = "100k", between = ["g", "chassis"] }}
        R4 = {{ resistor = "100k", between = ["h", "low"] }}
        R5 = {{ resistor = "1M", between = ["h", "chassis"] }}
        VL = {{ supply = "20V", positive = "chassis", negative = "low" }}
        T1 = {{ transformer = "5k : 8R", primary = ["a1", "ht", "a2"], secondary = ["out", "chassis"], primary_inductance = "40H", primary_resistance = "200R", secondary_resistance = "0.4R", leakage_inductance = "20mH" }}
        HT = {{ supply = "300V", positive = "ht", negative = "chassis" }}
        T2 = {{ transformer = [ {{ nodes = ["m", "chassis"], turns = "1000", resistance = "10R" }}, {{ nodes = ["f1", "ct", "f2"], turns = "11", resistance = "0.02R" }} ], primary_inductance = "20H", primary_impedance = "1k" }}
        W1 = {{ ac_supply = "230V", frequency = "50Hz", between = ["m", "chassis"] }}
        R1 = {{ resistor = "390R", between = ["ct", "chassis"], rating = "5W" }}
        RL = {{ resistor = "8R", between = ["out", "chassis"] }}
        "#
    );
    text_of_parts(&parts, ("g", "600R"), "RL")
}

#[test]
fn push_pull_cancels_the_hum_of_matched_valves() {
    let (_, _, matched) = hum(&Opened::read(&push_pull("g"), &[]));
    // Unlike valves, by 18 V more bias on one, leave the difference of their hums.
    let (_, _, unlike) = hum(&Opened::read(&push_pull("h"), &[]));
    println!("100 Hz at the load: matched {matched:.1e} V, unlike {unlike:.3e} V");
    assert!(unlike > 1e-3);
    // Cancelling is exact but for the solver's 1e-6 of the swing of the anodes' hum.
    assert!(matched < 1e-3 * unlike);
}

#[test]
fn moving_the_return_to_an_end_is_half_the_filament_volts() {
    // The filament on a battery, its middle or its negative end at the chassis.
    let text = |upper: f64, lower: f64| {
        stage(&format!(
            r#"
            B1 = {{ supply = "{upper}V", positive = "f1", negative = "chassis" }}
            B2 = {{ supply = "{lower}V", positive = "chassis", negative = "f2" }}
            "#
        ))
    };
    let current =
        |text: &str, set: &[(&str, &str)]| probed(&Opened::read(text, set)).currents.anode;
    let (middle, end) = (text(1.25, 1.25), text(2.5, 0.0));
    let centred = current(&middle, &[]);
    let moved = current(&end, &[]);
    // Grid and anode now stand 1.25 V lower against the middle of the filament: the same as 1.25 V more
    // bias and 1.25 V less HT.
    let shifted = current(&middle, &[("VB", "46.25V"), ("HT", "296.75V")]);
    println!("centre {centred:.6} A, end {moved:.6} A, shifted supplies {shifted:.6} A");
    // Newton's tolerance of a nanoampere; 60 mA stand at the anode.
    assert!((moved - shifted).abs() < 1e-8);
    assert!((moved / centred - 1.0).abs() > 0.05);
    // To the other end it is as much the other way.
    let other = current(&text(0.0, 2.5), &[]);
    assert!(other > centred && moved < centred);
    // The filament is even: about its middle the battery may stand either way round.
    let turned = middle.replace(r#"["f1", "f2"]"#, r#"["f2", "f1"]"#);
    assert!((current(&turned, &[]) - centred).abs() < 1e-8);
    // With volts, a filament passes a little more than a cathode at its middle.
    let cathode = middle.replace(r#"filament = ["f1", "f2"]"#, r#"cathode = "chassis""#);
    let cathode = cathode
        .lines()
        .filter(|line| !line.contains("B1 =") && !line.contains("B2 ="));
    let plain = current(&cathode.collect::<Vec<_>>().join("\n"), &[]);
    assert!(
        centred > plain && centred < 1.01 * plain,
        "{centred} {plain}"
    );
}

#[test]
fn a_filament_takes_its_rated_current() {
    // Ohm's law on the rating of the valve file: 2.5 A at 2.5 V through 0.1 Ω of leads.
    let text = stage(
        r#"
        B1 = { supply = "2.75V", positive = "x", negative = "chassis", resistance = "0.1R" }
        R1 = { resistor = "0.001R", between = ["x", "f1"] }
        R2 = { resistor = "0.001R", between = ["f2", "chassis"] }
        "#,
    );
    let opened = Opened::read(&text, &[]);
    let chart = opened.ask(&VoltagesOf).expect("a chart");
    let heater = &chart.heaters[0];
    println!("{heater:?}");
    // The anode current of 60 mA shares the filament: 1 % of its volts.
    assert!((heater.volts - 2.5).abs() < 0.03 && heater.filament && !heater.off);
    let supply = chart
        .supplies
        .iter()
        .find(|supply| supply.part == "B1")
        .expect("listed");
    assert!((supply.current - 2.5).abs() < 0.04);
}

/// A double triode with its heater drawn on one line, the heater raised above the cathodes.
const HEATED: &str = r#"
    [amplifier]
    title = "Heated"
    source = "own design, invented for this test"
    [parts]
    V1a = { valve = "ECC83", envelope = "V1", anode = "a", grid = "g", cathode = "k", heater = ["h1", "h2", "h1"], heater_leakage = "20M", heater_capacitance = "5p" }
    V1b = { valve = "ECC83", envelope = "V1", anode = "ht", grid = "a", cathode = "k2" }
    R1 = { resistor = "100k", between = ["a", "ht"] }
    R2 = { resistor = "1k5", between = ["k", "chassis"] }
    R3 = { resistor = "100k", between = ["k2", "chassis"] }
    R4 = { resistor = "1M", between = ["g", "chassis"] }
    HT = { supply = "250V", positive = "ht", negative = "chassis" }
    H1 = { ac_supply = "6.3V", frequency = "50Hz", between = ["h1", "h2"] }
    R5 = { resistor = "100R", between = ["h1", "up"] }
    R6 = { resistor = "100R", between = ["h2", "up"] }
    VU = { supply = "40V", positive = "up", negative = "chassis" }
    [bench]
    generator = { into = "g", resistance = "600R" }
    load = "R3"
"#;

#[test]
fn a_heater_warms_all_sections_of_its_envelope() {
    let opened = Opened::read(HEATED, &[]);
    let period = mains(&opened);
    let samples: Vec<&[f64]> = period.samples.iter().map(Vec::as_slice).collect();
    let (circuit, system) = (&opened.amplifier.circuit, &opened.system);
    let found = heaters(circuit, system, &samples);
    assert_eq!(found.len(), 1);
    let heater = &found[0];
    println!("{heater:?}");
    // Halves in parallel on 6.3 V, half the 12.6 V of the sheet.
    assert!((heater.volts - 6.3).abs() < 1e-6 && (heater.rated - 6.3).abs() < 1e-9 && !heater.off);
    // The second section's cathode is the further one: its volts less 40 V, and half the heater's peak.
    let id = circuit.find_node("k2").expect("the cathode");
    let k2 = system.voltage_of(id) as usize;
    let cathode = samples.iter().map(|x| x[k2]).sum::<f64>() / samples.len() as f64;
    let expected = cathode - 40.0 + 0.5 * 6.3 * std::f64::consts::SQRT_2;
    let to_cathode = heater.to_cathode.expect("indirectly heated");
    // Ripple on the cathode itself moves it by millivolts.
    assert!(
        (to_cathode.value - expected).abs() < 0.05,
        "{} {expected}",
        to_cathode.value
    );
    assert_eq!(to_cathode.limit, Some(180.0));
    // In series on 6.3 V it gets half of what it is rated for.
    let series = HEATED.replace(r#"["h1", "h2", "h1"]"#, r#"["h1", "h2"]"#);
    let opened = Opened::read(&series, &[]);
    let period = mains(&opened);
    let samples: Vec<&[f64]> = period.samples.iter().map(Vec::as_slice).collect();
    let found = heaters(&opened.amplifier.circuit, &opened.system, &samples);
    assert!(found[0].off && (found[0].volts - 6.3).abs() < 1e-6);
}

#[test]
fn leakage_from_the_heater_is_two_resistors_and_two_capacitors() {
    // A cut-off valve (grid far below) with its cathode on 1 MΩ: only the insulation of the heater is left.
    // Both ends of the heater at 100 V: 20 MΩ twice in parallel above 1 MΩ; then one end alternating.
    let text = r#"
        [amplifier]
        title = "Leaky"
        source = "own design, invented for this test"
        [parts]
        V1 = { valve = "6J5", anode = "chassis", grid = "low", cathode = "k", heater = ["h1", "h2"], heater_leakage = "20M", heater_capacitance = "10p" }
        RK = { resistor = "1M", between = ["k", "chassis"] }
        VG = { supply = "200V", positive = "chassis", negative = "low" }
        H1 = { supply = "100V", positive = "h1", negative = "chassis" }
        H2 = { supply = "100V", positive = "h2", negative = "chassis" }
        [bench]
        generator = { into = "k", resistance = "1000M" }
        load = "RK"
    "#;
    let direct = at_rest(&Opened::read(text, &[]));
    println!("{direct} V of direct leakage");
    // The anode at the chassis and 0 V below the cathode takes nothing; the generator's 1000 MΩ are 1e-3.
    assert!((direct - 100.0 / 11.0).abs() < 2e-3 * direct, "{direct}");
    let alternating = text.replace(
        r#"H1 = { supply = "100V", positive = "h1", negative = "chassis" }"#,
        r#"H1 = { ac_supply = "10V", frequency = "50Hz", between = ["h1", "chassis"] }"#,
    );
    let alternating = alternating.replace(
        r#"supply = "100V", positive = "h2""#,
        r#"supply = "0V", positive = "h2""#,
    );
    let (_, once, _) = hum(&Opened::read(&alternating, &[]));
    // 20 MΩ ‖ 10 pF from the end, against 1 MΩ ‖ 20 MΩ ‖ (10 pF of the other end and the valve's own to the
    // grid and anode, which stand still).
    let valve = library::find("6J5").expect("a 6J5");
    let still = valve.capacitances.grid_cathode + valve.capacitances.anode_cathode;
    let omega = std::f64::consts::TAU * 50.0;
    let (g, b): (f64, f64) = (1.0 / 20e6, omega * 10e-12);
    let (g_all, b_all): (f64, f64) = (2.0 / 20e6 + 1e-6 + 1e-9, omega * (20e-12 + still));
    let expected = 10.0 * (g.hypot(b)) / (g_all.hypot(b_all));
    println!("{once} V of hum, closed form {expected}");
    assert!((once / expected - 1.0).abs() < 1e-4);
}

/// Both sections of a double triode as cathode followers, the heater fed by a winding with its middle earthed or not.
fn followers(heater: &str, supplies: &str, load: &str) -> Opened {
    let parts = format!(
        r#"
        HT = {{ supply = "250V", positive = "ht", negative = "chassis" }}
        V1a = {{ valve = "ECC83", envelope = "V1", anode = "ht", grid = "g1", cathode = "k1", heater = {heater}, heater_leakage = "2M", heater_capacitance = "0p" }}
        V1b = {{ valve = "ECC83", envelope = "V1", anode = "ht", grid = "g2", cathode = "k2" }}
        R1 = {{ resistor = "2k2", between = ["k1", "chassis"] }}
        R2 = {{ resistor = "2k2", between = ["k2", "chassis"] }}
        R3 = {{ resistor = "1M", between = ["g1", "chassis"] }}
        R4 = {{ resistor = "1M", between = ["g2", "chassis"] }}
        {supplies}
        "#
    );
    Opened::read(&text_of_parts(&parts, ("g1", "600R"), load), &[])
}

#[test]
fn leakage_lies_along_a_heater_with_its_middle_joined() {
    // Halves in parallel on a winding with its middle earthed: along each half the volts are those along the other,
    // and their mean is nothing, as along a heater of two ends.
    let middle = r#"
        H1 = { ac_supply = "3.15V", frequency = "50Hz", between = ["h1", "chassis"] }
        H2 = { ac_supply = "3.15V", frequency = "50Hz", between = ["chassis", "h2"] }
    "#;
    for load in ["R1", "R2"] {
        let (_, parallel, _) = hum(&followers(r#"["h1", "h2", "h1"]"#, middle, load));
        println!("{load}: {parallel} V");
        // Of 6.3 V no more than rounding is left; leaks at the ends alone left 1.5 mV.
        assert!(parallel < 1e-9, "{load}: {parallel} V");
    }
    // The halves in series on 12.6 V with one end earthed: the half of the first section has 9.45 V on the average, that
    // of the second 3.15 V, whatever it is that leaks.
    let series = r#"H1 = { ac_supply = "12.6V", frequency = "50Hz", between = ["h1", "chassis"] }
        RM = { resistor = "1M", between = ["m", "chassis"] }"#;
    let of = |load: &str| hum(&followers(r#"["h1", "m", "chassis"]"#, series, load)).1;
    let (first, second) = (of("R1"), of("R2"));
    println!("{first} V and {second} V");
    // 42 Ω of half the heater against 1 MΩ, and the valve bends by less than a thousandth for 5 mV.
    assert!((first / second - 3.0).abs() < 3e-3, "{first} {second}");
}

#[test]
fn a_rectifier_along_its_filament_delivers_from_either_end() {
    // A 5U4G from a direct 300 V: taken from one end of its 5 V or from the other, the output differs by
    // about the 5 V between them, and lies about the output of a cathode at the middle.
    let text = |wiring: &str, end: &str| {
        let parts = format!(
            r#"
            V1 = {{ valve = "5U4G", anode = "x", {wiring}
            HT = {{ supply = "300V", positive = "x", negative = "chassis" }}
            RL = {{ resistor = "2k", between = ["{end}", "chassis"] }}
            RG = {{ resistor = "1k", between = ["g", "chassis"] }}
            "#
        );
        text_of_parts(&parts, ("g", "600R"), "RL")
    };
    let filament = r#"filament = ["f1", "f2"] }
            FS = { supply = "5V", positive = "f1", negative = "f2" }"#;
    let upper = at_rest(&Opened::read(&text(filament, "f1"), &[]));
    let lower = at_rest(&Opened::read(&text(filament, "f2"), &[]));
    let middle = at_rest(&Opened::read(&text(r#"cathode = "k" }"#, "k"), &[]));
    println!("{upper} {middle} {lower}");
    // The load takes up part of the difference: 2 kΩ against the valve's slope of some 200 Ω.
    assert!((upper - lower - 5.0).abs() < 0.6);
    assert!((0.5 * (upper + lower) - middle).abs() < 0.05);
}

#[test]
fn a_filament_on_a_floating_winding_is_told() {
    let text = stage(r#"F1 = { ac_supply = "2.5V", frequency = "50Hz", between = ["f1", "f2"] }"#);
    let faults = sheet::read(&text, &[]).expect_err("no path");
    assert!(
        faults
            .iter()
            .any(|fault| fault.to_string().contains("no path")),
        "{faults:?}"
    );
    // A pot across it with its wiper earthed is enough.
    let text = stage(
        r#"
        F1 = { ac_supply = "2.5V", frequency = "50Hz", between = ["f1", "f2"] }
        VR1 = { pot = "100R", ends = ["f1", "f2"], wiper = "chassis", law = "linear", setting = "50%" }
        "#,
    );
    let opened = Opened::read(&text, &[]);
    let mut ws = opened.system.workspace();
    operating_point(&opened.system, &Tolerances::default(), &mut ws).expect("rest");
}

/// A double triode of 12.6 V with the ends and the middle of its heater drawn.
const CENTRE_TAPPED: &str = r#"
    [amplifier]
    title = "Centre-tapped"
    source = "own design, invented for this test"
    [parts]
    V1a = { valve = "ECC83", envelope = "V1", anode = "ht", grid = "g", cathode = "k1", heater = ["h1", "m", "h2"], heater_leakage = "20M" }
    V1b = { valve = "ECC83", envelope = "V1", anode = "ht", grid = "g", cathode = "k2" }
    R1 = { resistor = "10k", between = ["k1", "chassis"] }
    R2 = { resistor = "10k", between = ["k2", "chassis"] }
    R3 = { resistor = "100k", between = ["m", "chassis"] }
    R4 = { resistor = "1M", between = ["g", "chassis"] }
    HT = { supply = "250V", positive = "ht", negative = "chassis" }
    H1 = { supply = "12.6V", positive = "h1", negative = "h2" }
    [bench]
    generator = { into = "g", resistance = "600R" }
    load = "R2"
"#;

#[test]
fn a_heater_drawn_to_its_middle_draws_what_the_sheet_says() {
    // ECC83: 12.6 V, 0.15 A in series (its valve file names the sheet), each half 42 Ω.
    let opened = Opened::read(CENTRE_TAPPED, &[]);
    let chart = opened.ask(&VoltagesOf).expect("it rests");
    let supply = chart.supplies.iter().find(|supply| supply.part == "H1");
    let amps = supply.expect("listed").current;
    // The insulation takes a millionth.
    assert!((amps / 0.15 - 1.0).abs() < 1e-5, "{amps}");
}

#[test]
fn each_section_leaks_to_its_own_half_of_the_heater() {
    // 20 MΩ from either end of its own wire, as two ends at equal volts leak twice as much; none from the other's.
    let opened = Opened::read(CENTRE_TAPPED, &[]);
    let (circuit, system) = (&opened.amplifier.circuit, &opened.system);
    let place = |name: &str| system.voltage_of(circuit.find_node(name).expect("drawn")) as usize;
    let between = |a: &str, b: &str| {
        let entry = system.conductance().get(place(a), place(b));
        -entry.copied().unwrap_or(0.0)
    };
    for (cathode, own, other) in [("k1", "h1", "h2"), ("k2", "h2", "h1")] {
        for end in [own, "m"] {
            let found = between(cathode, end);
            assert!(
                (found * 20e6 - 1.0).abs() < 1e-9,
                "{cathode} {end}: {found}"
            );
        }
        assert!(between(cathode, other).abs() < 1e-15, "{cathode} {other}");
    }
}
