//! Output and input impedance against handbook formulas, with the slopes the solver itself reads at rest.
//!
//! Stages are written as amplifier files with real valve types; capacitors are so large and the test
//! frequency so low that the formulas' neglects stay under the tolerance.
//!
//! Over 400 lines because each check brings its circuit.

use checks::examples::{EXAMPLES, Opened};
use checks::random::dice::Dice;
use checks::random::stages::compose;
use measure::at_rest::voltages::{ValveAtRest, VoltagesOf};
use measure::small_signal::impedance::{Impedance, ImpedanceOf};
use models::library;
use nalgebra::Complex;
use sim::operating_point::operating_point;
use sim::parts::{Loudspeaker, Part};
use sim::small_signal::{Excitation, SmallSignal};
use sim::{System, Tolerances};

/// What the formulas neglect: a stray 10 pF beside 100 kΩ at 1 kHz is 0.6 % in quadrature, 2e-5 in
/// magnitude; a coupling capacitor of 1000 µF is 0.2 Ω. Found: 0.01 % at most, a grid leak beside the losses of a grid included.
const TOLERANCE: f64 = 1e-3;

fn file(parts: &str, load: &str) -> Opened {
    behind("0R", parts, load)
}

fn behind(resistance: &str, parts: &str, load: &str) -> Opened {
    Opened::of_parts(parts, ("in", resistance), load)
}

fn question(opened: &Opened) -> ImpedanceOf {
    let bench = &opened.amplifier.bench;
    ImpedanceOf {
        generator: bench.generator,
        load: bench.load,
        load_ohms: bench.load_ohms,
        frequency: bench.frequency,
        from: 10.0,
        to: 100e3,
        loudspeaker: Loudspeaker::typical(bench.load_ohms),
    }
}

fn ask(opened: &Opened) -> Impedance {
    opened.ask(&question(opened)).expect("it has a rest")
}

fn valve(opened: &Opened, part: &str) -> ValveAtRest {
    let rest = opened.ask(&VoltagesOf);
    let valves = rest.expect("it has a rest").valves;
    let found = valves.into_iter().find(|valve| valve.part == part);
    found.expect("the valve is there")
}

/// Voltage at the load for each volt of the generator, at the test frequency.
fn gain(system: &System, opened: &Opened) -> Complex<f64> {
    let mut ws = system.workspace();
    operating_point(system, &Tolerances::default(), &mut ws).expect("it has a rest");
    let mut linear = SmallSignal::at(system, &mut ws);
    let bench = &opened.amplifier.bench;
    linear.tune(bench.frequency).expect("it has an answer");
    let x = linear.response(Excitation::Source(bench.generator));
    let (a, b) = bench.load_nodes;
    linear.voltage(&x.expect("a source"), a, b)
}

fn beside(a: f64, b: f64) -> f64 {
    a * b / (a + b)
}

#[track_caller]
fn agree(what: &str, found: f64, wanted: f64, tolerance: f64) {
    assert!(
        (found / wanted - 1.0).abs() < tolerance,
        "{what}: {found}, not {wanted}"
    );
}

#[track_caller]
fn stage(what: &str, opened: &Opened, wanted_gain: f64, wanted_output: f64) {
    let output = ask(opened).at_test.output.expect("there is a stage");
    agree(
        &format!("{what}, gain"),
        gain(&opened.system, opened).norm(),
        wanted_gain,
        TOLERANCE,
    );
    agree(
        &format!("{what}, output impedance"),
        output.magnitude,
        wanted_output,
        TOLERANCE,
    );
}

// Formulas   Langford-Smith, Radio Designer's Handbook, 4th ed., chapters 7 and 12 (from memory); each
//            follows from  i (ra + Z) = mu v_gk  around the valve's loop, Z being all else in it.

const TRIODE: &str = r#"
HT = { supply = "300V", positive = "ht", negative = "chassis" }
R1 = { resistor = "1M", between = ["in", "chassis"] }
V1 = { valve = "6SN7GT", anode = "a", grid = "in", cathode = "k" }
R2 = { resistor = "47k", between = ["a", "ht"] }
R3 = { resistor = "1k5", between = ["k", "chassis"] }
C2 = { capacitor = "1000u", between = ["a", "out"] }
R4 = { resistor = "220k", between = ["out", "chassis"] }
"#;

#[test]
fn a_common_cathode_stage() {
    let bypass = "C1 = { capacitor = \"100000u\", between = [\"k\", \"chassis\"] }";
    let opened = file(&format!("{TRIODE}{bypass}"), "R4");
    let v1 = valve(&opened, "V1");
    let load = beside(47e3, 220e3);
    stage(
        "bypassed",
        &opened,
        v1.mu * load / (v1.ra + load),
        beside(47e3, v1.ra),
    );
}

#[test]
fn a_stage_with_its_cathode_resistor_unbypassed() {
    let opened = file(TRIODE, "R4");
    let v1 = valve(&opened, "V1");
    let (load, fed_back) = (beside(47e3, 220e3), (v1.mu + 1.0) * 1.5e3);
    stage(
        "unbypassed",
        &opened,
        v1.mu * load / (v1.ra + load + fed_back),
        beside(47e3, v1.ra + fed_back),
    );
}

#[test]
fn a_cathode_follower() {
    let opened = file(
        r#"
HT = { supply = "300V", positive = "ht", negative = "chassis" }
GB = { supply = "100V", positive = "b", negative = "chassis" }
R1 = { resistor = "1M", between = ["g", "b"] }
C1 = { capacitor = "1000u", between = ["in", "g"] }
R5 = { resistor = "1M", between = ["in", "chassis"] }
V1 = { valve = "ECC82", anode = "ht", grid = "g", cathode = "k" }
R3 = { resistor = "22k", between = ["k", "chassis"] }
C2 = { capacitor = "1000u", between = ["k", "out"] }
R4 = { resistor = "10k", between = ["out", "chassis"] }
"#,
        "R4",
    );
    let v1 = valve(&opened, "V1");
    let load = beside(22e3, 10e3);
    stage(
        "follower",
        &opened,
        v1.mu * load / (v1.ra + (v1.mu + 1.0) * load),
        beside(22e3, v1.ra / (v1.mu + 1.0)),
    );
}

#[test]
fn a_long_tailed_pair() {
    let opened = file(
        r#"
HT = { supply = "300V", positive = "ht", negative = "chassis" }
TB = { supply = "150V", positive = "chassis", negative = "t" }
R1 = { resistor = "1M", between = ["in", "chassis"] }
V1 = { valve = "ECC83", anode = "a1", grid = "in", cathode = "k" }
V2 = { valve = "ECC83", anode = "a2", grid = "chassis", cathode = "k" }
R2 = { resistor = "100k", between = ["a1", "ht"] }
R3 = { resistor = "100k", between = ["a2", "ht"] }
R5 = { resistor = "82k", between = ["k", "t"] }
C1 = { capacitor = "1000u", between = ["a1", "o1"] }
C2 = { capacitor = "1000u", between = ["a2", "o2"] }
R6 = { resistor = "470k", between = ["o1", "chassis"] }
R4 = { resistor = "470k", between = ["o2", "chassis"] }
"#,
        "R4",
    );
    let v2 = valve(&opened, "V2");
    let (mu, ra, tail) = (v2.mu, v2.ra, 82e3);
    let load = beside(100e3, 470e3);
    // i1 (ra + R) = mu e − (mu+1) v_k,  i2 (ra + R) = −(mu+1) v_k,  v_k = R_tail (i1 + i2)
    let v_k = mu * tail / (ra + load + 2.0 * (mu + 1.0) * tail);
    let second = (mu + 1.0) * v_k * load / (ra + load);
    // The second anode looks into ra and (mu+1) times what it finds at the cathodes: the tail beside the
    // first valve with its load.
    let at_cathodes = beside(tail, (ra + load) / (mu + 1.0));
    stage(
        "long-tailed pair, second anode",
        &opened,
        second,
        beside(100e3, ra + (mu + 1.0) * at_cathodes),
    );
}

fn concertina(load: &str) -> Opened {
    let text = r#"
HT = { supply = "300V", positive = "ht", negative = "chassis" }
GB = { supply = "70V", positive = "b", negative = "chassis" }
R1 = { resistor = "1M", between = ["g", "b"] }
C1 = { capacitor = "1000u", between = ["in", "g"] }
R5 = { resistor = "1M", between = ["in", "chassis"] }
V1 = { valve = "6SN7GT", anode = "a", grid = "g", cathode = "k" }
R2 = { resistor = "22k", between = ["a", "ht"] }
R3 = { resistor = "22k", between = ["k", "chassis"] }
C2 = { capacitor = "1000u", between = ["a", "oa"] }
C3 = { capacitor = "1000u", between = ["k", "ok"] }
R6 = { resistor = "220k", between = ["oa", "chassis"] }
R7 = { resistor = "220k", between = ["ok", "chassis"] }
R8 = { resistor = "100k", between = ["oa", "ok"] }
"#;
    file(text, load)
}

#[test]
fn a_concertina_at_its_anode_at_its_cathode_and_across_both() {
    // R8 across both outputs is 50 kΩ at each, beside 220 kΩ.
    let opened = concertina("R8");
    let v1 = valve(&opened, "V1");
    let (mu, ra) = (v1.mu, v1.ra);
    let half = beside(22e3, 220e3);
    let each = beside(half, 50e3);
    // The same current in equal loads: v = mu e Z/(ra + (mu+2) Z) at each, a source of ra/(mu+2).
    stage(
        "concertina, across both outputs",
        &opened,
        2.0 * mu * each / (ra + (mu + 2.0) * each),
        2.0 * beside(half, ra / (mu + 2.0)),
    );
    // One output alone, the other loaded as it is: without R8 (1 GΩ in its place).
    let no_bridge = |load| {
        let mut opened = concertina(load);
        let bridge = opened.amplifier.circuit.find_part("R8").expect("R8");
        opened.amplifier.circuit.part_mut(bridge).part = Part::resistor(1e12);
        opened.system = System::of(&opened.amplifier.circuit).expect("sound");
        opened
    };
    let each = mu * half / (ra + (mu + 2.0) * half);
    stage(
        "concertina, anode",
        &no_bridge("R6"),
        each,
        beside(22e3, ra + (mu + 1.0) * half),
    );
    stage(
        "concertina, cathode",
        &no_bridge("R7"),
        each,
        beside(22e3, (ra + half) / (mu + 1.0)),
    );
}

#[test]
fn a_triode_at_the_generator_has_its_miller_capacitance() {
    // C_in = C_gk + (1 + A) C_ag beside the grid leak. Miller, Bur. Standards Sci. Paper 351 (1920) (from
    // memory).
    let bypass = "C1 = { capacitor = \"100000u\", between = [\"k\", \"chassis\"] }";
    // What wiring and holder add is 1 pF here, a quarter of the valve's own.
    let wired = TRIODE.replace(
        "cathode = \"k\" }",
        "cathode = \"k\", stray_anode_grid = \"1p\" }",
    );
    let opened = file(&format!("{wired}{bypass}"), "R4");
    let capacitances = &library::find("6SN7GT").expect("it is there").capacitances;
    let a = gain(&opened.system, &opened).norm();
    let wanted = capacitances.grid_cathode + (1.0 + a) * (capacitances.anode_grid + 1e-12);
    let input = ask(&opened).input.expect("there is an input");
    agree("Miller capacitance", input.capacitance, wanted, TOLERANCE);
    agree(
        "grid leak",
        input.resistance.expect("it has one"),
        1e6,
        TOLERANCE,
    );
}

#[test]
fn a_passive_source_has_the_impedance_of_its_parts() {
    // Rounding alone: no valve, no capacitor.
    let exact = 1e-9;
    let divider = r#"
R1 = { resistor = "3k", between = ["in", "out"] }
R2 = { resistor = "6k", between = ["out", "chassis"] }
R4 = { resistor = "1k", between = ["out", "chassis"] }
"#;
    let answer = ask(&file(divider, "R4"));
    for at in answer.standard.iter().chain([&answer.at_test]) {
        let z = at.output.expect("there is a source");
        agree("divider", z.magnitude, 2e3, exact);
        agree("damping", at.damping.expect("a ratio"), 0.5, exact);
        // 3k and 6k beside 1k, the load itself.
        agree(
            "input",
            at.input.expect("it is joined").magnitude,
            3e3 + beside(6e3, 1e3),
            exact,
        );
    }
    // Behind 600 Ω the source has them too, and the generator sees what it saw.
    let at = ask(&behind("600R", divider, "R4")).at_test;
    let z = at.output.expect("there is a source").magnitude;
    agree("behind 600 Ω", z, beside(3.6e3, 6e3), exact);
    let z = at.input.expect("it is joined").magnitude;
    agree("seen through 600 Ω", z, 3e3 + beside(6e3, 1e3), exact);
    // A transformer: Zo = Rs + (Rp + Rg) (ns/np)². Beside it stand 100 kH and the 500 pF assumed, 318 kΩ
    // in quadrature to 1.25 kΩ: 8e-6 of that.
    let transformer = r#"
R1 = { resistor = "1k", between = ["in", "p"] }
T1 = { transformer = [ { name = "primary", nodes = ["p", "chassis"], turns = "2500", resistance = "250R" }, { name = "secondary", nodes = ["out", "chassis"], turns = "100", resistance = "0.4R" } ], primary_inductance = "100kH", leakage_inductance = "0H" }
R4 = { resistor = "8R", between = ["out", "chassis"] }
"#;
    let answer = ask(&file(transformer, "R4"));
    let z = answer.at_test.output.expect("there is a source");
    agree("transformer", z.magnitude, 0.4 + 1250.0 / 625.0, 1e-5);
}

#[test]
fn a_loudspeaker_is_its_closed_form_and_its_level_is_a_divider() {
    let speaker = Loudspeaker {
        re: 6.0,
        le: 0.3e-3,
        fs: 40.0,
        qms: 3.0,
        qes: 0.5,
        rated: 8.0,
    };
    let source = "R1 = { resistor = \"4R\", between = [\"in\", \"out\"] }\nR4 = { resistor = \"8R\", between = [\"out\", \"chassis\"] }";
    let opened = file(source, "R4");
    let question = ImpedanceOf {
        from: 40.0,
        to: 1e3,
        loudspeaker: speaker,
        ..question(&opened)
    };
    let answer = opened.ask(&question).expect("it has a rest");
    // Re + Res = Re (1 + Qms/Qes) at resonance, Le adding 0.08 Ω in quadrature (Small 1972).
    let at_fs = &answer.points[0];
    agree("resonance", at_fs.loudspeaker.magnitude, 6.0 * 7.0, 1e-5);
    // The series and parallel elements of the circuit at 1 kHz, one by one.
    let omega = std::f64::consts::TAU * 1e3;
    let (w_s, res) = (std::f64::consts::TAU * 40.0, 36.0);
    let motional = (Complex::new(1.0 / res, 0.0)
        + Complex::new(0.0, omega * 0.5 / (w_s * 6.0))
        + Complex::new(0.0, omega * 6.0 / (w_s * 0.5)).inv())
    .inv();
    let z = Complex::new(6.0, omega * 0.3e-3) + motional;
    agree(
        "1 kHz",
        answer.at_test.loudspeaker.magnitude,
        z.norm(),
        1e-12,
    );
    // Into 4 Ω the two levels differ by the divider's.
    let z_s = Complex::new(42.0, w_s * 0.3e-3);
    let wanted = 20.0 * ((z_s / (z_s + 4.0)).norm() / (z / (z + 4.0)).norm()).log10();
    for db in [
        at_fs.deviation_db,
        at_fs.level_db,
        answer.rise.map(|rise| rise.db),
    ] {
        agree("rise", db.expect("a level"), wanted, 1e-6);
    }
}

#[test]
fn the_load_does_not_show_in_the_output_impedance() {
    // Behind a transformer the load carries no direct current: a loudspeaker or a resistor in its place
    // leaves the amplifier what it is. A part in 1e6: Zo is up to some tens of loads.
    let example = EXAMPLES[1];
    let as_drawn = ask(&example.open(&[]));
    let speaker = example
        .text()
        .replace("resistor = \"15R\"", "loudspeaker = \"15R\"")
        .replace(", rating = \"25W\" }", " }");
    let other = ask(&Opened::read(&speaker, &[]));
    for (a, b) in as_drawn.points.iter().zip(&other.points) {
        let (a, b) = (a.output.expect("a source"), b.output.expect("a source"));
        assert!(
            (a.magnitude / b.magnitude - 1.0).abs() < 1e-6,
            "{a:?} {b:?}"
        );
        assert!(
            (a.phase_degrees - b.phase_degrees).abs() < 1e-4,
            "{a:?} {b:?}"
        );
    }
}

#[test]
fn two_loads_settle_where_rounding_keeps_a_cycle_from_closing() {
    // An amplifier composed by lot, whose second grid of a pair swings by a millivolt: its cycle never closed to 1e-8 of
    // that, and 400 were run.
    let text = compose(&mut Dice::new(1, 16), false).text();
    let two = ask(&Opened::read(&text, &[])).two_loads.expect("a signal");
    let difference = two.difference.unwrap_or_else(|| panic!("{:?}", two.failed));
    assert!(difference < 1.5e-4, "{difference:.1e}");
}

#[test]
fn two_loads_give_what_one_ampere_gives() {
    for example in EXAMPLES {
        let opened = example.open(&[]);
        let answer = ask(&opened);
        let z = answer.at_test.output.expect("there is an amplifier");
        let z = Complex::new(z.resistance, z.reactance);
        // The settled periods differ by what 256 samples a cycle make of 1 kHz: the square of half a step,
        // 1.5e-4, times what of the impedance is reactive. Found: 3e-5 at most.
        let two = answer.two_loads.expect("a signal arrives");
        let difference = two.difference.unwrap_or_else(|| panic!("{:?}", two.failed));
        assert!(difference < 1.5e-4, "{}: {difference:.1e}", example.name);
        // The linearised circuit with other loads: rounding, worse the farther Zo is from the load. 1 GΩ
        // stands for an open secondary.
        let mut first = None;
        for load in [answer.load_ohms, 1.1 * answer.load_ohms, 1e9] {
            let mut circuit = opened.amplifier.circuit.clone();
            circuit.part_mut(opened.amplifier.bench.load).part = Part::resistor(load);
            let v2 = gain(&System::of(&circuit).expect("sound"), &opened);
            let (r1, v1) = *first.get_or_insert((load, v2));
            if load > r1 {
                let found = (v2 - v1) / (v1 / r1 - v2 / load);
                assert!(
                    (found / z - 1.0).norm() < 1e-6,
                    "{}: {found}, not {z}",
                    example.name
                );
            }
        }
    }
}

#[test]
fn rise_and_dip_are_those_of_the_audio_band() {
    // Behind 8 Ω a loudspeaker that resonates at 12 Hz rises most below the band, and most of all by its inductance
    // above it: within 20 Hz to 20 kHz its impedance Z gives |Z/(Z + 8 Ω)|, greatest at the upper end.
    let parts = r#"
R1 = { resistor = "8R", between = ["in", "out"] }
R4 = { resistor = "8R", between = ["out", "chassis"] }
"#;
    let opened = file(parts, "R4");
    let loudspeaker = Loudspeaker {
        fs: 12.0,
        ..Loudspeaker::typical(8.0)
    };
    let asked = ImpedanceOf {
        loudspeaker,
        ..question(&opened)
    };
    let answer = opened.ask(&asked).expect("it has a rest");
    let rise = answer.rise.expect("it is no resistor");
    let level = |f: f64| {
        let z = loudspeaker.impedance(f);
        20.0 * (z / (z + 8.0)).norm().log10()
    };
    let wanted = level(rise.frequency) - level(opened.amplifier.bench.frequency);
    // The last of 100 frequencies a decade.
    assert!((0.97..=1.0).contains(&(rise.frequency / 20e3)), "{rise:?}");
    agree("rise", rise.db, wanted, TOLERANCE);
    let dip = answer.dip.expect("it is no resistor");
    assert!((20.0..=20e3).contains(&dip.frequency), "{dip:?}");
}

#[test]
fn a_pentode_at_the_generator_has_its_screen_beside_its_cathode() {
    // C_in = C_gk + C_gs + (1 + A) C_ag: screen and cathode stand still, which is how a sheet's input capacitance is taken.
    let parts = r#"
HT = { supply = "250V", positive = "ht", negative = "chassis" }
R1 = { resistor = "1M", between = ["in", "chassis"] }
V1 = { valve = "EL84", anode = "a", screen = "ht", grid = "in", cathode = "k", stray_anode_grid = "0p" }
R2 = { resistor = "1k", between = ["a", "ht"] }
R3 = { resistor = "180R", between = ["k", "chassis"] }
C1 = { capacitor = "100000u", between = ["k", "chassis"] }
C2 = { capacitor = "1000u", between = ["a", "out"] }
R4 = { resistor = "220k", between = ["out", "chassis"] }
"#;
    let opened = file(parts, "R4");
    let of = &library::find("EL84").expect("it is there").capacitances;
    assert!(of.grid_screen > 0.1 * of.grid_cathode);
    let a = gain(&opened.system, &opened).norm();
    let wanted = of.grid_cathode + of.grid_screen + (1.0 + a) * of.anode_grid;
    let input = ask(&opened).input.expect("there is an input");
    agree("input capacitance", input.capacitance, wanted, TOLERANCE);
}
