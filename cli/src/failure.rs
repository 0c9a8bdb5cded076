//! How a command can end without an answer.

use std::path::PathBuf;
use std::process::ExitCode;

use sim::SimError;

use crate::diagnostic::{self, Diagnostic, Id, Text};

/// Status when the run gave no answer.
pub(crate) const NO_ANSWER: u8 = 1;
/// Status when the input was bad, or the answer could not be written.
pub(crate) const BAD_INPUT: u8 = 2;

/// Why there is no answer.
#[derive(Debug)]
pub(crate) enum Failure {
    /// Something is wrong with the question; with the text it is about, if there is one.
    Input {
        diagnostics: Vec<Diagnostic>,
        text: Option<(String, String)>,
    },
    /// Something is wrong in several texts.
    Several(Vec<Self>),
    /// The run ended without an answer.
    Run(SimError),
    /// The run ended without an answer, and there are words of its own for it.
    NoAnswer(Diagnostic),
    /// The answer could not be written; no path is stdout.
    Output {
        path: Option<PathBuf>,
        error: std::io::Error,
    },
}

impl Failure {
    /// One message without a place in a file.
    pub(crate) fn plain(id: Id, message: impl Into<String>, help: impl Into<String>) -> Self {
        Self::Input {
            diagnostics: vec![Diagnostic::plain(id, message, help)],
            text: None,
        }
    }

    /// Prints the failure and says how to exit.
    pub(crate) fn report(self) -> ExitCode {
        match self {
            Self::Input { diagnostics, text } => {
                let text = text.as_ref().map(|(name, text)| Text { name, text });
                diagnostic::print(&diagnostics, text);
                ExitCode::from(BAD_INPUT)
            }
            Self::Several(failures) => {
                for failure in failures {
                    failure.report();
                }
                ExitCode::from(BAD_INPUT)
            }
            Self::Run(error) => {
                diagnostic::print(&[diagnostic::of_sim(&error)], None);
                ExitCode::from(NO_ANSWER)
            }
            Self::NoAnswer(diagnostic) => {
                diagnostic::print(&[diagnostic], None);
                ExitCode::from(NO_ANSWER)
            }
            Self::Output { path, error } => {
                let place = path.map_or_else(
                    || "the output".to_owned(),
                    |path| path.display().to_string(),
                );
                let help = if error.kind() == std::io::ErrorKind::AlreadyExists {
                    "give another name, or --overwrite"
                } else {
                    "check the folder, the permissions and the space left"
                };
                let reason = if error.kind() == std::io::ErrorKind::AlreadyExists {
                    "it exists already".to_owned()
                } else {
                    error.to_string()
                };
                let message = format!("{place} cannot be written: {reason}");
                diagnostic::print(&[Diagnostic::plain(Id::CannotWrite, message, help)], None);
                ExitCode::from(BAD_INPUT)
            }
        }
    }
}

impl From<SimError> for Failure {
    fn from(error: SimError) -> Self {
        Self::Run(error)
    }
}

impl From<std::io::Error> for Failure {
    fn from(error: std::io::Error) -> Self {
        Self::Output { path: None, error }
    }
}
