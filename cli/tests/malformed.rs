//! Every malformed amplifier file gives exactly the message that stands beside it.
//!
//! `UPDATE_EXPECTED=1 cargo test -p cli --test malformed` rewrites the messages; read them before
//! committing, as someone would who has only the file and the message.

use std::path::PathBuf;
use std::process::Command;

/// No fewer files than this: an empty folder would prove nothing.
const LEAST: usize = 40;

fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../tests/malformed")
}

#[test]
fn every_malformed_file_gives_its_message() {
    let mut files: Vec<PathBuf> = std::fs::read_dir(folder())
        .expect("tests/malformed is there")
        .map(|entry| entry.expect("a folder that can be listed").path())
        .filter(|path| {
            path.extension()
                .is_some_and(|extension| extension == "toml")
        })
        .collect();
    files.sort();
    assert!(files.len() >= LEAST, "{} files", files.len());
    let update = std::env::var_os("UPDATE_EXPECTED").is_some();
    let mut wrong: Vec<String> = Vec::new();
    for path in files {
        let name = path.file_name().expect("a file").to_owned();
        let run = Command::new(env!("CARGO_BIN_EXE_gridleak"))
            .current_dir(folder())
            .arg("voltages")
            .arg(&name)
            .output()
            .expect("the program runs");
        let found = String::from_utf8(run.stderr).expect("messages are text");
        assert_eq!(run.status.code(), Some(2), "{}: {found}", path.display());
        assert!(
            run.stdout.is_empty(),
            "{}: nothing is answered",
            path.display()
        );
        let beside = path.with_extension("txt");
        if update {
            std::fs::write(&beside, &found).expect("the folder can be written");
        } else {
            let expected = std::fs::read_to_string(&beside).unwrap_or_default();
            if found != expected {
                wrong.push(format!(
                    "{}\n--- expected\n{expected}--- found\n{found}",
                    path.display()
                ));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn every_message_has_an_id_a_place_and_a_remedy() {
    for entry in std::fs::read_dir(folder()).expect("tests/malformed is there") {
        let path = entry.expect("a folder that can be listed").path();
        if path.extension().is_none_or(|extension| extension != "txt") {
            continue;
        }
        let text = std::fs::read_to_string(&path).expect("text");
        let count = |what: &str| text.to_lowercase().matches(what).count();
        assert!(count("error[") > 0, "{}: no message", path.display());
        assert!(
            count("help: ") >= count("error["),
            "{}: a message without remedy",
            path.display()
        );
        assert!(text.contains(".toml"), "{}: no place", path.display());
        for id in text
            .lines()
            .filter_map(|line| line.strip_prefix("error[")?.split(']').next())
        {
            let run = Command::new(env!("CARGO_BIN_EXE_gridleak"))
                .args(["explain", id])
                .output()
                .expect("the program runs");
            assert!(
                run.status.success(),
                "{}: `{id}` is not explained",
                path.display()
            );
        }
    }
}
