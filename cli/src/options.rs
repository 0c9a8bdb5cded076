//! What every command accepts.

use std::path::PathBuf;

/// The heading they stand under in `--help`.
const HEADING: &str = "Options of every command";

/// The options.
#[derive(Debug, clap::Args)]
#[command(next_help_heading = HEADING)]
pub(crate) struct Options {
    /// Change a value for this run, e.g. R3=51k, VR1=40%, S1=bright. May be repeated.
    #[arg(long = "set", value_name = "PART=VALUE", global = true)]
    pub(crate) set: Vec<String>,
    /// Folder of valve files (*.toml) whose types go before those that come with the program.
    #[arg(long, value_name = "FOLDER", global = true)]
    pub(crate) valves: Option<PathBuf>,
    /// Print the answer as JSON, in SI units.
    #[arg(long, global = true)]
    pub(crate) json: bool,
    /// Write over files that exist; never over one that is read.
    #[arg(long, global = true)]
    pub(crate) overwrite: bool,
}
