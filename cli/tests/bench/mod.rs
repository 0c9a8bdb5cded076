//! A folder with amplifier files of its own in which the program is run, and the program in the repository.

#![allow(dead_code, reason = "each test takes what it needs")]

use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::time::{Duration, Instant};

use serde_json::Value;

/// A temporary folder, and the command that is asked in it.
pub(crate) struct Bench {
    folder: tempfile::TempDir,
    command: Option<&'static str>,
}

impl Bench {
    /// With these files, name and text.
    pub(crate) fn with(files: &[(&str, &str)]) -> Self {
        let folder = tempfile::tempdir().expect("a temporary folder");
        for (name, text) in files {
            std::fs::write(folder.path().join(name), text).expect("the folder can be written");
        }
        Self {
            folder,
            command: None,
        }
    }

    /// Asks this command in every run.
    pub(crate) fn asking(self, command: &'static str) -> Self {
        Self {
            command: Some(command),
            ..self
        }
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Names of all that is in it, sorted.
    pub(crate) fn names(&self) -> Vec<String> {
        let entries = std::fs::read_dir(self.folder.path()).expect("the folder");
        let name = |entry: std::io::Result<std::fs::DirEntry>| {
            entry.expect("an entry").file_name().display().to_string()
        };
        let mut names: Vec<String> = entries.map(name).collect();
        names.sort();
        names
    }

    /// The program, to be run in it.
    pub(crate) fn command(&self, arguments: &[&str]) -> Command {
        let asked: Vec<&str> = self.command.iter().chain(arguments).copied().collect();
        program(self.folder.path(), &asked)
    }

    pub(crate) fn run(&self, arguments: &[&str]) -> Output {
        run(self.command(arguments))
    }

    pub(crate) fn answer(&self, arguments: &[&str]) -> String {
        answer(&self.run(arguments))
    }

    pub(crate) fn json(&self, arguments: &[&str]) -> Value {
        serde_json::from_str(&self.answer(arguments)).expect("JSON")
    }

    /// The answer alone, of a command asked for JSON.
    pub(crate) fn figures(&self, arguments: &[&str]) -> Value {
        self.json(&[arguments, &["--json"]].concat())["answer"].take()
    }
}

fn program(folder: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_gridleak"));
    command.current_dir(folder).args(arguments);
    command
}

fn run(mut command: Command) -> Output {
    command.output().expect("the program runs")
}

/// The program run in the repository.
pub(crate) fn in_repository(arguments: &[&str]) -> Output {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    run(program(&root, arguments))
}

/// What was printed by a run that answered.
pub(crate) fn answer(run: &Output) -> String {
    assert_eq!(run.status.code(), Some(0), "{}", stderr(run));
    String::from_utf8(run.stdout.clone()).expect("text")
}

pub(crate) fn stderr(run: &Output) -> String {
    String::from_utf8_lossy(&run.stderr).into_owned()
}

/// The amplifier file of an example.
pub(crate) fn example(name: &str) -> String {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples");
    let path = folder.join(name).join("amplifier.toml");
    path.display().to_string()
}

/// How long the beginning of any work may take on a busy machine.
const PATIENCE: Duration = Duration::from_mins(2);

/// Presses the interrupt key of a run as soon as it has begun, and waits for its end.
#[cfg(unix)]
pub(crate) fn interrupted(mut command: Command, mut has_begun: impl FnMut(u32) -> bool) -> Output {
    let child = command
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::piped())
        .spawn()
        .expect("the program runs");
    let began = Instant::now();
    while !has_begun(child.id()) {
        assert!(began.elapsed() < PATIENCE, "no work is begun");
        std::thread::sleep(Duration::from_millis(10));
    }
    let sent = Command::new("kill")
        .args(["-INT", &child.id().to_string()])
        .status();
    assert!(sent.is_ok_and(|status| status.success()));
    child.wait_with_output().expect("it ends")
}
