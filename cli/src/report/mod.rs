//! Everything that leaves the program on stdout or into a file goes through here.

pub(crate) mod csv;
pub(crate) mod family;
pub(crate) mod histogram;
pub(crate) mod json;
pub(crate) mod log_plot;
pub(crate) mod output;
pub(crate) mod plot;
pub(crate) mod stacked;
pub(crate) mod table;

use std::io::Write;

/// Prints a finished report to stdout.
pub(crate) fn print(text: &str) -> std::io::Result<()> {
    let mut stdout = std::io::stdout().lock();
    stdout.write_all(text.as_bytes())?;
    stdout.flush()
}
