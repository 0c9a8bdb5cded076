//! The amplifiers of `tests/answers/`: each is read, rests, stays at rest and has volts that its drawing allows; each has
//! a rework that is read. How long their answers take is told by `cargo run --release -p checks --example answers`.

use std::fs;

use checks::answers::set;
use checks::examples::Opened;
use measure::at_rest::voltages::VoltagesOf;
use models::library::Library;
use sheet::{read_with, rework};

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
