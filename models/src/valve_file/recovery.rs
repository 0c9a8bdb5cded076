//! Reading on past a fault, so that all of them are told at once.
//!
//! The parser stops at the first key that is unknown, missing or of another form. It is told, what it is about is
//! blanked or a harmless figure put in its place, and the rest read again. Every byte of the mended text knows the place
//! it had in the file.
//!
//! Cost: a pass over the text for each fault.

use std::ops::Range;

use serde::de::DeserializeOwned;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::faults::Faults;
use super::raw::LETTERS;
use super::{DataError, DataErrorKind};
use crate::nearest::nearest;

/// What stands for a key that is missing, by what it is; any other is a figure.
const STAND_INS: [(&str, &[&str]); 5] = [
    (
        "\"-\"",
        &[
            "source",
            "basis",
            "rating",
            "name",
            "type",
            "differs",
            "law",
            "fitted_by",
        ],
    ),
    ("\"triode\"", &["kind"]),
    ("\"indirect\"", &["heating"]),
    ("\"any\"", &["filter"]),
    (
        "{ rating = \"-\", source = \"-\", basis = \"-\" }",
        &["limits"],
    ),
];
const FIGURE: &str = "1";

/// The tables of a file and the faults of its form; the latter alone where nothing more can be read.
pub(super) fn parse<T: DeserializeOwned>(text: &str) -> Result<(T, Faults), Vec<DataError>> {
    let mut text = Mended::of(text);
    let mut faults: Vec<DataError> = Vec::new();
    // Keys that were told and blanked: that they are missing then is no fault of the file.
    let mut told: Vec<String> = Vec::new();
    let mut kind_is_known = true;
    loop {
        let error = match toml::from_str(&text.text) {
            Ok(raw) => return Ok((raw, Faults::after(faults, text.origin, kind_is_known))),
            Err(error) => error,
        };
        let message = error.message();
        let span = error.span().unwrap_or(0..0);
        let place = text.place(&span);
        let Some(key) = between_backticks(message, "missing field ") else {
            let kind =
                unknown_key(message).unwrap_or_else(|| DataErrorKind::Form(message.to_owned()));
            faults.push(DataError { span: place, kind });
            match text.blank(&span) {
                Some(key) => told.push(key),
                None => return Err(faults),
            }
            continue;
        };
        if let Some(known) = told.iter().position(|told| *told == key) {
            told.swap_remove(known);
        } else {
            let kind = DataErrorKind::Form(message.to_owned());
            let fault = DataError { span: place, kind };
            // What stood in for it did not do.
            if faults.contains(&fault) {
                return Err(faults);
            }
            faults.push(fault);
        }
        kind_is_known &= key != "kind";
        text.stand_in(&span, &key);
    }
}

/// A text, and where each byte of it stood.
struct Mended {
    text: String,
    origin: Vec<usize>,
}

impl Mended {
    fn of(text: &str) -> Self {
        Self {
            text: text.to_owned(),
            origin: (0..=text.len()).collect(),
        }
    }

    fn place(&self, span: &Range<usize>) -> Range<usize> {
        self.origin[span.start]..self.origin[span.end]
    }

    /// Puts a harmless value of a key into the table with this head, or brace.
    fn stand_in(&mut self, table: &Range<usize>, key: &str) {
        let value = STAND_INS.iter().find(|(_, keys)| keys.contains(&key));
        let value = value.map_or(FIGURE, |(value, _)| value);
        let (at, words) = match self.text[table.clone()].as_bytes().first() {
            Some(b'[') => {
                let line = self.text[table.end..].find('\n');
                let end = line.map_or(self.text.len(), |line| table.end + line);
                (end, format!("\n{key} = {value}"))
            }
            Some(b'{') => {
                let is_empty = self.text[table.start + 1..table.end - 1].trim().is_empty();
                let comma = if is_empty { "" } else { "," };
                (table.start + 1, format!(" {key} = {value}{comma}"))
            }
            _ => (0, format!("{key} = {value}\n")),
        };
        let stood = self.origin[at];
        self.text.insert_str(at, &words);
        self.origin.splice(at..at, vec![stood; words.len()]);
    }

    /// Blanks the key at this place or with the value at it, and its value, or a whole table by its head; gives the key.
    fn blank(&mut self, span: &Range<usize>) -> Option<String> {
        let start = self.text[..span.start].rfind('\n').map_or(0, |at| at + 1);
        let (key, range) = if self.text[start..].trim_start().starts_with('[') {
            let end = self.text[span.end..].find("\n[");
            (
                String::new(),
                start..end.map_or(self.text.len(), |at| span.end + at),
            )
        } else {
            let parsed = DeTable::parse(&self.text).ok()?;
            let (key, value) = entry(parsed.get_ref(), span)?;
            let name = self.text[key.clone()].to_owned();
            (name, self.with_comma(key.start..value.end))
        };
        let blank = |c: char| {
            if c == '\n' {
                "\n".to_owned()
            } else {
                " ".repeat(c.len_utf8())
            }
        };
        let blanks: String = self.text[range.clone()].chars().map(blank).collect();
        self.text.replace_range(range, &blanks);
        Some(key)
    }

    /// With the comma behind it, or else the one before it, that join it to others in braces.
    fn with_comma(&self, range: Range<usize>) -> Range<usize> {
        let blank = [' ', '\t'];
        let behind = self.text[range.end..].trim_start_matches(blank);
        if behind.starts_with(',') {
            return range.start..self.text.len() - behind.len() + 1;
        }
        let before = self.text[..range.start].trim_end_matches(blank);
        if before.ends_with(',') {
            return before.len() - 1..range.end;
        }
        range
    }
}

/// Places of the key and the value of the innermost entry whose key is there, or whose value holds it.
fn entry(table: &DeTable<'_>, span: &Range<usize>) -> Option<(Range<usize>, Range<usize>)> {
    table.iter().find_map(|(key, value)| {
        within(value, span).or_else(|| {
            let holds = value.span().start <= span.start && span.end <= value.span().end;
            (key.span() == *span || holds).then(|| (key.span(), value.span()))
        })
    })
}

fn within(
    value: &Spanned<DeValue<'_>>,
    span: &Range<usize>,
) -> Option<(Range<usize>, Range<usize>)> {
    match value.get_ref() {
        DeValue::Table(table) => entry(table, span),
        DeValue::Array(list) => list.iter().find_map(|value| within(value, span)),
        _ => None,
    }
}

fn between_backticks(message: &str, start: &str) -> Option<String> {
    let rest = message.strip_prefix(start)?;
    rest.split('`').nth(1).map(str::to_owned)
}

/// The key that the parser does not know, from its message: the key in backticks, then the known ones. A
/// letter of an equation is answered with the word for it, where that is known.
fn unknown_key(message: &str) -> Option<DataErrorKind> {
    let names = message.strip_prefix("unknown field ")?;
    let mut names = names.split('`').skip(1).step_by(2);
    let key = names.next()?;
    let known: Vec<&str> = names.collect();
    let mut letters = LETTERS.iter().filter(|(_, word)| known.contains(word));
    let word = letters.find(|(letter, _)| letter.eq_ignore_ascii_case(key));
    let word = word.map(|(_, word)| *word);
    Some(DataErrorKind::UnknownKey {
        key: key.to_owned(),
        nearest: word
            .or_else(|| nearest(key, known.iter().copied()))
            .map(str::to_owned),
        known: known.join(", "),
    })
}
