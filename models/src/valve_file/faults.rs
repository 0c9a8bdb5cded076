//! The faults of a valve file, gathered while it is read, so that all of them are told at once.
//!
//! Where a figure is faulty a harmless one goes on in its place; nothing of it leaves the reader.

use std::ops::Range;

use toml::Spanned;

use super::raw::Number;
use super::{DataError, DataErrorKind};
use crate::data::Source;

#[derive(Debug)]
pub(super) struct Faults {
    list: Vec<DataError>,
    /// Where each byte of the text that was read stood in the file.
    origin: Vec<usize>,
    /// Whether the file says what kind of valve it is; else what a kind needs is not asked for.
    kind_is_known: bool,
}

impl Faults {
    /// Those of the form of the file, and what is found from here on in the text that was read past them.
    pub(super) fn after(form: Vec<DataError>, origin: Vec<usize>, kind_is_known: bool) -> Self {
        Self {
            list: form,
            origin,
            kind_is_known,
        }
    }

    /// How many there are.
    pub(super) fn count(&self) -> usize {
        self.list.len()
    }

    /// What was read, if there were no faults; else all of them in the order of the file.
    pub(super) fn none_or<T>(mut self, read: Option<T>) -> Result<T, Vec<DataError>> {
        self.list.sort_by_key(|fault| fault.span.start);
        read.filter(|_| self.list.is_empty()).ok_or(self.list)
    }

    pub(super) fn push<T>(&mut self, at: &Spanned<T>, kind: DataErrorKind) {
        self.at(at.span(), kind);
    }

    /// A fault at bytes of the text that was read.
    pub(super) fn at(&mut self, span: Range<usize>, kind: DataErrorKind) {
        let of_kind = matches!(
            kind,
            DataErrorKind::MissingTable(_)
                | DataErrorKind::UnknownLaw(..)
                | DataErrorKind::MissingParameter(_)
                | DataErrorKind::IncompletePoint
        );
        if of_kind && !self.kind_is_known {
            return;
        }
        let span = self.origin[span.start]..self.origin[span.end];
        self.list.push(DataError { span, kind });
    }

    /// A positive figure, in SI after `unit`.
    pub(super) fn figure(&mut self, key: &'static str, number: &Spanned<f64>, unit: f64) -> f64 {
        let value = *number.get_ref();
        if value > 0.0 && value.is_finite() {
            return value * unit;
        }
        self.push(number, DataErrorKind::NotPositive(key));
        unit
    }

    /// A positive figure, in SI after `unit`, where there is one.
    pub(super) fn optional(
        &mut self,
        key: &'static str,
        number: &Number,
        unit: f64,
    ) -> Option<f64> {
        number.as_ref().map(|number| self.figure(key, number, unit))
    }

    /// A text that must not be empty.
    pub(super) fn said(&mut self, key: &'static str, text: &Spanned<String>) {
        if text.get_ref().trim().is_empty() {
            self.push(text, DataErrorKind::Empty(key));
        }
    }

    /// Where a figure comes from.
    pub(super) fn source(
        &mut self,
        text: &Spanned<String>,
        basis: &Spanned<String>,
        confidence: &str,
    ) -> Source {
        for (key, said) in [("source", text), ("basis", basis)] {
            if said.get_ref().trim().is_empty() {
                self.push(said, DataErrorKind::NoSource(key));
            }
        }
        Source {
            text: text.get_ref().clone(),
            basis: basis.get_ref().clone(),
            confidence: confidence.to_owned(),
        }
    }
}
