//! Gridleak: what a valve amplifier's volts, watts and distortion will be.
//!
//! Parse, run, exit: 0 answered, 1 ran but there is no answer, 2 bad input. The reader of a pipe
//! going away is no failure.

#![allow(
    clippy::format_push_string,
    clippy::format_collect,
    reason = "a report is built once; it should read like one"
)]

use std::process::ExitCode;

use clap::Parser;

mod amplifier;
mod caution;
mod commands;
mod diagnostic;
mod failure;
mod interrupt;
mod library;
mod listening;
mod loudness;
mod loudspeaker;
mod notes;
mod progress;
mod report;

use commands::Command;
use failure::Failure;

/// What a valve amplifier's volts, watts and distortion will be, from its parts list.
///
/// Exit status: 0 answered; 1 ran, but there is no answer; 2 bad input.
#[derive(Debug, Parser)]
#[command(name = "gridleak", version, propagate_version = true)]
pub(crate) struct Cli {
    #[command(flatten)]
    options: Options,
    #[command(subcommand)]
    command: Command,
}

/// What every command accepts.
#[derive(Debug, clap::Args)]
pub(crate) struct Options {
    /// Change a value for this run, e.g. R3=51k, VR1=40%, S1=bright. May be repeated.
    #[arg(long = "set", value_name = "PART=VALUE", global = true)]
    set: Vec<String>,
    /// Folder of valve files (*.toml) whose types go before those that come with the program.
    #[arg(long, value_name = "FOLDER", global = true)]
    valves: Option<std::path::PathBuf>,
    /// Print the answer as JSON, in SI units.
    #[arg(long, global = true)]
    json: bool,
    /// Write over files that exist.
    #[arg(long, global = true)]
    overwrite: bool,
}

fn main() -> ExitCode {
    let cli = Cli::parse();
    match commands::run(&cli.command, &cli.options) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => failure.report(),
    }
}

/// The arguments, for completions.
pub(crate) fn arguments() -> clap::Command {
    <Cli as clap::CommandFactory>::command()
}

impl From<std::io::Error> for Failure {
    fn from(error: std::io::Error) -> Self {
        Self::Output { path: None, error }
    }
}
