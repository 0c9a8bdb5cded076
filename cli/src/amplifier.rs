//! From a path to a solved-for circuit: reads the file, applies `--set`, makes the equations.

use std::path::Path;

use sim::file::{Amplifier, FileError, FileErrorKind};
use sim::{System, file};

use crate::Options;
use crate::diagnostic::{self, Id};
use crate::failure::Failure;
use crate::library;

/// An amplifier and its equations.
#[derive(Debug)]
pub(crate) struct Opened {
    pub(crate) amplifier: Amplifier,
    pub(crate) system: System,
}

/// Reads an amplifier file.
pub(crate) fn open(path: &Path, options: &Options) -> Result<Opened, Failure> {
    open_set(path, options, &[])
}

/// Reads an amplifier file with these settings, PART and VALUE, over those of `--set`.
pub(crate) fn open_set(
    path: &Path,
    options: &Options,
    over: &[(String, String)],
) -> Result<Opened, Failure> {
    let name = path.display().to_string();
    let text = read_text(path, "an amplifier file is plain UTF-8 text")?;
    let library = library::open(options)?;
    let (mut set, mut faults) = settings(&options.set);
    set.extend_from_slice(over);
    match file::read_with(&text, &set, &library) {
        Ok(amplifier) if faults.is_empty() => match amplifier.circuit.compile() {
            Ok(system) => Ok(Opened { amplifier, system }),
            Err(errors) => {
                faults.extend(errors.into_iter().map(|error| FileError {
                    span: 0..0,
                    kind: FileErrorKind::Circuit(error),
                    also: Vec::new(),
                }));
                Err(input(&faults, name, text))
            }
        },
        Ok(_) => Err(input(&faults, name, text)),
        Err(mut found) => {
            found.append(&mut faults);
            Err(input(&found, name, text))
        }
    }
}

/// The text of a file; `form` says what it should be when it is no text.
pub(crate) fn read_text(path: &Path, form: &str) -> Result<String, Failure> {
    let name = path.display();
    let bytes = std::fs::read(path).map_err(|error| {
        let help = if error.kind() == std::io::ErrorKind::NotFound {
            "check the spelling of the path"
        } else {
            "check that it is a file you may read"
        };
        Failure::plain(
            Id::CannotRead,
            format!("{name} cannot be opened: {}", plain_words(&error)),
            help,
        )
    })?;
    let text = String::from_utf8(bytes)
        .map_err(|_| Failure::plain(Id::NotText, format!("{name} is no text"), form))?;
    // Editors of some systems put a mark in front.
    Ok(text.strip_prefix('\u{feff}').unwrap_or(&text).to_owned())
}

fn input(faults: &[FileError], name: String, text: String) -> Failure {
    let diagnostics = faults.iter().map(diagnostic::of_file).collect();
    Failure::Input {
        diagnostics,
        text: Some((name, text)),
    }
}

/// Splits PART=VALUE.
fn settings(arguments: &[String]) -> (Vec<(String, String)>, Vec<FileError>) {
    let mut set = Vec::new();
    let mut faults = Vec::new();
    for argument in arguments {
        match argument.split_once('=') {
            Some((part, value)) if !part.trim().is_empty() && !value.trim().is_empty() => {
                set.push((part.trim().to_owned(), value.trim().to_owned()));
            }
            _ => faults.push(FileError {
                span: 0..0,
                kind: FileErrorKind::SetForm {
                    argument: argument.clone(),
                },
                also: Vec::new(),
            }),
        }
    }
    (set, faults)
}

pub(crate) fn plain_words(error: &std::io::Error) -> String {
    match error.kind() {
        std::io::ErrorKind::NotFound => "there is no such file".to_owned(),
        std::io::ErrorKind::PermissionDenied => "you may not read it".to_owned(),
        std::io::ErrorKind::IsADirectory => "it is a folder".to_owned(),
        _ => error.to_string(),
    }
}
