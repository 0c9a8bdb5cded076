//! Gridleak: what a valve amplifier's volts, watts and distortion will be.
//!
//! Parse, run, exit: 0 answered, 1 ran but there is no answer, 2 bad input, or an answer that could not be written, 130 ended
//! by the interrupt key. The reader of a pipe going away is no failure (`report::stdout` says why).

#![allow(
    clippy::format_push_string,
    clippy::format_collect,
    reason = "a report is built once; it should read like one"
)]

use std::io::ErrorKind;
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
mod place;
mod progress;
mod report;

use commands::Cli;
use failure::{BAD_INPUT, Failure};
use report::stdout;

fn main() -> ExitCode {
    match answer() {
        Ok(code) => code,
        Err(failure) => failure.report(),
    }
}

fn answer() -> Result<ExitCode, Failure> {
    stdout::is_there()?;
    interrupt::watch();
    match Cli::try_parse() {
        Ok(cli) => cli.run().map(|()| ExitCode::SUCCESS),
        // Help is one as well; what is wrong with the words goes to stderr, where nobody may be left to tell.
        Err(said) => match said.print() {
            Err(error) if !said.use_stderr() && error.kind() != ErrorKind::BrokenPipe => {
                Err(error.into())
            }
            _ => Ok(ExitCode::from(
                u8::try_from(said.exit_code()).unwrap_or(BAD_INPUT),
            )),
        },
    }
}
