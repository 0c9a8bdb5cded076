//! Worked examples of books, articles and examinations, each answered through the measurement it is about.
//!
//! Two kinds: closed forms, which the solver must meet, and readings of real valves, which it predicts.
//! Over 400 lines because it is one list: every example with its circuit, its answer and its source.

use measure::at_rest::voltages::{ValveAtRest, VoltagesOf};
use measure::driven::power::Level;
use measure::small_signal::impedance::{Impedance, ImpedanceOf};
use measure::small_signal::loop_gain::{FeedbackPath, LoopGainOf};
use measure::small_signal::response::{Output, ResponseOf};
use models::data::Filter;
use models::library;
use nalgebra::Complex;
use rayon::prelude::*;
use sim::Tolerances;
use sim::operating_point::operating_point;
use sim::small_signal::{Excitation, SmallSignal};
use sim::spectrum::Spectrum;

use super::rectifiers::{predicted, settled};
use crate::examples::{EXAMPLES, Opened};

/// A published answer beside ours, in its own unit.
#[derive(Clone, Debug)]
pub struct Worked {
    /// The example and the figure with its unit.
    pub what: &'static str,
    /// As printed.
    pub published: f64,
    /// From the program, or why there is none.
    pub ours: Result<f64, String>,
    /// What the difference is held to, a ratio, and why; none where nothing is known that it should meet.
    pub tolerance: Option<(f64, &'static str)>,
    /// Where the answer comes from.
    pub basis: &'static str,
}

impl Worked {
    /// The number it was collected under, which stands before the colon and finds its source in [`SOURCES`].
    ///
    /// # Panics
    /// When no number stands there.
    pub fn number(&self) -> u8 {
        let number = self.what.split(':').next().map(str::parse);
        number.and_then(Result::ok).expect("a number and a colon")
    }

    /// Ours against the print, per cent; none when it is not compared.
    pub fn difference(&self) -> Option<f64> {
        let ours = self.ours.as_ref().ok()?;
        Some(100.0 * (ours / self.published - 1.0))
    }

    /// True when it follows from linear parts and ideal diodes alone and is held to 1 % or closer.
    pub fn is_closed_form(&self) -> bool {
        self.tolerance.is_some_and(|(ratio, _)| ratio <= CORNER.0)
    }
}

/// Where the question or its figures come from, by the number of the example: title, edition, year and page as far as they
/// are known. Pages of the web were read once and their titles not kept.
pub const SOURCES: [(u8, &str); 19] = [
    (
        1,
        "a teaching page on triode amplifiers, its worked examples 4.1 to 4.3; title not recorded",
    ),
    (2, "the teaching page of example 1"),
    (
        4,
        "a page of an amplifier forum, which read the gain off the curves of a sheet; title not recorded",
    ),
    (
        5,
        "an examination paper, Ip = 41 (Vp + 7 Vg)^1.41 µA for a strapped 6F6; title and year not recorded",
    ),
    (
        7,
        "the rule: F. Langford-Smith, Radiotron Designer's Handbook, 4th edition, as quoted on a forum page, page not known; \
         the row: the 6V6GT under \"Every row\" (from memory)",
    ),
    (
        8,
        "a page of an amplifier forum on a single-ended EL34; title not recorded",
    ),
    (
        10,
        "the reading: a page that was read, title not recorded; the formula: computed here",
    ),
    (
        11,
        "the sheet of each type, edition not known (from memory); the linear estimate: computed here",
    ),
    (
        13,
        "F. Langford-Smith, Radiotron Designer's Handbook, edition and page not known (from memory), for the formulae",
    ),
    (
        14,
        "a report of the National Physical Laboratory, 1951, in a booklet of articles from Wireless World; title and page of \
         the booklet not recorded; formulae as example 13",
    ),
    (
        16,
        "a magazine article, read as a scan; title, year and page not recorded",
    ),
    (
        17,
        "an article of the 1950s on the page of a magazine; title and year not recorded",
    ),
    (
        19,
        "the maker's data handbook, sheet of the GZ34, edition not known (from memory)",
    ),
    (20, "no book: 1/(ω²LC − 1), computed here"),
    (
        22,
        "no book: Fourier series of a rectified sine, computed here",
    ),
    (
        23,
        "capacitances: the sheet of the 12AX7, edition not known (from memory); Cgk + (1 + A) Cga, computed here",
    ),
    (
        25,
        "the sheet of the PX25 in a booklet, pages 104 and 105, read as a scan; title and year not recorded",
    ),
    (26, "no book: RL/(ra + RL) and ra/(ra + RL), computed here"),
    (
        28,
        "F. Langford-Smith, Radiotron Designer's Handbook, edition and page not known (from memory)",
    ),
];

/// Closed forms of linear parts.
const CLOSED: (f64, &str) = (2e-3, "closed form, printed to three figures");
/// Mains periods have a diode's volts in them.
const DIODE: (f64, &str) = (5e-3, "closed form for ideal diodes");
/// A reading of one real stage.
const STAGE: (f64, &str) = (0.2, "valves of a type spread by 10 to 30 %");
/// Transformer corners: the closed form puts all leakage on one side and leaves out the other end of the band.
const CORNER: (f64, &str) = (1e-2, "the closed form keeps the ends of the band apart");

type Answer = fn() -> f64;

/// What, as printed, ours, held to, basis.
type Example = (
    &'static str,
    f64,
    Answer,
    Option<(f64, &'static str)>,
    &'static str,
);

/// All examples, solved.
pub fn all() -> Vec<Worked> {
    let page = "page";
    let of_page = "computed from figures of a page";
    let computed = "computed";
    let memory = "computed from figures recalled";
    let list: Vec<Example> = vec![
        (
            "1: 12AX7 at 300 V, 220k into 470k, mu 100, ra 80k: gain",
            65.2,
            || gain(&stage("12AX7", 300.0, "220k", "470k", "2k8")),
            Some(STAGE),
            page,
        ),
        (
            "2: 12AT7 (mu 60, ra 10.9k) into a 3k primary: gain",
            12.9,
            || primary("12AT7", 250.0, 2.0),
            Some(STAGE),
            page,
        ),
        (
            "2: 12AU7 (mu 17, ra 7.7k) into a 3k primary: gain",
            4.77,
            || primary("12AU7", 250.0, 8.5),
            Some(STAGE),
            page,
        ),
        (
            "2: 12AX7 (mu 100, ra 80k) into a 3k primary: gain",
            3.61,
            || primary("12AX7", 100.0, 1.0),
            Some(STAGE),
            page,
        ),
        (
            "4: 12AX7, 300 V, 100k, 1k5 bypassed, into 1M: gain",
            62.0,
            || gain(&stage("12AX7", 300.0, "100k", "1M", "1k5")),
            Some(STAGE),
            page,
        ),
        (
            "5: 6F6 strapped, 250 V, −20 V, power law of the paper: mA",
            30.98,
            || strapped().0,
            Some(STAGE),
            of_page,
        ),
        (
            "5: the same: ra, Ω",
            2518.0,
            || strapped().1,
            Some(STAGE),
            of_page,
        ),
        (
            "5: the same: gm, mA/V",
            2.78,
            || strapped().2,
            Some(STAGE),
            of_page,
        ),
        (
            "5: the same: mu",
            7.0,
            || strapped().3,
            Some(STAGE),
            of_page,
        ),
        (
            "7: two 6V6GT, 285 V, 8k, at 14 W: peak anode current, mA",
            118.3,
            || two_6v6().0,
            Some(STAGE),
            "rule of a page, row from memory",
        ),
        (
            "7: the same: least anode volts",
            48.4,
            || two_6v6().1,
            None,
            "rule of a page, row from memory",
        ),
        (
            "8: swings of 312 V and 250 V: second harmonic, %",
            5.52,
            unequal_swings,
            Some(CLOSED),
            "page (it prints 5.54)",
        ),
        (
            "10: long-tailed pair of 12AX7, 100k into 1M: gain a side by formula, ra 80k",
            26.6,
            long_tail,
            None,
            "computed; the tail is ours, 0.4 mA each",
        ),
        (
            "10: the same pair, a reading (its tail is not given; ours passes 0.4 mA each)",
            23.8,
            long_tail,
            Some(STAGE),
            page,
        ),
        (
            "11: 2A3 250 V, 45 V peak, 2.5k: W printed (linear estimate 4.10)",
            3.5,
            || watts("2A3", 250.0, 45.0, 2500.0),
            None,
            memory,
        ),
        (
            "11: 45 275 V, 56 V peak, 4.6k: W printed (linear 2.23)",
            2.0,
            || watts("45", 275.0, 56.0, 4600.0),
            None,
            memory,
        ),
        (
            "11: 45 250 V, 50 V peak, 3.9k: W printed (linear 1.97)",
            1.6,
            || watts("45", 250.0, 50.0, 3900.0),
            None,
            memory,
        ),
        (
            "11: 300B 300 V, 61 V peak, 2.4k: W printed (linear 6.89)",
            6.6,
            || watts("300B", 300.0, 61.0, 2400.0),
            None,
            memory,
        ),
        (
            "11: 300B 300 V, 61 V peak, 3.4k: W printed (linear 5.58)",
            5.6,
            || watts("300B", 300.0, 61.0, 3400.0),
            None,
            memory,
        ),
        (
            "11: 6L6 strapped 250 V, 20 V peak, 5k: W printed (linear 1.43)",
            1.4,
            || watts("6L6", 250.0, 20.0, 5000.0),
            None,
            memory,
        ),
        (
            "11: 6F6 strapped 250 V, 20 V peak, 4k: W printed (linear 0.85)",
            0.85,
            || watts("6F6", 250.0, 20.0, 4000.0),
            None,
            memory,
        ),
        (
            "11: 211 1000 V, 61 V peak, 7.6k: W printed (linear 15.67)",
            12.0,
            || watts("211", 1000.0, 61.0, 7600.0),
            None,
            memory,
        ),
        (
            "11: 10 425 V, 39 V peak, 10.2k: W printed (linear 2.15)",
            1.6,
            || watts("10", 425.0, 39.0, 10200.0),
            None,
            memory,
        ),
        (
            "13: 100 H, 30 mH, 10k from 2 × 1300 Ω: lower −3 dB, Hz",
            3.28,
            || corners("100H", "30mH").0,
            Some(CORNER),
            computed,
        ),
        (
            "13: the same: upper −3 dB, kHz",
            66.8,
            || 1e-3 * corners("100H", "30mH").1,
            Some(CORNER),
            computed,
        ),
        (
            "14: 95 H, 5.3 mH, a measured transformer: lower −3 dB, Hz",
            3.46,
            || corners("95H", "5.3mH").0,
            Some(CORNER),
            of_page,
        ),
        (
            "14: the same: upper −3 dB, kHz",
            378.0,
            || 1e-3 * corners("95H", "5.3mH").1,
            Some(CORNER),
            of_page,
        ),
        (
            "17: source resistance from the loop gains with and without load, rule over measured, our EL84 amplifier",
            1.0,
            two_feedbacks,
            Some((1e-3, "the rule is exact")),
            "rule of a page",
        ),
        (
            "19: GZ34, 450 V, 125 Ω, 60 µF, 250 mA: volts",
            480.0,
            gz34,
            Some((
                0.05,
                "the sheet prints 5 V steps and valves differ in their drop",
            )),
            memory,
        ),
        (
            "20: 10 H and 8 µF at 100 Hz: dB down",
            29.7,
            choke_filter,
            Some(CLOSED),
            computed,
        ),
        (
            "22: rectified sine: second harmonic peak over mean, %",
            66.7,
            || rectified_sine()[0],
            Some(DIODE),
            computed,
        ),
        (
            "22: the same: fourth harmonic, %",
            13.3,
            || rectified_sine()[1],
            Some(DIODE),
            computed,
        ),
        (
            "22: the same: total ripple rms, %",
            48.3,
            || rectified_sine()[2],
            Some(DIODE),
            computed,
        ),
        (
            "23: 12AX7 of gain 62: input capacitance, pF",
            108.7,
            || miller().0,
            Some(STAGE),
            memory,
        ),
        (
            "23: the same behind 68k: −3 dB, kHz",
            21.5,
            || miller().1,
            Some(STAGE),
            memory,
        ),
        (
            "25: PX25 with 550 Ω at 400 V: bias, V",
            34.4,
            || px25(400.0, 34.375, "550R"),
            Some(STAGE),
            of_page,
        ),
        (
            "25: PX25 with 1000 Ω at 500 V: bias, V",
            50.0,
            || px25(500.0, 50.0, "1k"),
            Some(STAGE),
            of_page,
        ),
        (
            "26: ripple of the h.t. across a 2A3's 2.5k primary, of 1 V",
            0.758,
            || ripple().0,
            Some(STAGE),
            computed,
        ),
        (
            "26: on the anode of a 12AX7 with 100k, of 1 V",
            0.385,
            || ripple().1,
            Some(STAGE),
            computed,
        ),
        (
            "28: five ordinates: (Imax − Imin)² R/8 of our 2A3 over its solved power",
            1.0,
            || ordinates().0,
            Some((
                0.05,
                "exact for a second harmonic alone, and higher ones are below a twentieth",
            )),
            "rule, from memory",
        ),
        (
            "28: ((Imax + Imin)/2 − I0)/(Imax − Imin) over its solved second harmonic",
            1.0,
            || ordinates().1,
            Some((
                0.05,
                "exact for a second harmonic alone, and higher ones are below a twentieth",
            )),
            "rule, from memory",
        ),
    ];
    let mut answers: Vec<Worked> = list
        .into_par_iter()
        .map(|(what, published, ours, tolerance, basis)| Worked {
            what,
            published,
            ours: Ok(ours()),
            tolerance,
            basis,
        })
        .collect();
    let without = |what, published, why: &str, basis| Worked {
        what,
        published,
        ours: Err(why.to_owned()),
        tolerance: None,
        basis,
    };
    answers.extend([
        without(
            "2: 12AV7 (mu 41, ra 4.8k) into a 3k primary: gain",
            15.8,
            "the program does not have the type",
            page,
        ),
        without(
            "16: two EL34, 43 % taps, a maker's 20 W amplifier: W at 0.2 %",
            36.0,
            "the circuit and its feedback are not given",
            page,
        ),
        without(
            "17: a distributed-load amplifier: closed-loop source resistance over load",
            0.076,
            "arithmetic on two feedback figures; the circuit is not given",
            of_page,
        ),
    ]);
    answers
}

fn opened(parts: &str, into: &str, load: &str, resistance: &str) -> Opened {
    Opened::of_parts(parts, (into, resistance), load)
}

/// A stage with its cathode bypassed.
fn stage(valve: &str, volts: f64, ra: &str, next: &str, rk: &str) -> Opened {
    driven_stage(valve, volts, ra, next, rk, "0R")
}

fn driven_stage(valve: &str, volts: f64, ra: &str, next: &str, rk: &str, from: &str) -> Opened {
    opened(
        &format!(
            r#"
HT = {{ supply = "{volts}V", positive = "ht", negative = "chassis" }}
RI = {{ resistor = "100M", between = ["g", "chassis"] }}
V1 = {{ valve = "{valve}", anode = "a", grid = "g", cathode = "k" }}
RA = {{ resistor = "{ra}", between = ["a", "ht"] }}
RK = {{ resistor = "{rk}", between = ["k", "chassis"] }}
CK = {{ capacitor = "1000u", between = ["k", "chassis"] }}
C1 = {{ capacitor = "1u", between = ["a", "out"] }}
RG = {{ resistor = "{next}", between = ["out", "chassis"] }}
"#
        ),
        "g",
        "RG",
        from,
    )
}

/// Volts from `node` to the chassis for one volt of a source at `frequency`.
fn transfer(at: &Opened, source: &str, node: &str, frequency: f64) -> Complex<f64> {
    let circuit = &at.amplifier.circuit;
    let mut ws = at.system.workspace();
    operating_point(&at.system, &Tolerances::default(), &mut ws).expect("rest");
    let mut linear = SmallSignal::at(&at.system, &mut ws);
    linear.tune(frequency).expect("an answer");
    let part = if source.is_empty() {
        at.amplifier.bench.generator
    } else {
        circuit.find_part(source).expect("a part")
    };
    let x = linear.response(Excitation::Source(part)).expect("a source");
    let node = circuit.find_node(node).expect("a node");
    linear.voltage(&x, node, sim::NodeId::CHASSIS)
}

fn gain(at: &Opened) -> f64 {
    transfer(at, "", "out", 1e3).norm()
}

const NEARLY_IDEAL: &str = "primary_resistance = \"0R\", secondary_resistance = \"0R\", leakage_inductance = \"1mH\", capacitance = \"1p\", core_loss = \"100M\"";

/// A valve with fixed bias and a transformer, its secondary the load.
fn with_transformer(valve: &str, screen: &str, volts: f64, bias: f64, load: f64) -> Opened {
    opened(
        &format!(
            r#"
HT = {{ supply = "{volts}V", positive = "ht", negative = "chassis" }}
V1 = {{ valve = "{valve}", anode = "a"{screen}, grid = "g", cathode = "k" }}
GB = {{ supply = "{bias}V", positive = "k", negative = "chassis" }}
HK = {{ supply = "{bias}V", positive = "b", negative = "ht" }}
T2 = {{ transformer = "{load}R : 8R", primary = ["a", "b"], secondary = ["out", "chassis"], primary_inductance = "1000H", {NEARLY_IDEAL} }}
RL = {{ resistor = "8R", between = ["out", "chassis"] }}
"#
        ),
        "g",
        "RL",
        "0R",
    )
}

fn primary(valve: &str, volts: f64, bias: f64) -> f64 {
    transfer(&with_transformer(valve, "", volts, bias, 3e3), "", "a", 1e3).norm()
}

fn at_rest(at: &Opened) -> ValveAtRest {
    let mut chart = at.ask(&VoltagesOf).expect("rest");
    chart.valves.remove(0)
}

fn level(at: &Opened, drive: f64) -> Level {
    at.bench()
        .at_drive(&at.under_test(), drive)
        .expect("a settled level")
}

/// mA, ra, gm in mA/V, mu.
fn strapped() -> (f64, f64, f64, f64) {
    let v1 = at_rest(&with_transformer(
        "6F6",
        ", screen = \"a\"",
        250.0,
        20.0,
        4e3,
    ));
    (1e3 * (v1.i_a + v1.i_s), v1.ra, 1e3 * v1.gm, v1.mu)
}

/// Peak anode current, mA, and least anode volts of the pair at the printed drive.
fn two_6v6() -> (f64, f64) {
    let rows = super::rows::amplifiers();
    let row = rows
        .iter()
        .find(|row| row.r#type == "6V6GT" && row.va_v == Some(285.0))
        .expect("the row is there");
    let text = super::circuit::amplifier(row).expect("it is whole");
    let level = level(&Opened::read(&text, &[]), row.drive().expect("printed"));
    let v1 = &level.valves[0];
    // The other half swings as far up as this one swings down.
    (1e3 * v1.i_a_most, 2.0 * 285.0 - v1.v_ak_most)
}

/// A wave of fundamental and second harmonic with these swings about its rest, through our spectrum.
fn unequal_swings() -> f64 {
    const SAMPLES: usize = 256;
    let (up, down) = (312.0, 250.0);
    let wave: Vec<f64> = (0..SAMPLES)
        .map(|k| {
            let c = (std::f64::consts::TAU * k as f64 / SAMPLES as f64).cos();
            0.5 * (up + down) * c + 0.5 * (up - down) * c * c
        })
        .collect();
    100.0 * Spectrum::of_period(&wave).ratio(2)
}

fn long_tail() -> f64 {
    let at = opened(
        r#"
HT = { supply = "300V", positive = "ht", negative = "chassis" }
NT = { supply = "78.5V", positive = "chassis", negative = "nt" }
V1 = { valve = "12AX7", anode = "a", grid = "g", cathode = "k" }
V2 = { valve = "12AX7", anode = "a2", grid = "chassis", cathode = "k" }
RA = { resistor = "100k", between = ["a", "ht"] }
R2 = { resistor = "100k", between = ["a2", "ht"] }
RK = { resistor = "100k", between = ["k", "nt"] }
C1 = { capacitor = "1u", between = ["a", "out"] }
C2 = { capacitor = "1u", between = ["a2", "out2"] }
RG = { resistor = "1M", between = ["out", "chassis"] }
R3 = { resistor = "1M", between = ["out2", "chassis"] }
"#,
        "g",
        "RG",
        "0R",
    );
    0.5 * (transfer(&at, "", "out", 1e3) - transfer(&at, "", "out2", 1e3)).norm()
}

fn watts(valve: &str, volts: f64, peak: f64, load: f64) -> f64 {
    let pentode = ["6L6", "6F6"].contains(&valve);
    let screen = if pentode { ", screen = \"a\"" } else { "" };
    level(&with_transformer(valve, screen, volts, peak, load), peak).power
}

/// Corners, Hz, of a transformer of 10k from 2.6k, with no strays.
fn corners(inductance: &str, leakage: &str) -> (f64, f64) {
    let at = opened(
        &format!(
            r#"
R1 = {{ resistor = "2.6k", between = ["in", "p"] }}
T1 = {{ transformer = "10k : 8R", primary = ["p", "chassis"], secondary = ["out", "chassis"], primary_resistance = "0R", secondary_resistance = "0R", primary_inductance = "{inductance}", leakage_inductance = "{leakage}", capacitance = "0.001p", core_loss = "1000M" }}
RL = {{ resistor = "8R", between = ["out", "chassis"] }}
"#
        ),
        "in",
        "RL",
        "0R",
    );
    falls(&at)
}

/// Where the gain is 3 dB down from that at 1 kHz, Hz.
fn falls(at: &Opened) -> (f64, f64) {
    let bench = &at.amplifier.bench;
    let question = ResponseOf {
        generator: bench.generator,
        outputs: vec![Output {
            name: "load".to_owned(),
            nodes: bench.load_nodes,
        }],
        from: 0.5,
        to: 2e6,
        reference: 1e3,
        target: None,
    };
    let answer = at.ask(&question).expect("an answer").remove(0);
    let fall = answer
        .falls
        .iter()
        .find(|fall| (fall.fall - 3.0).abs() < 0.1)
        .expect("−3 dB is asked for");
    (
        fall.lower.unwrap_or(f64::NAN),
        fall.upper.unwrap_or(f64::NAN),
    )
}

/// Source resistance of the EL84 example by the rule of two loop gains, over the one `impedance` measures.
///
/// ```text
/// T_load = T_open·R/(R + Ro),   Zo = Ro/(1 + T_open)
/// ```
fn two_feedbacks() -> f64 {
    const LOAD: f64 = 8.0;
    /// Beside the 8 Ω of the amplifier as good as no load.
    const OPEN: &str = "10M";
    let example = EXAMPLES[2];
    let loop_gain = |load: &str| {
        let at = example.open(&[("LS1", load)]);
        let bench = &at.amplifier.bench;
        let circuit = &at.amplifier.circuit;
        let mut ws = at.system.workspace();
        operating_point(&at.system, &Tolerances::default(), &mut ws).expect("rest");
        let mut linear = SmallSignal::at(&at.system, &mut ws);
        linear.tune(bench.frequency).expect("an answer");
        let path = FeedbackPath::find(circuit, &mut linear, bench.load).expect("a loop");
        let question = LoopGainOf {
            path,
            generator: bench.generator,
            load: bench.load_nodes,
            frequency: bench.frequency,
            range: (1.0, 1e6),
        };
        let point = question.at(circuit, &mut linear, bench.frequency);
        point.expect("an answer").loop_gain
    };
    let (loaded, open) = (loop_gain("8R"), loop_gain(OPEN));
    let without = (open / loaded - 1.0) * LOAD;
    let with = without / (open + 1.0);
    let at = example.open(&[]);
    let measured = impedance(&at).at_test.output.expect("it is driven");
    with.norm() / measured.magnitude
}

fn gz34() -> f64 {
    let valve = library::find("GZ34").expect("it is there");
    let row = valve
        .operations
        .iter()
        .find(|row| {
            row.filter == Filter::Capacitor
                && row.volts_rms == Some(450.0)
                && row.dc_volts == Some(480.0)
        })
        .expect("the row is there");
    predicted(valve, row).expect("it is whole")
}

fn choke_filter() -> f64 {
    let at = opened(
        r#"
L1 = { inductor = "10H", between = ["in", "out"], resistance = "1R" }
C1 = { capacitor = "8u", between = ["out", "chassis"] }
RL = { resistor = "1M", between = ["out", "chassis"] }
"#,
        "in",
        "RL",
        "0R",
    );
    -20.0 * transfer(&at, "", "out", 100.0).norm().log10()
}

/// Second and fourth harmonic and total ripple over the mean, per cent.
fn rectified_sine() -> [f64; 3] {
    // 10 kV, beside which the drop of a diode is nothing.
    let at = opened(
        r#"
U1 = { ac_supply = "7071V", frequency = "50Hz", between = ["x", "chassis"], resistance = "1R" }
U2 = { ac_supply = "7071V", frequency = "50Hz", between = ["chassis", "y"], resistance = "1R" }
D1 = { diode = "silicon", anodes = ["x", "y"], cathode = "out" }
RL = { resistor = "100k", between = ["out", "chassis"] }
"#,
        "out",
        "RL",
        "100M",
    );
    let period = settled(&at.system, 50.0);
    let (out, _) = at.load();
    let spectrum = Spectrum::of_period(&period.unknown(u32::try_from(out).expect("an unknown")));
    [
        100.0 * spectrum.amplitude(2) / spectrum.mean,
        100.0 * spectrum.amplitude(4) / spectrum.mean,
        100.0 * spectrum.rms() / spectrum.mean,
    ]
}

fn impedance(at: &Opened) -> Impedance {
    let bench = &at.amplifier.bench;
    let question = ImpedanceOf {
        generator: bench.generator,
        load: bench.load,
        load_ohms: bench.load_ohms,
        frequency: bench.frequency,
        from: 20.0,
        to: 20e3,
        loudspeaker: sim::parts::Loudspeaker::typical(bench.load_ohms),
    };
    at.ask(&question).expect("an answer")
}

/// pF, kHz.
fn miller() -> (f64, f64) {
    let at = stage("12AX7", 300.0, "100k", "1M", "1k5");
    let answer = impedance(&at);
    let farads = answer.input.expect("there is an input").capacitance;
    let (_, upper) = falls(&driven_stage("12AX7", 300.0, "100k", "1M", "1k5", "68k"));
    (1e12 * farads, 1e-3 * upper)
}

fn px25(volts: f64, bias: f64, rk: &str) -> f64 {
    let at = opened(
        &format!(
            r#"
HT = {{ supply = "{}V", positive = "ht", negative = "chassis" }}
V1 = {{ valve = "PX25", anode = "a", grid = "g", cathode = "k" }}
RK = {{ resistor = "{rk}", between = ["k", "chassis"] }}
CK = {{ capacitor = "1000u", between = ["k", "chassis"] }}
T2 = {{ transformer = "5.5k : 8R", primary = ["a", "ht"], secondary = ["out", "chassis"], primary_inductance = "1000H", {NEARLY_IDEAL} }}
RL = {{ resistor = "8R", between = ["out", "chassis"] }}
"#,
            volts + bias
        ),
        "g",
        "RL",
        "0R",
    );
    -at_rest(&at).v_gk
}

/// Ripple of one volt on the h.t.: across the primary of a 2A3, on the anode of a 12AX7.
fn ripple() -> (f64, f64) {
    let at = with_transformer("2A3", "", 250.0, 45.0, 2500.0);
    let across = (1.0 - transfer(&at, "HT", "a", 1e3)).norm();
    let stage = stage("12AX7", 300.0, "100k", "10M", "1k5");
    (across, transfer(&stage, "HT", "a", 1e3).norm())
}

/// The rule's watts and second harmonic over the solved ones, for a 2A3 that works on 2.5k without a transformer: the rule
/// knows no shift of the load line with the mean current.
fn ordinates() -> (f64, f64) {
    const LOAD: f64 = 2500.0;
    /// Two thirds of the bias, V peak: no grid current, and a second harmonic far above all others.
    const DRIVE: f64 = 30.0;
    let at = opened(
        &format!(
            r#"
HT = {{ supply = "400V", positive = "ht", negative = "chassis" }}
GB = {{ supply = "45V", positive = "chassis", negative = "b" }}
V1 = {{ valve = "2A3", anode = "a", grid = "g", cathode = "chassis" }}
R1 = {{ resistor = "1M", between = ["g", "b"] }}
C1 = {{ capacitor = "10u", between = ["in", "g"] }}
RL = {{ resistor = "{LOAD}R", between = ["ht", "a"] }}
"#
        ),
        "in",
        "RL",
        "0R",
    );
    let level = level(&at, DRIVE);
    let v1 = &level.valves[0];
    let swing = v1.i_a_most - v1.i_a_least;
    let watts = swing * swing * LOAD / 8.0;
    let second = (0.5 * (v1.i_a_most + v1.i_a_least) - v1.i_a_rest) / swing;
    (watts / level.power, second / level.harmonics[0])
}
