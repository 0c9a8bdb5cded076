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
