//! Every line of the README's table of parts, put into a circuit and solved.

use std::path::Path;
use std::process::Command;

/// Keys that name nodes.
const NODES: [&str; 18] = [
    "between",
    "positive",
    "negative",
    "primary",
    "secondary",
    "winding",
    "nodes",
    "anode",
    "anodes",
    "screen",
    "grid",
    "cathode",
    "filament",
    "heater",
    "ends",
    "wiper",
    "common",
    "positions",
];

fn readme() -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../README.md");
    std::fs::read_to_string(path).expect("there is a README")
}

/// Name of the row and the line of a part, for every part of the table.
fn table(readme: &str) -> Vec<(String, String)> {
    let rows = readme
        .split("| Part | Line |\n")
        .nth(1)
        .expect("the README has the table of parts")
        .lines()
        .skip(1)
        .take_while(|line| line.starts_with('|'));
    let mut parts = Vec::new();
    for row in rows {
        let name = row.split('|').nth(1).expect("a name").trim().to_owned();
        let lines: Vec<&str> = row
            .split('`')
            .skip(1)
            .step_by(2)
            .filter(|code| code.starts_with('{'))
            .collect();
        assert!(!lines.is_empty(), "{name}: no line");
        parts.extend(lines.iter().map(|line| (name.clone(), (*line).to_owned())));
    }
    parts
}

/// The nodes a line names.
fn nodes(line: &str) -> Vec<String> {
    let mut found: Vec<String> = Vec::new();
    for key in NODES {
        for rest in line.split(&format!(" {key} = ")).skip(1) {
            let end = match rest.chars().next() {
                Some('[') => rest.find(']'),
                Some('{') => rest.find('}'),
                _ => rest[1..].find('"').map(|end| end + 2),
            };
            let value = &rest[..end.expect("the value ends")];
            found.extend(value.split('"').skip(1).step_by(2).map(str::to_owned));
        }
    }
    found.retain(|node| node != "chassis");
    found.sort();
    found.dedup();
    found
}

/// What the program says of a circuit of that part, with a resistor from each of its nodes to earth.
fn fault(line: &str) -> Option<String> {
    let ties: Vec<String> = nodes(line)
        .iter()
        .enumerate()
        .map(|(k, node)| {
            format!("R{k} = {{ resistor = \"10k\", between = [\"{node}\", \"chassis\"] }}\n")
        })
        .collect();
    let ties = ties.concat();
    let text = format!(
        "[amplifier]\ntitle = \"One part\"\nsource = \"own design\"\n\n[parts]\nX1 = {line}\n{ties}RL = {{ resistor = \"1k\", between = [\"bench\", \"chassis\"] }}\n\n[bench]\ngenerator = {{ into = \"bench\", resistance = \"600R\" }}\nload = \"RL\"\n"
    );
    let folder = tempfile::tempdir().expect("a temporary folder");
    let file = folder.path().join("amplifier.toml");
    std::fs::write(&file, text).expect("the folder can be written");
    let output = Command::new(env!("CARGO_BIN_EXE_gridleak"))
        .arg("voltages")
        .arg(&file)
        .output()
        .expect("the program runs");
    (!output.status.success()).then(|| String::from_utf8_lossy(&output.stderr).into_owned())
}

#[test]
fn every_kind_of_part_stands_in_the_table() {
    let parts = table(&readme());
    let stands = |kind: &str| {
        let words = |text: &str| {
            text.split(|c: char| !c.is_alphanumeric() && c != '_')
                .any(|word| word == kind)
        };
        let first = format!("{{ {kind} = ");
        parts
            .iter()
            .any(|(name, line)| words(name) || line.starts_with(&first))
    };
    for kind in sheet::kind_names() {
        assert!(stands(kind), "{kind}");
    }
    assert!(!stands("chokes"));
}

#[test]
fn every_line_of_the_table_of_parts_is_read_and_solved() {
    let parts = table(&readme());
    assert!(parts.len() >= 22, "{} lines", parts.len());
    let faults: Vec<String> = parts
        .iter()
        .filter_map(|(name, line)| fault(line).map(|fault| format!("{name}: {line}\n{fault}")))
        .collect();
    assert!(faults.is_empty(), "{}", faults.join("\n"));
    assert!(fault("{ resistor = \"47k\", betwixt = [\"a\", \"b\"] }").is_some());
}
