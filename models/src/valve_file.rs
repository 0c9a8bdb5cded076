//! Texts that tell of a valve, read: valve files and sheets of traced curves, and what can be wrong with them.

mod faults;
mod law;
mod raw;
mod read;
mod recovery;
mod traced;

use std::ops::Range;

pub use read::{read, read_beside_curves, read_within};
pub use traced::{Traced, TracedError, TracedErrorKind, read_traced};

/// A fault in a valve file.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{kind}")]
pub struct DataError {
    /// Bytes of the text that are at fault.
    pub span: Range<usize>,
    /// What is wrong.
    pub kind: DataErrorKind,
}

/// What can be wrong with a valve file.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum DataErrorKind {
    /// The text does not have the form of a valve file.
    #[error("{0}")]
    Form(String),
    /// A key that a valve file does not have there.
    #[error("unknown key `{key}`")]
    UnknownKey {
        /// The key.
        key: String,
        /// The known key most like it, if any is.
        nearest: Option<String>,
        /// The keys known there, with commas.
        known: String,
    },
    /// A figure that must be above zero is not.
    #[error("`{0}` must be above zero")]
    NotPositive(&'static str),
    /// A source, basis or confidence that says nothing.
    #[error("`{0}` is empty: every figure names its source")]
    NoSource(&'static str),
    /// A text that says nothing.
    #[error("`{0}` is empty")]
    Empty(&'static str),
    /// A key that must be there.
    #[error("`{0}` is missing")]
    MissingKey(&'static str),
    /// The type is called otherwise than its table.
    #[error("the table calls this type {0}")]
    OtherName(String),
    /// A law this kind of valve does not have.
    #[error("no law \"{0}\" for this kind of valve; known: {1}")]
    UnknownLaw(String, &'static str),
    /// A parameter the law needs.
    #[error("the law needs `{0}`")]
    MissingParameter(&'static str),
    /// A table this kind of valve needs.
    #[error("this kind of valve needs {0}")]
    MissingTable(&'static str),
    /// A point that cannot be used and does not say why.
    #[error("a point needs anode and grid volts (or a cathode resistor), or `unused = \"why\"`")]
    IncompletePoint,
}
