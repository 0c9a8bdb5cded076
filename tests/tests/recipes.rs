//! What the recipes of DEVELOPERS.md ask for and no compiler does: that nothing which was written is left out of a
//! list, and that each thing has what shows it.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use checks::source::{CRATES, Source, root, sources};
use models::library::Library;
use sheet::{FileError, FileErrorKind, read_with, rework};

/// Questions whose case is asked through their command, and where.
const ASKED_BY_COMMAND: [(&str, &str); 2] = [
    ("FeedbackOf", "cli/tests/feedback.rs"),
    ("WaveformOf", "cli/tests/cli.rs"),
];

/// Faults that no amplifier file can show: those of `--set`, shown in `cli/tests`, and those of a circuit that the
/// reader of a file tells in its own words.
const NOT_OF_A_FILE: [&str; 5] = ["NotSettable", "SetForm", "Set", "Terminals", "Value"];

fn text(path: impl AsRef<Path>) -> String {
    let path = root().join(path);
    fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

/// Texts of the files of a folder that end like this, each with its name.
fn texts(folder: &str, ending: &str) -> Vec<(String, String)> {
    let mut found = Vec::new();
    for entry in fs::read_dir(root().join(folder)).expect("a readable folder") {
        let path = entry.expect("a readable entry").path();
        if path.extension().is_some_and(|end| end == ending)
            && let Ok(text) = fs::read_to_string(&path)
        {
            found.push((path.display().to_string(), text));
        }
    }
    found.sort();
    found
}

/// The words between the braces behind `head`.
fn list<'a>(text: &'a str, head: &str) -> Vec<&'a str> {
    let behind = text.split(head).nth(1).expect("the list");
    let inside = behind.split('}').next().expect("its end");
    inside
        .split([',', ' ', '\n'])
        .filter(|word| !word.is_empty())
        .collect()
}

#[test]
fn every_file_is_a_module() {
    // One that no `mod` names is not compiled, and nobody says so.
    let mut alone = Vec::new();
    let mut named = 0;
    for of_crate in CRATES.iter().chain(&["tests"]) {
        let all = sources(of_crate);
        for source in &all {
            let Some((name, above)) = source.module.split_last() else {
                continue;
            };
            let above = all.iter().filter(|other| other.module == above);
            let word = format!("mod {name};");
            if above
                .flat_map(|other| other.text.lines())
                .any(|line| line.trim_start().ends_with(&word))
            {
                named += 1;
            } else {
                alone.push(source.path.display().to_string());
            }
        }
    }
    assert!(named > 200, "{named} modules");
    assert!(alone.is_empty(), "no `mod` names {}", alone.join(", "));
}

#[test]
fn every_device_is_in_the_list_and_says_where_it_holds() {
    let listed = text("models/src/any_device.rs");
    let listed = list(&listed, "\ndevices! {");
    let mut found = 0;
    for source in sources("models") {
        // What a test or a macro makes is indented.
        let mut made = source.text.lines().filter(|line| line.starts_with("impl"));
        let Some((_, name)) = made.find_map(|line| line.split_once(" Device for ")) else {
            continue;
        };
        found += 1;
        let path = source.path.display();
        let name = name.split(['<', ' ']).next().unwrap_or_default();
        // The words of a law for several sections begin with its own.
        let is_listed = listed.iter().any(|word| word.starts_with(name));
        assert!(is_listed, "{path}: {name} is not in `devices!`");
        for heading in ["Symbols", "Source", "Valid", "Care"] {
            let says = format!("//! {heading} ");
            assert!(
                source.text.lines().any(|line| line.starts_with(&says)),
                "{path}: no {heading}"
            );
        }
    }
    assert!(found >= 8, "{found} laws");
}

#[test]
fn every_command_is_in_the_list() {
    let listed = text("cli/src/commands/mod.rs");
    let listed = list(&listed, "\ncommands! {");
    let mut found = 0;
    for source in sources("cli") {
        let [folder, name] = source.module.as_slice() else {
            continue;
        };
        let called = [
            "impl OfAmplifier for Arguments",
            "impl Command for Arguments",
        ];
        if folder == "commands" && called.iter().any(|line| source.text.contains(line)) {
            found += 1;
            assert!(
                listed.contains(&name.as_str()),
                "{name} is not in `commands!`"
            );
        }
    }
    assert!(found > 20, "{found} commands");
}

#[test]
fn every_question_has_a_case() {
    let mut cases: String = texts("tests/tests", "rs")
        .into_iter()
        .map(|(_, text)| text)
        .collect();
    let measure = sources("measure");
    let of_tests = |source: &&Source| source.module.last().is_some_and(|name| name == "tests");
    cases.extend(
        measure
            .iter()
            .filter(of_tests)
            .map(|source| source.text.clone()),
    );
    let mut found = 0;
    for source in measure.iter().filter(|source| !of_tests(source)) {
        for behind in source.text.split("\nimpl Measurement for ").skip(1) {
            let name = behind.split(' ').next().expect("a name");
            found += 1;
            let by_command = ASKED_BY_COMMAND.iter().find(|(of, _)| *of == name);
            match by_command {
                Some((_, path)) => assert!(root().join(path).exists(), "{path}"),
                None => assert!(
                    cases
                        .split(|c: char| !c.is_alphanumeric())
                        .any(|word| word == name),
                    "no case asks {name}"
                ),
            }
        }
    }
    assert!(found > 15, "{found} questions");
}

/// The file and, when it is a rework, what it stands on.
fn stack(path: &str, text: &str) -> Vec<String> {
    let mut stack = vec![text.to_owned()];
    let folder = Path::new(path).parent().expect("a folder");
    // What cannot be read, or stands on itself, is a fault of another kind.
    while let Some((base, _)) = rework::base(&stack[stack.len() - 1])
        && let Ok(next) = fs::read_to_string(folder.join(base))
        && !stack.contains(&next)
    {
        stack.push(next);
    }
    stack
}

fn faults(path: &str, text: &str) -> Vec<FileError> {
    let stack = stack(path, text);
    let texts: Vec<&str> = stack.iter().map(String::as_str).collect();
    let library = Library::default();
    let read = rework::read(&texts, |text| read_with(text, &[], &library));
    read.err().unwrap_or_default()
}

#[test]
fn every_case_of_a_fault_is_shown() {
    let case = |fault: &dyn std::fmt::Debug| {
        let words = format!("{fault:?}");
        let end = words.find(|c: char| !c.is_alphanumeric());
        words[..end.unwrap_or(words.len())].to_owned()
    };
    let mut shown = BTreeSet::new();
    for (path, text) in texts("tests/malformed", "toml") {
        for fault in faults(&path, &text) {
            shown.insert(case(&fault.kind));
            if let FileErrorKind::Circuit(fault) = &fault.kind {
                shown.insert(case(fault));
            }
        }
    }
    let mut missing = Vec::new();
    for (of_crate, module, of) in [
        ("sheet", "error", "FileErrorKind"),
        ("sim", "circuit", "CircuitError"),
    ] {
        let sources = sources(of_crate);
        let mut source = sources.iter().filter(|source| source.module == [module]);
        let cases = source.next().expect("its file").cases(of);
        assert!(cases.len() > 5, "{of}: {}", cases.len());
        missing.extend(cases.into_iter().filter(|case| !shown.contains(case)));
    }
    assert_eq!(
        missing, NOT_OF_A_FILE,
        "no malformed file shows these, or one does"
    );
}

#[test]
fn every_fault_of_a_file_has_a_file_that_shows_it() {
    let read =
        |path: &str| fs::read_to_string(root().join(path)).expect("a file of the diagnostics");
    let ids = read("cli/src/diagnostic/ids.rs");
    // `Name = "words",` in the table of ids.
    let words = |name: &str| {
        let line = ids
            .lines()
            .find(|line| line.trim_start().starts_with(&format!("{name} = \"")));
        let line = line.unwrap_or_else(|| panic!("{name} is no id"));
        line.split('"')
            .nth(1)
            .expect("words between quotes")
            .to_owned()
    };
    let mut places = vec![
        "cli/src/diagnostic/circuit.rs".to_owned(),
        "cli/src/diagnostic/file.rs".to_owned(),
        "cli/src/diagnostic/valve.rs".to_owned(),
        "cli/src/diagnostic/values.rs".to_owned(),
    ];
    for entry in fs::read_dir(root().join("cli/src/diagnostic/file")).expect("groups of faults") {
        let name = entry.expect("a file").file_name();
        places.push(format!(
            "cli/src/diagnostic/file/{}",
            name.to_string_lossy()
        ));
    }
    let mut named: BTreeSet<String> = BTreeSet::new();
    for place in &places {
        let text = read(place);
        for piece in text.split("Id::").skip(1) {
            let end = piece
                .find(|c: char| !c.is_alphanumeric())
                .unwrap_or(piece.len());
            named.insert(piece[..end].to_owned());
        }
    }
    named.remove("ALL");
    let mut shown = String::new();
    for entry in fs::read_dir(root().join("tests/malformed")).expect("malformed files") {
        let path = entry.expect("a file").path();
        if path.extension().is_some_and(|ending| ending == "txt") {
            shown += &fs::read_to_string(path).expect("a message");
        }
    }
    assert!(named.len() > 20, "{} ids", named.len());
    // What is wrong with `--set` no file can show; cli/tests does.
    named.remove("Setting");
    let missing: Vec<String> = named
        .iter()
        .map(|name| words(name))
        .filter(|words| !shown.contains(&format!("error[{words}]")))
        .collect();
    assert!(
        missing.is_empty(),
        "no malformed file shows {}",
        missing.join(", ")
    );
}

#[test]
fn every_id_is_given_by_something() {
    let codes = measure::judged::check::Code::ALL;
    let ids = text("cli/src/diagnostic/ids.rs");
    let (ids, _) = ids
        .split_once("#[cfg(test)]")
        .expect("the list, then tests");
    let others: String = sources("cli")
        .into_iter()
        .filter(|source| !source.path.ends_with("diagnostic/ids.rs"))
        .map(|source| source.text)
        .collect();
    let given: BTreeSet<&str> = others
        .split("Id::")
        .skip(1)
        .filter_map(|behind| behind.split(|c: char| !c.is_alphanumeric()).next())
        .collect();
    let mut found = 0;
    for line in ids.lines() {
        let Some((name, words)) = line.trim().split_once(" = \"") else {
            continue;
        };
        if !name.starts_with(char::is_uppercase) {
            continue;
        }
        found += 1;
        let words = words.trim_end_matches("\",");
        let of_check = codes.iter().any(|code| code.text() == words);
        assert!(of_check || given.contains(name), "nothing gives {name}");
    }
    assert!(found > 40, "{found} ids");
}
