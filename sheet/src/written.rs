//! Text put together from pieces of several files, which knows where each piece was written.
//!
//! Places in files are bytes of all their texts laid end to end, with one byte between neighbours; see
//! [`starts`].

use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Where each text begins when all are laid end to end.
pub fn starts(texts: &[&str]) -> Vec<usize> {
    let mut start = 0;
    texts
        .iter()
        .map(|text| {
            let here = start;
            start += text.len() + 1;
            here
        })
        .collect()
}

/// A piece that stands as it was written.
#[derive(Clone, Debug)]
struct Piece {
    /// Where it stands in the text put together.
    here: Range<usize>,
    /// Where it begins in the files.
    there: usize,
    /// Bytes of the file it comes from.
    file: usize,
}

/// Text put together.
#[derive(Clone, Debug, Default)]
pub(super) struct Written {
    pub(super) text: String,
    pieces: Vec<Piece>,
}

impl Written {
    /// A whole file, which begins at `start`.
    pub(super) fn whole(text: &str, start: usize) -> Self {
        Self {
            text: text.to_owned(),
            pieces: vec![Piece {
                here: 0..text.len(),
                there: start,
                file: start,
            }],
        }
    }

    /// Adds words nobody wrote: brackets and commas.
    pub(super) fn say(&mut self, words: &str) {
        self.text.push_str(words);
    }

    /// Adds a part of another text, with its places.
    pub(super) fn copy(&mut self, from: &Self, range: Range<usize>) {
        let at = self.text.len();
        self.text.push_str(&from.text[range.clone()]);
        for piece in from.pieces_from(range.start) {
            if piece.here.start >= range.end {
                break;
            }
            let start = piece.here.start.max(range.start);
            let end = piece.here.end.min(range.end);
            if start < end {
                self.pieces.push(Piece {
                    here: at + start - range.start..at + end - range.start,
                    there: piece.there + start - piece.here.start,
                    file: piece.file,
                });
            }
        }
    }

    /// The pieces that end after a byte, in their order.
    fn pieces_from(&self, byte: usize) -> &[Piece] {
        let first = self.pieces.partition_point(|piece| piece.here.end <= byte);
        &self.pieces[first..]
    }

    /// Adds a value as it is written; tables with a heading of their own, or with dots in their keys, as
    /// tables in braces.
    pub(super) fn value(&mut self, from: &Self, value: &Spanned<DeValue<'_>>) {
        let begins = |value: &Spanned<DeValue<'_>>, with: char| {
            from.text
                .get(value.span())
                .is_some_and(|text| text.starts_with(with))
        };
        match value.get_ref() {
            DeValue::Table(table) if !begins(value, '{') => {
                self.say("{ ");
                for (key, value) in in_order(table) {
                    self.entry(from, key, from, value);
                }
                self.say("}");
            }
            DeValue::Array(items)
                if items.iter().any(|item| {
                    matches!(item.get_ref(), DeValue::Table(_)) && !begins(item, '{')
                }) =>
            {
                self.say("[ ");
                for item in items {
                    self.value(from, item);
                    self.say(", ");
                }
                self.say("]");
            }
            _ => self.copy(from, value.span()),
        }
    }

    /// Adds key, value and comma.
    pub(super) fn entry(
        &mut self,
        keys: &Self,
        key: Range<usize>,
        values: &Self,
        value: &Spanned<DeValue<'_>>,
    ) {
        self.copy(keys, key);
        self.say(" = ");
        self.value(values, value);
        self.say(", ");
    }

    /// Where bytes of this text were written; what nobody wrote is at the start of file `otherwise`.
    pub(super) fn place(&self, range: &Range<usize>, otherwise: usize) -> Range<usize> {
        let none = otherwise..otherwise;
        if range.end == 0 {
            return none;
        }
        // At the very end of a piece, nothing stands there but that end.
        let ends = self
            .pieces
            .partition_point(|piece| piece.here.end < range.end);
        let at_its_end =
            (self.pieces.get(ends)).filter(|piece| range.is_empty() && piece.here.end == range.end);
        let Some(first) = at_its_end.or_else(|| self.pieces_from(range.start).first()) else {
            return none;
        };
        let there = |piece: &Piece, at: usize| {
            piece.there + at.clamp(piece.here.start, piece.here.end) - piece.here.start
        };
        let start = there(first, range.start);
        // The last piece of the same file, as far as it goes on there.
        let begun = (self.pieces).partition_point(|piece| piece.here.start < range.end);
        let last = self.pieces[..begun]
            .iter()
            .rfind(|piece| piece.file == first.file && piece.there >= first.there);
        let end = last.map_or(start, |piece| there(piece, range.end));
        start..end.max(start)
    }
}

/// As [`in_order`], with the names of the keys.
pub(super) fn named_in_order<'t, 'a>(
    table: &'t DeTable<'a>,
) -> impl Iterator<Item = (&'t str, Range<usize>, &'t Spanned<DeValue<'a>>)> {
    let mut entries: Vec<_> = table
        .iter()
        .map(|(key, value)| (key.get_ref().as_ref(), key.span(), value))
        .collect();
    entries.sort_by_key(|(_, key, _)| key.start);
    entries.into_iter()
}

/// Keys with their places and values, in the order of the file.
pub(super) fn in_order<'t, 'a>(
    table: &'t DeTable<'a>,
) -> impl Iterator<Item = (Range<usize>, &'t Spanned<DeValue<'a>>)> {
    named_in_order(table).map(|(_, key, value)| (key, value))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pieces_know_where_they_were_written() {
        let texts = ["abc", "defg"];
        assert_eq!(starts(&texts), [0, 4]);
        let (one, two) = (Written::whole("abc", 0), Written::whole("defg", 4));
        let mut both = Written::default();
        both.copy(&two, 1..3);
        both.say(" = ");
        both.copy(&one, 0..3);
        assert_eq!(both.text, "ef = abc");
        assert_eq!(both.place(&(0..2), 0), 5..7);
        assert_eq!(both.place(&(6..8), 4), 1..3);
        // From one file into the other: what is of the first.
        assert_eq!(both.place(&(1..8), 0), 6..7);
        assert_eq!(both.place(&(0..0), 4), 4..4, "the whole file");
        let mut again = Written::default();
        again.copy(&both, 1..6);
        assert_eq!(again.text, "f = a");
        assert_eq!(again.place(&(4..5), 0), 0..1);
    }

    #[test]
    fn tables_of_every_form_stand_in_braces() {
        let text = "a = 1\n[b]\nc.d = \"x\"\nc.e = [1,\n2] # two\n[[b.f]]\ng = {h = 1}\n[[b.f]]\n";
        let whole = Written::whole(text, 0);
        let table = DeTable::parse(text).unwrap();
        let mut out = Written::default();
        for (key, value) in in_order(table.get_ref()) {
            out.entry(&whole, key, &whole, value);
        }
        assert_eq!(
            out.text,
            "a = 1, b = { c = { d = \"x\", e = [1,\n2], }, f = [ { g = {h = 1}, }, { }, ], }, "
        );
    }
}
