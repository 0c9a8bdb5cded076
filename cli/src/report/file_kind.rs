//! What kinds of file are written, and the endings that promise another.

use std::path::Path;

use crate::diagnostic::Id;
use crate::failure::Failure;

/// A kind of file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum FileKind {
    Sheet,
    Picture,
    Sound,
    ValveFile,
}

/// Endings of kinds of file that are not written.
const OTHERS: [&str; 24] = [
    "png", "jpg", "jpeg", "gif", "webp", "bmp", "tif", "tiff", "pdf", "ps", "eps", "xls", "xlsx",
    "ods", "json", "html", "mp3", "flac", "ogg", "opus", "aac", "m4a", "aif", "aiff",
];

impl FileKind {
    const ALL: [Self; 4] = [Self::Sheet, Self::Picture, Self::Sound, Self::ValveFile];

    /// In words, and its ending.
    fn known(self) -> (&'static str, &'static str) {
        match self {
            Self::Sheet => ("values between commas (CSV)", "csv"),
            Self::Picture => ("an SVG picture", "svg"),
            Self::Sound => ("a WAV file", "wav"),
            Self::ValveFile => ("a valve file (TOML)", "toml"),
        }
    }

    /// Refuses an ending that promises another kind. One that nobody knows is the user's own matter.
    pub(super) fn suits(self, path: &Path) -> Result<(), Failure> {
        let Some(ending) = path.extension() else {
            return Ok(());
        };
        let ending = ending.to_string_lossy().to_lowercase();
        let (words, own) = self.known();
        let mut known = Self::ALL.iter().map(|kind| kind.known().1).chain(OTHERS);
        if ending == own || known.all(|other| other != ending) {
            return Ok(());
        }
        Err(Failure::plain(
            Id::CannotWrite,
            format!(
                "{} cannot be written: what is written there is {words}",
                path.display()
            ),
            format!("give it a name that ends in .{own}"),
        ))
    }
}
