//! An amplifier file: text to [`Circuit`], the bench it stands on, and where everything was written.
//!
//! The file is TOML with three tables and types of its own, if any, in `[valves.NAME]`: `[amplifier]` (what it is and where the drawing comes from),
//! `[parts]` (one line a part, as a parts list reads; the first key says what the part is) and
//! `[bench]` (generator, load, frequency, distortion limit). All faults are reported at once, in the
//! order of the file. What the file leaves out and practice can supply is assumed and noted.
//!
//! Over 400 lines because reading, its types and its order are one contract.

mod bench;
mod controls;
mod ends;
mod error;
mod fields;
mod log;
mod magnetics;
mod mains;
mod mains_transformer;
mod parts;
mod rectified;
pub mod rework;
mod signal;
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

use std::collections::BTreeMap;
use std::ops::Range;
use std::rc::Rc;

use models::library::Library;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

pub use error::{Bounds, FileError, FileErrorKind};

use fields::{Fields, type_words};
use log::{Log, Place};
pub use parts::kind_names;
use sim::amplifier::{Amplifier, Taps, meant_by};
use sim::circuit::{CircuitError, NodeId, PartId};
use sim::nearest::nearest;
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
    let mut log = Log::default();
    log.spans.nodes.push(0..0);
    let mut root = Fields::new("file", "file", 0..0, table);
    root.raw("valves");
    log.library = Rc::new(brought(text, library, &mut log));

    let (title, source) = match table_of(&mut root, &mut log, "amplifier") {
        Some(fields) => read_title(fields, &mut log),
        None => Default::default(),
    };
    if let Some((_, parts)) = section(&mut root, &mut log, "parts") {
        read_parts(parts, set, &mut log);
    }
    let bench =
        table_of(&mut root, &mut log, "bench").and_then(|fields| bench::read(fields, &mut log));
    root.finish(&mut log);

    if !log.unplaced {
        for fault in log.circuit.faults() {
            let fault = place(&log, fault);
            // A bad value was reported where it was read.
            if !log
                .faults
                .iter()
                .any(|known| overlaps(&known.span, &fault.span) && is_value(&fault.kind))
            {
                log.faults.push(fault);
            }
        }
    }
    rectified::give_capacitance(&mut log);
    mains::unplug(&mut log);
    let mains = log.mains.as_ref().and_then(|mains| mains.placed(&log));
    let taps = log.taps.iter().filter_map(|(owner, in_use, all)| {
        Some(Taps {
            part: log.circuit.find_part(owner)?,
            in_use: *in_use,
            all: all.clone(),
        })
    });
    let taps = taps.collect();
    match bench {
        Some(bench) if log.faults.is_empty() => Ok(Sheet {
            amplifier: Amplifier {
                title,
                source,
                circuit: log.circuit,
                bench,
                mains,
                taps,
                notes: log.notes,
                positions: log.positions,
            },
            spans: log.spans,
        }),
        _ => Err(sorted(log.faults)),
    }
}

/// The library with the types the file brings.
fn brought(text: &str, library: &Library, log: &mut Log) -> Library {
    let mut library = library.clone();
    match models::valve_file::read_within(text) {
        Ok(valves) => valves.into_iter().for_each(|valve| library.add(valve)),
        Err(faults) => {
            for fault in faults {
                let kind = FileErrorKind::ValveType(fault.kind);
                log.fault(&Place::File(fault.span), kind);
            }
            log.valves_unknown = true;
        }
    }
    library
}

fn overlaps(a: &Range<usize>, b: &Range<usize>) -> bool {
    a.start < b.end && b.start < a.end
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
    let kept = faults.filter(|fault| match fault.kind {
        FileErrorKind::Syntax { .. } => !std::mem::replace(&mut slip, true),
        _ => true,
    });
    sorted(kept.collect())
}

fn syntax_fault(text: &str, error: &toml::de::Error) -> FileError {
    let span = error.span().unwrap_or(0..0);
    let message = error.message().to_owned();
    let kind = if message == "duplicate key" {
        FileErrorKind::ListedTwice {
            name: text.get(span.clone()).unwrap_or_default().to_owned(),
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
    log: &mut Log,
    name: &'static str,
) -> Option<(Range<usize>, &'a DeTable<'a>)> {
    let key_span = root
        .keys()
        .find(|(key, _)| *key == name)
        .map(|(_, span)| span);
    let Some(value) = root.raw(name) else {
        log.unplaced = true;
        log.fault(
            &Place::File(0..0),
            FileErrorKind::MissingTable { table: name },
        );
        return None;
    };
    match value.get_ref() {
        DeValue::Table(table) => Some((key_span.unwrap_or_else(|| value.span()), table)),
        other => {
            log.unplaced = true;
            let kind = FileErrorKind::WrongType {
                key: name.to_owned(),
                wanted: "a table",
                found: type_words(other),
            };
            log.fault(&Place::File(value.span()), kind);
            None
        }
    }
}

fn table_of<'a>(root: &mut Fields<'a>, log: &mut Log, name: &'static str) -> Option<Fields<'a>> {
    section(root, log, name).map(|(key, table)| Fields::new(name, name, key, table))
}

fn read_title(mut fields: Fields<'_>, log: &mut Log) -> (String, String) {
    let title = fields.need_text(log, "title").map(|text| text.text);
    let source = fields.need_text(log, "source").map(|text| text.text);
    fields.finish(log);
    // They are printed: a control character of theirs must not steer the terminal.
    let plain = |text: Option<String>| -> String {
        let text = text.unwrap_or_default();
        text.chars()
            .map(|c| if c.is_control() { ' ' } else { c })
            .collect()
    };
    (plain(title), plain(source))
}

fn read_parts<'a>(table: &'a DeTable<'a>, set: &'a [(String, String)], log: &mut Log) {
    let mut lines: Vec<(&'a Spanned<_>, &'a Spanned<DeValue<'a>>)> = table.iter().collect();
    lines.sort_by_key(|(name, _)| name.span().start);
    let names: Vec<&str> = lines
        .iter()
        .map(|(name, _)| name.get_ref().as_ref())
        .collect();
    log.mains_frequency = mains::frequency_of(lines.iter().filter_map(|(_, value)| {
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
            log.fault(
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
                    log,
                );
            }
            other => {
                log.unplaced = true;
                let wanted =
                    "a list of keys such as { resistor = \"47k\", between = [\"a\", \"b\"] }";
                let kind = FileErrorKind::WrongType {
                    key: designator.to_owned(),
                    wanted,
                    found: type_words(other),
                };
                log.fault(&Place::File(value.span()), kind);
            }
        }
    }
}

/// A fault of the circuit at its place in the text.
fn place(log: &Log, error: CircuitError) -> FileError {
    let whole = |part: PartId| log.spans.parts[part.index()].whole.clone();
    let at_node = |part: PartId, node: NodeId| {
        let placed = log.circuit.part(part);
        let terminal = placed.nodes.iter().position(|at| *at == node);
        terminal
            .and_then(|k| log.spans.parts[part.index()].nodes.get(k).cloned())
            .unwrap_or_else(|| log.spans.nodes[node.index()].clone())
    };
    let (span, also) = match &error {
        CircuitError::UsedOnce { node, part, .. } => (at_node(*part, *node), Vec::new()),
        CircuitError::NoDcPath {
            node,
            electrode: Some((part, _)),
            ..
        } => {
            let others = log
                .circuit
                .parts()
                .filter(|(id, placed)| id != part && placed.nodes.contains(node))
                .map(|(id, _)| at_node(id, *node))
                .collect();
            (at_node(*part, *node), others)
        }
        CircuitError::NoDcPath { node, .. } => (log.spans.nodes[node.index()].clone(), Vec::new()),
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
        CircuitError::Duplicate { name } | CircuitError::Terminals { name, .. } => {
            (log.circuit.find_part(name).map_or(0..0, whole), Vec::new())
        }
    };
    FileError {
        span,
        kind: FileErrorKind::Circuit(error),
        also,
    }
}
