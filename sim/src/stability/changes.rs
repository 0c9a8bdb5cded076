//! A change of the linearised equations: a path that is cut or closed, without another circuit.

use crate::system::{System, UnknownId};

/// What is added to the linearised equations of a circuit before its natural frequencies are asked for: a path
/// that is cut or closed, without another circuit.
#[derive(Clone, Debug, PartialEq)]
pub struct Changes {
    /// Unknowns of the changed circuit.
    pub(super) n: usize,
    pub(super) entries: Vec<Change>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Change {
    pub(super) row: usize,
    pub(super) column: usize,
    /// To the slopes G.
    pub(super) slope: f64,
    /// To the storage C.
    pub(super) stored: f64,
}

impl Changes {
    /// The circuit as it is.
    pub fn none(system: &System) -> Self {
        Self {
            n: system.len(),
            entries: Vec::new(),
        }
    }

    /// One unknown more, its equation empty as yet.
    pub fn unknown(&mut self) -> UnknownId {
        self.n += 1;
        (self.n - 1) as UnknownId
    }

    /// Adds slope + s·stored, e.g. S and F, to what `column` brings to the equation of `row`.
    pub fn add(&mut self, row: UnknownId, column: UnknownId, slope: f64, stored: f64) {
        self.entries.push(Change {
            row: row as usize,
            column: column as usize,
            slope,
            stored,
        });
    }
}
