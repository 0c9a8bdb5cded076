//! A text that is read from a file, and in plain words why it cannot be.

use std::io::{Error, ErrorKind};
use std::path::Path;

use crate::diagnostic::Id;
use crate::failure::Failure;

/// The text of a file; `form` says what it should be when it is no text.
pub(crate) fn text(path: &Path, form: &str) -> Result<String, Failure> {
    let name = path.display();
    let bytes = std::fs::read(path).map_err(|error| {
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
