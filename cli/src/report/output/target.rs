//! What a path to write leads to: a file behind links, a device, nothing yet, or a place where nothing may be written.

use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use crate::diagnostic::Id;
use crate::failure::Failure;
use crate::input;
use crate::place::Place;
use crate::report::stdout;

/// What a path leads to.
#[derive(Debug)]
pub(super) enum Target {
    /// Nothing yet.
    New,
    /// A file, behind all links.
    File(PathBuf),
    /// What takes whatever comes, and is kept: a terminal, a pipe, nowhere.
    Device,
    /// The standard output, by the name of a device.
    Stdout,
}

impl Target {
    pub(super) fn of(path: &Path) -> Result<Self, Failure> {
        let there = match std::fs::metadata(path) {
            Ok(there) => there,
            Err(error) if error.kind() == ErrorKind::NotFound => {
                return Self::nothing(path);
            }
            // A file on the way.
            Err(error) if error.kind() == ErrorKind::NotADirectory => {
                has_its_folder(path)?;
                return Err(failed(path)(error));
            }
            Err(error) => return Err(failed(path)(error)),
        };
        if there.is_dir() {
            return Err(refused(path, "it is a folder", "give the name of a file"));
        }
        // Names of open files: they are no places on a disk, even where a file is behind them.
        let by_device = ["/dev", "/proc"]
            .iter()
            .any(|folder| path.starts_with(folder));
        let place = Place::of(path);
        if place.is_some() && place == stdout::place() {
            return if by_device {
                Ok(Self::Stdout)
            } else {
                Err(twice(path))
            };
        }
        if there.is_file() && !by_device {
            return Ok(Self::File(path.canonicalize().map_err(failed(path))?));
        }
        if path == Path::new("/dev/stdout") {
            return Ok(Self::Stdout);
        }
        if there.is_file() || takes_whatever_comes(&there) {
            return Ok(Self::Device);
        }
        Err(refused(path, "it is no file", "give the name of a file"))
    }

    /// Nothing there: it may be made.
    fn nothing(path: &Path) -> Result<Self, Failure> {
        if path.symlink_metadata().is_ok() {
            let help = "remove the link, or give another name";
            return Err(refused(path, "it is a link that leads nowhere", help));
        }
        let ends_in_a_folder = path
            .as_os_str()
            .to_string_lossy()
            .ends_with(std::path::is_separator);
        if ends_in_a_folder || path.file_name().is_none() {
            let reason = "by its name it is a folder";
            return Err(refused(path, reason, "give the name of a file"));
        }
        has_its_folder(path)?;
        Ok(Self::New)
    }

    /// Refuses what was read, and what exists unless it may be overwritten.
    pub(super) fn may_be_replaced(&self, path: &Path, overwrite: bool) -> Result<(), Failure> {
        match self {
            Self::New | Self::Device => Ok(()),
            Self::Stdout => stdout::not_what_was_read(),
            Self::File(behind) => {
                if Place::of(behind).is_some_and(|place| input::was_read(&place)) {
                    let reason = "it is one of the files that are read";
                    return Err(refused(path, reason, "give another name"));
                }
                if !overwrite {
                    return Err(failed(path)(ErrorKind::AlreadyExists.into()));
                }
                let there = std::fs::metadata(behind).map_err(failed(path))?;
                if there.permissions().readonly() {
                    let help = "give another name, or lift the protection";
                    return Err(refused(path, "it is protected against writing", help));
                }
                Ok(())
            }
        }
    }
}

#[cfg(unix)]
fn takes_whatever_comes(there: &std::fs::Metadata) -> bool {
    use std::os::unix::fs::FileTypeExt;
    there.file_type().is_char_device() || there.file_type().is_fifo()
}

#[cfg(not(unix))]
fn takes_whatever_comes(_: &std::fs::Metadata) -> bool {
    false
}

/// Whether the folder that a file or folder goes to is there.
pub(crate) fn has_its_folder(path: &Path) -> Result<(), Failure> {
    let folder = folder(path);
    let reason = match std::fs::metadata(folder) {
        Ok(there) if there.is_dir() => return Ok(()),
        Ok(_) => format!("{} is no folder", folder.display()),
        Err(error) if error.kind() == ErrorKind::NotFound => {
            format!("there is no folder {}", folder.display())
        }
        Err(error) => return Err(failed(path)(error)),
    };
    Err(refused(
        path,
        &reason,
        "make the folder first, or give another",
    ))
}

/// The folder a file goes to.
pub(super) fn folder(path: &Path) -> &Path {
    path.parent()
        .filter(|folder| !folder.as_os_str().is_empty())
        .unwrap_or(Path::new("."))
}

/// What tells two files that are to be written from each other.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Name {
    There(Place),
    New(PathBuf),
}

impl Name {
    /// None of what takes any number of files and keeps none.
    pub(super) fn of(path: &Path, target: &Target) -> Option<Self> {
        match target {
            Target::New => {
                let folder = folder(path).canonicalize().ok()?;
                Some(Self::New(folder.join(path.file_name()?)))
            }
            Target::File(behind) => Place::of(behind).map(Self::There),
            // Their readers would take the end of the first for the end of all.
            Target::Device | Target::Stdout if !is_char_device(path) => {
                Some(Self::New(path.canonicalize().unwrap_or(path.to_owned())))
            }
            Target::Device | Target::Stdout => None,
        }
    }
}

#[cfg(unix)]
fn is_char_device(path: &Path) -> bool {
    use std::os::unix::fs::FileTypeExt;
    std::fs::metadata(path).is_ok_and(|there| there.file_type().is_char_device())
}

#[cfg(not(unix))]
fn is_char_device(_: &Path) -> bool {
    false
}

pub(super) fn failed(path: &Path) -> impl Fn(std::io::Error) -> Failure {
    let path = path.to_owned();
    move |error| Failure::Output {
        path: Some(path.clone()),
        error,
    }
}

fn refused(path: &Path, reason: &str, help: &str) -> Failure {
    Failure::plain(
        Id::CannotWrite,
        format!("{} cannot be written: {reason}", path.display()),
        help,
    )
}

pub(super) fn twice(path: &Path) -> Failure {
    let help = "give each file that is written a name of its own";
    Failure::plain(
        Id::CannotWrite,
        format!("{} stands for two files", path.display()),
        help,
    )
}
