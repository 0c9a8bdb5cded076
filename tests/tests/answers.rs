//! The amplifiers of `tests/answers/`: each is read, rests, stays at rest and has volts that its drawing allows; each has
//! a rework that is read. How long their answers take is told by `cargo run --release -p checks --example answers`.

use std::fs;

use checks::answers::{folder, opened, set};
use checks::examples::Opened;
use measure::UnderTest;
use measure::at_rest::voltages::VoltagesOf;
use measure::driven::hum::HumOf;
use measure::judged::check::{CheckOf, Code};
use measure::small_signal::feedback::path;
use measure::small_signal::loop_gain::PathError;
use models::library::Library;
use sheet::{read_with, rework};
use sim::SimError;

/// Amplifiers of the set.
const SIZE: usize = 20;
/// Those on their mains, at least.
const ON_THE_MAINS: usize = 6;
/// Parts of the greatest, at least.
const PARTS: usize = 120;

#[test]
fn every_amplifier_has_an_answer_for_its_volts() {
    let set = set();
    assert_eq!(set.len(), SIZE);
    assert!(set.iter().filter(|asked| asked.on_the_mains).count() >= ON_THE_MAINS);
    let mut greatest = 0;
    for asked in &set {
        let text = fs::read_to_string(&asked.file).expect("it is text");
        assert!(
            text.starts_with("# Invented for the checks: "),
            "{} says that it is invented",
            asked.name
        );
        let opened = Opened::read(&text, &[]);
        greatest = greatest.max(opened.amplifier.circuit.parts().count());
        let volts = opened
            .ask(&VoltagesOf)
            .unwrap_or_else(|error| panic!("{}: {error}", asked.name));
        assert!(volts.growing.is_none(), "{} oscillates", asked.name);
        // A valve that carries nothing at rest is a slip of the drawing: none of them is in class B.
        for valve in &volts.valves {
            let (part, current) = (&valve.part, valve.i_a);
            assert!(current > 1e-4, "{}: {part} carries {current} A", asked.name);
        }
    }
    assert!(greatest >= PARTS, "{greatest} parts");
}

#[test]
fn what_was_once_refused_has_an_answer() {
    // Choke-input rectifiers where they commutate, and gas-filled tubes that are dark for part of the mains period.
    for asked in folder("tests/answers/once_refused") {
        let text = fs::read_to_string(&asked.file).expect("it is text");
        match Opened::read(&text, &[]).ask(&VoltagesOf) {
            Ok(volts) => assert!(volts.growing.is_none(), "{} oscillates", asked.name),
            Err(SimError::Oscillates { .. }) if asked.name == "oscillates_at_4_hz" => {}
            Err(error) => panic!("{}: {error}", asked.name),
        }
    }
}

#[test]
fn a_screen_smoothed_to_a_cathode_in_the_loop_is_held_against_it() {
    // Held against the chassis, the amplifier without the hum of that screen would oscillate.
    let opened = opened("20_ef86_ultra_linear_el84");
    let hum = opened
        .ask(&HumOf::bench(&opened.amplifier.bench))
        .expect("it is stable");
    assert!(hum.causes.iter().any(|cause| cause.name == "s1"));
}

#[test]
fn feedback_may_be_taken_before_the_output_capacitor() {
    for (name, part) in [
        ("08_output_transformerless", Some("R19")),
        ("12_headphone_cathode_follower", Some("R8")),
        // What joins a follower to its own output is none.
        ("11_line_series_triodes", None),
    ] {
        let opened = opened(name);
        let of = UnderTest::find(&opened.amplifier, &opened.system).expect("it rests");
        match (path(&of, &[]), part) {
            (Ok(path), Some(part)) => {
                let names = path
                    .parts()
                    .map(|part| opened.amplifier.circuit.part(part).name.as_str());
                assert!(names.eq([part]), "{name}: {path:?}");
            }
            (Err(PathError::NoFeedback), None) => {}
            (found, _) => panic!("{name}: {found:?}"),
        }
    }
}

#[test]
fn the_small_resistor_that_drives_the_lower_of_two_valves_is_no_misprint() {
    for name in ["08_output_transformerless", "11_line_series_triodes"] {
        let opened = opened(name);
        let check = opened.ask(&CheckOf { quick: true }).expect("it is checked");
        let found = check
            .findings
            .iter()
            .find(|found| found.code == Code::AnodeLoad);
        assert!(
            found.is_none(),
            "{name}: {}",
            found.map_or("", |found| &found.what)
        );
    }
}

#[test]
fn every_amplifier_has_a_rework_of_one_part() {
    for asked in set() {
        let base = fs::read_to_string(&asked.file).expect("it is text");
        let text = fs::read_to_string(&asked.rework).expect("it has a rework");
        let named = rework::base(&text).expect("the rework has a base").0;
        assert!(named.ends_with(&format!("{}.toml", asked.name)), "{named}");
        let library = Library::default();
        let read = rework::read(&[&text, &base], |text| read_with(text, &[], &library));
        assert!(read.is_ok(), "{}: {:?}", asked.name, read.err());
    }
}
