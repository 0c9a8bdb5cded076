//! The interrupt key ends every command at once, and nothing half written stays behind.
//!
//! What stands unfinished on the disk is known here by its path. The handler takes it away and ends the program, whatever
//! else is going on: no work has to look whether it may go on.

use std::collections::BTreeSet;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};

/// Status after the interrupt key: 128 and the number of its signal, as shells have it.
pub(crate) const INTERRUPTED: i32 = 130;

/// What this run has on the disk. A run is a process: who writes a file need not tell who ends the program.
static DISK: Mutex<Disk> = Mutex::new(Disk {
    unfinished: BTreeSet::new(),
    written: Vec::new(),
});

struct Disk {
    /// Temporary files and folders.
    unfinished: BTreeSet<PathBuf>,
    /// Files and folders in their places, whole.
    written: Vec<PathBuf>,
}

fn disk() -> MutexGuard<'static, Disk> {
    DISK.lock().unwrap_or_else(PoisonError::into_inner)
}

/// From here on the key ends the program by [`end`].
pub(crate) fn watch() {
    // Without a handler the program ends at once, as it always did: no reason not to work. Where another has asked for the
    // key, or the end of its terminal, to be overlooked (nohup), it stays so.
    let _ = ctrlc::try_set_handler(end);
}

/// Takes away what is unfinished, says what is left, and ends the program. The disk stays locked: nobody begins anew.
fn end() {
    let disk = disk();
    for path in &disk.unfinished {
        remove(path);
    }
    let said = match disk.written.as_slice() {
        [] => "interrupted: nothing was written".to_owned(),
        written => {
            let written: Vec<String> = written
                .iter()
                .map(|path| path.display().to_string())
                .collect();
            format!(
                "interrupted: {} written and whole, nothing else",
                written.join(", ")
            )
        }
    };
    // Where stderr is gone there is nobody left to tell.
    let _ = writeln!(std::io::stderr().lock(), "{said}");
    std::process::exit(INTERRUPTED);
}

/// A file, or a folder with all that is in it. Somebody may be about to write there still: once more, then.
fn remove(path: &Path) {
    for _ in 0..3 {
        let removed = if path.is_dir() {
            std::fs::remove_dir_all(path)
        } else {
            std::fs::remove_file(path)
        };
        if removed.is_ok() || !path.exists() {
            return;
        }
    }
}

/// A temporary file or folder that the interrupt key takes away. Dropped, it is forgotten.
#[derive(Debug)]
pub(crate) struct Unfinished(PathBuf);

impl Unfinished {
    /// Begins one; there is no moment at which it is there and unknown.
    pub(crate) fn begin<T>(
        begin: impl FnOnce() -> std::io::Result<T>,
        path: impl FnOnce(&T) -> &Path,
    ) -> std::io::Result<(T, Self)> {
        let mut disk = disk();
        let begun = begin()?;
        let path = path(&begun).to_owned();
        disk.unfinished.insert(path.clone());
        Ok((begun, Self(path)))
    }

    /// Puts it in its place, in steps that the key does not part.
    pub(crate) fn finish<T, E>(
        &self,
        place: &Path,
        put: impl FnOnce() -> Result<T, E>,
    ) -> Result<T, E> {
        let mut disk = disk();
        let put = put()?;
        // What goes into a folder that is itself unfinished goes with it.
        if !disk.unfinished.iter().any(|other| place.starts_with(other)) {
            disk.written.push(place.to_owned());
        }
        disk.unfinished.remove(&self.0);
        Ok(put)
    }
}

impl Drop for Unfinished {
    fn drop(&mut self) {
        disk().unfinished.remove(&self.0);
    }
}
