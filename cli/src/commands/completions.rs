//! `completions SHELL`.

use crate::failure::Failure;
use crate::report;

/// Arguments of `completions`.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// The shell.
    shell: clap_complete::Shell,
}

pub(super) fn run(arguments: &Arguments) -> Result<(), Failure> {
    let mut script = Vec::new();
    clap_complete::generate(
        arguments.shell,
        &mut crate::arguments(),
        "gridleak",
        &mut script,
    );
    report::print(&String::from_utf8_lossy(&script))?;
    Ok(())
}
