//! The house rules that no compiler knows: the arrows between crates, no circles between modules, sizes, and that
//! DEVELOPERS.md speaks of files that are there.

use std::collections::BTreeSet;
use std::fs;

use checks::source::{CRATES, Source, circle, root, sources, uses};

/// No crate holds more than this share of the lines.
const LARGEST: f64 = 0.4;

/// Lines of a file that need no reason.
const LONG: usize = 400;

/// Lines in which a long file says why it is one thing.
const HEAD: usize = 25;

/// Enums whose every case is decided on by name: who adds one is pointed to each place.
const DECIDED: [&str; 10] = [
    "Part",
    "AnyDevice",
    "ValveModel",
    "NoteKind",
    "SimError",
    "Question",
    "FileErrorKind",
    "CircuitError",
    "Waveform",
    "Unknown",
];

fn all() -> Vec<Source> {
    CRATES
        .iter()
        .flat_map(|of_crate| sources(of_crate))
        .collect()
}

/// What a crate asks for by this heading of its Cargo.toml.
fn dependencies(of_crate: &str, heading: &str) -> BTreeSet<String> {
    let text =
        fs::read_to_string(root().join(of_crate).join("Cargo.toml")).expect("its Cargo.toml");
    let table: toml::Table = text.parse().expect("a Cargo.toml reads");
    let found = table.get(heading).and_then(toml::Value::as_table);
    found
        .into_iter()
        .flat_map(|table| table.keys().cloned())
        .collect()
}

#[test]
fn arrows_go_one_way() {
    for (k, of_crate) in CRATES.iter().enumerate() {
        let asked = dependencies(of_crate, "dependencies");
        for above in &CRATES[k..] {
            assert!(!asked.contains(*above), "{of_crate} asks {above}");
        }
    }
    // What is asked of an amplifier needs no file, and a circuit no text.
    assert!(!dependencies("measure", "dependencies").contains("sheet"));
    for heading in ["dependencies", "dev-dependencies"] {
        for none in ["toml", "serde_json", "sheet", "measure"] {
            assert!(
                !dependencies("sim", heading).contains(none),
                "sim asks {none}"
            );
        }
    }
    // Nor does it get one by way of the valve files of models.
    let text = fs::read_to_string(root().join("sim/Cargo.toml")).expect("its Cargo.toml");
    let table: toml::Table = text.parse().expect("a Cargo.toml reads");
    let models = &table["dependencies"]["models"];
    assert!(models.get("features").is_none(), "sim asks {models}");
}

#[test]
fn no_module_leads_back_to_itself() {
    for of_crate in CRATES {
        let uses = uses(&sources(of_crate));
        assert!(uses.len() > 10, "{of_crate}: {} modules", uses.len());
        assert!(
            uses.values().any(|used| !used.is_empty()),
            "{of_crate}: nothing uses anything"
        );
        let words = |way: Vec<Vec<String>>| {
            let names: Vec<String> = way.iter().map(|module| module.join("::")).collect();
            names.join(" → ")
        };
        if let Some(way) = circle(&uses) {
            panic!("{of_crate}: {} → …", words(way));
        }
    }
}

#[test]
fn a_circle_would_be_seen() {
    let at = |name: &str| vec![name.to_owned()];
    let source = |name: &str, text: &str| Source {
        path: format!("{name}.rs").into(),
        text: text.to_owned(),
        of_crate: "one".to_owned(),
        module: at(name),
    };
    let made = [
        source("a", "use crate::b::{self, B};"),
        source("b", "fn f() -> super::c::C { super::c::g() }"),
        source("c", "#[cfg(test)] mod tests { use crate::b::f; }"),
    ];
    assert_eq!(circle(&uses(&made)), None);
    let [a, b, _] = made;
    let made = [a, b, source("c", "use crate::{a::A, d}; fn g() {}")];
    let found = circle(&uses(&made)).expect("a to b to c to a");
    assert_eq!(found, [at("a"), at("b"), at("c")]);
}

#[test]
fn every_case_of_these_enums_is_decided_on_by_name() {
    let mut found = Vec::new();
    for source in all() {
        if source.module.last().is_some_and(|name| name == "tests") {
            continue;
        }
        for line in source.wildcards(&DECIDED) {
            found.push(format!("{}:{line}", source.path.display()));
        }
    }
    assert!(
        found.is_empty(),
        "an arm for whatever else there is:\n{}",
        found.join("\n")
    );
    let planted = Source {
        path: "planted.rs".into(),
        text: "fn f(p: Part) -> u8 {\n  match p { Part::Pot(_) => 1, _ => 2 }\n}\nimpl Part { fn g(self) -> u8 {\n  match self { Self::Pot(_) => 1, other => 2 } } }\nfn h(n: Name) { match n { Name::A => {}, _ => {} } }"
            .to_owned(),
        of_crate: String::new(),
        module: Vec::new(),
    };
    assert_eq!(
        planted.wildcards(&DECIDED),
        [2, 5],
        "it sees what it should"
    );
}

#[test]
fn nothing_is_left_open_for_crates_that_do_not_exist() {
    // The workspace is the only user of its crates: the attribute would only hide a forgotten case.
    let attribute = concat!("#[non_", "exhaustive]");
    for source in all() {
        assert!(
            !source.text.contains(attribute),
            "{}",
            source.path.display()
        );
    }
}

#[test]
fn what_is_read_is_opened_where_it_is_remembered() {
    // What stands in `cli/src/input.rs` is never written over; the folder of an audition reads what it has just written.
    let may = ["cli/src/input.rs", "cli/src/commands/audition/folder.rs"];
    let words = [
        "fs::read(",
        "fs::read_to_string(",
        "File::open(",
        "WavReader::open(",
    ];
    let opens = |source: &Source| {
        let program = source.text.split("#[cfg(test)]").next().unwrap_or_default();
        words.iter().any(|word| program.contains(word))
    };
    let found: Vec<String> = sources("cli")
        .iter()
        .filter(|source| opens(source))
        .map(|source| source.path.display().to_string())
        .filter(|path| !may.iter().any(|one| path.ends_with(one)))
        .collect();
    assert!(found.is_empty(), "{}", found.join(", "));
    assert_eq!(
        sources("cli").iter().filter(|source| opens(source)).count(),
        2,
        "the two are still looked at"
    );
}

#[test]
fn no_crate_is_the_whole_house() {
    let lines: Vec<(&str, usize)> = CRATES
        .iter()
        .map(|of_crate| (*of_crate, sources(of_crate).iter().map(Source::lines).sum()))
        .collect();
    let all: usize = lines.iter().map(|(_, lines)| lines).sum();
    for (of_crate, lines) in lines {
        let share = lines as f64 / all as f64;
        assert!(
            share < LARGEST,
            "{of_crate} holds {:.0} % of the lines",
            100.0 * share
        );
    }
}

#[test]
fn a_long_file_says_why_it_is_one_thing() {
    let mut silent = Vec::new();
    let folders = CRATES.iter().chain(&["tests"]);
    for source in folders.flat_map(|of_crate| sources(of_crate)) {
        let head: Vec<&str> = source.text.lines().take(HEAD).collect();
        let says = head.iter().any(|line| {
            line.starts_with("//!")
                && (line.contains("Over 400 lines because") || line.contains("Long because"))
        });
        if source.lines() > LONG && !says {
            silent.push(format!(
                "{} ({} lines)",
                source.path.display(),
                source.lines()
            ));
        }
    }
    assert!(silent.is_empty(), "{}", silent.join("\n"));
}

#[test]
fn a_comment_says_what_a_thing_is() {
    let vague = concat!("/// The sa", "me");
    let mut found = Vec::new();
    for source in all() {
        let lines = source.text.lines().enumerate();
        for (k, _) in lines.filter(|(_, line)| line.trim_start().starts_with(vague)) {
            // The first line of a comment, not one in its middle.
            let before = k.checked_sub(1).and_then(|k| source.text.lines().nth(k));
            if !before.is_some_and(|line| line.trim_start().starts_with("///")) {
                found.push(format!("{}:{}", source.path.display(), k + 1));
            }
        }
    }
    assert!(found.is_empty(), "the same as what?\n{}", found.join("\n"));
}

#[test]
fn developers_md_speaks_of_files_that_are_there() {
    let text = fs::read_to_string(root().join("DEVELOPERS.md")).expect("DEVELOPERS.md");
    let mut looked_up = 0;
    let mut missing = Vec::new();
    // Every other piece between backticks is code.
    for words in text.split('`').skip(1).step_by(2) {
        let path = words.trim_end_matches('/');
        let folders = [&CRATES[..], &["tests", "examples"]].concat();
        let is_path = folders
            .iter()
            .any(|folder| path.starts_with(&format!("{folder}/")))
            && path
                .chars()
                .all(|c| c.is_alphanumeric() || "/._-".contains(c));
        // Names in capitals stand for what the reader chooses.
        if !is_path
            || path
                .split(['/', '.'])
                .any(|part| part.len() > 2 && part.chars().all(|c| c.is_uppercase() || c == '_'))
        {
            continue;
        }
        looked_up += 1;
        if !root().join(path).exists() {
            missing.push(path.to_owned());
        }
    }
    assert!(looked_up > 50, "{looked_up} paths");
    assert!(missing.is_empty(), "DEVELOPERS.md: {}", missing.join(", "));
}
