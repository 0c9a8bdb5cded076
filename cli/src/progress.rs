//! Progress of long work, on stderr and only for a person watching.

use std::time::Duration;

use indicatif::{ProgressBar, ProgressState, ProgressStyle};
use measure::{Measurement, Reached, UnderTest};
use sim::SimError;

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

/// A bar over the frames of a recording of that rate, Hz, that also tells how fast it goes and the time left.
pub(crate) fn real_time_bar(frames: u64, rate: u32) -> ProgressBar {
    let bar = ProgressBar::new(frames);
    if let Ok(style) =
        ProgressStyle::with_template("playing {bar:30} {percent} %, {real_time}, {eta} left")
    {
        bar.set_style(style.with_key(
            "real_time",
            move |state: &ProgressState, out: &mut dyn std::fmt::Write| {
                let _ = write!(out, "{:.2} x real time", state.per_sec() / f64::from(rate));
            },
        ));
    }
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

/// Puts a question to an amplifier, and shows who waits how far it has come.
pub(crate) fn ask<M: Measurement>(
    question: &M,
    of: &UnderTest<'_>,
    bar: &ProgressBar,
) -> Result<M::Answer, SimError> {
    show(bar, |bar| question.ask(of, &|reached| tell(bar, reached)))
}

/// Sets a bar or counter to how far a question has come.
pub(crate) fn tell(bar: &ProgressBar, reached: Reached) {
    if let Some(all) = reached.all {
        bar.set_length(all as u64);
    }
    if let Some(next) = reached.next {
        bar.set_message(next);
    }
    bar.set_position(reached.done as u64);
}

/// Shows a bar or counter while something is worked out, and takes it away.
pub(crate) fn show<T>(bar: &ProgressBar, work: impl FnOnce(&ProgressBar) -> T) -> T {
    let found = work(bar);
    bar.finish_and_clear();
    found
}
