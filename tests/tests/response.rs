//! Gain and phase against frequency: networks with a closed form, the playback curve of records, and a
//! triode stage.
//!
//! Every circuit goes through the text of an amplifier file. Closed forms are those of the parts' own
//! impedances; the tone control has nodal equations of its own, solved densely, so that nothing of the
//! solver stands on both sides.
//!
//! Over 400 lines because each check brings its circuit.

use std::f64::consts::TAU;

use checks::examples::{Opened, text_of_parts};
use measure::at_rest::voltages::VoltagesOf;
use measure::small_signal::response::equalisation::Target;
use measure::small_signal::response::{Output, Response, ResponseOf};
use nalgebra::{Complex, DMatrix, DVector};
use serde::Deserialize;
use sim::{NodeId, SimError};

type C = Complex<f64>;

/// dB. Both sides carry the roundings of some dozen products, 1e-13; a slip of any formula shows far above.
const CLOSE_DB: f64 = 1e-9;
/// Degrees, as close.
const CLOSE_DEGREES: f64 = 1e-8;

/// A file of these parts; the generator joins node `in`, the load is `RL`.
fn file(parts: &str, generator: &str, frequency: &str) -> String {
    text_of_parts(parts, ("in", generator), "RL") + &format!("frequency = \"{frequency}\"\n")
}

fn question(opened: &Opened, (from, to): (f64, f64), target: Option<Target>) -> ResponseOf {
    let bench = &opened.amplifier.bench;
    ResponseOf {
        generator: bench.generator,
        outputs: vec![Output {
            name: "load".to_owned(),
            nodes: bench.load_nodes,
        }],
        from,
        to,
        reference: bench.frequency,
        target,
    }
}

fn response(opened: &Opened, range: (f64, f64), target: Option<Target>) -> Response {
    let question = question(opened, range, target);
    let answers = opened.ask(&question);
    answers.expect("it rests").remove(0)
}

/// From 1 Hz to 1 MHz every point of the grid is the closed form, in gain and in phase.
fn agrees(opened: &Opened, exact: impl Fn(C) -> C) -> Response {
    let question = question(opened, (1.0, 1e6), None);
    let found = response(opened, (1.0, 1e6), None);
    let grid = question.grid();
    assert_eq!(
        (grid.len(), found.gains.len(), found.phases.len()),
        (1201, 1201, 1201)
    );
    for (k, frequency) in grid.iter().enumerate() {
        let wanted = exact(s(*frequency));
        let gain = found.gains[k] - 20.0 * wanted.norm().log10();
        assert!(gain.abs() < CLOSE_DB, "{gain} dB off at {frequency} Hz");
        let turn = (found.phases[k] - wanted.arg().to_degrees()) / 360.0;
        let phase = 360.0 * (turn - turn.round());
        assert!(
            phase.abs() < CLOSE_DEGREES,
            "{phase} degrees off at {frequency} Hz"
        );
    }
    found
}

fn s(frequency: f64) -> C {
    C::new(0.0, TAU * frequency)
}

fn parallel(a: C, b: C) -> C {
    (a.inv() + b.inv()).inv()
}

fn real(ohms: f64) -> C {
    C::new(ohms, 0.0)
}

#[test]
fn a_resistor_and_a_capacitor_have_their_corner() {
    // Low-pass: 600 Ω and 9.4 kΩ into 1 nF across 1 MΩ.
    let parts = "R1 = { resistor = \"9k4\", between = [\"in\", \"out\"] }\nC1 = { capacitor = \"1n\", between = [\"out\", \"chassis\"] }\nRL = { resistor = \"1M\", between = [\"out\", \"chassis\"] }";
    let low = Opened::read(&file(parts, "600R", "1Hz"), &[]);
    let found = agrees(&low, |s| {
        let shunt = parallel(real(1e6), (s * 1e-9).inv());
        shunt / (shunt + 10e3)
    });
    let r = 1e4 * 1e6 / 1.01e6;
    let corner = 1.0 / (TAU * r * 1e-9);
    let upper = found.falls[1].upper.expect("it falls");
    // The reference of 1 Hz is itself (1/16 kHz)² = 4e-9 down.
    assert!((upper / corner - 1.0).abs() < 1e-8, "{upper} for {corner}");
    assert_eq!(found.falls[1].lower, None, "it passes direct current");
    // 1 dB: ωRC = √(10^0.1 − 1).
    let upper = found.falls[0].upper.expect("it falls");
    let wanted = corner * (10f64.powf(0.1) - 1.0).sqrt();
    assert!((upper / wanted - 1.0).abs() < 1e-8, "{upper} for {wanted}");
    assert!(found.peaks.is_empty());

    // High-pass: 100 nF from 600 Ω into 22 kΩ, its limit against the gain at 1 MHz.
    let parts = "C1 = { capacitor = \"100n\", between = [\"in\", \"out\"] }\nRL = { resistor = \"22k\", between = [\"out\", \"chassis\"] }";
    let high = Opened::read(&file(parts, "600R", "1MHz"), &[]);
    let found = agrees(&high, |s| 22e3 / (22.6e3 + (s * 100e-9).inv()));
    let corner = 1.0 / (TAU * 22.6e3 * 100e-9);
    let lower = found.falls[1].lower.expect("it falls");
    assert!((lower / corner - 1.0).abs() < 1e-8, "{lower} for {corner}");
    assert_eq!(found.falls[1].upper, None, "it passes all that is higher");
}

#[test]
fn a_series_resonance_peaks_where_and_as_high_as_it_must() {
    let (l, c) = (10e-3_f64, 100e-9_f64);
    let parts = "L1 = { inductor = \"10mH\", between = [\"in\", \"a\"], resistance = \"20R\" }\nC1 = { capacitor = \"100n\", between = [\"a\", \"out\"] }\nRL = { resistor = \"10R\", between = [\"out\", \"chassis\"] }";
    let opened = Opened::read(&file(parts, "5R", "1kHz"), &[]);
    let exact = |s: C| 10.0 / (35.0 + s * l + (s * c).inv());
    let found = agrees(&opened, exact);
    let resonance = 1.0 / (TAU * (l * c).sqrt());
    assert_eq!(found.peaks.len(), 1, "{:?}", found.peaks);
    let peak = found.peaks[0];
    // A maximum is flat: a top known to 1e-14 stands where it stands to 1e-7, and Q is 9.
    assert!((peak.frequency / resonance - 1.0).abs() < 2e-7, "{peak:?}");
    let height = 20.0 * (10.0 / 35.0 / exact(s(1e3)).norm()).log10();
    assert!((peak.height_db - height).abs() < CLOSE_DB, "{peak:?}");
    // From + to − 90 degrees, and nothing in between jumps.
    assert!((found.phases[0] - 90.0).abs() < 0.1 && (found.phases[1200] + 90.0).abs() < 0.1);
}

/// Time constants of the playback curve, s.
const T: [f64; 3] = [3180e-6, 318e-6, 75e-6];

/// A loaded passive network of exactly those time constants.
///
/// One resistor R into two branches, R2 and C1 in series and C2: the zero is R2·C1, the poles have the sum
/// R·(C1 + C2) + R2·C1 and the product R·R2·C1·C2. With the load R is that of generator, series
/// resistor and load together, 100 kΩ here.
struct Playback {
    r_series: f64,
    r2: f64,
    c1: f64,
    c2: f64,
}

const PLAYBACK_LOAD: f64 = 1e6;

impl Playback {
    fn new() -> Self {
        let r = 100e3;
        let c2 = T[0] * T[2] / (T[1] * r);
        let c1 = (T[0] + T[2] - T[1]) / r - c2;
        Self {
            r_series: 1.0 / (1.0 / r - 1.0 / PLAYBACK_LOAD) - 600.0,
            r2: T[1] / c1,
            c1,
            c2,
        }
    }

    fn open(&self) -> Opened {
        let (r1, r2, c1, c2) = (self.r_series, self.r2, self.c1 * 1e12, self.c2 * 1e12);
        let parts = format!(
            "R1 = {{ resistor = \"{r1} ohm\", between = [\"in\", \"out\"] }}\nR2 = {{ resistor = \"{r2} ohm\", between = [\"out\", \"b\"] }}\nC1 = {{ capacitor = \"{c1} pF\", between = [\"b\", \"chassis\"] }}\nC2 = {{ capacitor = \"{c2} pF\", between = [\"out\", \"chassis\"] }}\nRL = {{ resistor = \"1M\", between = [\"out\", \"chassis\"] }}"
        );
        Opened::read(&file(&parts, "600R", "1kHz"), &[])
    }

    fn exact(&self, s: C) -> C {
        let branch = self.r2 + (s * self.c1).inv();
        let shunt = parallel(parallel(branch, (s * self.c2).inv()), real(PLAYBACK_LOAD));
        shunt / (shunt + self.r_series + 600.0)
    }
}

/// The printed table: `published/riaa_playback.toml`.
#[derive(Deserialize)]
struct Table {
    riaa_playback: Columns,
}

#[derive(Deserialize)]
struct Columns {
    freq_hz: Vec<f64>,
    db: Vec<f64>,
    db_with_iec_amendment: Vec<f64>,
}

/// Half a unit of the third decimal the table prints, and a rounding for what lies on the half.
const PRINTED: f64 = 0.0005 + 1e-9;

fn table() -> Columns {
    let text = include_str!("../published/riaa_playback.toml");
    let table: Table = toml::from_str(text).expect("a table");
    table.riaa_playback
}

#[test]
fn the_playback_curve_is_the_printed_one() {
    let table = table();
    assert_eq!(table.freq_hz.len(), 53);
    for (target, column) in [
        (Target::Riaa, &table.db),
        (Target::RiaaIec, &table.db_with_iec_amendment),
    ] {
        assert_eq!(column.len(), 53);
        let at = |frequency: f64| target.decibels(frequency).expect("it reaches");
        for (frequency, printed) in table.freq_hz.iter().zip(column) {
            let ours = at(*frequency) - at(1e3);
            assert!(
                (ours - printed).abs() < PRINTED,
                "{ours} for {printed} at {frequency} Hz"
            );
        }
    }
}

#[test]
fn a_playback_network_is_its_closed_form_and_the_printed_curve() {
    let network = Playback::new();
    let opened = network.open();
    agrees(&opened, |s| network.exact(s));

    let table = table();
    let at = |frequency: f64| response(&opened, (frequency, 2.0 * frequency), None).gains[0];
    let reference = at(1e3);
    for (frequency, printed) in table.freq_hz.iter().zip(&table.db) {
        let ours = at(*frequency) - reference;
        assert!(
            (ours - printed).abs() < PRINTED,
            "{ours} for {printed} at {frequency} Hz"
        );
    }

    // It is the target: what is left is the rounding of both.
    let deviation = response(&opened, (1.0, 1e6), Some(Target::Riaa)).deviation;
    let deviation = deviation.expect("there is a target");
    assert!(deviation.largest_db.abs() < CLOSE_DB, "{deviation:?}");
    assert!(
        deviation
            .curve
            .iter()
            .all(|d| d.is_some_and(|d| d.abs() < CLOSE_DB))
    );

    // Against the curve with the low cut it is high by that cut, most at 20 Hz.
    let deviation = response(&opened, (1.0, 1e6), Some(Target::RiaaIec)).deviation;
    let deviation = deviation.expect("there is a target");
    let cut = |f: f64| {
        let turn = TAU * f * 7950e-6;
        10.0 * (turn * turn / (1.0 + turn * turn)).log10()
    };
    assert!(
        (deviation.at / 20.0 - 1.0).abs() < 1e-12,
        "{}",
        deviation.at
    );
    let wanted = cut(1e3) - cut(20.0);
    assert!(
        (deviation.largest_db - wanted).abs() < CLOSE_DB,
        "{} for {wanted}",
        deviation.largest_db
    );

    // Of a table in the file: a step the network lacks is found where it is highest.
    let points = "100,0\n999,0\n1000,0\n2000,0\n4000,5\n8000,0\n";
    let target = Target::table(points).expect("a table");
    let flat = Opened::read(
        &file(
            "RL = { resistor = \"1k\", between = [\"in\", \"chassis\"] }",
            "600R",
            "1kHz",
        ),
        &[],
    );
    let deviation = response(&flat, (10.0, 1e5), Some(target))
        .deviation
        .expect("a target");
    // The corner is bracketed to 1e-7 of its frequency, on a flank of 5 dB in an octave.
    assert!(
        (deviation.largest_db + 5.0).abs() < 1e-5,
        "{}",
        deviation.largest_db
    );
    let band = [deviation.from, deviation.to].map(f64::to_bits);
    assert_eq!(band, [100f64, 8e3].map(f64::to_bits));
    assert!((deviation.at / 4e3 - 1.0).abs() < 1e-6, "{}", deviation.at);
    assert_eq!(
        (deviation.curve[0], deviation.curve[800]),
        (None, None),
        "the table does not reach"
    );
}

/// A bass and treble control of two pots, loaded by a grid leak and some picofarads of a valve.
const TONE: &str = r#"R1  = { resistor = "100k", between = ["in", "b1"] }
VR1 = { pot = "1M", ends = ["b1", "b2"], wiper = "bw", setting = "50%" }
C1  = { capacitor = "2n2", between = ["b1", "bw"] }
C2  = { capacitor = "22n", between = ["bw", "b2"] }
R2  = { resistor = "10k", between = ["b2", "chassis"] }
R3  = { resistor = "220k", between = ["bw", "out"] }
C3  = { capacitor = "220p", between = ["in", "t1"] }
VR2 = { pot = "1M", ends = ["t1", "t2"], wiper = "out", setting = "50%" }
C4  = { capacitor = "2n2", between = ["t2", "chassis"] }
C5  = { capacitor = "120p", between = ["out", "chassis"] }
RL  = { resistor = "2M2", between = ["out", "chassis"] }"#;

/// The tone control by nodal equations, bass and treble from 0 to 1.
fn tone(s: C, bass: f64, treble: f64) -> C {
    // 0 is the chassis, 1 the generator; the unknowns are in, b1, bw, b2, out, t1, t2.
    let y = |ohms: f64| real(1.0 / ohms);
    let branches = [
        (1, 2, y(10e3)),
        (2, 3, y(100e3)),
        (3, 4, y(1e6 * (1.0 - bass))),
        (4, 5, y(1e6 * bass)),
        (3, 4, s * 2.2e-9),
        (4, 5, s * 22e-9),
        (5, 0, y(10e3)),
        (4, 6, y(220e3)),
        (2, 7, s * 220e-12),
        (7, 6, y(1e6 * (1.0 - treble))),
        (6, 8, y(1e6 * treble)),
        (8, 0, s * 2.2e-9),
        (6, 0, s * 120e-12),
        (6, 0, y(2.2e6)),
    ];
    let mut matrix: DMatrix<C> = DMatrix::zeros(7, 7);
    let mut driven: DVector<C> = DVector::zeros(7);
    for (a, b, y) in branches {
        for (own, other) in [(a, b), (b, a)] {
            if own < 2 {
                continue;
            }
            matrix[(own - 2, own - 2)] += y;
            match other {
                0 => {}
                1 => driven[own - 2] += y,
                _ => matrix[(own - 2, other - 2)] -= y,
            }
        }
    }
    let volts = matrix.lu().solve(&driven).expect("it has a solution");
    volts[4]
}

#[test]
fn a_loaded_tone_control_is_its_nodal_equations_at_every_setting() {
    let text = file(TONE, "10k", "1kHz");
    let mut at_100 = Vec::new();
    for (bass, treble) in [(10, 70), (50, 50), (90, 20), (25, 99)] {
        let set = [("VR1", format!("{bass}%")), ("VR2", format!("{treble}%"))];
        let set: Vec<(&str, &str)> = set.iter().map(|(p, v)| (*p, v.as_str())).collect();
        let opened = Opened::read(&text, &set);
        let shares = (f64::from(bass) / 100.0, f64::from(treble) / 100.0);
        let found = agrees(&opened, |s| tone(s, shares.0, shares.1));
        at_100.push((bass, found.gains[400]));
    }
    // More bass is more bass: the settings did something.
    at_100.sort_by_key(|(bass, _)| *bass);
    assert!(
        at_100.windows(2).all(|pair| pair[1].1 > pair[0].1 + 0.1),
        "{at_100:?}"
    );
}

#[test]
fn a_triode_stage_amplifies_by_its_mu_its_ra_and_its_load() {
    // Coupling and by-pass so large that nothing of them is left at 1 kHz.
    let parts = |bypass: &str| {
        format!(
            "HT = {{ supply = \"250V\", positive = \"ht\", negative = \"chassis\" }}\nV1 = {{ valve = \"ECC83\", anode = \"a\", grid = \"in\", cathode = \"k\" }}\nR1 = {{ resistor = \"100k\", between = [\"a\", \"ht\"] }}\nR2 = {{ resistor = \"1k5\", between = [\"k\", \"chassis\"] }}\nR3 = {{ resistor = \"1M\", between = [\"in\", \"chassis\"] }}\nC2 = {{ capacitor = \"1000u\", between = [\"a\", \"out\"] }}\nRL = {{ resistor = \"220k\", between = [\"out\", \"chassis\"] }}\n{bypass}"
        )
    };
    let bypass = "C1 = { capacitor = \"100000u\", between = [\"k\", \"chassis\"] }";
    let r_load = 1.0 / (1.0 / 100e3 + 1.0 / 220e3);
    for (bypass, r_k) in [(bypass, 0.0), ("", 1.5e3)] {
        let opened = Opened::read(&file(&parts(bypass), "600R", "1kHz"), &[]);
        let rest = opened.ask(&VoltagesOf).expect("it rests");
        let valve = &rest.valves[0];
        let found = response(&opened, (1.0, 1e6), None);
        // Textbook: A = mu·R / (R + ra + (mu + 1)·Rk), with what the grid leak leaves of the drive.
        let wanted =
            valve.mu * r_load / (r_load + valve.ra + (valve.mu + 1.0) * r_k) * 1e6 / (1e6 + 600.0);
        // Some 100 pF of the valve at 1 kHz against 600 Ω and 50 kΩ turn the phase by a few 1e-3 and leave
        // their square of the gain; grid current has a slope of some 1e-7 S against 600 Ω.
        assert!(
            (found.gain / wanted - 1.0).abs() < 2e-4,
            "{} for {wanted}",
            found.gain
        );
        assert!(found.gain > 20.0, "a stage that amplifies");
        assert!((found.phase_degrees - 180.0).abs() < 1.0, "and inverts");
    }
}

#[test]
fn what_oscillates_and_what_is_mute_is_said() {
    let example = &checks::examples::EXAMPLES[2];
    let run = |set: &[(&str, &str)], node: Option<&str>| {
        let opened = example.open(set);
        let mut question = question(&opened, (1.0, 1e6), None);
        if let Some(node) = node {
            let node = opened.amplifier.circuit.find_node(node).expect("a node");
            question.outputs[0].nodes = (node, NodeId::CHASSIS);
        }
        opened.ask(&question)
    };
    assert!(run(&[], None).is_ok());
    // Too much feedback.
    let unstable = run(&[("R16", "470R")], None);
    assert!(
        matches!(unstable, Err(SimError::Oscillates { .. })),
        "{unstable:?}"
    );
    let mute = run(&[], Some("chassis"));
    assert!(matches!(mute, Err(SimError::Question(_))), "{mute:?}");
}
