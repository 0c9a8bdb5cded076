//! Files that are read: in plain words why one cannot be, and which ones were, so that none is written over.

use std::fs::File;
use std::io::{Error, ErrorKind, Read};
use std::path::Path;
use std::sync::{Mutex, PoisonError};

use crate::diagnostic::Id;
use crate::failure::Failure;
use crate::place::Place;

/// What this run has read. A run is a process: who reads a file need not tell who writes one.
static READ: Mutex<Vec<Place>> = Mutex::new(Vec::new());

/// Opens a file to be read. Every file of the user's is opened here.
pub(crate) fn open(path: &Path) -> std::io::Result<File> {
    let file = File::open(path)?;
    if let Some(place) = Place::of(path) {
        let mut read = READ.lock().unwrap_or_else(PoisonError::into_inner);
        if !read.contains(&place) {
            read.push(place);
        }
    }
    Ok(file)
}

/// The bytes of a file.
pub(crate) fn bytes(path: &Path) -> std::io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    open(path)?.read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// Whether this run has read that file.
pub(crate) fn was_read(place: &Place) -> bool {
    let read = READ.lock().unwrap_or_else(PoisonError::into_inner);
    read.contains(place)
}

/// The text of a file; `form` says what it should be when it is no text.
pub(crate) fn text(path: &Path, form: &str) -> Result<String, Failure> {
    let name = path.display();
    let bytes = bytes(path).map_err(|error| {
        let help = if error.kind() == ErrorKind::NotFound {
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
    as_text(bytes, &name.to_string(), form)
}

/// Bytes as text; `form` says what they should be when they are none.
pub(crate) fn as_text(bytes: Vec<u8>, name: &str, form: &str) -> Result<String, Failure> {
    let text = String::from_utf8(bytes)
        .map_err(|_| Failure::plain(Id::NotText, format!("{name} is no text"), form))?;
    // Editors of some systems put a mark in front.
    Ok(text.strip_prefix('\u{feff}').unwrap_or(&text).to_owned())
}

/// Why a file or folder cannot be read.
pub(crate) fn plain_words(error: &Error) -> String {
    match error.kind() {
        ErrorKind::NotFound => "there is no such file".to_owned(),
        ErrorKind::PermissionDenied => "you may not read it".to_owned(),
        ErrorKind::IsADirectory => "it is a folder".to_owned(),
        _ => error.to_string(),
    }
}
