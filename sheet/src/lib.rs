//! An amplifier file: text to [`Amplifier`], and where everything was written.
//!
//! The file is TOML with three tables: `[amplifier]` (what it is and where the drawing comes from), `[parts]` (one
//! line a part, as a parts list reads; the first key says what the part is) and `[bench]` (generator, load,
//! frequency, distortion limit); types of its own stand in `[valves.NAME]`. All faults are reported at once, in the
//! order of the file. What the file leaves out and practice can supply is assumed and noted.
//!
//! Over 400 lines because reading, its types and its order are one contract.

mod bench;
mod controls;
mod draft;
mod ends;
mod error;
mod fields;
mod magnetics;
mod mains;
mod mains_transformer;
mod parts;
mod place;
mod rectified;
pub mod rework;
mod signal;
mod terminals;
mod transformer;
mod valve;
mod windings;
mod written;

#[cfg(test)]
#[allow(
    clippy::float_cmp,
    clippy::format_push_string,
    reason = "values are read exactly; files are short"
)]
mod tests;

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use std::rc::Rc;

use models::library::Library;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

pub use error::{Bounds, FileError, FileErrorKind};

use draft::Draft;
use fields::{Fields, type_words};
use models::nearest::nearest;
pub use parts::kind_names;
use place::Place;
use sim::amplifier::{Amplifier, Taps, meant_by};
use sim::circuit::{Circuit, CircuitError, NodeId, PartId};
pub use written::starts;

/// What an amplifier file holds.
#[derive(Clone, Debug)]
pub struct Sheet {
    /// The amplifier.
    pub amplifier: Amplifier,
    /// Where everything was written.
    pub spans: Spans,
}

/// Where parts and nodes stand in the text, in bytes.
#[derive(Clone, Debug, Default)]
pub struct Spans {
    /// By [`PartId::index`].
    pub parts: Vec<PartSpans>,
    /// By [`NodeId::index`]: where the node is first named.
    pub nodes: Vec<Range<usize>>,
}

/// Where a part stands.
#[derive(Clone, Debug, Default)]
pub struct PartSpans {
    /// The designator.
    pub name: Range<usize>,
    /// The whole line.
    pub whole: Range<usize>,
    /// The value of each key.
    pub values: BTreeMap<String, Range<usize>>,
    /// The node of each terminal.
    pub nodes: Vec<Range<usize>>,
}

/// Reads an amplifier file. `set` holds designators and values that go before the file's, e.g.
/// `("VR1", "40%")`.
///
/// # Errors
/// Every fault found, in the order of the file; faults of `set` come last.
pub fn read(text: &str, set: &[(String, String)]) -> Result<Amplifier, Vec<FileError>> {
    read_with(text, set, &Library::default()).map(|sheet| sheet.amplifier)
}

/// Reads an amplifier file with the types of valves that a library has beyond the usual ones, and keeps where
/// everything was written. Types in the file itself, tables `[valves.NAME]` with the keys of a valve file, go
/// before both.
///
/// # Errors
/// As [`read`].
pub fn read_with(
    text: &str,
    set: &[(String, String)],
    library: &Library,
) -> Result<Sheet, Vec<FileError>> {
    let (table, syntax) = DeTable::parse_recoverable(text);
    if !syntax.is_empty() {
        return Err(syntax_faults(text, &syntax));
    }
    let table = table.get_ref();
    let mut draft = Draft::default();
    draft.spans.nodes.push(0..0);
    let mut root = Fields::new("file", "file", 0..0, table);
    root.raw("valves");
    draft.library = Rc::new(brought(text, library, &mut draft));

    let (title, source) = match table_of(&mut root, &mut draft, "amplifier") {
        Some(fields) => read_title(fields, &mut draft),
        None => Default::default(),
    };
    if let Some((_, parts)) = section(&mut root, &mut draft, "parts") {
        read_parts(parts, set, &mut draft);
    }
    let bench =
        table_of(&mut root, &mut draft, "bench").and_then(|fields| bench::read(fields, &mut draft));
    root.finish(&mut draft);

    if !draft.unplaced {
        let faults = draft.circuit.faults();
        let users = users(&draft.circuit, &faults);
        let mut bad_values = Covered::by(&draft.faults);
        for fault in faults {
            let fault = place(&draft, &users, fault);
            // A bad value was reported where it was read, and once.
            if !(is_value(&fault.kind) && bad_values.meets(&fault.span)) {
                bad_values.last = fault.span.clone();
                draft.faults.push(fault);
            }
        }
    }
    draft.note_open_contacts();
    rectified::give_capacitance(&mut draft);
    mains::unplug(&mut draft);
    let mains = draft
        .mains
        .as_ref()
        .and_then(|mains| mains.placed(&draft.circuit));
    let taps = draft.taps.iter().filter_map(|(owner, in_use, all)| {
        Some(Taps {
            part: draft.circuit.find_part(owner)?,
            in_use: *in_use,
            all: all.clone(),
        })
    });
    let taps = taps.collect();
    let made_for = draft.made_for.into_iter();
    let made_for = made_for.filter_map(|load| load.placed(&draft.circuit));
    let made_for = made_for.collect();
    match bench {
        Some(bench) if draft.faults.is_empty() => Ok(Sheet {
            amplifier: Amplifier {
                title,
                source,
                circuit: draft.circuit,
                bench,
                mains,
                taps,
                made_for,
                notes: draft.notes,
                positions: draft.positions,
            },
            spans: draft.spans,
        }),
        _ => Err(sorted(draft.faults)),
    }
}

/// The library with the types the file brings.
fn brought(text: &str, library: &Library, draft: &mut Draft) -> Library {
    let mut library = library.clone();
    match models::valve_file::read_within(text) {
        Ok(valves) => valves.into_iter().for_each(|valve| library.add(valve)),
        Err(faults) => {
            for fault in faults {
                let kind = FileErrorKind::ValveType(fault.kind);
                draft.fault(&Place::File(fault.span), kind);
            }
            draft.valves_unknown = true;
        }
    }
    library
}

/// Places of faults.
struct Covered {
    /// Start of each, ascending, and the greatest end of any up to there.
    spans: Vec<(usize, usize)>,
    /// The last found since. The values of a part are judged one after the other, and parts do not overlap.
    last: Range<usize>,
}

impl Covered {
    fn by(faults: &[FileError]) -> Self {
        let mut spans: Vec<(usize, usize)> = (faults.iter())
            .map(|fault| (fault.span.start, fault.span.end))
            .collect();
        spans.sort_unstable();
        let mut furthest = 0;
        for (_, end) in &mut spans {
            furthest = furthest.max(*end);
            *end = furthest;
        }
        Self { spans, last: 0..0 }
    }

    fn meets(&self, span: &Range<usize>) -> bool {
        let before = self.spans.partition_point(|(start, _)| *start < span.end);
        let furthest = before.checked_sub(1).map_or(0, |k| self.spans[k].1);
        furthest > span.start || (self.last.start < span.end && span.start < self.last.end)
    }
}

fn is_value(kind: &FileErrorKind) -> bool {
    matches!(kind, FileErrorKind::Circuit(CircuitError::Value { .. }))
}

/// In the order of the file; what has no place comes last.
fn sorted(mut faults: Vec<FileError>) -> Vec<FileError> {
    faults.sort_by_key(|fault| {
        (
            matches!(
                fault.kind,
                FileErrorKind::Set { .. } | FileErrorKind::SetForm { .. }
            ),
            fault.span.start,
        )
    });
    faults
}

/// Every name listed twice, and the first slip of the pen: the others follow from it.
fn syntax_faults(text: &str, errors: &[toml::de::Error]) -> Vec<FileError> {
    let mut slip = false;
    let faults = errors.iter().map(|error| syntax_fault(text, error));
    let kept = faults.filter(|fault| {
        let syntax = matches!(fault.kind, FileErrorKind::Syntax { .. });
        !syntax || !std::mem::replace(&mut slip, true)
    });
    sorted(kept.collect())
}

fn syntax_fault(text: &str, error: &toml::de::Error) -> FileError {
    let span = error.span().unwrap_or(0..0);
    let message = error.message().to_owned();
    let name = text.get(span.clone()).unwrap_or_default();
    // A line without a name is a slip, however often it comes.
    let kind = if message == "duplicate key" && !name.is_empty() {
        FileErrorKind::ListedTwice {
            name: name.to_owned(),
        }
    } else {
        FileErrorKind::Syntax { message }
    };
    FileError {
        span,
        kind,
        also: Vec::new(),
    }
}

/// A table that must be there, and the span of its name.
fn section<'a>(
    root: &mut Fields<'a>,
    draft: &mut Draft,
    name: &'static str,
) -> Option<(Range<usize>, &'a DeTable<'a>)> {
    let key_span = root
        .keys()
        .find(|(key, _)| *key == name)
        .map(|(_, span)| span);
    let Some(value) = root.raw(name) else {
        draft.unplaced = true;
        draft.fault(
            &Place::File(0..0),
            FileErrorKind::MissingTable { table: name },
        );
        return None;
    };
    match value.get_ref() {
        DeValue::Table(table) => Some((key_span.unwrap_or_else(|| value.span()), table)),
        other => {
            draft.unplaced = true;
            let kind = FileErrorKind::WrongType {
                key: name.to_owned(),
                wanted: "a table",
                found: type_words(other),
            };
            draft.fault(&Place::File(value.span()), kind);
            None
        }
    }
}

fn table_of<'a>(
    root: &mut Fields<'a>,
    draft: &mut Draft,
    name: &'static str,
) -> Option<Fields<'a>> {
    section(root, draft, name).map(|(key, table)| Fields::new(name, name, key, table))
}

fn read_title(mut fields: Fields<'_>, draft: &mut Draft) -> (String, String) {
    let title = fields.need_text(draft, "title").map(|text| text.text);
    let source = fields.need_text(draft, "source").map(|text| text.text);
    fields.finish(draft);
    // They are printed: a control character of theirs must not steer the terminal.
    let plain = |text: Option<String>| -> String {
        let text = text.unwrap_or_default();
        text.chars()
            .map(|c| if c.is_control() { ' ' } else { c })
            .collect()
    };
    (plain(title), plain(source))
}

fn read_parts<'a>(table: &'a DeTable<'a>, set: &'a [(String, String)], draft: &mut Draft) {
    let mut lines: Vec<(&'a Spanned<_>, &'a Spanned<DeValue<'a>>)> = table.iter().collect();
    lines.sort_by_key(|(name, _)| name.span().start);
    let names: BTreeSet<&str> = lines
        .iter()
        .map(|(name, _)| name.get_ref().as_ref())
        .collect();
    draft.mains_frequency = mains::frequency_of(lines.iter().filter_map(|(_, value)| {
        if let DeValue::Table(keys) = value.get_ref() {
            Some(keys)
        } else {
            None
        }
    }));
    let mut settings: BTreeMap<&str, &str> = BTreeMap::new();
    for (part, value) in set {
        let targets = meant_by(part, &names);
        if targets.is_empty() {
            let near = nearest(part, names.iter().copied()).map(str::to_owned);
            let place = Place::Set {
                part: part.clone(),
                value: value.clone(),
            };
            draft.fault(
                &place,
                FileErrorKind::UnknownPart {
                    name: part.clone(),
                    nearest: near,
                },
            );
        }
        settings.extend(targets.into_iter().map(|target| (target, value.as_str())));
    }
    for (name, value) in lines {
        let designator: &str = name.get_ref().as_ref();
        match value.get_ref() {
            DeValue::Table(keys) => {
                let whole = name.span().start..value.span().end.max(name.span().end);
                parts::read(
                    designator,
                    name.span(),
                    whole,
                    keys,
                    settings.get(designator).copied(),
                    draft,
                );
            }
            other => {
                draft.unplaced = true;
                let wanted =
                    "a list of keys such as { resistor = \"47k\", between = [\"a\", \"b\"] }";
                let kind = FileErrorKind::WrongType {
                    key: designator.to_owned(),
                    wanted,
                    found: type_words(other),
                };
                draft.fault(&Place::File(value.span()), kind);
            }
        }
    }
}

/// `[nodes]` the parts at each node, in their order; empty where no fault asks for them.
fn users(circuit: &Circuit, faults: &[CircuitError]) -> Vec<Vec<PartId>> {
    let asks = |fault: &CircuitError| matches!(fault, CircuitError::NoDcPath { .. });
    let mut users = vec![Vec::new(); circuit.node_count()];
    if faults.iter().any(asks) {
        for (id, placed) in circuit.parts() {
            for node in &placed.nodes {
                users[node.index()].push(id);
            }
        }
        users.iter_mut().for_each(Vec::dedup);
    }
    users
}

/// A fault of the circuit at its place in the text.
fn place(draft: &Draft, users: &[Vec<PartId>], error: CircuitError) -> FileError {
    let whole = |part: PartId| draft.spans.parts[part.index()].whole.clone();
    let at_node = |part: PartId, node: NodeId| {
        let placed = draft.circuit.part(part);
        let terminal = placed.nodes.iter().position(|at| *at == node);
        terminal
            .and_then(|k| draft.spans.parts[part.index()].nodes.get(k).cloned())
            .unwrap_or_else(|| draft.spans.nodes[node.index()].clone())
    };
    let (span, also) = match &error {
        CircuitError::UsedOnce { node, part, .. } => (at_node(*part, *node), Vec::new()),
        CircuitError::NoDcPath {
            node,
            electrode: Some((part, _)),
            ..
        } => {
            let others = users[node.index()]
                .iter()
                .filter(|id| *id != part)
                .map(|id| at_node(*id, *node))
                .collect();
            (at_node(*part, *node), others)
        }
        CircuitError::NoDcPath { node, .. } => {
            (draft.spans.nodes[node.index()].clone(), Vec::new())
        }
        CircuitError::Loop { parts, .. } => {
            let mut spans: Vec<Range<usize>> = parts.iter().map(|part| whole(*part)).collect();
            spans.sort_by_key(|span| span.start);
            let first = if spans.is_empty() {
                0..0
            } else {
                spans.remove(0)
            };
            (first, spans)
        }
        CircuitError::Value { part, .. } => (whole(*part), Vec::new()),
        CircuitError::Duplicate { name } | CircuitError::Terminals { name, .. } => (
            draft.circuit.find_part(name).map_or(0..0, whole),
            Vec::new(),
        ),
    };
    FileError {
        span,
        kind: FileErrorKind::Circuit(error),
        also,
    }
}
