//! A folder that is there whole or not at all.

use std::path::{Path, PathBuf};

use tempfile::TempDir;

use super::{ORIGINAL, PAGE};
use crate::diagnostic::Id;
use crate::failure::Failure;
use crate::input;
use crate::interrupt::Unfinished;
use crate::listening::{Bits, Delivery, Form, Rendered, deliver};
use crate::place::Place;
use crate::report::output;

/// A folder in the making, beside the place it is to have; gone with the work when that ends early.
#[derive(Debug)]
pub(super) struct Folder {
    beside: TempDir,
    unfinished: Unfinished,
    target: PathBuf,
    overwrite: bool,
}

impl Folder {
    /// Begins one, unless something is in its place that must stay.
    pub(super) fn new(target: &Path, overwrite: bool) -> Result<Self, Failure> {
        output::has_its_folder(target)?;
        if target.exists() {
            if !overwrite {
                return Err(failed(target)(std::io::ErrorKind::AlreadyExists.into()));
            }
            only_an_audition(target)?;
        }
        let mut builder = tempfile::Builder::new();
        builder.prefix(".gridleak-");
        let begin = || builder.tempdir_in(output::scratch(target));
        let (beside, unfinished) =
            Unfinished::begin(begin, TempDir::path).map_err(failed(target))?;
        let folder = Self {
            beside,
            unfinished,
            target: target.to_owned(),
            overwrite,
        };
        // The temporary folder is closed to others; the one in it is as folders are here.
        std::fs::create_dir(folder.made()).map_err(failed(target))?;
        Ok(folder)
    }

    /// Where temporary files go.
    pub(super) fn scratch(&self) -> &Path {
        self.beside.path()
    }

    fn made(&self) -> PathBuf {
        self.beside.path().join("made")
    }

    /// The place of a file.
    pub(super) fn place(&self, name: &str) -> PathBuf {
        self.made().join(name)
    }

    /// Writes a file.
    pub(super) fn write(&self, name: &str, content: &[u8]) -> Result<(), Failure> {
        output::write(&self.place(name), content, false)
    }

    /// A track as it goes into the page: a WAV file of 16 bit.
    pub(super) fn sound(&self, rendered: &mut Rendered, form: Form) -> Result<Vec<u8>, Failure> {
        let path = self.beside.path().join("sound.wav");
        let form = Form {
            bits: Bits::Sixteen,
            overwrite: true,
            ..form
        };
        deliver(rendered, Delivery::Whole, form, &path)?;
        std::fs::read(&path).map_err(failed(&path))
    }

    /// Puts it in its place.
    pub(super) fn finish(self) -> Result<(), Failure> {
        let old = self.beside.path().join("old");
        let replaced = self.overwrite && self.target.exists();
        if replaced {
            only_an_audition(&self.target)?;
        } else if self.target.exists() {
            return Err(failed(&self.target)(
                std::io::ErrorKind::AlreadyExists.into(),
            ));
        }
        let put = || {
            if replaced {
                std::fs::rename(&self.target, &old)?;
            }
            std::fs::rename(self.made(), &self.target).inspect_err(|_| {
                if replaced {
                    // Nothing more can be done than to say what went wrong first.
                    let _ = std::fs::rename(&old, &self.target);
                }
            })
        };
        self.unfinished
            .finish(&self.target, put)
            .map_err(failed(&self.target))
    }
}

fn failed(path: &Path) -> impl Fn(std::io::Error) -> Failure {
    let path = path.to_owned();
    move |error| Failure::Output {
        path: Some(path.clone()),
        error,
    }
}

/// Refuses to replace a folder that holds anything an audition does not write.
fn only_an_audition(folder: &Path) -> Result<(), Failure> {
    let entries = std::fs::read_dir(folder).map_err(failed(folder))?;
    for entry in entries {
        let entry = entry.map_err(failed(folder))?;
        let name = entry.file_name();
        let name = name.to_string_lossy();
        if Place::of(&entry.path()).is_some_and(|place| input::was_read(&place)) {
            return Err(Failure::plain(
                Id::CannotWrite,
                format!(
                    "{} holds {name}, which is read, and is not replaced",
                    folder.display()
                ),
                "give the audition a folder of its own",
            ));
        }
        let number = name
            .strip_prefix("amplifier_")
            .and_then(|rest| rest.strip_suffix(".wav"));
        let numbered = number.is_some_and(|number| number.parse::<u32>().is_ok());
        if !(numbered || name == PAGE || name == ORIGINAL) {
            return Err(Failure::plain(
                Id::CannotWrite,
                format!(
                    "{} holds {name}, which no audition wrote, and is not replaced",
                    folder.display()
                ),
                "give the audition a folder of its own",
            ));
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::Folder;

    #[test]
    fn a_folder_is_made_whole_and_replaces_only_its_like() {
        let place = tempfile::tempdir().expect("a temporary folder");
        let target = place.path().join("out");
        let folder = Folder::new(&target, false).expect("nothing is there");
        folder.write("audition.html", b"one").expect("a new file");
        assert!(!target.exists(), "it is not there before it is whole");
        folder.finish().expect("nothing is there");
        let read = || std::fs::read(target.join("audition.html")).expect("it is there");
        assert_eq!(read(), b"one");
        assert!(Folder::new(&target, false).is_err(), "it exists");

        let folder = Folder::new(&target, true).expect("it is an audition");
        folder.write("audition.html", b"two").expect("a new file");
        drop(folder);
        assert_eq!(read(), b"one", "work that ends early leaves the old one");
        let folder = Folder::new(&target, true).expect("it is an audition");
        folder.write("audition.html", b"two").expect("a new file");
        folder.finish().expect("it is an audition");
        assert_eq!(read(), b"two");

        std::fs::write(target.join("letters.txt"), b"dear").expect("it can be written");
        assert!(
            Folder::new(&target, true).is_err(),
            "it holds what is not ours"
        );
        let count = std::fs::read_dir(place.path()).expect("the folder").count();
        assert_eq!(count, 1, "nothing temporary is left");
    }
}
