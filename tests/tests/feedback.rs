//! Feedback: loop gain, margins and square waves against closed forms and against what the circuit does.
//!
//! Over 400 lines because all of it stands on one bench: an amplifier at rest with the question of its loop.

use std::f64::consts::{PI, TAU};

use checks::examples::{EXAMPLES, Opened};
use measure::instruments::load_condition::LoadCondition;
use measure::instruments::logarithmic::decibels;
use measure::instruments::valve::ValveProbe;
use measure::small_signal::loop_gain::{FeedbackPath, LoopGain, LoopGainOf, PathError};
use measure::small_signal::square_wave::{SquareWave, SquareWaveOf, small_drive};
use measure::{Measurement, UnderTest};
use nalgebra::Complex;
use sim::amplifier::Amplifier;
use sim::operating_point::operating_point;
use sim::parts::{Part, Source, Waveform};
use sim::small_signal::{Excitation, SmallSignal};
use sim::transient::{Method, transient};
use sim::{Circuit, NodeId, PartId, System, Tolerances, Workspace};

/// An amplifier at rest.
struct AtRest {
    amplifier: Amplifier,
    system: System,
    ws: Workspace,
}

impl AtRest {
    fn of(amplifier: Amplifier) -> Self {
        let system = System::of(&amplifier.circuit).expect("a circuit without faults");
        let mut ws = system.workspace();
        operating_point(&system, &Tolerances::default(), &mut ws).expect("it has a rest");
        Self {
            amplifier,
            system,
            ws,
        }
    }

    /// A circuit made by hand; its load is the part of that name.
    fn by_hand(circuit: Circuit, generator: PartId, load: &str) -> Self {
        let load = circuit.find_part(load).expect("the load is there");
        let ends = &circuit.part(load).nodes;
        let bench = sim::amplifier::Bench {
            generator,
            load,
            load_ohms: 1e6,
            load_nodes: (ends[0], ends[1]),
            frequency: 1e3,
            distortion_limit: 0.05,
        };
        Self::of(Amplifier::new(circuit, bench))
    }

    /// The amplifier with another circuit.
    fn with(&self, circuit: Circuit) -> Self {
        Self::of(Amplifier {
            circuit,
            ..self.amplifier.clone()
        })
    }

    fn under_test(&self) -> UnderTest<'_> {
        UnderTest::find(&self.amplifier, &self.system).expect("it has a rest")
    }

    fn linear(&mut self, frequency: f64) -> SmallSignal<'_> {
        let mut linear = SmallSignal::at(&self.system, &mut self.ws);
        linear.tune(frequency).expect("it has an answer");
        linear
    }

    fn node(&self, name: &str) -> NodeId {
        self.amplifier
            .circuit
            .find_node(name)
            .expect("the node is there")
    }

    fn part(&self, name: &str) -> PartId {
        self.amplifier
            .circuit
            .find_part(name)
            .expect("the part is there")
    }
}

/// An amplifier at rest with the question of its feedback.
struct Bench {
    at: AtRest,
    question: LoopGainOf,
    load: PartId,
}

impl Bench {
    fn of(opened: Opened, through: &[&str]) -> Result<Self, PathError> {
        let bench = opened.amplifier.bench.clone();
        let mut at = AtRest::of(opened.amplifier);
        let path = if through.is_empty() {
            let circuit = at.amplifier.circuit.clone();
            FeedbackPath::find(&circuit, &mut at.linear(bench.frequency), bench.load)?
        } else {
            let parts: Vec<PartId> = through.iter().map(|name| at.part(name)).collect();
            FeedbackPath::through(&at.amplifier.circuit, bench.load, &parts)?
        };
        let question = LoopGainOf {
            path,
            generator: bench.generator,
            load: bench.load_nodes,
            frequency: bench.frequency,
            range: (1.0, 10e6),
        };
        Ok(Self {
            at,
            question,
            load: bench.load,
        })
    }

    fn example(set: &[(&str, &str)]) -> Self {
        Self::of(EXAMPLES[2].open(set), &[]).expect("it has feedback")
    }

    /// The amplifier with another load.
    fn loaded(&self, condition: LoadCondition) -> Self {
        Self {
            at: self
                .at
                .with(condition.of_circuit(&self.at.amplifier.circuit, self.load)),
            question: self.question.clone(),
            ..*self
        }
    }

    fn answer(&mut self) -> LoopGain {
        self.question
            .ask(&self.at.under_test(), &|_| ())
            .expect("it has an answer")
    }

    /// Loop gain at one frequency.
    fn loop_gain(&mut self, frequency: f64) -> Complex<f64> {
        let circuit = self.at.amplifier.circuit.clone();
        let question = self.question.clone();
        let mut linear = self.at.linear(frequency);
        let point = question.at(&circuit, &mut linear, frequency);
        point.expect("it has an answer").loop_gain
    }

    fn names(&self) -> Vec<&str> {
        let path = &self.question.path;
        path.parts()
            .map(|part| self.at.amplifier.circuit.part(part).name.as_str())
            .collect()
    }
}

fn parallel(a: Complex<f64>, b: Complex<f64>) -> Complex<f64> {
    a * b / (a + b)
}

fn ohms(r: f64) -> Complex<f64> {
    Complex::new(r, 0.0)
}

/// Two triodes with feedback from the second anode to the first cathode, the trade's "ring of two".
const RING_OF_TWO: &str = r#"[amplifier]
title  = "Ring of two"
source = "own design, invented for this check"

[parts]
HT = { supply = "300V", positive = "ht", negative = "chassis" }
R1 = { resistor = "1M", between = ["g1", "chassis"] }
V1 = { valve = "6SN7GT", anode = "a1", grid = "g1", cathode = "k1" }
R2 = { resistor = "2k2", between = ["k1", "chassis"] }
R3 = { resistor = "100k", between = ["a1", "ht"] }
C1 = { capacitor = "22n", between = ["a1", "g2"] }
R4 = { resistor = "470k", between = ["g2", "chassis"] }
C2 = { capacitor = "150p", between = ["g2", "chassis"] }
V2 = { valve = "6SN7GT", anode = "a2", grid = "g2", cathode = "k2" }
R5 = { resistor = "1k5", between = ["k2", "chassis"] }
R6 = { resistor = "47k", between = ["a2", "ht"] }
C3 = { capacitor = "0.47u", between = ["a2", "out"] }
R7 = { resistor = "100k", between = ["out", "chassis"] }
R8 = { resistor = "22k", between = ["out", "k1"] }
C4 = { capacitor = "100p", between = ["out", "k1"] }

[bench]
generator = { into = "g1", resistance = "600R" }
load      = "R7"
"#;

/// The ring of two, its valves without capacitances, so that nothing goes backwards in it.
fn ring_of_two() -> Bench {
    let mut opened = Opened::read(RING_OF_TWO, &[]);
    for name in ["V1", "V2"] {
        let part = opened
            .amplifier
            .circuit
            .find_part(name)
            .expect("it is there");
        if let Part::Valve(valve) = &mut opened.amplifier.circuit.part_mut(part).part {
            valve.kind.capacitances = models::data::Capacitances::default();
        }
    }
    Bench::of(opened, &[]).expect("it has feedback")
}

#[test]
fn the_loop_gain_of_a_ring_of_two_is_its_closed_form() {
    // Return ratio of the second valve: its source of EMF mu·v drives the anode circuit, the feedback
    // network loads that and is loaded by the cathode of the first, which amplifies as a valve with its
    // grid earthed. Source: equivalent circuits of the triode with an unbypassed cathode resistor and
    // with earthed grid, Valley & Wallman, Vacuum Tube Amplifiers (1948) ch. 1 (from memory); Bode 1945.
    let mut bench = ring_of_two();
    assert_eq!(bench.names(), ["R8", "C4"]);
    let probes = ValveProbe::all(&bench.at.amplifier.circuit, &bench.at.system);
    let [(mu_1, ra_1), (mu_2, ra_2)] = [0, 1].map(|k| {
        let currents = probes[k].at(&bench.at.ws.x).currents;
        assert!(currents.grid_slopes.iter().all(|g| g.abs() < 1e-9));
        (currents.mu(), currents.ra())
    });
    for k in 0..=60 {
        let frequency = 10f64.powf(f64::from(k) / 10.0);
        let s = Complex::new(0.0, TAU * frequency);
        let capacitor = |c: f64| (s * c).inv();
        // First valve, grid earthed: anode load and the resistance at its cathode.
        let z_grid = parallel(ohms(470e3), capacitor(150e-12));
        let z_1 = parallel(ohms(100e3), capacitor(22e-9) + z_grid);
        let z_k = parallel(ohms(2.2e3), (ra_1 + z_1) / (mu_1 + 1.0));
        let first = (mu_1 + 1.0) * z_1 / (ra_1 + z_1) * z_grid / (capacitor(22e-9) + z_grid);
        // Second valve into its anode resistor, the load, and the feedback network as loaded.
        let z_f = parallel(ohms(22e3), capacitor(100e-12));
        let z_l = parallel(ohms(100e3), z_f + z_k);
        let z_2 = parallel(ohms(47e3), capacitor(0.47e-6) + z_l);
        let second =
            mu_2 * z_2 / (ra_2 + (mu_2 + 1.0) * 1.5e3 + z_2) * z_l / (capacitor(0.47e-6) + z_l);
        let closed_form = first * second * z_k / (z_f + z_k);
        let ratio = bench.loop_gain(frequency) / closed_form;
        // 0.1 dB and 0.5° were asked for. It is exact but for rounding and for leakages of 1e-11 S or so:
        // 1e-6 leaves both room.
        assert!(
            (ratio - 1.0).norm() < 1e-6,
            "{frequency} Hz: {} dB, {}°",
            decibels(ratio.norm()),
            ratio.arg().to_degrees()
        );
    }
}

/// Loop gain at a wire by two injections: the ends of `parts` at `node` go to a new node that a source
/// without voltage joins to it. At the output the signal comes from the node, at the far end from the parts.
fn injected(
    bench: &Bench,
    parts: &[&str],
    (node, at_output): (&str, bool),
    frequency: f64,
) -> Complex<f64> {
    let mut circuit = bench.at.amplifier.circuit.clone();
    let near = circuit.find_node(node).expect("the node is there");
    let far = circuit.node("beyond the cut");
    for name in parts {
        let part = circuit.find_part(name).expect("the part is there");
        for at in &mut circuit.part_mut(part).nodes {
            if *at == near {
                *at = far;
            }
        }
    }
    let wire = circuit
        .add(
            "wire",
            Part::Source(Source {
                waveform: Waveform::Dc(0.0),
                resistance: 0.0,
            }),
            &[near, far],
        )
        .expect("well formed");
    let mut cut = bench.at.with(circuit);
    // The bias has not moved: two solutions of one circuit, each to a nanoampere or so.
    let was = |node: NodeId| bench.at.ws.x[bench.at.system.voltage_of(node) as usize];
    for (node, _) in bench.at.amplifier.circuit.nodes() {
        let is = cut.ws.x[cut.system.voltage_of(node) as usize];
        assert!((is - was(node)).abs() < 1e-5, "{is} V");
    }
    let current = cut.system.currents_of(wire)[0] as usize;
    let linear = cut.linear(frequency);
    let mut linear = linear.clone();
    // Middlebrook, Int. J. Electronics 38 (1975) 485 (from memory):
    // T = (Tv·Ti − 1)/(Tv + Ti + 2),  Tv = −V₁/V₂ by a voltage in the wire,  Ti = I₁/I₂ by a current.
    let x = linear.response(Excitation::Source(wire)).expect("a source");
    let volts = |x: &[Complex<f64>], node| linear.voltage(x, node, NodeId::CHASSIS);
    let mut by_voltage = -volts(&x, near) / volts(&x, far);
    let x = linear
        .response(Excitation::Current(far, NodeId::CHASSIS))
        .expect("nodes");
    // One ampere goes into the far side; what the wire carries of it enters `near`.
    let through = x[current];
    let mut by_current = through / (1.0 - through);
    if !at_output {
        (by_voltage, by_current) = (by_voltage.inv(), by_current.inv());
    }
    (by_voltage * by_current - 1.0) / (by_voltage + by_current + 2.0)
}

#[test]
fn two_injections_at_either_end_of_the_feedback_resistor_give_that_loop_gain() {
    let mut bench = ring_of_two();
    for frequency in [3.0, 1e3, 47e3, 1e6] {
        let ours = bench.loop_gain(frequency);
        for place in [("out", true), ("k1", false)] {
            let theirs = injected(&bench, &["R8", "C4"], place, frequency);
            // Nothing goes backwards in this amplifier, so theory has them equal; 1e-8 is rounding of the
            // difference of nearly equal currents.
            assert!(
                (theirs / ours - 1.0).norm() < 1e-8,
                "{place:?} at {frequency} Hz: {theirs}, not {ours}, {}",
                (theirs / ours - 1.0).norm()
            );
        }
    }
    // In a whole amplifier the feedback network is entered from both ends through valve capacitances and
    // iron; what goes backwards there is some parts in a million of the loop gain at audio frequencies.
    let mut bench = Bench::example(&[]);
    for frequency in [10.0, 1e3, 20e3, 100e3] {
        let ours = bench.loop_gain(frequency);
        for place in [("out", true), ("f", false)] {
            let theirs = injected(&bench, &["R16", "C6"], place, frequency);
            assert!(
                (theirs / ours - 1.0).norm() < 1e-3,
                "{place:?} at {frequency} Hz: {theirs}, not {ours}, {}",
                (theirs / ours - 1.0).norm()
            );
        }
    }
}

#[test]
fn without_feedback_is_the_amplifier_with_its_loop_open_and_loaded() {
    // As on the bench: the feedback resistor is taken off the cathode, which is then loaded with another
    // one to the chassis, and goes to another cathode resistor. The replicas are not exact: the output
    // (about 8 Ω) is missing under 2.2 kΩ, the cathode circuit (above 1 kΩ) beside 100 Ω. That is 0.4 % of
    // the loading of the cathode resistor by 4 %, and 10 % of 4 % of 0.4 % at the output: 0.02 %. Higher up
    // the capacitor across the feedback resistor makes them more unlike.
    let mut bench = Bench::example(&[]);
    let mut circuit = bench.at.amplifier.circuit.clone();
    let (f, replica) = (bench.at.node("f"), circuit.node("replica"));
    for name in ["R16", "C6"] {
        let part = circuit.part_mut(bench.at.part(name));
        for at in &mut part.nodes {
            if *at == f {
                *at = replica;
            }
        }
    }
    for (name, part, node) in [
        ("Ra", Part::resistor(2.2e3), f),
        ("Ca", Part::capacitor(470e-12), f),
        ("Rb", Part::resistor(100.0), replica),
    ] {
        circuit
            .add(name, part, &[node, NodeId::CHASSIS])
            .expect("well formed");
    }
    let mut open = bench.at.with(circuit);
    let question = bench.question.clone();
    for (frequency, tolerance_db) in [
        (1.0, 0.02),
        (10.0, 0.02),
        (1e3, 0.02),
        (20e3, 0.02),
        (100e3, 0.1),
    ] {
        let linear = open.linear(frequency);
        let mut linear = linear.clone();
        let x = linear
            .response(Excitation::Source(question.generator))
            .expect("a source");
        let gain = linear.voltage(&x, question.load.0, question.load.1);
        let circuit = bench.at.amplifier.circuit.clone();
        let mut closed = bench.at.linear(frequency);
        let point = question
            .at(&circuit, &mut closed, frequency)
            .expect("it has an answer");
        let off = decibels((point.without / gain).norm());
        assert!(off.abs() < tolerance_db, "{frequency} Hz: {off} dB");
        // gain with = gain without/(1 + T), with the gain of the opened circuit.
        let off = decibels((point.with * (1.0 + point.loop_gain) / gain).norm());
        assert!(off.abs() < tolerance_db, "{frequency} Hz: {off} dB");
    }
}

#[test]
fn natural_frequencies_without_feedback_are_those_of_the_opened_circuit() {
    // Nothing goes backwards in the ring of two, so what its feedback parts pass forward moves no natural
    // frequency, and with a copy of them to a fixed voltage at either end instead it must have the same ones.
    let mut bench = ring_of_two();
    let part = bench.at.part("C4");
    // Losses, so that the capacitor has a node of its own inside.
    if let Part::Capacitor(capacitor) = &mut bench.at.amplifier.circuit.part_mut(part).part {
        (capacitor.esr, capacitor.leakage) = (100.0, 1e-7);
    }
    bench.at = bench.at.with(bench.at.amplifier.circuit.clone());
    let mut opened = bench.at.amplifier.circuit.clone();
    // Supplies without resistance stand for the chassis, so that no bias moves.
    let [beside_out, beside_k1] = ["out", "k1"].map(|name| {
        let at = bench.at.system.voltage_of(bench.at.node(name)) as usize;
        let node = opened.node(&format!("beside {name}"));
        let supply = Part::Source(Source {
            waveform: Waveform::Dc(bench.at.ws.x[at]),
            resistance: 0.0,
        });
        opened
            .add(&format!("as {name}"), supply, &[node, NodeId::CHASSIS])
            .expect("new");
        node
    });
    for name in ["R8", "C4"] {
        let placed = opened.part_mut(bench.at.part(name));
        let copy = placed.part.clone();
        let cathode = std::mem::replace(&mut placed.nodes[1], beside_k1);
        opened
            .add(&format!("{name} copied"), copy, &[beside_out, cathode])
            .expect("new");
    }
    let sorted = |mut modes: Vec<Complex<f64>>| {
        modes.sort_by(|a, b| a.norm().total_cmp(&b.norm()).then(a.im.total_cmp(&b.im)));
        modes
    };
    let ours = sorted(bench.answer().modes_without);
    let mut opened = bench.at.with(opened);
    let theirs = sim::stability::natural_frequencies(&opened.system, &mut opened.ws);
    let theirs = sorted(theirs.expect("it has a rest"));
    assert_eq!(ours.len(), theirs.len(), "{ours:?} {theirs:?}");
    assert!(ours.len() > 4, "{ours:?}");
    for (one, other) in ours.iter().zip(&theirs) {
        // Rounding of the eigenvalues of a matrix of wide spread.
        assert!((one / other - 1.0).norm() < 1e-6, "{ours:?} {theirs:?}");
    }
    // With the feedback they are others.
    let closed = sorted(bench.answer().modes);
    let same = |s: &Complex<f64>| ours.iter().any(|o| (s / o - 1.0).norm() < 1e-3);
    assert!(!closed.iter().all(same), "{closed:?}");
}

/// A stage of variable gain behind a cathode follower, and three sections of RC back to its grid.
const PHASE_SHIFT: &str = r#"[amplifier]
title  = "Phase-shift oscillator"
source = "own design, invented for this check"

[parts]
HT = { supply = "300V", positive = "ht", negative = "chassis" }
V1 = { valve = "ECC83", anode = "a", grid = "g", cathode = "k" }
R1 = { resistor = "1k7", between = ["k", "chassis"] }
R2 = { resistor = "100k", between = ["a", "ht"] }
V2 = { valve = "6SN7GT", anode = "ht", grid = "a", cathode = "out" }
R3 = { resistor = "33k", between = ["out", "chassis"] }
C1 = { capacitor = "10n", between = ["out", "n1"] }
R4 = { resistor = "470k", between = ["n1", "chassis"] }
C2 = { capacitor = "10n", between = ["n1", "n2"] }
R5 = { resistor = "470k", between = ["n2", "chassis"] }
C3 = { capacitor = "10n", between = ["n2", "g"] }
R6 = { resistor = "470k", between = ["g", "in"] }

[bench]
generator = { into = "in", resistance = "0R" }
load      = "R3"
"#;

#[test]
fn a_phase_shift_oscillator_starts_at_a_gain_of_29_and_the_textbook_frequency() {
    // f = 1/(2π√6·RC), gain 29: Ginzton & Hollingsworth, Proc. IRE 29 (1941) 43 (from memory). With a
    // source resistance r of the stage, gain 29 + 23 r/R and 6 + 4 r/R under the root (textbook): the
    // follower has some 500 Ω against 470 kΩ, so 0.1 % and 0.04 %.
    let (r, c) = (470e3, 10e-9);
    let textbook = 1.0 / (2.0 * PI * 6f64.sqrt() * r * c);
    let bench_of = |cathode: f64| {
        let set = format!("{cathode}R");
        let mut opened = Opened::read(PHASE_SHIFT, &[("R1", &set)]);
        // Valves without capacitance: the ladder sees nothing but the follower and the grid.
        for name in ["V1", "V2"] {
            let part = opened
                .amplifier
                .circuit
                .find_part(name)
                .expect("it is there");
            if let Part::Valve(valve) = &mut opened.amplifier.circuit.part_mut(part).part {
                valve.kind.capacitances = models::data::Capacitances::default();
            }
        }
        // Mid band is where the ladder passes everything.
        opened.amplifier.bench.frequency = 1e3;
        Bench::of(opened, &["C1"]).expect("a path was named")
    };
    // The gain from grid to output, whatever the loop does.
    let gain = |bench: &mut Bench| {
        let (out, g) = (bench.at.node("out"), bench.at.node("g"));
        let generator = bench.question.generator;
        let mut linear = bench.at.linear(textbook);
        let x = linear
            .response(Excitation::Source(generator))
            .expect("a source");
        let volts = |node| linear.voltage(&x, node, NodeId::CHASSIS);
        -(volts(out) / volts(g)).re
    };
    for (wanted, oscillates) in [(29.0 * 0.99, false), (29.0 * 1.01, true)] {
        let (mut low, mut high) = (500.0, 10e3);
        for _ in 0..40 {
            let middle = 0.5 * (low + high);
            if gain(&mut bench_of(middle)) > wanted {
                low = middle;
            } else {
                high = middle;
            }
        }
        let mut bench = bench_of(low);
        let found = gain(&mut bench);
        assert!((found / wanted - 1.0).abs() < 1e-6, "{found}");
        let answer = bench.answer();
        assert_eq!(answer.growing.is_some(), oscillates, "{:?}", answer.growing);
        let crossing = answer.gain_margin_below().expect("half a turn");
        assert!(
            (crossing.frequency / textbook - 1.0).abs() < 2e-3,
            "{crossing:?}, not {textbook} Hz"
        );
        // 29 over the gain, in dB; 0.1 % is 0.01 dB.
        let margin = decibels(29.0 / found);
        assert!((crossing.margin_db - margin).abs() < 0.015, "{crossing:?}");
        assert_eq!(crossing.margin_db < 0.0, oscillates);
        let phase = answer.margin_below().expect("unity");
        assert_eq!(phase.margin_degrees < 0.0, oscillates, "{phase:?}");
        if let Some(growing) = answer.growing {
            // One per cent beyond the limit moves it by a few thousandths.
            assert!(
                (growing.frequency / textbook - 1.0).abs() < 5e-3,
                "{growing:?}, not {textbook} Hz"
            );
        }
    }
}

#[test]
fn an_amplifier_with_too_much_feedback_oscillates_at_the_frequency_told() {
    // The verdict against the run itself: a kick too small to matter, and the zeros of what grows from it.
    let fast = Tolerances {
        local_error: f64::INFINITY,
        ..Tolerances::default().closer(1e-3)
    };
    let capacitive = LoadCondition {
        rated: true,
        capacitance: 0.47e-6,
    };
    for mut bench in [
        Bench::example(&[("R16", "470R")]),
        Bench::example(&[]).loaded(capacitive),
    ] {
        let growing = bench.answer().growing.expect("it is not stable");
        let (a, b) = bench.question.load;
        let [a, b] = [a, b].map(|node| bench.at.system.voltage_of(node) as usize);
        let mut ws = bench.at.ws.clone();
        let rest = ws.x[a] - ws.x[b];
        let place = bench
            .at
            .system
            .sources()
            .position(|part| part == bench.question.generator)
            .expect("a source");
        ws.waveforms[place] = Waveform::Samples {
            volts: [0.0, 1e-5, 0.0].into(),
            rate: 1e6,
        };
        // 100 steps a cycle: the method is of second order, some ten-thousandths off.
        let step = 1.0 / (100.0 * growing.frequency);
        let until = 20.0 / growing.rate;
        let (mut zeros, mut last) = (Vec::new(), (0.0, 0.0));
        let mut greatest: Vec<f64> = Vec::new();
        transient(
            &bench.at.system,
            Method::TrBdf2,
            (0.0, until, step),
            true,
            &fast,
            &mut ws,
            &mut |t: f64, x: &[f64]| {
                let volts = x[a] - x[b] - rest;
                if last.1 < 0.0 && volts >= 0.0 {
                    zeros.push(last.0 + (t - last.0) * last.1 / (last.1 - volts));
                    greatest.push(0.0);
                }
                if let Some(peak) = greatest.last_mut() {
                    *peak = peak.max(volts);
                }
                last = (t, volts);
            },
        )
        .expect("it can be followed");
        // Cycles between what the kick left and where valves begin to limit.
        let small: Vec<usize> = (0..zeros.len() - 1)
            .filter(|&k| greatest[k] > 1e-3 && greatest[k] < 0.1)
            .collect();
        assert!(small.len() >= 3, "{greatest:?}");
        let (first, end) = (small[0], small[small.len() - 1]);
        let cycles = (end - first) as f64;
        let period = (zeros[end] - zeros[first]) / cycles;
        assert!(
            (period * growing.frequency - 1.0).abs() < 2e-3,
            "{} Hz, told {}",
            1.0 / period,
            growing.frequency
        );
        let rate = (greatest[end] / greatest[first]).ln() / (cycles * period);
        assert!(
            (rate / growing.rate - 1.0).abs() < 0.02,
            "{rate} 1/s, told {}",
            growing.rate
        );
    }
}

#[test]
fn margins_and_natural_frequencies_never_disagree() {
    let (mut stable, mut unstable) = (0, 0);
    for feedback in ["10k", "4k7", "2k2", "1k", "680R", "470R", "330R", "150R"] {
        let bench = Bench::example(&[("R16", feedback)]);
        for condition in LoadCondition::ALL {
            let answer = bench.loaded(condition).answer();
            // The loop open is stable, so by Nyquist the margins decide; none is conditional here.
            assert!(answer.growing_without.is_none());
            let least = [answer.margin_below(), answer.margin_above()]
                .into_iter()
                .flatten()
                .map(|crossing| crossing.margin_degrees)
                .fold(180.0, f64::min);
            let nearest = answer.gain_margin_above().expect("it ends in phase lag");
            assert_eq!(
                least < 0.0,
                answer.growing.is_some(),
                "R16 {feedback}, {condition:?}: {least}°, {:?}",
                answer.growing
            );
            assert_eq!(nearest.margin_db < 0.0, least < 0.0, "{nearest:?}");
            if answer.growing.is_some() {
                unstable += 1;
            } else {
                stable += 1;
            }
        }
    }
    assert!(stable > 10 && unstable > 10, "{stable}, {unstable}");
}

#[test]
fn the_path_is_found_where_there_is_one() {
    for example in &EXAMPLES[..2] {
        let none = Bench::of(example.open(&[]), &[]).err();
        assert_eq!(none, Some(PathError::NoFeedback), "{}", example.name);
    }
    assert_eq!(Bench::example(&[]).names(), ["R16", "C6"]);
    let edited = |lines: &str, through: &[&str]| {
        let text = EXAMPLES[2].text().replace(
            "# Overall feedback\n",
            &format!("# Overall feedback\n{lines}\n"),
        );
        Bench::of(Opened::read(&text, &[]), through)
    };
    // A Zobel network is no feedback.
    let zobel = "R30 = { resistor = \"10R\", between = [\"out\", \"y\"] }\nC30 = { capacitor = \"0.1u\", between = [\"y\", \"chassis\"] }";
    let found = edited(zobel, &[]).expect("one loop");
    assert_eq!(found.names(), ["R16", "C6"]);
    // Parts in series are one way, whichever of them is named.
    let series = "R30 = { resistor = \"47k\", between = [\"out\", \"y\"] }\nC30 = { capacitor = \"10n\", between = [\"y\", \"k1\"] }";
    for part in ["R30", "C30"] {
        let found = edited(series, &[part]).expect("one loop");
        assert_eq!(found.names(), ["R30", "C30"]);
    }
    // With it there are two, and none is guessed at; both together may be asked for.
    match edited(series, &[]).err() {
        Some(PathError::Several(paths)) => assert_eq!(paths.len(), 2),
        other => panic!("{other:?}"),
    }
    let both = edited(series, &["R16", "C30"]).expect("they leave one node");
    assert_eq!(both.names(), ["R16", "C6", "R30", "C30"]);
    assert!(matches!(
        edited("", &["T1"]).err(),
        Some(PathError::NotAPath(_))
    ));
    assert!(matches!(
        edited("", &["R16", "R13"]).err(),
        Some(PathError::NotAPath(_) | PathError::TwoLoops(..))
    ));
}

/// The figures of a square wave at `drive`, with `finer` times the steps.
fn square(bench: &mut Bench, drive: f64, finer: f64) -> (SquareWave, LoopGain) {
    let answer = bench.answer();
    let mut question = SquareWaveOf::new(
        bench.question.generator,
        bench.question.load,
        drive,
        &answer,
    );
    question.rate *= finer;
    let wave = question
        .ask(&bench.at.under_test(), &|_| ())
        .expect("it can be followed");
    (wave, answer)
}

#[test]
fn a_two_pole_circuit_overshoots_and_rings_as_its_closed_form() {
    // Overshoot e^(−πζ/√(1−ζ²)), ringing at f₀√(1−ζ²), decay a cycle the overshoot squared: textbook.
    let (l, c) = (1e-3, 1e-9);
    for zeta in [0.1, 0.3, 0.6] {
        let r = 2.0 * zeta * f64::sqrt(l / c);
        let mut circuit = Circuit::new();
        let [a, b, out] = ["a", "b", "out"].map(|name| circuit.node(name));
        let dc = Part::Source(Source {
            waveform: Waveform::Dc(0.0),
            resistance: 0.0,
        });
        let generator = circuit.add("G", dc, &[a, NodeId::CHASSIS]).expect("new");
        for (name, part, at) in [
            ("R", Part::resistor(r), [a, b]),
            ("L", Part::inductor(l, 0.0), [b, out]),
            ("C", Part::capacitor(c), [out, NodeId::CHASSIS]),
        ] {
            circuit.add(name, part, &at).expect("new");
        }
        let at = AtRest::by_hand(circuit, generator, "C");
        let root = f64::sqrt(1.0 - zeta * zeta);
        let ringing_at = root / (TAU * f64::sqrt(l * c));
        let question = SquareWaveOf {
            generator,
            load: (out, NodeId::CHASSIS),
            drive: 0.5,
            gain: Complex::new(1.0, 0.0),
            rate: 40.0 * ringing_at / root,
        };
        let wave = question
            .ask(&at.under_test(), &|_| ())
            .expect("it can be followed");
        let overshoot = (-PI * zeta / root).exp();
        // 40 steps a cycle by a rule of second order.
        assert!(
            (wave.overshoot - overshoot).abs() < 2e-3,
            "{}, not {overshoot}",
            wave.overshoot
        );
        if zeta < 0.5 {
            let ringing = wave.ringing.expect("it rings");
            assert!(
                (ringing.frequency / ringing_at - 1.0).abs() < 5e-3,
                "{ringing:?}"
            );
            assert!(
                (ringing.decay - overshoot * overshoot).abs() < 5e-3,
                "{ringing:?}"
            );
        }
    }
}

#[test]
fn square_waves_are_followed_finely_enough_and_ring_at_the_natural_frequency() {
    let rated = Bench::example(&[]);
    let drive = small_drive(&rated.at.under_test()).expect("a signal reaches the load");
    let loads = [0.0, 0.1e-6].map(|capacitance| LoadCondition {
        rated: true,
        capacitance,
    });
    for condition in loads {
        let mut bench = rated.loaded(condition);
        let (wave, answer) = square(&mut bench, drive, 1.0);
        let (finer, _) = square(&mut bench, drive, 2.0);
        // Overshoot is told to a per cent of the step.
        assert!(
            (wave.overshoot - finer.overshoot).abs() < 2e-3,
            "{} {}",
            wave.overshoot,
            finer.overshoot
        );
        let [one, two] = [&wave, &finer].map(|wave| wave.ringing.expect("it rings"));
        assert!(
            (one.frequency / two.frequency - 1.0).abs() < 3e-3,
            "{one:?} {two:?}"
        );
        assert!((one.decay - two.decay).abs() < 5e-3, "{one:?} {two:?}");
        let rises = [&wave, &finer].map(|wave| wave.rise_time.expect("it rises"));
        assert!((rises[0] / rises[1] - 1.0).abs() < 3e-3, "{rises:?}");
        // Nothing clips: half the drive gives the same figures.
        let (half, _) = square(&mut bench, 0.5 * drive, 1.0);
        assert!((wave.overshoot - half.overshoot).abs() < 3e-3);
        // The least damped natural frequency of the response is what is left to ring.
        let natural = answer
            .modes
            .iter()
            .filter(|s| s.im > TAU * 20e3 && s.im < TAU * 200e3)
            .map(|s| s.im / TAU)
            .map(|f| (f / one.frequency - 1.0).abs())
            .fold(f64::INFINITY, f64::min);
        // A few swings, in which a second pair of poles still shows.
        assert!(natural < 0.02, "{one:?} is no natural frequency");
    }
}

#[test]
fn hum_is_no_overshoot() {
    // Superposition: a linear circuit answers an edge alike, whatever else runs in it. 2 mA of mains through
    // 100 kΩ, whose 600 Ω make twice the edge of hum.
    let wave = |mains: f64| {
        let mut circuit = Circuit::new();
        let [a, b, out, l] = ["a", "b", "out", "l"].map(|name| circuit.node(name));
        let source = |waveform| {
            Part::Source(Source {
                waveform,
                resistance: 0.0,
            })
        };
        let silent = source(Waveform::Dc(0.0));
        let running = source(Waveform::Alternating {
            amplitude: mains,
            frequency: 50.0,
            phase: 0.0,
        });
        let generator = circuit
            .add("G", silent, &[a, NodeId::CHASSIS])
            .expect("new");
        for (name, part, at) in [
            ("M", running, [l, NodeId::CHASSIS]),
            ("RM", Part::resistor(100e3), [l, out]),
            ("R", Part::resistor(600.0), [a, b]),
            ("L", Part::inductor(1e-3, 0.0), [b, out]),
            ("C", Part::capacitor(1e-9), [out, NodeId::CHASSIS]),
        ] {
            circuit.add(name, part, &at).expect("new");
        }
        let at = AtRest::by_hand(circuit, generator, "C");
        let question = SquareWaveOf {
            generator,
            load: (out, NodeId::CHASSIS),
            drive: 0.5,
            gain: Complex::new(1.0, 0.0),
            rate: 8e6,
        };
        question
            .ask(&at.under_test(), &|_| ())
            .expect("it can be followed")
    };
    let (quiet, humming) = (wave(0.0), wave(200.0));
    // Local sub-steps differ with what else moves: a ten-thousandth of the edge.
    assert!(
        (quiet.overshoot - humming.overshoot).abs() < 1e-4,
        "{} {}",
        quiet.overshoot,
        humming.overshoot
    );
    for (a, b) in quiet.volts.iter().zip(&humming.volts) {
        assert!((a - b).abs() < 1e-4, "{a} V, not {b} V");
    }
}

#[test]
fn a_valve_by_its_filament_or_with_its_heater_drawn_allows_the_same_drive() {
    // One stage three ways. The filament's ends are joined by 1 mΩ each: a part in 1e5 of its bias resistor.
    let drive = |valve: &str, kind: &str, more: &str| {
        let parts = format!(
            r#"V1 = {{ valve = "{kind}", anode = "a", grid = "in", {valve} }}
RK = {{ resistor = "1k", between = ["k", "chassis"] }}
RA = {{ resistor = "5k", between = ["a", "ht"] }}
HT = {{ supply = "300V", positive = "ht", negative = "chassis" }}
{more}"#
        );
        let opened = Opened::of_parts(&parts, ("in", "600R"), "RA");
        small_drive(&opened.under_test()).expect("a signal reaches the load")
    };
    let plain = drive(r#"cathode = "k""#, "2A3", "");
    let filament = drive(
        r#"filament = ["f1", "f2"]"#,
        "2A3",
        r#"R1 = { resistor = "0.001", between = ["f1", "k"] }
R2 = { resistor = "0.001", between = ["f2", "k"] }"#,
    );
    assert!((filament / plain - 1.0).abs() < 1e-4, "{filament} {plain}");
    let plain = drive(r#"cathode = "k""#, "6J5", "");
    let heated = drive(
        r#"cathode = "k", heater = ["chassis", "h"]"#,
        "6J5",
        r#"H = { ac_supply = "6.3V", frequency = "50Hz", between = ["h", "chassis"] }"#,
    );
    // Heater leakage and capacitance beside the bias resistor: a part in 1e4.
    assert!((heated / plain - 1.0).abs() < 1e-3, "{heated} {plain}");
}

#[test]
fn what_comes_back_the_wrong_way_round_is_positive_whatever_its_size() {
    let text = EXAMPLES[2].text();
    let drawn = "secondary = [\"out\", \"chassis\"]";
    let swapped = text.replace(drawn, "secondary = [\"chassis\", \"out\"]");
    for (text, resistor, positive) in [(&text, "R16", false), (&swapped, "R16", true)] {
        for ohms in ["470R", "2k2", "470k"] {
            let opened = Opened::read(text, &[(resistor, ohms)]);
            let of = opened.under_test();
            let path = measure::small_signal::feedback::path(&of, &[]).expect("a path");
            let answer = LoopGainOf::bench(&opened.amplifier.bench, path)
                .ask(&of, &|_| ())
                .expect("it has an answer");
            assert_eq!(
                answer.is_positive(),
                positive,
                "{ohms}: {}",
                answer.mid.loop_gain
            );
        }
    }
}

#[test]
fn an_anode_load_on_a_rail_kept_still_is_no_way_back() {
    // A feedback pair whose two anode loads end on one rail: what leads back is the resistor to the first cathode alone.
    let pair = Opened::read(
        r#"[amplifier]
title = "feedback pair"
source = "own design, invented for this check"
[parts]
R1 = { resistor = "1M", between = ["in", "chassis"] }
V1a = { valve = "ECC83", anode = "a1", grid = "in", cathode = "k1" }
R2 = { resistor = "220k", between = ["a1", "ht"] }
R3 = { resistor = "2k2", between = ["k1", "chassis"] }
C1 = { capacitor = "0.1u", between = ["a1", "g2"] }
R4 = { resistor = "470k", between = ["g2", "chassis"] }
V1b = { valve = "ECC83", anode = "a2", grid = "g2", cathode = "k2" }
R5 = { resistor = "100k", between = ["a2", "ht"] }
R6 = { resistor = "1k5", between = ["k2", "chassis"] }
C2 = { capacitor = "0.47u", between = ["a2", "o"] }
R7 = { resistor = "47k", between = ["o", "k1"] }
R8 = { resistor = "100k", between = ["o", "chassis"] }
HT = { supply = "270V", positive = "s", negative = "chassis" }
R9 = { resistor = "10k", between = ["s", "ht"] }
C3 = { electrolytic = "32u", positive = "ht", negative = "chassis", rating = "350V" }
[bench]
generator = { into = "in", resistance = "200R" }
load = "R8"
"#,
        &[],
    );
    let bench = Bench::of(pair, &[]).expect("one loop");
    let far = bench.question.path.branches[0].0;
    assert_eq!(bench.at.part("R7"), far);
}
