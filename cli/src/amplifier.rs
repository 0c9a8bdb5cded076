//! From a path to an amplifier and its equations, not solved yet: reads the file and what it stands on, and applies
//! `--set`.

use std::collections::BTreeSet;
use std::f64::consts::FRAC_1_SQRT_2;
use std::ops::Range;
use std::path::{Component, Path, PathBuf};

use models::library::Library;
use sheet::{FileError, FileErrorKind, Sheet, Spans};
use sim::System;
use sim::amplifier::Amplifier;
use sim::parts::{Part, Waveform};

use crate::diagnostic::{self, Diagnostic, Id};
use crate::failure::Failure;
use crate::loudspeaker::Described;
use crate::options::Options;
use crate::{input, library};

/// An amplifier, its equations, and what it was read from.
#[derive(Debug)]
pub(crate) struct Opened {
    pub(crate) amplifier: Amplifier,
    /// Where everything was written; places are bytes of the texts laid end to end.
    pub(crate) spans: Spans,
    pub(crate) system: System,
    pub(crate) origin: Origin,
}

/// Reads an amplifier file.
pub(crate) fn open(path: &Path, options: &Options) -> Result<Opened, Failure> {
    let files = stack(path)?;
    let library = library::open(options)?;
    let (set, faults) = settings(&options.set);
    let origin = Origin {
        files,
        set,
        library,
    };
    let (sheet, system) = origin.compiled(&[], faults)?;
    Ok(Opened {
        amplifier: sheet.amplifier,
        spans: sheet.spans,
        system,
        origin,
    })
}

/// What an amplifier is read from; it is read again and again with other values.
#[derive(Debug)]
pub(crate) struct Origin {
    /// The file and, when it is a rework, the files it stands on, each with its name.
    pub(crate) files: Vec<(String, String)>,
    /// PART and VALUE of `--set`.
    set: Vec<(String, String)>,
    library: Library,
}

impl Origin {
    /// The amplifier with these settings, PART and VALUE, over those of `--set`.
    pub(crate) fn read(&self, over: &[(String, String)]) -> Result<Sheet, Vec<FileError>> {
        let set = [&self.set, over].concat();
        sheet::rework::read(&self.texts(), |text| {
            sheet::read_with(text, &set, &self.library)
        })
    }

    /// The amplifier with these settings and its equations.
    pub(crate) fn set(&self, over: &[(String, String)]) -> Result<(Amplifier, System), Failure> {
        let (sheet, system) = self.compiled(over, Vec::new())?;
        Ok((sheet.amplifier, system))
    }

    /// Both, unless there are faults, those that are known already among them.
    fn compiled(
        &self,
        over: &[(String, String)],
        mut faults: Vec<FileError>,
    ) -> Result<(Sheet, System), Failure> {
        match self.read(over) {
            Ok(sheet) if faults.is_empty() => match System::of(&sheet.amplifier.circuit) {
                Ok(system) => return Ok((sheet, system)),
                Err(errors) => faults.extend(errors.into_iter().map(|error| FileError {
                    span: 0..0,
                    kind: FileErrorKind::Circuit(error),
                    also: Vec::new(),
                })),
            },
            Ok(_) => {}
            Err(mut found) => {
                found.append(&mut faults);
                faults = found;
            }
        }
        Err(self.failure(&faults))
    }

    pub(crate) fn texts(&self) -> Vec<&str> {
        self.files.iter().map(|(_, text)| text.as_str()).collect()
    }

    /// The faults, each with the file it is in; places are bytes of the texts laid end to end.
    fn failure(&self, faults: &[FileError]) -> Failure {
        let starts = sheet::starts(&self.texts());
        let file_of =
            |span: &Range<usize>| starts.partition_point(|start| *start <= span.start) - 1;
        let mut found: Vec<Vec<Diagnostic>> = vec![Vec::new(); self.files.len()];
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
            .zip(&self.files)
            .filter(|(diagnostics, _)| !diagnostics.is_empty());
        let failures = failures.map(|(diagnostics, text)| Failure::Input {
            diagnostics,
            text: Some(text.clone()),
        });
        Failure::Several(failures.collect())
    }
}

/// The amplifier with a loudspeaker, by the words of `--loudspeaker`, in place of its load.
pub(crate) fn with_loudspeaker(mut opened: Opened, text: &str) -> Result<Opened, Failure> {
    let speaker = Described::given(text)?.speaker();
    let bench = &mut opened.amplifier.bench;
    bench.load_ohms = speaker.rated;
    opened.amplifier.circuit.part_mut(bench.load).part = Part::Loudspeaker(speaker);
    opened.system = System::of(&opened.amplifier.circuit).map_err(|errors| {
        let faults: Vec<String> = errors.iter().map(ToString::to_string).collect();
        Failure::plain(
            Id::OutOfBounds,
            format!("--loudspeaker {text} does not fit: {}", faults.join("; ")),
            "correct its figures",
        )
    })?;
    Ok(opened)
}

/// The file and, when it is a rework, the files it stands on, each with its name.
fn stack(path: &Path) -> Result<Vec<(String, String)>, Failure> {
    const FORM: &str = "an amplifier file is plain UTF-8 text";
    let mut files = vec![(path.display().to_string(), input::text(path, FORM)?)];
    let mut paths = vec![path.to_owned()];
    let mut known: BTreeSet<PathBuf> = path.canonicalize().into_iter().collect();
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
        if next.canonicalize().is_ok_and(|next| !known.insert(next)) {
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
                    input::plain_words(&error)
                ),
                "the path is taken from the folder of the file that names it",
            ));
        }
        files.push((next.display().to_string(), input::text(&next, FORM)?));
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

/// What the mains is set to, V rms; none when no part is the mains.
pub(crate) fn mains_volts(amplifier: &Amplifier) -> Option<f64> {
    let mains = amplifier.mains.as_ref()?;
    let part = &amplifier.circuit.part(mains.part).part;
    if let Part::Source(source) = part
        && let Waveform::Alternating { amplitude, .. } = source.waveform
    {
        return Some(amplitude * FRAC_1_SQRT_2);
    }
    Some(mains.nominal)
}

/// The resistance of the generator, Ω.
pub(crate) fn generator_ohms(amplifier: &Amplifier) -> Option<f64> {
    let part = &amplifier.circuit.part(amplifier.bench.generator).part;
    if let Part::Source(source) = part {
        return Some(source.resistance);
    }
    None
}
