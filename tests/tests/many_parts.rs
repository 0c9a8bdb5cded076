//! A long drawing takes a time that grows with its length.

use std::time::{Duration, Instant};

use measure::UnderTest;
use sim::System;

/// A ladder: a chain of so many resistors from a supply to the chassis.
fn ladder(count: usize) -> String {
    let mut text = r#"[amplifier]
title  = "Ladder"
source = "own design"

[parts]
HT = { supply = "250V", positive = "n0", negative = "chassis" }
RL = { resistor = "10k", between = ["n0", "chassis"] }
RG = { resistor = "1M", between = ["g", "chassis"] }
"#
    .to_owned();
    for k in 0..count {
        let (from, to) = (
            format!("n{k}"),
            if k + 1 == count {
                "chassis".to_owned()
            } else {
                format!("n{}", k + 1)
            },
        );
        let line = format!("R{k} = {{ resistor = \"1k\", between = [\"{from}\", \"{to}\"] }}\n");
        text += &line;
    }
    text + "\n[bench]\ngenerator = { into = \"g\", resistance = \"600R\" }\nload = \"RL\"\n"
}

#[test]
fn four_thousand_resistors_are_no_work() {
    let count = 4000;
    let began = Instant::now();
    let amplifier = sheet::read(&ladder(count), &[]).expect("a chain of resistors");
    let system = System::of(&amplifier.circuit).expect("it is a circuit");
    let of = UnderTest::find(&amplifier, &system).expect("it has a rest");
    let chart = measure::at_rest::voltages::chart(&of).expect("its voltages");
    let took = began.elapsed();
    let middle = chart
        .nodes
        .iter()
        .find(|node| node.node == "n2000")
        .expect("the middle");
    // Closed form: half the volts in the middle. A supply is ideal but for rounding.
    assert!((middle.volts - 125.0).abs() < 1e-6, "{}", middle.volts);
    // 40 times what it takes; as the cube of its length it took eight minutes.
    assert!(took < Duration::from_secs(5), "{took:?}");
}

#[test]
fn hundreds_of_stages_are_judged_in_a_moment() {
    // Each behind a divider that takes back what the one before gives: nothing can grow, and two thousand unknowns store.
    let mut parts = String::new();
    let count = 700;
    for k in 0..count {
        let (grid, next) = (format!("g{k}"), format!("g{}", k + 1));
        for line in [
            format!(
                "V{k} = {{ valve = \"12AX7\", anode = \"a{k}\", grid = \"{grid}\", cathode = \"k{k}\" }}"
            ),
            format!("RA{k} = {{ resistor = \"100k\", between = [\"a{k}\", \"ht\"] }}"),
            format!("RK{k} = {{ resistor = \"1k5\", between = [\"k{k}\", \"chassis\"] }}"),
            format!("RG{k} = {{ resistor = \"22k\", between = [\"{grid}\", \"chassis\"] }}"),
            format!("C{k} = {{ capacitor = \"100n\", between = [\"a{k}\", \"d{k}\"] }}"),
            format!("RD{k} = {{ resistor = \"1M\", between = [\"d{k}\", \"{next}\"] }}"),
        ] {
            parts += &line;
            parts += "\n";
        }
    }
    let text = format!(
        "[amplifier]\ntitle = \"Stages\"\nsource = \"own design\"\n\n[parts]\n\
         HT = {{ supply = \"250V\", positive = \"ht\", negative = \"chassis\" }}\n\
         RL = {{ resistor = \"22k\", between = [\"g{count}\", \"chassis\"] }}\n{parts}\n\
         [bench]\ngenerator = {{ into = \"g0\", resistance = \"600R\" }}\nload = \"RL\"\n"
    );
    let began = Instant::now();
    let amplifier = sheet::read(&text, &[]).expect("a chain of stages");
    let system = System::of(&amplifier.circuit).expect("it is a circuit");
    let of = UnderTest::find(&amplifier, &system).expect("it has a rest");
    assert_eq!(of.growing(), Ok(None));
    let took = began.elapsed();
    // Ten times what it takes; as the cube of its length it took minutes.
    assert!(took < Duration::from_secs(8), "{took:?}");
}

#[test]
fn hundreds_of_reworks_stand_on_each_other() {
    let (count, below) = (200, ladder(1000));
    let mut texts: Vec<String> = (0..count)
        .map(|k| {
            format!(
                "base = \"below.toml\"\n[replace]\nR{k} = \"2k\"\n[add]\nX{k} = {{ resistor = \"1M\", \
                 between = [\"n{k}\", \"chassis\"] }}\n"
            )
        })
        .collect();
    texts.push(below);
    let texts: Vec<&str> = texts.iter().map(String::as_str).collect();
    let began = Instant::now();
    let sheet = sheet::rework::read(&texts, |text| {
        sheet::read_with(text, &[], &models::library::Library::default())
    });
    let took = began.elapsed();
    let sheet = sheet.expect("every rework can be carried out");
    // The ladder, its supply, load, grid leak and generator, and what was added.
    assert_eq!(sheet.amplifier.circuit.parts().count(), 1000 + 4 + count);
    // Places are those of the files: the last value stands in the first text, which is on top.
    let changed = sheet
        .amplifier
        .circuit
        .find_part("R0")
        .expect("it is there");
    let place = &sheet.spans.parts[changed.index()].values["resistor"];
    let starts = sheet::starts(&texts);
    let at = place.start - starts[0];
    assert_eq!(&texts[0][at..at + 4], "\"2k\"");
    assert!(took < Duration::from_secs(20), "{took:?}");
}
