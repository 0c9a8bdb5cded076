//! Reworks: files that name another as their base and say what is removed, replaced and added.
//!
//! ```text
//! base   = "../amplifier.toml"        an amplifier file, or a rework again
//! remove = ["R20", "C9"]
//! [replace]
//! R15 = "470R"                        a value alone keeps the connections
//! V3  = { valve = "6L6GC", … }        a line replaces the line
//! [add]
//! R40 = { resistor = "100R", … }
//! ```
//!
//! `[amplifier]`, `[bench]` and `[valves]` may give keys anew. Base and rework are made into the text of one
//! amplifier file, which is read as every other; faults and notes are then placed where the words were
//! written.
//!
//! Over 400 lines because a rework is one language: what it may say, and what each word does to its base.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::draft::Draft;
use super::error::{FileError, FileErrorKind};
use super::fields::{Fields, type_words};
use super::place::Place;
use super::place::Text;
use super::written::{Written, in_order, named_in_order, starts};
use super::{Sheet, sorted, syntax_faults};
use models::nearest::nearest;
use sim::amplifier::meant_by;
use sim::circuit::CircuitError;

/// Tables of a base of which a rework may give keys anew.
const GIVEN_ANEW: [&str; 3] = ["amplifier", "valves", "bench"];

/// The base a rework names, as written, and where; none when the text is no rework or does not say.
pub fn base(text: &str) -> Option<(String, Range<usize>)> {
    let (table, _) = DeTable::parse_recoverable(text);
    let base = table.get_ref().get("base")?;
    match base.get_ref() {
        DeValue::String(path) => Some((path.to_string(), base.span())),
        _ => None,
    }
}

/// A part taken out or rewired by a rework.
#[derive(Debug)]
struct Cut {
    part: String,
    /// Every text of its old line that could name a node.
    words: BTreeSet<String>,
}

/// Reads a rework with what it stands on: the rework first, then its base, the base of that, and so on. One
/// text is an amplifier file. `read` is what reads an amplifier file, [`super::read`] with what it needs.
///
/// # Errors
/// Every fault found. Places are bytes of the texts laid end to end, see [`starts`].
pub fn read(
    texts: &[&str],
    read: impl Fn(&str) -> Result<Sheet, Vec<FileError>>,
) -> Result<Sheet, Vec<FileError>> {
    let mut stack: Vec<Written> = texts
        .iter()
        .zip(starts(texts))
        .map(|(text, start)| Written::whole(text, start))
        .collect();
    let mut faults = Vec::new();
    for text in &stack {
        let (_, syntax) = DeTable::parse_recoverable(&text.text);
        faults.extend(moved(syntax_faults(&text.text, &syntax), text, 0));
    }
    let Some(mut whole) = stack.pop().filter(|_| faults.is_empty()) else {
        return Err(faults);
    };
    let bottom = starts(texts).pop().unwrap_or(0);
    if is_rework(&whole.text) {
        // It does not say what it stands on: nothing but itself can be judged.
        let rework = whole;
        apply(&Written::default(), &rework, &mut faults, &mut Vec::new());
        faults.retain(|fault| !matches!(fault.kind, FileErrorKind::NotInBase { .. }));
        return Err(sorted(faults));
    }
    let mut cuts = Vec::new();
    for rework in stack.iter().rev() {
        whole = apply(&whole, rework, &mut faults, &mut cuts);
    }
    match read(&whole.text) {
        Ok(mut sheet) if faults.is_empty() => {
            place_all(&mut sheet, &whole, bottom);
            Ok(sheet)
        }
        Ok(_) => Err(sorted(faults)),
        Err(mut found) => {
            // Of a rework that cannot be carried out the circuit is not known.
            if !faults.is_empty() {
                found.retain(|fault| !matches!(fault.kind, FileErrorKind::Circuit(_)));
            }
            let named = naming(&cuts);
            for fault in &mut found {
                left_over(&mut fault.kind, &named);
            }
            faults.extend(moved(found, &whole, bottom));
            Err(sorted(faults))
        }
    }
}

fn is_rework(text: &str) -> bool {
    let (table, _) = DeTable::parse_recoverable(text);
    let has = |key| table.get_ref().contains_key(key);
    has("base") || (!has("parts") && ["remove", "replace", "add"].into_iter().any(has))
}

/// Faults of a text put together, at their places in the files.
fn moved(faults: Vec<FileError>, text: &Written, whole_file: usize) -> Vec<FileError> {
    let place = |mut fault: FileError| {
        fault.span = text.place(&fault.span, whole_file);
        for span in &mut fault.also {
            *span = text.place(span, whole_file);
        }
        fault
    };
    faults.into_iter().map(place).collect()
}

fn place_all(sheet: &mut Sheet, text: &Written, whole_file: usize) {
    let place = |span: &mut Range<usize>| *span = text.place(span, whole_file);
    for note in &mut sheet.amplifier.notes {
        note.turn = text.place(&(note.turn..note.turn + 1), whole_file).start;
    }
    let spans = &mut sheet.spans;
    for part in &mut spans.parts {
        place(&mut part.name);
        place(&mut part.whole);
        part.values.values_mut().for_each(place);
        part.nodes.iter_mut().for_each(place);
    }
    spans.nodes.iter_mut().for_each(place);
}

/// A node with one end left is the doing of the parts that were there.
fn left_over(kind: &mut FileErrorKind, named: &BTreeMap<&str, Vec<&str>>) {
    let FileErrorKind::Circuit(CircuitError::UsedOnce { name, .. }) = kind else {
        return;
    };
    if let Some(gone) = named.get(name.as_str()) {
        *kind = FileErrorKind::LeftOver {
            node: name.clone(),
            gone: gone.iter().map(|&part| part.to_owned()).collect(),
        };
    }
}

/// The parts whose old line had a word, in the order they were cut.
fn naming(cuts: &[Cut]) -> BTreeMap<&str, Vec<&str>> {
    let mut named: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for cut in cuts {
        for word in &cut.words {
            named.entry(word).or_default().push(&cut.part);
        }
    }
    named
}

/// What a rework says.
struct Rework<'a> {
    remove: Vec<Text>,
    replace: Vec<Line<'a>>,
    add: Vec<Line<'a>>,
    anew: BTreeMap<&'static str, &'a DeTable<'a>>,
}

/// A designator, its place, and what stands behind it.
struct Line<'a> {
    name: String,
    key: Range<usize>,
    value: &'a Spanned<DeValue<'a>>,
}

/// The base with the rework carried out, as far as it can be.
fn apply(
    base: &Written,
    rework: &Written,
    faults: &mut Vec<FileError>,
    cuts: &mut Vec<Cut>,
) -> Written {
    let mut draft = Draft::default();
    let (base_table, _) = DeTable::parse_recoverable(&base.text);
    let (table, _) = DeTable::parse_recoverable(&rework.text);
    let said = Rework::read(table.get_ref(), &mut draft);
    let base_table = base_table.get_ref();
    let parts = match base_table.get("parts").map(Spanned::get_ref) {
        Some(DeValue::Table(parts)) => Some(parts),
        _ => None,
    };
    let names: BTreeSet<&str> = parts
        .into_iter()
        .flat_map(|parts| parts.keys().map(|name| name.get_ref().as_ref()))
        .collect();
    let removed = said.removed(&names, &mut draft);
    let replaced = said.replaced(&names, &removed, &mut draft);

    let mut whole = Written::default();
    for (key, value) in in_order(base_table) {
        let name = &base.text[key.clone()];
        let anew = GIVEN_ANEW
            .iter()
            .find(|known| **known == name)
            .and_then(|known| said.anew.get(known));
        match (value.get_ref(), anew) {
            (DeValue::Table(parts), _) if name == "parts" => {
                whole.copy(base, key);
                whole.say(" = { ");
                for (name, key, value) in named_in_order(parts) {
                    if removed.contains(name) {
                        cuts.push(Cut::of(name, value));
                    } else if let Some(line) = replaced.get(name) {
                        cuts.push(Cut::of(name, value));
                        replace(&mut whole, (base, key, value), (rework, line), &mut draft);
                    } else {
                        whole.entry(base, key, base, value);
                    }
                }
                for line in &said.add {
                    if names.contains(&line.name.as_str()) && !removed.contains(line.name.as_str())
                    {
                        let name = line.name.clone();
                        draft.fault(
                            &Place::File(line.key.clone()),
                            FileErrorKind::InBase { name },
                        );
                    } else {
                        whole.entry(rework, line.key.clone(), rework, line.value);
                    }
                }
                whole.say("}\n");
            }
            (DeValue::Table(table), Some(anew)) => {
                whole.copy(base, key);
                whole.say(" = { ");
                for (name, key, value) in named_in_order(table) {
                    if !anew.contains_key(name) {
                        whole.entry(base, key, base, value);
                    }
                }
                for (key, value) in in_order(anew) {
                    whole.entry(rework, key, rework, value);
                }
                whole.say("}\n");
            }
            _ => {
                whole.copy(base, key);
                whole.say(" = ");
                whole.value(base, value);
                whole.say("\n");
            }
        }
    }
    for (key, value) in in_order(table.get_ref()) {
        let name = &rework.text[key.clone()];
        if GIVEN_ANEW.contains(&name) && !base_table.contains_key(name) {
            whole.copy(rework, key);
            whole.say(" = ");
            whole.value(rework, value);
            whole.say("\n");
        }
    }
    faults.extend(moved(draft.faults, rework, rework.place(&(0..1), 0).start));
    whole
}

impl<'a> Rework<'a> {
    fn read(table: &'a DeTable<'a>, draft: &mut Draft) -> Self {
        let mut root = Fields::new("rework", "rework", 0..0, table);
        root.need_text(draft, "base");
        let remove = root.list(draft, "remove").unwrap_or_default();
        let replace = lines(&mut root, draft, "replace");
        let add = lines(&mut root, draft, "add");
        let mut anew = BTreeMap::new();
        for name in GIVEN_ANEW {
            if let Some(table) = table_of(&mut root, draft, name) {
                anew.insert(name, table);
            }
        }
        root.finish(draft);
        Self {
            remove,
            replace,
            add,
            anew,
        }
    }

    /// The parts of the base that go, by designator.
    fn removed<'n>(&self, names: &BTreeSet<&'n str>, draft: &mut Draft) -> BTreeSet<&'n str> {
        let mut removed = BTreeSet::new();
        for text in &self.remove {
            let found = meant_by(text.text.trim(), names);
            if found.is_empty() {
                not_in_base(draft, &text.place, text.text.trim(), names);
            }
            for name in found {
                if !removed.insert(name) {
                    let name = name.to_owned();
                    draft.fault(&text.place, FileErrorKind::ListedTwice { name });
                }
            }
        }
        removed
    }

    /// The parts of the base that are replaced, and by what.
    fn replaced<'n>(
        &self,
        names: &BTreeSet<&'n str>,
        removed: &BTreeSet<&str>,
        draft: &mut Draft,
    ) -> BTreeMap<&'n str, &Line<'a>> {
        let mut replaced = BTreeMap::new();
        for line in &self.replace {
            let place = Place::File(line.key.clone());
            let found = meant_by(&line.name, names);
            if found.is_empty() {
                not_in_base(draft, &place, &line.name, names);
            }
            for name in found {
                if removed.contains(name) {
                    let name = name.to_owned();
                    draft.fault(&place, FileErrorKind::RemovedToo { name });
                } else if replaced.insert(name, line).is_some() {
                    let name = name.to_owned();
                    draft.fault(&place, FileErrorKind::ListedTwice { name });
                }
            }
        }
        replaced
    }
}

fn not_in_base(draft: &mut Draft, place: &Place, name: &str, names: &BTreeSet<&str>) {
    /// Faults beyond which no likeness is looked for: it takes a look at every name, and nobody reads that far.
    const READ: usize = 100;
    let likeness = || nearest(name, names.iter().copied()).map(str::to_owned);
    let fault = FileErrorKind::NotInBase {
        name: name.to_owned(),
        nearest: (draft.faults.len() < READ).then(likeness).flatten(),
    };
    draft.fault(place, fault);
}

fn table_of<'a>(
    root: &mut Fields<'a>,
    draft: &mut Draft,
    name: &'static str,
) -> Option<&'a DeTable<'a>> {
    let value = root.raw(name)?;
    if let DeValue::Table(table) = value.get_ref() {
        return Some(table);
    }
    let kind = FileErrorKind::WrongType {
        key: name.to_owned(),
        wanted: "a table",
        found: type_words(value.get_ref()),
    };
    draft.fault(&Place::File(value.span()), kind);
    None
}

fn lines<'a>(root: &mut Fields<'a>, draft: &mut Draft, name: &'static str) -> Vec<Line<'a>> {
    let Some(table) = table_of(root, draft, name) else {
        return Vec::new();
    };
    named_in_order(table)
        .map(|(name, key, value)| Line {
            name: name.to_owned(),
            key,
            value,
        })
        .collect()
}

/// Puts a new line, or a line with a new value, in the place of an old one.
fn replace(
    whole: &mut Written,
    (base, key, old): (&Written, Range<usize>, &Spanned<DeValue<'_>>),
    (rework, line): (&Written, &Line<'_>),
    draft: &mut Draft,
) {
    if matches!(line.value.get_ref(), DeValue::Table(_)) {
        // A section found by the name of the whole keeps its own name.
        if base.text[key.clone()] == rework.text[line.key.clone()] {
            whole.entry(rework, line.key.clone(), rework, line.value);
        } else {
            whole.entry(base, key, rework, line.value);
        }
        return;
    }
    let place = Place::File(line.value.span());
    let is_value = |value: &DeValue<'_>| {
        matches!(
            value,
            DeValue::String(_) | DeValue::Integer(_) | DeValue::Float(_)
        )
    };
    if !is_value(line.value.get_ref()) {
        let kind = FileErrorKind::WrongType {
            key: line.name.clone(),
            wanted: "a value, or a list of keys such as { resistor = \"47k\", between = [\"a\", \"b\"] }",
            found: type_words(line.value.get_ref()),
        };
        draft.fault(&place, kind);
    } else if let DeValue::Table(keys) = old.get_ref()
        && let Some((kind_name, kind, value)) = named_in_order(keys).next()
    {
        if is_value(value.get_ref()) {
            whole.copy(base, key);
            whole.say(" = { ");
            whole.entry(base, kind.clone(), rework, line.value);
            for (key, value) in in_order(keys).skip(1) {
                whole.entry(base, key, base, value);
            }
            whole.say("}, ");
            return;
        }
        let fault = FileErrorKind::NoSingleValue {
            part: line.name.clone(),
            key: kind_name.to_owned(),
        };
        draft.fault(&place, fault);
    }
    whole.entry(base, key, base, old);
}

impl Cut {
    fn of(part: &str, line: &Spanned<DeValue<'_>>) -> Self {
        let mut words = BTreeSet::new();
        gather(line.get_ref(), &mut words);
        Self {
            part: part.to_owned(),
            words,
        }
    }
}

fn gather(value: &DeValue<'_>, words: &mut BTreeSet<String>) {
    match value {
        DeValue::String(text) => {
            words.insert(text.trim().to_owned());
        }
        DeValue::Array(items) => items.iter().for_each(|item| gather(item.get_ref(), words)),
        DeValue::Table(table) => table
            .values()
            .for_each(|item| gather(item.get_ref(), words)),
        _ => {}
    }
}

#[cfg(test)]
mod tests;
