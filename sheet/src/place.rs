//! Where something was written.

use std::ops::Range;

/// Where a value came from.
#[derive(Clone, Debug)]
pub(super) enum Place {
    /// Bytes of the file.
    File(Range<usize>),
    /// A `--set` argument.
    Set {
        /// The designator.
        part: String,
        /// The value.
        value: String,
    },
}

/// Text and where it stands.
#[derive(Clone, Debug)]
pub(super) struct Text {
    pub(super) text: String,
    pub(super) place: Place,
}
