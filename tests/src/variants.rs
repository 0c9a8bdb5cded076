//! Variants of the push-pull example: drawings that oscillate in twenty ways, and parts that stand idle beside it.

use crate::examples::EXAMPLES;

/// The push-pull amplifier with feedback.
///
/// # Panics
/// When it is not among the examples.
pub fn amplifier() -> String {
    let example = EXAMPLES
        .iter()
        .find(|example| example.name.starts_with("03_"));
    example.expect("it is there").text()
}

/// That on the mains: a transformer and a rectifier valve in the place of the ideal supply. Our own design.
///
/// # Panics
/// When the file has no such supply.
pub fn on_its_mains(text: &str) -> String {
    let supply = text.lines().find(|line| line.starts_with("HT1"));
    let supply = supply.expect("it has a supply");
    text.replace(
        supply,
        r#"M1  = { mains = "230V", frequency = "50Hz", between = ["n", "l"] }
T2  = { mains_transformer = "230V", primary = ["n", "l"], primary_resistance = "10R", secondaries = [ { volts = "250-0-250V", nodes = ["x", "chassis", "y"], current = "120mA", resistance = "100R" } ] }
V5  = { valve = "EZ81", anodes = ["x", "y"], cathode = "ht1" }"#,
    )
}

/// A variant: replacements in the file, each seen to be there.
///
/// # Panics
/// When one is not.
pub fn changed(text: &str, changes: &[(&str, &str)]) -> String {
    changes.iter().fold(text.to_owned(), |text, (from, to)| {
        assert!(text.contains(from), "the file has {from:?}");
        text.replace(from, to)
    })
}

/// The feedback resistor as drawn.
pub const FEEDBACK: &str = r#"R16 = { resistor = "2k2""#;
const LEAD: &str = r#"C6  = { capacitor = "470p", between = ["out", "f"]"#;
/// The output winding as drawn, and the other way round.
pub const PHASE: &str = r#"secondary = ["out", "chassis"]"#;
/// See [`PHASE`].
pub const OTHER_PHASE: &str = r#"secondary = ["chassis", "out"]"#;

/// Twenty drawings that oscillate.
pub fn unstable() -> Vec<(String, String)> {
    let base = amplifier();
    let mut found = Vec::new();
    let mut add = |name: String, changes: &[(&str, &str)]| {
        found.push((name, changed(&base, changes)));
    };
    // Too much feedback.
    for ohms in ["100R", "150R", "220R", "270R", "330R", "390R", "470R"] {
        let to = format!(r#"R16 = {{ resistor = "{ohms}""#);
        add(format!("feedback of {ohms}"), &[(FEEDBACK, &to)]);
    }
    // Without its lead, and with the step network left out.
    for (ohms, lead) in [("470R", "1p"), ("680R", "1p"), ("820R", "10p")] {
        let to = format!(r#"R16 = {{ resistor = "{ohms}""#);
        let c6 = LEAD.replace("470p", lead);
        let step = (
            r#"capacitor = "100p", between = ["a1", "z1"]"#,
            r#"capacitor = "1p", between = ["a1", "z1"]"#,
        );
        add(
            format!("{ohms} without a lead"),
            &[(FEEDBACK, &to), (LEAD, &c6), step],
        );
    }
    // Feedback of the wrong sign, much of it to little.
    for ohms in ["2k2", "3k3", "4k7", "8k2", "10k"] {
        let to = format!(r#"R16 = {{ resistor = "{ohms}""#);
        add(
            format!("wrong sign, {ohms}"),
            &[(FEEDBACK, &to), (PHASE, OTHER_PHASE)],
        );
    }
    // Wires that lie too near each other.
    for (farads, from) in [("33p", "a4"), ("68p", "a4"), ("47p", "a3")] {
        let stray =
            format!("CX = {{ capacitor = \"{farads}\", between = [\"{from}\", \"g1\"] }}\n[bench]");
        add(
            format!("{farads} from {from} to g1"),
            &[("[bench]", &stray)],
        );
    }
    // Three coupling time constants within the loop.
    for (ohms, lead, coupling) in [("680R", "4.7u", "5n"), ("560R", "4.7u", "5n")] {
        let feedback = format!(r#"R16 = {{ resistor = "{ohms}", between = ["out", "fb"]"#);
        let c6 = LEAD.replace("\"f\"", "\"fb\"");
        let series =
            format!("CF = {{ capacitor = \"{lead}\", between = [\"fb\", \"f\"] }}\n[bench]");
        let [c3, c4] = ["a2", "k2"].map(|from| {
            (
                format!(r#"capacitor = "0.1u", between = ["{from}""#),
                format!(r#"capacitor = "{coupling}", between = ["{from}""#),
            )
        });
        add(
            format!("low down, {ohms}"),
            &[
                (
                    r#"R16 = { resistor = "2k2", between = ["out", "f"]"#,
                    &feedback,
                ),
                (LEAD, &c6),
                ("[bench]", &series),
                (&c3.0, &c3.1),
                (&c4.0, &c4.1),
                (
                    r#"primary_inductance = "50H""#,
                    r#"primary_inductance = "5H""#,
                ),
            ],
        );
    }
    found
}

/// Parts that do nothing, of slow and fast time constants.
const IDLE: [&str; 10] = [
    // Slow: hours behind an open contact, a leaking block, an island.
    "S9 = { switch = \"open\", common = \"a1\", positions = { open = [], closed = \"i1\" } }\nC91 = { capacitor = \"10u\", between = [\"i1\", \"chassis\"] }",
    "R91 = { resistor = \"100M\", between = [\"ht1\", \"i1\"] }\nC91 = { capacitor = \"100u\", between = [\"i1\", \"chassis\"] }",
    "C91 = { capacitor = \"1u\", between = [\"i1\", \"i2\"] }\nR91 = { resistor = \"1k\", between = [\"i1\", \"i2\"] }",
    "R91 = { resistor = \"10M\", between = [\"out\", \"i1\"] }\nC91 = { capacitor = \"10u\", between = [\"i1\", \"chassis\"] }",
    // Fast: a stopper with a picofarad, a bead.
    "R91 = { resistor = \"10R\", between = [\"a1\", \"i1\"] }\nC91 = { capacitor = \"0.1p\", between = [\"i1\", \"chassis\"] }",
    "L91 = { inductor = \"100nH\", between = [\"g3\", \"i1\"], resistance = \"1R\" }\nR91 = { resistor = \"1M\", between = [\"i1\", \"chassis\"] }",
    "L91 = { inductor = \"1H\", between = [\"i1\", \"chassis\"], resistance = \"100R\" }\nC91 = { capacitor = \"1n\", between = [\"i1\", \"i2\"] }\nR91 = { resistor = \"10M\", between = [\"i2\", \"ht2\"] }",
    "R91 = { resistor = \"1R\", between = [\"chassis\", \"i1\"] }\nC91 = { capacitor = \"1000u\", between = [\"i1\", \"i2\"] }\nR92 = { resistor = \"1R\", between = [\"i2\", \"chassis\"] }",
    "C91 = { capacitor = \"1p\", between = [\"a3\", \"a4\"] }",
    "R91 = { resistor = \"1000M\", between = [\"g3\", \"i1\"] }\nC91 = { capacitor = \"1u\", between = [\"i1\", \"chassis\"] }",
];

/// Twenty drawings that stay at rest, whatever stands idle beside them.
pub fn stable() -> Vec<(String, String)> {
    let base = amplifier();
    let mut found = Vec::new();
    for idle in IDLE {
        for ohms in ["2k2", "4k7"] {
            let to = format!(r#"R16 = {{ resistor = "{ohms}""#);
            let parts = format!("{idle}\n[bench]");
            let text = changed(&base, &[(FEEDBACK, &to), ("[bench]", &parts)]);
            found.push((format!("{ohms}, {idle}"), text));
        }
    }
    found
}
