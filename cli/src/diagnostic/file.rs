//! Faults of an amplifier file in words: here which fault is worded where, in the modules below by groups.

use sheet::{FileError, FileErrorKind};

use super::values::quantity;
use super::words::{Words, words};
use super::{Diagnostic, Id, circuit, valve};

mod form;
mod iron;
mod joints;
mod rework;
mod valves;

pub(super) fn diagnostic(error: &FileError) -> Diagnostic {
    if let FileErrorKind::Circuit(fault) = &error.kind {
        return circuit::diagnostic(fault, error.span.clone(), &error.also);
    }
    if let FileErrorKind::Set { part, value, fault } = &error.kind {
        let inner = kind(fault);
        let message = format!("--set {part}={value}: {}", inner.message);
        let help = inner.help.unwrap_or_default();
        return Diagnostic::plain(inner.id, message, help);
    }
    if let FileErrorKind::SetForm { argument } = &error.kind {
        let message = format!("--set {argument} is not PART=VALUE");
        return Diagnostic::plain(
            Id::Setting,
            message,
            "write e.g. --set R3=51k, --set VR1=40% or --set S1=bright",
        );
    }
    let words = kind(&error.kind);
    let mut labels = vec![(error.span.clone(), words.label)];
    labels.extend(error.also.iter().map(|span| (span.clone(), String::new())));
    Diagnostic {
        id: words.id,
        message: words.message,
        labels,
        help: words.help,
    }
}

fn kind(kind: &FileErrorKind) -> Words {
    use FileErrorKind as K;
    match kind {
        K::Syntax { message } => form::syntax(message),
        K::ListedTwice { name } => form::listed_twice(name),
        K::MissingTable { table } => form::missing_table(table),
        K::MissingKey { owner, what, key } => form::missing_key(owner, what, key),
        K::UnknownKey {
            key,
            what,
            nearest,
            known,
        } => form::unknown_key(key, what, *nearest, known),
        K::UnknownKind { part, key, nearest } => form::unknown_kind(part, key, *nearest),
        K::KindNotFirst { part, kind } => form::kind_not_first(part, kind),
        K::EmptyPart { part } => form::empty_part(part),
        K::WrongType { key, wanted, found } => form::wrong_type(key, wanted, found),
        K::Form { key, example } => form::form(key, example),
        K::Quantity { key, error } => quantity(key, error),
        K::OutOfBounds { key, wanted } => form::out_of_bounds(key, *wanted),
        K::ValveType(fault) => valve::kind(fault),
        K::UnknownValve { name, nearest } => valves::unknown_valve(name, nearest.as_deref()),
        K::MissingElectrode {
            part,
            valve,
            kind,
            electrode,
        } => valves::missing_electrode(part, valve, kind, electrode),
        K::NoSuchElectrode {
            valve,
            kind,
            electrode,
        } => valves::no_such_electrode(valve, kind, electrode),
        K::NoFilament { valve } => valves::no_filament(valve),
        K::NoHeater { valve } => valves::no_heater(valve),
        K::FilamentAndCathode { part, valve } => valves::filament_and_cathode(part, valve),
        K::HeaterTwice { envelope } => valves::heater_twice(envelope),
        K::EnvelopeFull {
            envelope,
            valve,
            sections,
        } => valves::envelope_full(envelope, valve, *sections),
        K::NodeCount {
            key,
            least,
            most,
            found,
        } => joints::node_count(key, *least, *most, *found),
        K::CentreTap { key, halves } => iron::centre_tap(key, halves),
        K::SameNode { part, node } => joints::same_node(part, node),
        K::TapCount { key, wanted, found } => iron::tap_count(key, *wanted, *found),
        K::TapOrder { key } => iron::tap_order(key),
        K::UnknownLaw { found } => joints::unknown_law(found),
        K::UnknownWave { found } => joints::unknown_wave(found),
        K::ToneCount { wanted, found } => joints::tone_count(*wanted, *found),
        K::UnknownPosition {
            part,
            found,
            positions,
        } => joints::unknown_position(part, found, positions),
        K::UnknownPart { name, nearest } => joints::unknown_part(name, nearest.as_deref()),
        K::LoadKind { name } => joints::load_kind(name),
        K::UnknownNode { name, nearest } => joints::unknown_node(name, nearest.as_deref()),
        K::Needs { key, needs } => form::needs(key, needs),
        K::LeakageTooGreat => iron::leakage_too_great(),
        K::GapTooWide { gap } => iron::gap_too_wide(*gap),
        K::SecondMains { first } => iron::second_mains(first),
        K::MainsBand { nominal } => iron::mains_band(*nominal),
        K::UnknownTap { part, found, taps } => iron::unknown_tap(part, found, taps),
        K::VoltsTwice => iron::volts_twice(),
        K::CoreLossTooGreat => iron::core_loss_too_great(),
        K::DropTooGreat => iron::drop_too_great(),
        K::NotInBase { name, nearest } => rework::not_in_base(name, nearest.as_deref()),
        K::InBase { name } => rework::in_base(name),
        K::RemovedToo { name } => rework::removed_too(name),
        K::NoSingleValue { part, key } => rework::no_single_value(part, key),
        K::LeftOver { node, gone } => rework::left_over(node, gone),
        K::NotSettable { part, what } => rework::not_settable(part, what),
        // These have no place in a line of the file; what else there is to say of them is said above.
        K::Circuit(_) | K::Set { .. } | K::SetForm { .. } => {
            words(Id::WrongForm, kind.to_string(), "", "see the line")
        }
    }
}
