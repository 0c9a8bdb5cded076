//! Files that read, what is read from them, and that no text makes the reader panic.
//!
//! Over 400 lines because each test is one text and what is read from it.

use proptest::prelude::*;

use super::{FileErrorKind, read};
use sim::amplifier::{Amplifier, NoteKind};
use sim::parts::{Part, Transformer, Waveform};
use sim::quantity::{Quantity, Unit};

const AMPLIFIER: &str = r#"
[amplifier]
title  = "One pentode"
source = "own design"

[parts]
HT  = { supply = "300V", positive = "ht", negative = "earth", resistance = "100R" }
V1  = { valve = "EL84", anode = "a", screen = "s", grid = "g", cathode = "k" }
Rk  = { resistor = "270R", between = ["k", "chassis"], rating = "1W", tolerance = "10%" }
Ck  = { electrolytic = "25 µF", positive = "k", negative = "0V", rating = "25V", leakage = "0.1mA", esr = "2R" }
Rs  = { resistor = "100", between = ["s", "ht"] }
C1  = { capacitor = "22n", between = ["in", "g"] }
VR1 = { pot = "470k", ends = ["g", "chassis"], wiper = "w", law = "log", setting = "70%" }
R9  = { resistor = "1M", between = ["w", "b"] }
S1  = { switch = "dull", common = "b", positions = { bright = "s", dull = "k", off = [] } }
T1  = { transformer = "5k : 8R", primary = ["a", "ht"], secondary = ["out", "chassis"], primary_resistance = "250R", secondary_resistance = "0.4R", primary_inductance = "20H", leakage_inductance = "50mH", capacitance = "1n", saturates = "8W at 30Hz", core_loss = "75k" }
LS1 = { loudspeaker = "8R", between = ["out", "chassis"] }

[bench]
generator = { into = "in", resistance = "600R" }
load      = "LS1"
"#;

fn amplifier(text: &str, set: &[(&str, &str)]) -> Amplifier {
    let set: Vec<_> = set
        .iter()
        .map(|(part, value)| ((*part).to_owned(), (*value).to_owned()))
        .collect();
    read(text, &set).unwrap_or_else(|faults| panic!("{faults:#?}"))
}

fn part<'a>(amplifier: &'a Amplifier, name: &str) -> &'a Part {
    &amplifier
        .circuit
        .part(
            amplifier
                .circuit
                .find_part(name)
                .expect("it is in the file"),
        )
        .part
}

fn transformer<'a>(amplifier: &'a Amplifier, name: &str) -> &'a Transformer {
    match part(amplifier, name) {
        Part::Transformer(transformer) => transformer,
        other => panic!("{other:?}"),
    }
}

#[test]
fn lines_without_a_name_are_slips_and_told_once() {
    let faults = super::read("[parts]\n= 1\n= 2\n", &[]).unwrap_err();
    let [fault] = faults.as_slice() else {
        panic!("{faults:?}");
    };
    assert!(
        matches!(fault.kind, FileErrorKind::Syntax { .. }),
        "{fault}"
    );
}

#[test]
fn every_part_of_a_file_is_read() {
    let read = amplifier(AMPLIFIER, &[]);
    assert_eq!(read.title, "One pentode");
    assert_eq!(read.bench.frequency, 1e3);
    assert_eq!(read.bench.distortion_limit, 0.05);
    assert_eq!(read.bench.load_ohms, 8.0);
    let positions = read.positions_of("S1");
    assert_eq!(positions, Some(vec!["bright", "dull", "off"]));
    assert_eq!(read.positions_of("S9"), None);
    let Part::Capacitor(ck) = part(&read, "Ck") else {
        panic!()
    };
    assert_eq!(
        (ck.c, ck.esr, ck.leakage, ck.polar),
        (25e-6, 2.0, 0.1e-3 / 25.0, true)
    );
    let rk = read.circuit.part(read.circuit.find_part("Rk").unwrap());
    assert_eq!(
        (rk.ratings.watts, rk.ratings.tolerance),
        (Some(1.0), Some(0.1))
    );
    assert_eq!(rk.nodes[1], sim::NodeId::CHASSIS);
    let ck = read.circuit.part(read.circuit.find_part("Ck").unwrap());
    assert_eq!(ck.nodes[1], sim::NodeId::CHASSIS, "0V is the chassis");
    // What the loudspeaker lacks is assumed and said so.
    let assumed: Vec<_> = read
        .notes
        .iter()
        .filter(|note| note.part == "LS1")
        .collect();
    assert_eq!(assumed.len(), 5);
    assert!(
        assumed
            .iter()
            .all(|note| matches!(note.kind, NoteKind::Assumed { .. }))
    );
}

#[test]
fn a_value_set_from_outside_goes_before_the_file() {
    let read = amplifier(AMPLIFIER, &[("Rk", "330R"), ("S1", "off"), ("VR1", "0%")]);
    assert!(matches!(part(&read, "Rk"), Part::Resistor(r) if r.r == 330.0));
    assert!(matches!(part(&read, "S1"), Part::Switch(s) if s.closed.is_none()));
    assert!(matches!(part(&read, "VR1"), Part::Pot(p) if p.fraction == 1e-3));
    let set = [
        ("Rk".to_owned(), "12V".to_owned()),
        ("R77".to_owned(), "1k".to_owned()),
    ];
    let faults = super::read(AMPLIFIER, &set).unwrap_err();
    assert_eq!(faults.len(), 2, "{faults:?}");
    assert!(
        faults
            .iter()
            .all(|fault| matches!(fault.kind, FileErrorKind::Set { .. }) && fault.span == (0..0))
    );
}

/// The source of a line `G1` in an otherwise good file, and how much of it was assumed.
fn signal(keys: &str) -> (sim::parts::Source, usize) {
    let line =
        format!("G1 = {{ signal = {keys}, positive = \"in\", negative = \"chassis\" }}\nLS1 =");
    let read = amplifier(&AMPLIFIER.replace("LS1 =", &line), &[]);
    let Part::Source(source) = part(&read, "G1") else {
        panic!()
    };
    let assumed = read.notes.iter().filter(|note| note.part == "G1").count();
    (source.clone(), assumed)
}

#[test]
fn a_signal_is_stated_by_its_peak() {
    let (sine, assumed) = signal("\"0.2V\", frequency = \"1kHz\"");
    assert_eq!((sine.resistance, assumed), (600.0, 1));
    assert_eq!(sine.waveform.at(0.25e-3), 0.2, "a quarter of a cycle");
    let (square, assumed) =
        signal("\"0.2V\", wave = \"square\", frequency = \"1kHz\", resistance = \"10k\"");
    assert_eq!((square.resistance, assumed), (10e3, 0));
    assert_eq!(
        (square.waveform.at(0.1e-3), square.waveform.at(0.6e-3)),
        (0.2, -0.2)
    );
    let tones =
        "\"1V\", wave = \"two tone\", frequency = [\"60Hz\", \"7kHz\"], resistance = \"0R\"";
    let (two, assumed) = signal(tones);
    assert_eq!(assumed, 1, "4:1 is taken");
    let Waveform::TwoTone { first, second } = two.waveform else {
        panic!()
    };
    assert_eq!((first.1, second.1), (60.0, 7e3));
    assert!((first.0 - 0.8).abs() < 1e-15 && (second.0 - 0.2).abs() < 1e-15);
    let (even, assumed) = signal(&format!("{tones}, ratio = \"1:1\""));
    assert_eq!(assumed, 0);
    let shares = (0.5, 60.0);
    assert!(matches!(even.waveform, Waveform::TwoTone { first, .. } if first == shares));
}

#[test]
fn a_signal_with_the_keys_of_another_wave_is_a_fault() {
    let fault = |keys: &str| {
        let line = format!(
            "G1 = {{ signal = \"1V\", {keys}, positive = \"in\", negative = \"0V\" }}\nLS1 ="
        );
        let mut faults = read(&AMPLIFIER.replace("LS1 =", &line), &[]).unwrap_err();
        assert_eq!(faults.len(), 1, "{faults:?}");
        faults.remove(0).kind
    };
    let tones = |keys: &str| match fault(keys) {
        FileErrorKind::ToneCount { wanted, found } => (wanted, found),
        other => panic!("{other:?}"),
    };
    let two = "wave = \"two tone\", frequency =";
    assert_eq!(tones("frequency = [\"60Hz\", \"7kHz\"]"), (1, 2));
    assert_eq!(tones(&format!("{two} \"60Hz\"")), (2, 1));
    assert_eq!(tones(&format!("{two} [\"1Hz\", \"2Hz\", \"3Hz\"]")), (2, 3));
    assert!(matches!(
        fault("frequency = \"60Hz\", ratio = \"4:1\""),
        FileErrorKind::Needs { .. }
    ));
    assert!(matches!(
        fault("wave = \"two tone\""),
        FileErrorKind::MissingKey {
            key: "frequency",
            ..
        }
    ));
    assert!(matches!(
        fault("wave = \"saw\", frequency = \"60Hz\""),
        FileErrorKind::UnknownWave { .. }
    ));
}

#[test]
fn a_log_pot_has_fifteen_per_cent_at_half_travel() {
    let half = |law: &str| {
        let text = AMPLIFIER.replace("law = \"log\"", &format!("law = \"{law}\""));
        match part(&amplifier(&text, &[("VR1", "50%")]), "VR1") {
            Part::Pot(pot) => pot.fraction,
            other => panic!("{other:?}"),
        }
    };
    for (law, fraction) in [("linear", 0.5), ("log", 0.15), ("reverse log", 0.85)] {
        assert!((half(law) - fraction).abs() < 1e-12, "{law}: {}", half(law));
    }
}

/// Inductance at the primary, secondary open and shorted, from the windings.
fn bridge_readings(t: &Transformer) -> (f64, f64) {
    let primary: f64 = t
        .windings
        .iter()
        .filter(|w| w.name.starts_with("primary"))
        .map(|w| w.leakage)
        .sum();
    let secondary: Vec<_> = t
        .windings
        .iter()
        .filter(|w| w.name.starts_with("secondary"))
        .collect();
    let turns: f64 = secondary.iter().map(|w| w.turns).sum();
    let referred = secondary.iter().map(|w| w.leakage).sum::<f64>() / (turns * turns);
    let l0 = t.core.l0;
    (primary + l0, primary + l0 * referred / (l0 + referred))
}

#[test]
fn leakage_and_inductance_are_what_a_bridge_would_read() {
    let tapped = AMPLIFIER.replace(
        "primary = [\"a\", \"ht\"]",
        "primary = [\"a\", \"s\", \"ht\"], primary_taps = [\"57%\"]",
    );
    for text in [AMPLIFIER, tapped.as_str()] {
        let read = amplifier(text, &[]);
        let t = transformer(&read, "T1");
        let (open, shorted) = bridge_readings(t);
        assert!((open / 20.0 - 1.0).abs() < 1e-12, "{open}");
        assert!((shorted / 50e-3 - 1.0).abs() < 1e-12, "{shorted}");
        let turns: Vec<f64> = t.windings.iter().map(|w| w.turns).collect();
        assert!((turns.last().unwrap() - (8.0f64 / 5000.0).sqrt()).abs() < 1e-15);
        let primary: Vec<_> = t
            .windings
            .iter()
            .filter(|w| w.name.starts_with("primary"))
            .collect();
        let ohms: f64 = primary.iter().map(|w| w.resistance).sum();
        let series: f64 = primary.iter().map(|w| 1.0 / w.capacitance).sum();
        assert!((ohms - 250.0).abs() < 1e-9 && (1e-9 * series - 1.0).abs() < 1e-12);
    }
}

#[test]
fn losses_are_taken_as_a_resistance_or_as_measured() {
    let loss =
        |text: &str| transformer(&amplifier(&AMPLIFIER.replace("\"75k\"", text), &[]), "T1").loss;
    assert_eq!(loss("\"75k\""), 75e3);
    assert_eq!(loss("\"2W at 300V\""), 45e3);
    let leakage = |text: &str| {
        let text = AMPLIFIER.replace("leakage = \"0.1mA\"", &format!("leakage = \"{text}\""));
        match part(&amplifier(&text, &[]), "Ck") {
            Part::Capacitor(capacitor) => capacitor.leakage,
            other => panic!("{other:?}"),
        }
    };
    assert_eq!(leakage("0.1mA"), 0.1e-3 / 25.0);
    assert_eq!(leakage("500k"), 2e-6);
}

#[test]
fn saturation_is_taken_from_power_flux_or_current() {
    let bend = |text: &str| {
        let text = AMPLIFIER.replace("8W at 30Hz", text);
        transformer(&amplifier(&text, &[]), "T1").core.clone()
    };
    let peak = (2.0f64 * 8.0 * 5000.0).sqrt() / (std::f64::consts::TAU * 30.0);
    assert!((bend("8W at 30Hz").lambda_s / (1.2 * peak) - 1.0).abs() < 1e-12);
    assert_eq!(bend("1.2Wb").lambda_s, 1.2);
    // A single-ended transformer has its direct current to carry besides: 20 H less half the leakage.
    let single_ended = bend("8W at 30Hz\", direct_current = \"50mA");
    let direct = single_ended.l0 * 50e-3;
    assert!((single_ended.lambda_s / (1.2 * (peak + direct)) - 1.0).abs() < 1e-12);
    let core = bend("60mA");
    let flux = core.saturation_flux();
    assert!((core.anhysteretic(flux).value / 60e-3 - 1.0).abs() < 1e-12);
}

#[test]
fn a_gap_lies_within_the_measured_inductance() {
    let text = AMPLIFIER.replace("saturates =", "gap_inductance = \"25H\", saturates =");
    let core = transformer(&amplifier(&text, &[]), "T1").core.clone();
    let leakage = 20.0 * (1.0 - (1.0f64 - 50e-3 / 20.0).sqrt());
    assert!((core.incremental_inductance(0.0) / (20.0 - leakage) - 1.0).abs() < 1e-12);
    // 0.1 mm, 2000 turns, 6.5 cm²: 4π·10⁻⁷·4·10⁶·6.5·10⁻⁴/10⁻⁴ H
    let text = AMPLIFIER.replace(
        "saturates =",
        "gap = \"0.1mm\", turns = 2000, core_area = \"6.5cm2\", saturates =",
    );
    let core = transformer(&amplifier(&text, &[]), "T1").core.clone();
    assert!(
        (1.0 / core.gap / 32.672_563 - 1.0).abs() < 1e-6,
        "{}",
        1.0 / core.gap
    );
}

#[test]
fn all_faults_are_reported_in_the_order_of_the_file() {
    let text = AMPLIFIER
        .replace("\"270R\"", "\"-270R\"")
        .replace("\"22n\"", "\"22mF\"")
        .replace("wiper = \"w\"", "wipper = \"w\"")
        .replace("load      = \"LS1\"", "lode = \"LS1\"");
    let faults = read(&text, &[]).unwrap_err();
    let places: Vec<usize> = faults.iter().map(|fault| fault.span.start).collect();
    assert!(places.is_sorted(), "{faults:#?}");
    assert_eq!(faults.len(), 4, "{faults:#?}");
    assert!(matches!(faults[0].kind, FileErrorKind::OutOfBounds { .. }));
    assert!(matches!(faults[1].kind, FileErrorKind::Quantity { .. }));
    assert!(matches!(
        &faults[2].kind,
        FileErrorKind::UnknownKey {
            nearest: Some("wiper"),
            ..
        }
    ));
    assert!(matches!(
        &faults[3].kind,
        FileErrorKind::UnknownKey {
            nearest: Some("load"),
            ..
        }
    ));
}

/// A file of these parts, with a supply and a resistor to work on.
fn file_of(parts: &str) -> String {
    format!(
        "[amplifier]\ntitle = \"t\"\nsource = \"s\"\n[parts]\n\
         E1 = {{ supply = \"300V\", positive = \"ht\", negative = \"chassis\", resistance = \"1R\" }}\n\
         R1 = {{ resistor = \"8R\", between = [\"out\", \"chassis\"] }}\n\
         R2 = {{ resistor = \"1M\", between = [\"ht\", \"out\"] }}\n{parts}\n\
         [bench]\ngenerator = {{ into = \"out\", resistance = \"600R\" }}\nload = \"R1\"\n"
    )
}

#[test]
fn windings_can_be_listed_with_turns_impedances_or_volts() {
    let windings = |a: &str, b: &str, c: &str| {
        let text = file_of(&format!(
            "T1 = {{ transformer = [ {{ nodes = [\"ht\", \"chassis\"], {a}, resistance = \"10R\" }}, \
             {{ name = \"speech\", nodes = [\"out\", \"chassis\"], {b}, resistance = \"1R\" }}, \
             {{ nodes = [\"out\", \"out2\", \"chassis\"], {c}, resistance = \"2R\", taps = [\"25%\"] }} ], \
             primary_inductance = \"10H\", leakage_inductance = \"10mH\" }}\n\
             R3 = {{ resistor = \"1k\", between = [\"out2\", \"chassis\"] }}"
        ));
        transformer(&amplifier(&text, &[]), "T1").windings.clone()
    };
    let by_turns = windings("turns = 3000", "turns = 150", "turns = 300");
    let by_ohms = windings(
        "impedance = \"8k\"",
        "impedance = \"20R\"",
        "impedance = \"80R\"",
    );
    let by_volts = windings("volts = \"300V\"", "volts = \"15V\"", "volts = \"30V\"");
    for windings in [&by_turns, &by_ohms, &by_volts] {
        let turns: Vec<f64> = windings.iter().map(|w| w.turns).collect();
        for (turns, wanted) in turns.iter().zip([1.0, 0.05, 0.025, 0.075]) {
            assert!((turns - wanted).abs() < 1e-12, "{windings:?}");
        }
        let ohms: Vec<f64> = windings.iter().map(|w| w.resistance).collect();
        assert_eq!(ohms, [10.0, 1.0, 0.5, 1.5]);
        assert_eq!(windings[1].name, "speech");
        // Referred to the primary every winding has the same leakage.
        let referred = windings[1].leakage / 0.05f64.powi(2);
        assert!((referred / windings[0].leakage - 1.0).abs() < 1e-12);
    }
}

#[test]
fn taps_can_be_given_by_the_load_they_are_for() {
    let text = AMPLIFIER.replace("5k : 8R", "5k : 16R").replace(
        "[\"out\", \"chassis\"], primary",
        "[\"chassis\", \"out\", \"t16\"], secondary_taps = [\"4R\"], primary",
    ) + "\n";
    let text = text.replace(
        "[bench]",
        "R16 = { resistor = \"16R\", between = [\"t16\", \"chassis\"] }\n[bench]",
    );
    let read = amplifier(&text, &[]);
    let secondary: Vec<f64> = transformer(&read, "T1")
        .windings
        .iter()
        .filter(|w| w.name.starts_with("secondary"))
        .map(|w| w.turns)
        .collect();
    // 4 Ω of 16 Ω is half the turns.
    assert!(
        (secondary[0] / secondary[1] - 1.0).abs() < 1e-12,
        "{secondary:?}"
    );
}

#[test]
fn an_auto_transformer_is_one_winding_with_taps() {
    let text = file_of(
        "T1 = { autotransformer = \"40H\", winding = [\"ht\", \"c\", \"out\"], resistance = \"400R\", leakage_inductance = \"20mH\" }\n\
         R3 = { resistor = \"1k\", between = [\"c\", \"chassis\"] }",
    );
    let read = amplifier(&text, &[]);
    let t = transformer(&read, "T1");
    assert_eq!(t.core.l0, 40.0);
    let figures: Vec<_> = t
        .windings
        .iter()
        .map(|w| (w.turns, w.resistance, w.leakage))
        .collect();
    assert_eq!(figures, [(0.5, 200.0, 10e-3), (0.5, 200.0, 10e-3)]);
    let placed = read.circuit.part(read.circuit.find_part("T1").unwrap());
    assert_eq!(
        placed.nodes[1], placed.nodes[2],
        "the sections meet at the tap"
    );
}

#[test]
fn chokes_supplies_diodes_and_rectifiers_are_read() {
    let text = file_of(
        "L1 = { choke = \"10H\", between = [\"ht\", \"x\"], saturates = \"120mA\", hysteresis = \"2mA\" }\n\
         AC = { ac_supply = \"230V\", frequency = \"50Hz\", between = [\"l\", \"chassis\"], resistance = \"5R\" }\n\
         D1 = { diode = \"silicon\", anode = \"l\", cathode = \"x\" }\n\
         V1 = { valve = \"5U4G\", anodes = [\"l\", \"x\"], cathode = \"out\" }\n\
         LS = { loudspeaker = \"15R\", between = [\"out\", \"chassis\"], re = \"11R\", le = \"1mH\", fs = \"40Hz\", qms = 3.5, qes = \"0.4\" }",
    );
    let read = amplifier(&text, &[]);
    let Part::Inductor(choke) = part(&read, "L1") else {
        panic!()
    };
    let bend = choke.core.anhysteretic(choke.core.saturation_flux()).value;
    assert!(
        (bend / 120e-3 - 1.0).abs() < 1e-12 && choke.linear.is_none() && choke.resistance == 200.0
    );
    let limits: f64 = choke
        .core
        .hysteresis
        .stops
        .iter()
        .map(|stop| stop.limit)
        .sum();
    assert!((limits / 2e-3 - 1.0).abs() < 1e-12);
    let Part::Source(ac) = part(&read, "AC") else {
        panic!()
    };
    let peak = (0..1000)
        .map(|k| ac.waveform.at(f64::from(k) * 20e-6))
        .fold(0.0, f64::max);
    assert!((peak / (230.0 * 2f64.sqrt()) - 1.0).abs() < 1e-4);
    assert!(matches!(part(&read, "D1"), Part::Device(_)));
    let rectifier = read.circuit.part(read.circuit.find_part("V1").unwrap());
    assert_eq!(rectifier.nodes.len(), 3);
    let Part::Loudspeaker(ls) = part(&read, "LS") else {
        panic!()
    };
    assert_eq!(
        (ls.rated, ls.re, ls.le, ls.fs, ls.qms, ls.qes),
        (15.0, 11.0, 1e-3, 40.0, 3.5, 0.4)
    );
}

#[test]
fn other_words_for_the_same_thing_are_accepted() {
    let text = AMPLIFIER
        .replace("valve =", "tube =")
        .replace("anode =", "plate =")
        .replace("C1  = { capacitor", "C1  = { condenser")
        .replace("{ pot =", "{ potentiometer =");
    let read = amplifier(&text, &[]);
    assert!(
        matches!(part(&read, "V1"), Part::Valve(_)) && matches!(part(&read, "VR1"), Part::Pot(_))
    );
}

#[test]
fn a_ganged_part_is_set_as_one() {
    let pot = |name: &str| {
        format!(
            "{name} = {{ pot = \"100k\", ends = [\"ht\", \"chassis\"], wiper = \"out\", setting = \"10%\" }}\n"
        )
    };
    let text = file_of(&(pot("VR1a") + &pot("VR1b") + &pot("VR2")));
    let read = amplifier(&text, &[("VR1", "50%")]);
    let fraction = |name: &str| match part(&read, name) {
        Part::Pot(pot) => pot.fraction,
        other => panic!("{other:?}"),
    };
    assert_eq!(
        [fraction("VR1a"), fraction("VR1b"), fraction("VR2")],
        [0.5, 0.5, 0.1]
    );
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    #[test]
    fn values_written_are_values_read(
        values in proptest::collection::vec((1.0f64..1e6, 1e-12f64..1e-3, 1.0f64..500.0), 1..12)
    ) {
        let mut text = String::from("[amplifier]\ntitle = \"t\"\nsource = \"generated\"\n[parts]\n");
        for (k, (ohms, farads, volts)) in values.iter().enumerate() {
            let node = format!("n{k}");
            text += &format!("R{k} = {{ resistor = \"{}\", between = [\"{node}\", \"chassis\"] }}\n", Quantity::exact(*ohms, Unit::Ohm));
            text += &format!("C{k} = {{ capacitor = \"{}\", between = [\"{node}\", \"chassis\"] }}\n", Quantity::exact(*farads, Unit::Farad));
            text += &format!("E{k} = {{ supply = \"{}\", positive = \"{node}\", negative = \"chassis\" }}\n", Quantity::exact(*volts, Unit::Volt));
        }
        text += "[bench]\ngenerator = { into = \"chassis\", return = \"n0\", resistance = \"1k\" }\nload = \"R0\"\n";
        let read = read(&text, &[]);
        prop_assert!(read.is_ok(), "{text}\n{read:#?}");
        let read = read.unwrap();
        for (k, (ohms, farads, volts)) in values.iter().enumerate() {
            let is = |letter: char| part(&read, &format!("{letter}{k}")).clone();
            let (r, c, e) = (is('R'), is('C'), is('E'));
            let same = matches!(r, Part::Resistor(r) if r.r == *ohms)
                && matches!(c, Part::Capacitor(c) if c.c == *farads)
                && matches!(e, Part::Source(e) if e.waveform == sim::parts::Waveform::Dc(*volts));
            prop_assert!(same, "line {}", k);
        }
    }

    #[test]
    fn no_damage_to_a_file_makes_the_reader_panic(cut in 0usize..1800, length in 0usize..40, put in "\\PC{0,6}") {
        let start = AMPLIFIER.floor_char_boundary(cut.min(AMPLIFIER.len()));
        let end = AMPLIFIER.ceil_char_boundary((start + length).min(AMPLIFIER.len()));
        let damaged = format!("{}{put}{}", &AMPLIFIER[..start], &AMPLIFIER[end..]);
        if let Err(faults) = read(&damaged, &[]) {
            prop_assert!(!faults.is_empty());
            prop_assert!(faults.iter().all(|fault| damaged.get(fault.span.clone()).is_some()));
        }
    }
}

#[test]
fn a_title_cannot_steer_the_terminal() {
    let text = AMPLIFIER.replace("One pentode", "One \\u001b[31mpentode");
    assert_eq!(amplifier(&text, &[]).title, "One  [31mpentode");
}

#[test]
fn what_any_valve_has_is_missed_of_a_kind_nobody_knows_too() {
    let of = |line: &str| -> Vec<String> {
        let text = AMPLIFIER.replace(
            r#"valve = "EL84", anode = "a", screen = "s", grid = "g", cathode = "k""#,
            line,
        );
        let faults = read(&text, &[]).expect_err("there is no such valve");
        let mut found: Vec<String> = faults
            .iter()
            .filter_map(|fault| {
                if let FileErrorKind::UnknownValve { name, .. } = &fault.kind {
                    return Some(name.clone());
                }
                if let FileErrorKind::MissingElectrode { electrode, .. } = &fault.kind {
                    return Some((*electrode).to_owned());
                }
                None
            })
            .collect();
        found.sort();
        found
    };
    let whole = r#"valve = "EL48", anode = "a", screen = "s", grid = "g", cathode = "k""#;
    assert_eq!(of(whole), ["EL48"]);
    let without_cathode = r#"valve = "EL48", anode = "a", screen = "s", grid = "g""#;
    assert_eq!(of(without_cathode), ["EL48", "cathode"]);
    let without_grid = r#"valve = "EL48", anode = "a", screen = "s", cathode = "k""#;
    assert_eq!(of(without_grid), ["EL48", "grid"]);
    // A rectifier has no grid.
    let rectifier = r#"valve = "GZ43", anodes = ["a", "s"], cathode = "k""#;
    assert_eq!(of(rectifier), ["GZ43"]);
}
