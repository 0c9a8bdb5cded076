//! The commands: one file each; `commands!` below is the list.

mod audition;
mod check;
mod choose;
mod command;
mod compare;
mod completions;
mod curves;
mod distortion;
mod effect;
mod explain;
mod feedback;
mod fit;
mod hum;
mod impedance;
mod listen;
mod noise;
mod power;
mod readings;
mod response;
mod spread;
mod supply;
mod switch_on;
mod valves;
mod voltages;
mod waveform;

use clap::{Parser, Subcommand};

use self::command::Command;
use crate::failure::Failure;
use crate::options::Options;

/// What a valve amplifier's volts, watts and distortion will be, from its parts list.
///
/// Exit status: 0 answered; 1 ran, but there is no answer; 2 bad input, or an answer that could not be written; 130 ended by the interrupt key.
#[derive(Debug, Parser)]
#[command(name = "gridleak", version, propagate_version = true)]
pub(crate) struct Cli {
    #[command(flatten)]
    options: Options,
    #[command(subcommand)]
    command: Any,
}

impl Cli {
    /// Runs the command that was called.
    pub(crate) fn run(&self) -> Result<(), Failure> {
        self.command.run(&self.options)
    }
}

/// Makes one of all commands, in the order of the help. Name, help and the rest are in the file of each.
macro_rules! commands {
    ($($module:ident $variant:ident,)+) => {
        /// What can be asked.
        #[derive(Debug, Subcommand)]
        #[allow(
            clippy::large_enum_variant,
            reason = "one of it is made in the life of the program"
        )]
        enum Any {
            $(#[command(name = <$module::Arguments as Command>::NAME)] $variant($module::Arguments)),+
        }

        impl Any {
            fn run(&self, options: &Options) -> Result<(), Failure> {
                match self {
                    $(Self::$variant(arguments) => arguments.run(options)),+
                }
            }
        }
    };
}

commands! {
    voltages Voltages,
    readings Readings,
    choose Choose,
    effect Effect,
    spread Spread,
    check Check,
    waveform Waveform,
    power Power,
    distortion Distortion,
    response Response,
    impedance Impedance,
    listen Listen,
    audition Audition,
    noise Noise,
    hum Hum,
    feedback Feedback,
    switch_on SwitchOn,
    supply Supply,
    valves Valves,
    fit Fit,
    compare Compare,
    curves Curves,
    explain Explain,
    completions Completions,
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory;

    use super::Cli;

    #[test]
    fn what_every_command_accepts_stands_apart_in_the_help_of_each() {
        let mut cli = Cli::command();
        cli.build();
        let commands = cli.get_subcommands_mut();
        for command in commands.filter(|command| command.get_name() != "help") {
            let help = command.render_help().to_string();
            let (own, every) = help
                .split_once("\nOptions of every command:\n")
                .expect("the heading is there");
            for option in ["--set", "--valves", "--json", "--overwrite"] {
                let has = |text: &str| text.lines().any(|line| line.trim().starts_with(option));
                assert!(has(every) && !has(own), "{option}: {help}");
            }
        }
    }
}
