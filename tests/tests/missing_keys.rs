//! Whatever is taken out of a drawing is missed: no part is ever dropped without a word.
//!
//! Each key is taken out of every line of every example in turn. What then reads has every part it had, and the
//! key is one that a line may do without.

use std::collections::BTreeSet;
use std::fs;

use checks::source::root;
use sheet::read;
use toml::de::{DeTable, DeValue};

/// Keys that a line may do without: ratings, what is then assumed (and noted), and what then is not there.
const OPTIONAL: &[&str] = &[
    "capacitance",
    "core_loss",
    "envelope",
    "esr",
    "heater",
    "high",
    "law",
    "leakage",
    "leakage_inductance",
    "low",
    "primary_inductance",
    "primary_resistance",
    "rating",
    "resistance",
    "saturates",
    "secondary_resistance",
    "taps",
    "tolerance",
];

fn examples() -> Vec<(String, String)> {
    let mut found = Vec::new();
    let folder = fs::read_dir(root().join("examples")).expect("there are examples");
    for entry in folder {
        let path = entry
            .expect("a readable folder")
            .path()
            .join("amplifier.toml");
        if let Ok(text) = fs::read_to_string(&path)
            // A rework lists what is changed, no drawing.
            && !text.lines().any(|line| line.starts_with("base"))
        {
            found.push((path.display().to_string(), text));
        }
    }
    found.sort();
    found
}

/// The file with each key taken out of each line in turn: part, key, text.
fn cuts(text: &str) -> Vec<(String, String, String)> {
    let table = DeTable::parse(text).expect("it is TOML");
    let DeValue::Table(parts) = table.get_ref()["parts"].get_ref() else {
        panic!("parts are a table");
    };
    let mut found = Vec::new();
    for (part, line) in parts {
        let DeValue::Table(keys) = line.get_ref() else {
            continue;
        };
        let mut places: Vec<_> = keys
            .iter()
            .map(|(key, value)| (key.span(), value.span(), key))
            .collect();
        places.sort_by_key(|(key, ..)| key.start);
        for (k, (at, value, key)) in places.iter().enumerate() {
            // With the comma behind it, or the one before it.
            let cut = match (places.get(k + 1), k.checked_sub(1)) {
                (Some((next, ..)), _) => at.start..next.start,
                (None, Some(before)) => places[before].1.end..value.end,
                (None, None) => at.start..value.end,
            };
            let without = format!("{}{}", &text[..cut.start], &text[cut.end..]);
            found.push((
                part.get_ref().to_string(),
                key.get_ref().to_string(),
                without,
            ));
        }
    }
    found
}

#[test]
fn a_key_that_is_gone_is_missed_or_may_be_done_without() {
    let mut optional: BTreeSet<String> = BTreeSet::new();
    let mut taken_out = 0;
    for (name, text) in examples() {
        let whole = read(&text, &[]).unwrap_or_else(|faults| panic!("{name}: {faults:?}"));
        let parts = whole.circuit.parts().count();
        for (part, key, without) in cuts(&text) {
            taken_out += 1;
            let Ok(amplifier) = read(&without, &[]) else {
                continue;
            };
            assert_eq!(
                amplifier.circuit.parts().count(),
                parts,
                "{name}: {part} without {key} is dropped"
            );
            optional.insert(key);
        }
    }
    assert!(taken_out > 500, "{taken_out} keys");
    let known: BTreeSet<String> = OPTIONAL.iter().map(|key| (*key).to_owned()).collect();
    assert_eq!(optional, known, "keys that may be left out");
}
