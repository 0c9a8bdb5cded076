//! Progress of long work, on stderr and only for a person watching.

use std::time::Duration;

use indicatif::{ProgressBar, ProgressStyle};

/// A bar from nothing to `length`.
pub(crate) fn bar(length: u64, what: &'static str) -> ProgressBar {
    let bar = ProgressBar::new(length);
    if let Ok(style) = ProgressStyle::with_template("{msg} {bar:30} {percent} %") {
        bar.set_style(style);
    }
    bar.set_message(what);
    bar
}

/// A bar that also tells the time left.
pub(crate) fn long_bar(length: u64, what: &'static str) -> ProgressBar {
    let bar = ProgressBar::new(length);
    if let Ok(style) = ProgressStyle::with_template("{msg} {bar:30} {percent} %, {eta} left") {
        bar.set_style(style);
    }
    bar.set_message(what);
    bar
}

/// A counter of unknown end.
pub(crate) fn counter(what: &'static str) -> ProgressBar {
    let spinner = ProgressBar::new_spinner();
    if let Ok(style) = ProgressStyle::with_template("{spinner} {msg}: {pos}") {
        spinner.set_style(style);
    }
    spinner.set_message(what);
    spinner.enable_steady_tick(Duration::from_millis(200));
    spinner
}
