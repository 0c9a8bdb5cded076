//! `explain ID`, `explain file`, `explain rework` and `explain json`.
//!
//! A command by itself: it prints pages that are there.

use super::command::Command;
use crate::diagnostic::Id;
use crate::failure::Failure;
use crate::options::Options;
use crate::report;

/// The word that asks for the amplifier file itself.
const FILE: &str = "file";

/// An amplifier file with every part and key, and what they mean.
const AMPLIFIER_FILE: &str = include_str!("../amplifier_file.toml");

/// The word that asks for the rework file.
const REWORK: &str = "rework";

/// A rework file with every key, and what they mean.
const REWORK_FILE: &str = include_str!("../rework_file.toml");

/// The word that asks for the keys of `--json`.
const JSON: &str = "json";

/// Every key of `--json` with its unit.
const JSON_KEYS: &str = include_str!("../json_keys.txt");

/// What the words in brackets of a message mean, and how to mend it.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// The words in the brackets of a message, e.g. no-dc-path; or `file` for an amplifier file with
    /// every part and key; or `rework` for a file of changes; or `json` for the keys and units of --json.
    /// Without it all are listed.
    id: Option<String>,
}

impl Command for Arguments {
    const NAME: &'static str = "explain";

    fn run(&self, options: &Options) -> Result<(), Failure> {
        let Some(wanted) = self.id.as_deref().map(str::trim) else {
            let ids = Id::ALL.iter().map(|id| id.text());
            let list: String = [FILE, REWORK, JSON]
                .into_iter()
                .chain(ids)
                .map(|id| format!("{id}\n"))
                .collect();
            report::print(&list)?;
            return Ok(());
        };
        let explanation: String = if wanted == FILE {
            AMPLIFIER_FILE.to_owned()
        } else if wanted == REWORK {
            REWORK_FILE.to_owned()
        } else if wanted == JSON {
            JSON_KEYS.to_owned()
        } else {
            let Some(id) = Id::ALL.iter().find(|id| id.text() == wanted) else {
                return Err(Failure::plain(
                    Id::CannotAsk,
                    format!("there is no message `{wanted}`"),
                    "`gridleak explain` lists them all",
                ));
            };
            id.explanation()
                .lines()
                .map(|line| format!("{}\n", line.trim()))
                .collect()
        };
        if options.json {
            let value = serde_json::json!({ "id": wanted, "explanation": explanation });
            report::print(&format!("{value:#}\n"))?;
        } else if [FILE, REWORK, JSON].contains(&wanted) {
            report::print(&explanation)?;
        } else {
            report::print(&format!("{wanted}\n\n{explanation}"))?;
        }
        Ok(())
    }
}
