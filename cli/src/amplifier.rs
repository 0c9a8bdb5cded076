//! From a path to a solved-for circuit: reads the file and what it stands on, applies `--set`, makes the
//! equations.

use std::ops::Range;
use std::path::{Component, Path, PathBuf};

use models::library::Library;
use sheet::{FileError, FileErrorKind, Sheet, Spans};
use sim::System;
use sim::amplifier::Amplifier;
use sim::parts::Part;

use crate::Options;
use crate::diagnostic::{self, Diagnostic, Id};
use crate::failure::Failure;
use crate::library;
use crate::loudspeaker::Described;

/// An amplifier and its equations.
#[derive(Debug)]
pub(crate) struct Opened {
    pub(crate) amplifier: Amplifier,
    /// Where everything was written; places are bytes of the texts laid end to end.
    pub(crate) spans: Spans,
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
    let files = stack(path)?;
    let texts: Vec<&str> = files.iter().map(|(_, text)| text.as_str()).collect();
    let library = library::open(options)?;
    let (mut set, mut faults) = settings(&options.set);
    set.extend_from_slice(over);
    match sheet::rework::read(&texts, |text| sheet::read_with(text, &set, &library)) {
        Ok(Sheet { amplifier, spans }) if faults.is_empty() => match amplifier.circuit.compile() {
            Ok(system) => Ok(Opened {
                amplifier,
                spans,
                system,
            }),
            Err(errors) => {
                faults.extend(errors.into_iter().map(|error| FileError {
                    span: 0..0,
                    kind: FileErrorKind::Circuit(error),
                    also: Vec::new(),
                }));
                Err(input(&faults, files))
            }
        },
        Ok(_) => Err(input(&faults, files)),
        Err(mut found) => {
            found.append(&mut faults);
            Err(input(&found, files))
        }
    }
}

/// The amplifier with a loudspeaker, by the words of `--loudspeaker`, in place of its load.
pub(crate) fn with_loudspeaker(mut opened: Opened, text: &str) -> Result<Opened, Failure> {
    let speaker = Described::given(text)?.speaker();
    let bench = &mut opened.amplifier.bench;
    bench.load_ohms = speaker.rated;
    opened.amplifier.circuit.part_mut(bench.load).part = Part::Loudspeaker(speaker);
    opened.system = opened.amplifier.circuit.compile().map_err(|errors| {
        let faults: Vec<String> = errors.iter().map(ToString::to_string).collect();
        Failure::plain(
            Id::OutOfBounds,
            format!("--loudspeaker {text} does not fit: {}", faults.join("; ")),
            "correct its figures",
        )
    })?;
    Ok(opened)
}

/// An amplifier file that is read again and again with other values.
#[derive(Debug)]
pub(crate) struct Again {
    files: Vec<(String, String)>,
    set: Vec<(String, String)>,
    library: Library,
}

impl Again {
    /// Of a file that [`open`] has read without faults.
    pub(crate) fn of(path: &Path, options: &Options) -> Result<Self, Failure> {
        Ok(Self {
            files: stack(path)?,
            set: settings(&options.set).0,
            library: library::open(options)?,
        })
    }

    /// The amplifier with these settings, PART and VALUE, over those of `--set`.
    pub(crate) fn read(&self, over: &[(String, String)]) -> Result<Amplifier, Vec<FileError>> {
        let set = [&self.set, over].concat();
        let texts: Vec<&str> = self.files.iter().map(|(_, text)| text.as_str()).collect();
        sheet::rework::read(&texts, |text| sheet::read_with(text, &set, &self.library))
            .map(|sheet| sheet.amplifier)
    }
}

/// The file and, when it is a rework, the files it stands on, each with its name.
pub(crate) fn stack(path: &Path) -> Result<Vec<(String, String)>, Failure> {
    const FORM: &str = "an amplifier file is plain UTF-8 text";
    let mut files = vec![(path.display().to_string(), read_text(path, FORM)?)];
    let mut paths = vec![path.to_owned()];
    while let Some((name, text)) = files.last()
        && let Some((base, span)) = sheet::rework::base(text)
    {
        let at = paths.last().and_then(|path| path.parent());
        let next = beside(at.unwrap_or(Path::new("")), Path::new(base.trim()));
        let fault = |id, message, help: &str| Failure::Input {
            diagnostics: vec![Diagnostic {
                labels: vec![(span.clone(), String::new())],
                ..Diagnostic::plain(id, message, help)
            }],
            text: Some((name.clone(), text.clone())),
        };
        let same = |known: &PathBuf| match (known.canonicalize(), next.canonicalize()) {
            (Ok(known), Ok(next)) => known == next,
            _ => false,
        };
        if paths.iter().any(same) {
            return Err(fault(
                Id::OwnBase,
                format!("{} stands on itself", next.display()),
                "name the amplifier file, or the rework, that this one changes",
            ));
        }
        if let Err(error) = std::fs::metadata(&next) {
            return Err(fault(
                Id::CannotRead,
                format!(
                    "the base {} cannot be opened: {}",
                    next.display(),
                    plain_words(&error)
                ),
                "the path is taken from the folder of the file that names it",
            ));
        }
        files.push((next.display().to_string(), read_text(&next, FORM)?));
        paths.push(next);
    }
    Ok(files)
}

/// A path as seen from a folder, without steps forth and back.
fn beside(folder: &Path, path: &Path) -> PathBuf {
    let mut whole = PathBuf::new();
    for step in folder.join(path).components() {
        let back = step == Component::ParentDir
            && matches!(whole.components().next_back(), Some(Component::Normal(_)));
        if back {
            whole.pop();
        } else if step != Component::CurDir {
            whole.push(step);
        }
    }
    whole
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

/// The faults, each with the file it is in; places are bytes of the texts laid end to end.
fn input(faults: &[FileError], files: Vec<(String, String)>) -> Failure {
    let texts: Vec<&str> = files.iter().map(|(_, text)| text.as_str()).collect();
    let starts = sheet::starts(&texts);
    let file_of = |span: &Range<usize>| starts.partition_point(|start| *start <= span.start) - 1;
    let mut found: Vec<Vec<Diagnostic>> = vec![Vec::new(); files.len()];
    for fault in faults {
        let mut diagnostic = diagnostic::of_file(fault);
        let file = file_of(&fault.span);
        diagnostic.labels.retain(|(span, _)| file_of(span) == file);
        for (span, _) in &mut diagnostic.labels {
            *span = span.start - starts[file]..span.end - starts[file];
        }
        found[file].push(diagnostic);
    }
    let failures = found
        .into_iter()
        .zip(files)
        .filter(|(diagnostics, _)| !diagnostics.is_empty());
    let failures = failures.map(|(diagnostics, text)| Failure::Input {
        diagnostics,
        text: Some(text),
    });
    Failure::Several(failures.collect())
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
