//! The interrupt key during long work: nothing half-written stays behind.

use std::sync::Once;
use std::sync::atomic::{AtomicBool, Ordering};

use crate::failure::Failure;

static ASKED: AtomicBool = AtomicBool::new(false);
static WATCHING: Once = Once::new();

/// From here on the key ends the work at the next [`check`] and not the program at once.
pub(crate) fn watch() {
    WATCHING.call_once(|| {
        // Without a handler the program ends at once, as it always did: no reason not to work.
        let _ = ctrlc::set_handler(|| {
            if ASKED.swap(true, Ordering::Relaxed) {
                // Pressed twice: no patience left for the end of a measurement.
                std::process::exit(i32::from(crate::failure::NO_ANSWER));
            }
        });
    });
}

/// Whether to go on.
///
/// # Errors
/// [`Failure::Interrupted`].
pub(crate) fn check() -> Result<(), Failure> {
    if ASKED.load(Ordering::Relaxed) {
        Err(Failure::Interrupted)
    } else {
        Ok(())
    }
}
