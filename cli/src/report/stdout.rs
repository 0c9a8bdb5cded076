//! The standard output: what is printed goes there, whole, or it is a failure.
//!
//! A reader that goes before the end (`| head`) is none: it has what it wanted, and if it has not, its own exit status
//! tells whoever asked for the status of a pipeline. The run goes on, so that cautions are still printed and the exit
//! status is that of the answer, whoever read it.

use std::io::{ErrorKind, Read, Write};

use crate::failure::Failure;
use crate::input;
use crate::place::Place;

/// Prints a finished report.
pub(crate) fn print(text: &str) -> Result<(), Failure> {
    send(text.as_bytes())
}

/// Passes on all that is read.
pub(super) fn send(mut content: impl Read) -> Result<(), Failure> {
    not_what_was_read()?;
    let mut stdout = std::io::stdout().lock();
    let sent = std::io::copy(&mut content, &mut stdout).and_then(|_| stdout.flush());
    match sent {
        Err(error) if error.kind() == ErrorKind::BrokenPipe => Ok(()),
        sent => Ok(sent?),
    }
}

/// The file it goes to, if it goes to one.
pub(super) fn place() -> Option<Place> {
    Place::of_stream(std::io::stdout())
}

/// Refuses to add to a file that was read.
pub(super) fn not_what_was_read() -> Result<(), Failure> {
    if place().is_some_and(|place| input::was_read(&place)) {
        return Err(std::io::Error::other("it is one of the files that are read").into());
    }
    Ok(())
}

/// Whether there is one; asked before any work.
pub(crate) fn is_there() -> Result<(), Failure> {
    if at_the_start::was_closed() {
        return Err(std::io::Error::other("it is closed").into());
    }
    Ok(())
}

/// Rust opens streams that are closed anew before `main`, to nowhere (`std::rt`), where no write ever fails. So what
/// they were is looked at before, in a function that the loader calls.
#[cfg(target_os = "linux")]
mod at_the_start {
    use std::sync::atomic::{AtomicBool, Ordering};

    static CLOSED: AtomicBool = AtomicBool::new(false);

    extern "C" fn look() {
        // Where /proc is not mounted nothing is seen, and nothing is claimed.
        let is_there = |name: &str| std::fs::symlink_metadata(name).is_ok();
        let closed = is_there("/proc/self/fd") && !is_there("/proc/self/fd/1");
        CLOSED.store(closed, Ordering::Relaxed);
    }

    #[allow(
        unsafe_code,
        reason = "the loader calls what stands in this section, each once, with the libraries ready; nothing in it \
                  needs the runtime of Rust"
    )]
    #[unsafe(link_section = ".init_array")]
    #[used]
    static LOOK: extern "C" fn() = look;

    pub(super) fn was_closed() -> bool {
        CLOSED.load(Ordering::Relaxed)
    }
}

#[cfg(not(target_os = "linux"))]
mod at_the_start {
    pub(super) fn was_closed() -> bool {
        false
    }
}
