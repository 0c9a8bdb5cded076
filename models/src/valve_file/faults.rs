//! The faults of a valve file, gathered while it is read, so that all of them are told at once.
//!
//! Where a figure is faulty a harmless one goes on in its place; nothing of it leaves the reader.

use toml::Spanned;

use super::raw::Number;
use super::{DataError, DataErrorKind};
use crate::data::Source;

#[derive(Debug, Default)]
pub(super) struct Faults(pub(super) Vec<DataError>);

impl Faults {
    /// What was read, if there were no faults; else all of them in the order of the file.
    pub(super) fn none_or<T>(mut self, read: Option<T>) -> Result<T, Vec<DataError>> {
        self.0.sort_by_key(|fault| fault.span.start);
        read.filter(|_| self.0.is_empty()).ok_or(self.0)
    }

    pub(super) fn push<T>(&mut self, at: &Spanned<T>, kind: DataErrorKind) {
        self.0.push(DataError {
            span: at.span(),
            kind,
        });
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
