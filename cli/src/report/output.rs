//! Writes a file whole or not at all.

use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};

use crate::failure::Failure;

/// Writes to a temporary file in the same folder and renames it, so that no reader ever sees half.
/// An existing file is kept unless `overwrite`.
pub(crate) fn write(path: &Path, content: &[u8], overwrite: bool) -> Result<(), Failure> {
    stream(path, overwrite, |file| Ok(file.write_all(content)?))
}

/// Writes a file that is too long to be held: `fill` writes it, and when it fails nothing is left.
pub(crate) fn stream(
    path: &Path,
    overwrite: bool,
    fill: impl FnOnce(&mut File) -> Result<(), Failure>,
) -> Result<(), Failure> {
    let failed = |error| Failure::Output {
        path: Some(path.to_owned()),
        error,
    };
    let mut builder = tempfile::Builder::new();
    builder.prefix(".gridleak-");
    // As open to others as the files they make themselves: a temporary file is closed to them by default.
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
    let mut file = builder.tempfile_in(folder(path)).map_err(failed)?;
    fill(file.as_file_mut()).map_err(|failure| match failure {
        Failure::Output { path: None, error } => failed(error),
        other => other,
    })?;
    file.as_file().sync_all().map_err(failed)?;
    if overwrite {
        file.persist(path).map_err(|error| failed(error.error))?;
    } else {
        file.persist_noclobber(path)
            .map_err(|error| failed(error.error))?;
    }
    Ok(())
}

/// The folder a file goes to.
pub(crate) fn folder(path: &Path) -> &Path {
    path.parent()
        .filter(|folder| !folder.as_os_str().is_empty())
        .unwrap_or(Path::new("."))
}

/// Whether a file may be written there, asked before the work whose answer it is to hold.
pub(crate) fn may_be_written(path: &Path, overwrite: bool) -> Result<(), Failure> {
    if !overwrite && path.exists() {
        return Err(Failure::Output {
            path: Some(path.to_owned()),
            error: std::io::ErrorKind::AlreadyExists.into(),
        });
    }
    Ok(())
}

/// Whether every file that was asked for may be written.
pub(crate) fn all_may_be_written<'a>(
    paths: impl IntoIterator<Item = Option<&'a PathBuf>>,
    overwrite: bool,
) -> Result<(), Failure> {
    paths
        .into_iter()
        .flatten()
        .try_for_each(|path| may_be_written(path, overwrite))
}

#[cfg(test)]
mod tests {
    use super::{may_be_written, write};

    #[cfg(unix)]
    #[test]
    fn a_file_is_as_open_as_any_other() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let (ours, plain) = (folder.path().join("a.csv"), folder.path().join("b.csv"));
        write(&ours, b"one", false).expect("a new file");
        std::fs::write(&plain, b"one").expect("a new file");
        let mode = |path| std::fs::metadata(path).expect("it is there").permissions();
        assert_eq!(mode(&ours), mode(&plain));
    }

    #[test]
    fn an_existing_file_is_kept_unless_told_otherwise() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("out.csv");
        may_be_written(&path, false).expect("nothing is there");
        write(&path, b"one", false).expect("a new file");
        assert!(may_be_written(&path, false).is_err() && may_be_written(&path, true).is_ok());
        assert!(write(&path, b"two", false).is_err());
        assert_eq!(std::fs::read(&path).expect("it is there"), b"one");
        write(&path, b"three", true).expect("overwriting");
        assert_eq!(std::fs::read(&path).expect("it is there"), b"three");
        let files = std::fs::read_dir(folder.path())
            .expect("the folder")
            .count();
        assert_eq!(files, 1, "no temporary file is left");
    }
}
