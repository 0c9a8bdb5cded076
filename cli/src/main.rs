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
mod argument;
mod caution;
mod commands;
mod diagnostic;
mod failure;
mod input;
mod interrupt;
mod library;
mod listening;
mod loudness;
mod loudspeaker;
mod notes;
mod options;
mod progress;
mod report;

use commands::Cli;

fn main() -> ExitCode {
    match Cli::parse().run() {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => failure.report(),
    }
}
