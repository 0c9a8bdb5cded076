//! Writes a file whole or not at all, and never over one that was read.
//!
//! What would stand in the way is asked before the work whose answer the file is to hold, see [`may_be_written`].

use std::fs::{File, OpenOptions};
use std::io::{Seek, Write};
use std::path::{Path, PathBuf};

use tempfile::NamedTempFile;

use super::file_kind::FileKind;
use super::stdout;
use crate::failure::Failure;
use crate::interrupt::Unfinished;

mod target;

pub(crate) use target::has_its_folder;
use target::{Name, Target, failed, folder, twice};

/// Writes to a temporary file in the folder and renames it, so that no reader ever sees half; a device gets it whole.
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
    let target = Target::of(path)?;
    target.may_be_replaced(path, overwrite)?;
    let fill = |file: &mut File| {
        fill(file).map_err(|failure| match failure {
            Failure::Output { path: None, error } => failed(path)(error),
            other => other,
        })
    };
    let mut device = match &target {
        Target::New => return renamed(path, false, fill),
        Target::File(behind) => return renamed(behind, overwrite, fill),
        Target::Device => Some(
            OpenOptions::new()
                .append(true)
                .open(path)
                .map_err(failed(path))?,
        ),
        Target::Stdout => None,
    };
    let mut whole = tempfile::tempfile().map_err(failed(path))?;
    fill(&mut whole)?;
    whole.rewind().map_err(failed(path))?;
    match &mut device {
        Some(device) => std::io::copy(&mut whole, device)
            .map(|_| ())
            .map_err(failed(path)),
        None => stdout::send(whole),
    }
}

/// Writes a file anew that was read for that purpose, and no other.
pub(crate) fn revise(path: &Path, content: &[u8]) -> Result<(), Failure> {
    renamed(path, true, |file| Ok(file.write_all(content)?))
}

/// By a temporary file, filled and then renamed.
fn renamed(
    path: &Path,
    overwrite: bool,
    fill: impl FnOnce(&mut File) -> Result<(), Failure>,
) -> Result<(), Failure> {
    let (mut file, unfinished) = begun(folder(path)).map_err(failed(path))?;
    fill(file.as_file_mut())?;
    file.as_file().sync_all().map_err(failed(path))?;
    let renamed = unfinished.finish(path, || {
        if overwrite {
            file.persist(path)
        } else {
            file.persist_noclobber(path)
        }
    });
    renamed.map_err(|error| failed(path)(error.error))?;
    Ok(())
}

fn begun(folder: &Path) -> std::io::Result<(NamedTempFile, Unfinished)> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(".gridleak-");
    // As open to others as the files they make themselves: a temporary file is closed to them by default.
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
    Unfinished::begin(|| builder.tempfile_in(folder), NamedTempFile::path)
}

/// The folder for the temporary files of what goes there: its own, but not that of a device.
pub(crate) fn scratch(path: &Path) -> PathBuf {
    match Target::of(path) {
        Ok(Target::Device | Target::Stdout) => std::env::temp_dir(),
        Ok(Target::New | Target::File(_)) | Err(_) => folder(path).to_owned(),
    }
}

/// Whether every file that was asked for may be written; all that stands in the way at once. It is asked before the
/// work, when all that is read has been opened.
pub(crate) fn may_be_written<'a>(
    files: impl IntoIterator<Item = (FileKind, Option<&'a PathBuf>)>,
    overwrite: bool,
) -> Result<(), Failure> {
    let mut failures = Vec::new();
    let mut known: Vec<Name> = Vec::new();
    for (kind, path) in files {
        let Some(path) = path else { continue };
        let asked = one_may_be_written(kind, path, overwrite).and_then(|target| {
            let Some(name) = Name::of(path, &target) else {
                return Ok(());
            };
            if known.contains(&name) {
                return Err(twice(path));
            }
            known.push(name);
            Ok(())
        });
        failures.extend(asked.err());
    }
    if failures.is_empty() {
        Ok(())
    } else {
        Err(Failure::Several(failures))
    }
}

fn one_may_be_written(kind: FileKind, path: &Path, overwrite: bool) -> Result<Target, Failure> {
    let target = Target::of(path)?;
    target.may_be_replaced(path, overwrite)?;
    kind.suits(path)?;
    match &target {
        Target::New => drop(begun(folder(path)).map_err(failed(path))?),
        Target::File(behind) => drop(begun(folder(behind)).map_err(failed(path))?),
        Target::Device | Target::Stdout => {}
    }
    Ok(target)
}

#[cfg(test)]
mod tests {
    use super::{FileKind, may_be_written, write};

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
        let may = |overwrite| may_be_written([(FileKind::Sheet, Some(&path))], overwrite);
        may(false).expect("nothing is there");
        write(&path, b"one", false).expect("a new file");
        assert!(may(false).is_err() && may(true).is_ok());
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
