//! Which file a path leads to, however it is spelt.

use std::fs::Metadata;
use std::path::Path;

/// A file on disk: two paths lead to one where these are equal, by whatever links.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Place(Which);

/// Device and number on it.
#[cfg(unix)]
type Which = (u64, u64);
/// The path without links. Hard links are not seen.
#[cfg(not(unix))]
type Which = std::path::PathBuf;

impl Place {
    /// Of the file at the end of the path, behind all links; none where there is no plain file.
    pub(crate) fn of(path: &Path) -> Option<Self> {
        let there = std::fs::metadata(path).ok()?;
        there.is_file().then(|| Self::known(path, &there)).flatten()
    }

    #[cfg(unix)]
    #[allow(
        clippy::unnecessary_wraps,
        reason = "elsewhere a path may not be found"
    )]
    fn known(_: &Path, there: &Metadata) -> Option<Self> {
        use std::os::unix::fs::MetadataExt;
        Some(Self((there.dev(), there.ino())))
    }

    #[cfg(not(unix))]
    fn known(path: &Path, _: &Metadata) -> Option<Self> {
        path.canonicalize().ok().map(Self)
    }

    /// Of what a stream of the program goes to, if that is a plain file.
    #[cfg(unix)]
    pub(crate) fn of_stream(stream: impl std::os::fd::AsFd) -> Option<Self> {
        let file = std::fs::File::from(stream.as_fd().try_clone_to_owned().ok()?);
        let there = file.metadata().ok()?;
        there
            .is_file()
            .then(|| Self::known(Path::new(""), &there))
            .flatten()
    }

    /// Of what a stream of the program goes to: not known here.
    #[cfg(not(unix))]
    pub(crate) fn of_stream<S>(_: S) -> Option<Self> {
        None
    }
}
