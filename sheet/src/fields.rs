//! The keys of one table: each is read once, and what nobody asked for is a fault.
//!
//! Over 400 lines because reading a key, its unit and its faults is one job.

use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::PartSpans;
use super::draft::{Draft, NodeRef};
use super::error::{Bounds, FileErrorKind};
use super::place::{Place, Text};
use models::nearest::nearest;
use sim::circuit::{NodeId, Ratings};
use sim::parts::Part;
use sim::quantity::{Quantity, QuantityError, Unit};

/// Words that mean the same; the first is ours, the second is accepted and never printed.
const SYNONYMS: &[(&str, &str)] = &[
    ("capacitor", "condenser"),
    ("pot", "potentiometer"),
    ("valve", "tube"),
    ("anode", "plate"),
    ("anodes", "plates"),
];

/// One key and its value.
#[derive(Debug)]
struct Entry<'a> {
    key: &'a str,
    key_span: Range<usize>,
    value: Option<&'a Spanned<DeValue<'a>>>,
    /// A value from `--set` that goes before the one in the file.
    instead: Option<&'a str>,
    taken: bool,
}

/// The keys of one table.
#[derive(Debug)]
pub(super) struct Fields<'a> {
    /// Designator, or name of the table.
    pub(super) owner: String,
    /// What it is, e.g. "resistor".
    pub(super) what: &'static str,
    /// The name as it stands in the file.
    pub(super) name_span: Range<usize>,
    entries: Vec<Entry<'a>>,
    asked: Vec<&'static str>,
    /// Keys that must be there and are not, each with its fault.
    missing: Vec<(&'static str, FileErrorKind)>,
}

impl<'a> Fields<'a> {
    pub(super) fn new(
        owner: &str,
        what: &'static str,
        name_span: Range<usize>,
        table: &'a DeTable<'a>,
    ) -> Self {
        let mut entries: Vec<Entry<'a>> = table
            .iter()
            .map(|(key, value)| Entry {
                key: key.get_ref().as_ref(),
                key_span: key.span(),
                value: Some(value),
                instead: None,
                taken: false,
            })
            .collect();
        entries.sort_by_key(|entry| entry.key_span.start);
        Self {
            owner: owner.to_owned(),
            what,
            name_span,
            entries,
            asked: Vec::new(),
            missing: Vec::new(),
        }
    }

    /// Keys in the order of the file, with their places.
    pub(super) fn keys(&self) -> impl Iterator<Item = (&'a str, Range<usize>)> {
        self.entries
            .iter()
            .map(|entry| (entry.key, entry.key_span.clone()))
    }

    /// Puts a value from outside the file in the place of the file's.
    pub(super) fn set(&mut self, key: &'static str, value: &'a str) {
        if let Some(k) = self.position(key) {
            self.entries[k].instead = Some(value);
        } else {
            let key_span = self.name_span.clone();
            self.entries.push(Entry {
                key,
                key_span,
                value: None,
                instead: Some(value),
                taken: false,
            });
        }
    }

    fn position(&self, key: &str) -> Option<usize> {
        let synonym = SYNONYMS
            .iter()
            .find(|(ours, _)| *ours == key)
            .map(|(_, theirs)| *theirs);
        self.entries
            .iter()
            .position(|entry| entry.key == key || Some(entry.key) == synonym)
    }

    pub(super) fn has(&self, key: &str) -> bool {
        self.position(key).is_some()
    }

    /// Where the value of a key stands, or the name of the owner.
    pub(super) fn span_of(&self, key: &str) -> Range<usize> {
        self.position(key)
            .and_then(|k| self.entries[k].value.map(Spanned::span))
            .unwrap_or_else(|| self.name_span.clone())
    }

    /// Where every value stands, for later faults of the circuit.
    pub(super) fn value_spans(&self) -> Vec<(String, Range<usize>)> {
        self.entries
            .iter()
            .filter_map(|entry| {
                entry
                    .value
                    .map(|value| (entry.key.to_owned(), value.span()))
            })
            .collect()
    }

    fn take(&mut self, key: &'static str) -> Option<usize> {
        if !self.asked.contains(&key) {
            self.asked.push(key);
        }
        let k = self.position(key)?;
        self.entries[k].taken = true;
        Some(k)
    }

    /// The raw value of a key.
    pub(super) fn raw(&mut self, key: &'static str) -> Option<&'a Spanned<DeValue<'a>>> {
        let k = self.take(key)?;
        self.entries[k].value
    }

    /// Reports a key that must be there, unless a misspelt one is found to stand for it.
    pub(super) fn miss(&mut self, key: &'static str) {
        let kind = FileErrorKind::MissingKey {
            owner: self.owner.clone(),
            what: self.what,
            key,
        };
        self.miss_as(key, kind);
    }

    /// As [`Fields::miss`], in other words.
    pub(super) fn miss_as(&mut self, key: &'static str, kind: FileErrorKind) {
        self.take(key);
        self.missing.push((key, kind));
    }

    /// Text, or a TOML number as text where `numbers` allows it.
    fn text_or_number(
        &mut self,
        draft: &mut Draft,
        key: &'static str,
        numbers: bool,
    ) -> Option<Text> {
        let k = self.take(key)?;
        let entry = &self.entries[k];
        if let Some(value) = entry.instead {
            let place = Place::Set {
                part: self.owner.clone(),
                value: value.to_owned(),
            };
            return Some(Text {
                text: value.to_owned(),
                place,
            });
        }
        let value = entry.value?;
        let place = Place::File(value.span());
        let text = match value.get_ref() {
            DeValue::String(text) => text.to_string(),
            DeValue::Integer(number) if numbers && number.radix() == 10 => {
                number.as_str().to_owned()
            }
            DeValue::Float(number) if numbers => number.as_str().to_owned(),
            other => {
                let wanted = if numbers {
                    "a number"
                } else {
                    "text in quotes"
                };
                let found = type_words(other);
                draft.fault(
                    &place,
                    FileErrorKind::WrongType {
                        key: key.to_owned(),
                        wanted,
                        found,
                    },
                );
                return None;
            }
        };
        Some(Text { text, place })
    }

    /// Text in quotes.
    pub(super) fn text(&mut self, draft: &mut Draft, key: &'static str) -> Option<Text> {
        self.text_or_number(draft, key, false)
    }

    /// Text in quotes that must be there.
    pub(super) fn need_text(&mut self, draft: &mut Draft, key: &'static str) -> Option<Text> {
        if !self.has(key) {
            self.take(key);
            self.miss(key);
            return None;
        }
        self.text(draft, key)
    }

    /// A value, if the key is there. A faulty one is reported and replaced by one, so that the
    /// rest of the file can still be judged.
    pub(super) fn value(
        &mut self,
        draft: &mut Draft,
        key: &'static str,
        unit: Unit,
        bounds: Bounds,
    ) -> Option<f64> {
        self.either(draft, key, &[unit], bounds)
            .map(|(value, _)| value)
    }

    /// A value in any of several units, and the unit found.
    pub(super) fn either(
        &mut self,
        draft: &mut Draft,
        key: &'static str,
        units: &[Unit],
        bounds: Bounds,
    ) -> Option<(f64, Unit)> {
        // A TOML number is good where the same digits in quotes are; elsewhere the quotes and the
        // unit are missing, and saying so is the better message.
        if !self.has(key) {
            self.take(key);
            return None;
        }
        let Some(text) = self.text_or_number(draft, key, true) else {
            return Some((1.0, units[0]));
        };
        Some(read_either(draft, key, &text, units, bounds).unwrap_or((1.0, units[0])))
    }

    /// A value that must be there.
    pub(super) fn need_value(
        &mut self,
        draft: &mut Draft,
        key: &'static str,
        unit: Unit,
        bounds: Bounds,
    ) -> f64 {
        let value = self.value(draft, key, unit, bounds);
        if value.is_none() {
            self.miss(key);
        }
        value.unwrap_or(1.0)
    }

    /// A value, or a typical one which is then noted as assumed.
    pub(super) fn value_or_assume(
        &mut self,
        draft: &mut Draft,
        key: &'static str,
        unit: Unit,
        bounds: Bounds,
        typical: f64,
    ) -> f64 {
        self.value(draft, key, unit, bounds).unwrap_or_else(|| {
            draft.assume(&self.owner, &self.name_span, key, typical, unit);
            typical
        })
    }

    /// A list of texts.
    pub(super) fn list(&mut self, draft: &mut Draft, key: &'static str) -> Option<Vec<Text>> {
        let value = self.raw(key)?;
        let place = Place::File(value.span());
        let wrong = |draft: &mut Draft, place: &Place, wanted, other: &DeValue<'_>| {
            let found = type_words(other);
            draft.fault(
                place,
                FileErrorKind::WrongType {
                    key: key.to_owned(),
                    wanted,
                    found,
                },
            );
        };
        let DeValue::Array(items) = value.get_ref() else {
            wrong(draft, &place, "a list in square brackets", value.get_ref());
            return None;
        };
        let mut texts = Vec::new();
        for item in items {
            match item.get_ref() {
                DeValue::String(text) => {
                    texts.push(Text {
                        text: text.to_string(),
                        place: Place::File(item.span()),
                    });
                }
                other => {
                    wrong(
                        draft,
                        &Place::File(item.span()),
                        "a list of texts in quotes",
                        other,
                    );
                    return None;
                }
            }
        }
        Some(texts)
    }

    /// Puts the part of these keys in its place; `whole` is its line.
    pub(super) fn place(
        &self,
        draft: &mut Draft,
        whole: Range<usize>,
        part: Part,
        nodes: &[NodeRef],
        ratings: Ratings,
    ) {
        let at: Vec<NodeId> = nodes.iter().map(|node| node.id).collect();
        let spans = PartSpans {
            name: self.name_span.clone(),
            whole,
            values: self.value_spans().into_iter().collect(),
            nodes: nodes.iter().map(|node| node.span.clone()).collect(),
        };
        draft.add(&self.owner, part, &at, ratings, spans);
    }

    /// Reports keys nobody asked for and keys that were missed.
    pub(super) fn finish(self, draft: &mut Draft) {
        let mut missing = self.missing;
        for entry in self.entries.iter().filter(|entry| !entry.taken) {
            let near = nearest(entry.key, self.asked.iter().copied())
                .and_then(|near| self.asked.iter().copied().find(|key| *key == near));
            if let Some(near) = near {
                missing.retain(|(key, _)| *key != near);
            }
            let kind = FileErrorKind::UnknownKey {
                key: entry.key.to_owned(),
                what: self.what,
                nearest: near,
                known: self.asked.clone(),
            };
            draft.fault(&Place::File(entry.key_span.clone()), kind);
        }
        for (_, kind) in missing {
            draft.fault(&Place::File(self.name_span.clone()), kind);
        }
    }
}

/// Reads a text in the first of several units that fits.
pub(super) fn read_either(
    draft: &mut Draft,
    key: &str,
    text: &Text,
    units: &[Unit],
    bounds: Bounds,
) -> Option<(f64, Unit)> {
    let mut first_error: Option<QuantityError> = None;
    for &unit in units {
        match Quantity::parse(&text.text, unit) {
            Ok(value) if bounds.hold(value) => return Some((value, unit)),
            Ok(_) => {
                draft.fault(
                    &text.place,
                    FileErrorKind::OutOfBounds {
                        key: key.to_owned(),
                        wanted: bounds,
                    },
                );
                return None;
            }
            Err(error) => {
                first_error.get_or_insert(error);
            }
        }
    }
    let error = first_error.unwrap_or(QuantityError::Empty);
    draft.fault(
        &text.place,
        FileErrorKind::Quantity {
            key: key.to_owned(),
            error,
        },
    );
    None
}

/// What a TOML value is, in plain words.
pub(super) fn type_words(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "text",
        DeValue::Integer(_) | DeValue::Float(_) => "a bare number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}
