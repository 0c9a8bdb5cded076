//! `completions SHELL`.
//!
//! A command by itself: it is about the commands.

use clap::CommandFactory;

use super::Cli;
use super::command::Command;
use crate::failure::Failure;
use crate::options::Options;
use crate::report;

/// Completions for a shell, to be sourced by it.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// The shell.
    shell: clap_complete::Shell,
}

impl Command for Arguments {
    const NAME: &'static str = "completions";

    fn run(&self, _: &Options) -> Result<(), Failure> {
        let mut script = Vec::new();
        clap_complete::generate(self.shell, &mut Cli::command(), "gridleak", &mut script);
        report::print(&String::from_utf8_lossy(&script))?;
        Ok(())
    }
}
