//! The valve types at hand: those of the program and those of the folder given with `--valves`.

use std::ffi::OsStr;
use std::path::{Path, PathBuf};

use models::data::ValveType;
use models::library::{Library, UnknownValve};
use models::valve_file;

use crate::diagnostic::{self, Id};
use crate::failure::Failure;
use crate::input;
use crate::options::Options;

/// Reads the folder, if one is given: every file of it that ends in `.toml`, in the order of their names.
pub(crate) fn open(options: &Options) -> Result<Library, Failure> {
    let mut library = Library::default();
    let Some(folder) = &options.valves else {
        return Ok(library);
    };
    let mut failures = Vec::new();
    for path in files(folder)? {
        match read(&path) {
            Ok(valve) => library.add(valve),
            Err(failure) => failures.push(failure),
        }
    }
    if failures.is_empty() {
        Ok(library)
    } else {
        Err(Failure::Several(failures))
    }
}

/// The type of the program of that name.
pub(crate) fn find(name: &str) -> Result<&'static ValveType, Failure> {
    models::library::find(name).map_err(|error| unknown(&error))
}

/// What to do with a name that is no type.
pub(crate) fn unknown(error: &UnknownValve) -> Failure {
    let help = if error.nearest.is_empty() {
        "`gridleak valves` lists them all".to_owned()
    } else {
        format!(
            "did you mean {}? `gridleak valves` lists them all",
            error.nearest.join(" or ")
        )
    };
    Failure::plain(Id::UnknownValve, error.to_string(), help)
}

fn files(folder: &Path) -> Result<Vec<PathBuf>, Failure> {
    let name = folder.display();
    let entries = std::fs::read_dir(folder).map_err(|error| {
        Failure::plain(
            Id::CannotRead,
            format!("{name} cannot be opened: {}", input::plain_words(&error)),
            "--valves takes a folder of valve files",
        )
    })?;
    let mut files: Vec<PathBuf> = entries
        .filter_map(|entry| Some(entry.ok()?.path()))
        .filter(|path| path.extension() == Some(OsStr::new("toml")))
        .collect();
    files.sort();
    if files.is_empty() {
        return Err(Failure::plain(
            Id::CannotRead,
            format!("{name} holds no valve files"),
            "the names of valve files end in .toml",
        ));
    }
    Ok(files)
}

fn read(path: &Path) -> Result<ValveType, Failure> {
    let text = input::text(path, "a valve file is plain UTF-8 text")?;
    valve_file::read(&text).map_err(|faults| Failure::Input {
        diagnostics: faults.iter().map(diagnostic::of_valve_file).collect(),
        text: Some((path.display().to_string(), text)),
    })
}
