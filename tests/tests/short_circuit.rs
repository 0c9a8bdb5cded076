//! A supply that looks into a short is named before anything else, and nothing that is none is called so.

use checks::examples::{EXAMPLES, Opened};
use measure::at_rest::voltages::{SupplyAtRest, VoltagesOf};
use measure::judged::check::{CheckOf, Code};

/// A supply across a contact of 10 mΩ.
const SHORTED: &str = r#"[amplifier]
title = "A switch that shorts the supply"
source = "own design, invented for this check"
[parts]
RG = { resistor = "1M", between = ["g", "chassis"] }
HT = { supply = "300V", positive = "a", negative = "chassis", resistance = "{inner}" }
S1 = { switch = "on", common = "a", positions = { on = "chassis", off = [] } }
RL = { resistor = "1k", between = ["a", "chassis"] }
[bench]
generator = { into = "g", resistance = "600R" }
load = "RL"
"#;

#[test]
fn a_supply_into_a_closed_contact_is_shorted() {
    for (inner, ohms) in [("0R", 0.0), ("100R", 100.0)] {
        let opened = Opened::read(&SHORTED.replace("{inner}", inner), &[]);
        let chart = opened.ask(&VoltagesOf).expect("it has an answer");
        let supply = chart
            .supplies
            .iter()
            .find(|supply| supply.part == "HT")
            .expect("it is there");
        assert!(supply.is_shorted(), "{supply:?}");
        // Ohm: 10 mΩ of contact, the kilohm beside it.
        let contact = 1.0 / (1.0 / 0.01 + 1.0 / 1e3);
        let into = supply.into_ohms.expect("current flows");
        assert!((into / contact - 1.0).abs() < 1e-3, "{into} Ω");
        assert!((supply.current.abs() * (contact + ohms) / 300.0 - 1.0).abs() < 1e-6);
        let check = opened
            .ask(&CheckOf { quick: true })
            .expect("it has an answer");
        assert_eq!(
            check.findings[0].code,
            Code::ShortCircuit,
            "{:?}",
            check.findings
        );
        let open = Opened::read(&SHORTED.replace("{inner}", inner), &[("S1", "off")]);
        let chart = open.ask(&VoltagesOf).expect("it rests");
        assert!(!chart.supplies.iter().any(SupplyAtRest::is_shorted));
    }
}

#[test]
fn the_examples_short_nothing() {
    for example in EXAMPLES {
        let chart = example.open(&[]).ask(&VoltagesOf).expect("it rests");
        assert!(
            !chart.supplies.iter().any(SupplyAtRest::is_shorted),
            "{}",
            example.name
        );
    }
}
