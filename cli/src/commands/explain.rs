//! `explain ID`.

use crate::Options;
use crate::diagnostic::Id;
use crate::failure::Failure;
use crate::report;

/// Arguments of `explain`.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// The words in the brackets of a message, e.g. no-dc-path; without it all are listed.
    id: Option<String>,
}

pub(super) fn run(arguments: &Arguments, options: &Options) -> Result<(), Failure> {
    let Some(wanted) = &arguments.id else {
        let list: String = Id::ALL
            .iter()
            .map(|id| format!("{}\n", id.text()))
            .collect();
        report::print(&list)?;
        return Ok(());
    };
    let Some(id) = Id::ALL.iter().find(|id| id.text() == wanted.trim()) else {
        return Err(Failure::plain(
            Id::CannotAsk,
            format!("there is no message `{wanted}`"),
            "`gridleak explain` lists them all",
        ));
    };
    let explanation: String = id
        .explanation()
        .lines()
        .map(|line| format!("{}\n", line.trim()))
        .collect();
    if options.json {
        let value = serde_json::json!({ "id": id.text(), "explanation": explanation });
        report::print(&format!("{value:#}\n"))?;
    } else {
        report::print(&format!("{}\n\n{explanation}", id.text()))?;
    }
    Ok(())
}
